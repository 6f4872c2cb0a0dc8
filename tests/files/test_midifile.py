"""Standard MIDI Files 1.0 (RP-001), with mido as a foreign writer and reader."""

import io
from itertools import pairwise
from typing import Any

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.files import midifile
from tests import oracle

END_OF_TRACK = b"\x00\xff\x2f\x00"
DUMP = oracle.dump(bits=16, words=list(range(-60, 61)), sample_number=3, period_ns=22_676)


def variable(value: int) -> bytes:
    """A number of variable length (RP-001): 7 bits a byte, the top bit on in all but the last."""
    text = f"{value:b}"
    text = text.zfill(-(-len(text) // 7) * 7)
    groups = [int(text[at : at + 7], 2) for at in range(0, len(text), 7)]
    return bytes([*(group | 0x80 for group in groups[:-1]), groups[-1]])


def exclusive(data: bytes, *, delta: int = 0, status: int = 0xF0) -> bytes:
    return variable(delta) + bytes([status]) + variable(len(data)) + data


def track(*events: bytes, end: bytes = END_OF_TRACK) -> bytes:
    body = b"".join(events) + end
    return b"MTrk" + len(body).to_bytes(4, "big") + body


def file_of(*tracks: bytes, file_format: int = 1, division: int = 500) -> bytes:
    fields = (file_format, len(tracks), division)
    return b"MThd\0\0\0\6" + b"".join(f.to_bytes(2, "big") for f in fields) + b"".join(tracks)


def written(file: Any) -> bytes:
    target = io.BytesIO()
    file.save(file=target)
    return target.getvalue()


bodies = st.binary(max_size=200).map(lambda raw: bytes(byte & 0x7F for byte in raw))
steps = st.integers(0, 1000)


@st.composite
def foreign_files(draw: st.DrawFn) -> Any:
    """A file written with mido: exclusive messages, notes and tempos in up to three tracks."""
    event = st.one_of(
        st.builds(
            lambda data, time: mido.Message("sysex", data=tuple(data), time=time), bodies, steps
        ),
        st.builds(
            lambda note, time: mido.Message("note_on", note=note, time=time),
            st.integers(0, 127),
            steps,
        ),
        st.builds(
            lambda tempo, time: mido.MetaMessage("set_tempo", tempo=tempo, time=time),
            st.integers(1000, 2**24 - 1),
            steps,
        ),
    )
    file = mido.MidiFile(type=1, ticks_per_beat=draw(st.integers(1, 32_767)))
    for _ in range(draw(st.integers(1, 3))):
        file.tracks.append(mido.MidiTrack(draw(st.lists(event, max_size=8))))
    return file


@given(foreign_files())
def test_a_foreign_file_gives_the_messages_and_times_that_its_writer_sees(file: Any) -> None:
    stream = midifile.read(written(file))
    now, messages, times = 0.0, [], []
    for message in file:
        now += message.time
        if message.type == "sysex":
            messages.append(bytes([0xF0, *message.data, 0xF7]))
            times.append(now)
    assert stream.data == b"".join(messages)
    assert stream.remarks == ()
    offsets = [sum(map(len, messages[:index])) for index in range(len(messages))]
    assert [offset for offset, _ in stream.times] == offsets
    # The foreign clock adds up floating-point seconds.
    assert [ns / 1e9 for _, ns in stream.times] == pytest.approx(times, rel=1e-9, abs=1e-6)


@given(st.lists(st.integers(1, len(DUMP) - 1), max_size=12), st.data())
def test_a_stream_cut_into_events_anywhere_is_whole_again(
    cuts: list[int], data: st.DataObject
) -> None:
    edges = [0, *sorted(set(cuts)), len(DUMP)]
    events = []
    for start, end in pairwise(edges):
        delta = data.draw(steps)
        piece = DUMP[start:end]
        if piece[0] == 0xF0:
            events.append(exclusive(piece[1:], delta=delta))
        else:
            events.append(exclusive(piece, delta=delta, status=0xF7))
    assert midifile.read(file_of(track(*events), file_format=0)).data == DUMP


@pytest.mark.parametrize(
    ("number", "written_as"),
    [
        (0x00, "00"),
        (0x40, "40"),
        (0x7F, "7F"),
        (0x80, "81 00"),
        (0x2000, "C0 00"),
        (0x3FFF, "FF 7F"),
        (0x4000, "81 80 00"),
        (0x100000, "C0 80 00"),
        (0x1FFFFF, "FF FF 7F"),
        (0x200000, "81 80 80 00"),
        (0x8000000, "C0 80 80 00"),
        (0xFFFFFFF, "FF FF FF 7F"),
    ],
)
def test_the_examples_of_the_standard_for_numbers(number: int, written_as: str) -> None:
    raw = bytes.fromhex(written_as)
    assert variable(number) == raw
    stream = midifile.read(file_of(track(raw + b"\xf0\x01\xf7")))
    assert stream.times == ((0, number * 1_000_000),)
    built = midifile.build([(number * 1_000_000, b"\xf0\xf7")])
    assert raw + b"\xf0\x01\xf7" in built


@given(st.integers(0, 2**28 - 1))
def test_a_number_of_variable_length_survives(delta: int) -> None:
    stream = midifile.read(file_of(track(exclusive(b"\xf7", delta=delta))))
    assert stream.times == ((0, delta * 1_000_000),)


@pytest.mark.parametrize(
    ("event", "bytes_on_the_line"),
    [
        (exclusive(b"\x7e\x00\x01"), b"\xf0\x7e\x00\x01"),  # no F7
        (exclusive(b"\x7e\x90\x40\x40\xf7"), b"\xf0\x7e\x90\x40\x40\xf7"),  # a status inside
        (exclusive(b"\x7e\xf8\x00\xf7"), b"\xf0\x7e\xf8\x00\xf7"),  # a real-time byte inside
        (exclusive(b"\xf0\x7e\xf7"), b"\xf0\xf0\x7e\xf7"),  # a writer that says F0 twice
        (exclusive(b"\x90\x40\x40", status=0xF7), b"\x90\x40\x40"),  # an escape
        (exclusive(b""), b"\xf0"),
    ],
)
def test_broken_messages_are_kept_as_they_are(event: bytes, bytes_on_the_line: bytes) -> None:
    assert midifile.read(file_of(track(event))).data == bytes_on_the_line


def test_mido_shows_why_it_is_not_the_reader() -> None:
    """A control: the library gives a message without F7 and one with F7 alike."""
    torn, whole = (
        mido.MidiFile(file=io.BytesIO(file_of(track(exclusive(data)))))
        for data in (b"\x7e\x00\x01", b"\x7e\x00\x01\xf7")
    )
    assert torn.tracks == whole.tracks


def test_events_of_one_instant_stay_in_the_order_of_their_tracks() -> None:
    first = track(exclusive(b"\x01\xf7", delta=5), exclusive(b"\x04\xf7", delta=5))
    second = track(exclusive(b"\x02\xf7", delta=5), exclusive(b"\x03\xf7", delta=0))
    data = midifile.read(file_of(first, second)).data
    assert data == bytes.fromhex("F0 01 F7 F0 02 F7 F0 03 F7 F0 04 F7")


def test_independent_tracks_come_one_after_another() -> None:
    tracks = (track(exclusive(bytes([n, 0xF7]), delta=7)) for n in (1, 2))
    stream = midifile.read(file_of(*tracks, file_format=2))
    assert stream.data == bytes.fromhex("F0 01 F7 F0 02 F7")
    assert stream.times == ((0, 7_000_000), (3, 14_000_000))


NOTE = b"\x00\x90\x40\x40"
RUNNING = b"\x00\x41\x00"


def test_notes_between_messages_are_left_out() -> None:
    events = (NOTE, RUNNING, exclusive(b"\x01\xf7"), NOTE, exclusive(b"\x02\xf7"), RUNNING)
    assert midifile.read(file_of(track(*events))).data == bytes.fromhex("F0 01 F7 F0 02 F7")


def test_a_note_inside_a_message_cuts_it_as_on_the_line() -> None:
    events = (exclusive(b"\x7e\x00"), NOTE, exclusive(b"\x01\xf7", status=0xF7), NOTE)
    assert midifile.read(file_of(track(*events))).data == bytes.fromhex("F0 7E 00 90 40 40 01 F7")


def test_real_time_bytes_leave_a_message_open() -> None:
    events = (exclusive(b"\x7e"), exclusive(b"\xf8", status=0xF7), NOTE)
    assert midifile.read(file_of(track(*events))).data == bytes.fromhex("F0 7E F8 90 40 40")


def test_a_cut_message_stays_cut() -> None:
    note_off = b"\x00\x80\x40\x40"
    data = midifile.read(file_of(track(exclusive(b"\x7e"), note_off, NOTE))).data
    assert data == bytes.fromhex("F0 7E 80 40 40")


@pytest.mark.parametrize("status", [*range(0x80, 0xF0), *range(0xF1, 0xF7), *range(0xF8, 0xFF)])
def test_every_status_takes_its_data_bytes(status: int) -> None:
    """M1 tables I and VII: two data bytes, but one after Cn, Dn, F1 and F3, none after most Fn."""
    high = status >> 4
    size = {0xC: 1, 0xD: 1, 0xF: {0xF1: 1, 0xF2: 2, 0xF3: 1}.get(status, 0)}.get(high, 2)
    event = bytes([0, status, *[0x40] * size])
    stream = midifile.read(file_of(track(event, exclusive(b"\x01\xf7"))))
    assert (stream.data, stream.remarks) == (b"\xf0\x01\xf7", ())


def test_a_track_without_its_end_event_is_nothing_to_remark_on() -> None:
    stream = midifile.read(file_of(track(exclusive(b"\x01\xf7"), end=b"")))
    assert (stream.data, stream.remarks) == (b"\xf0\x01\xf7", ())


@pytest.mark.parametrize(
    ("division", "tick_ns"), [(0, 500_000_000), (1, 500_000_000), (2, 250_000_000)]
)
def test_coarse_divisions(division: int, tick_ns: int) -> None:
    """120 quarter notes a minute until a tempo is set (RP-001); no ticks at all count as one."""
    stream = midifile.read(file_of(track(exclusive(b"\xf7", delta=1)), division=division))
    assert stream.times == ((0, tick_ns),)


@pytest.mark.parametrize("size", [0, 4, 5])
def test_a_header_that_says_it_is_short(size: int) -> None:
    content = b"MThd" + size.to_bytes(4, "big") + bytes(size) + track(exclusive(b"\x01\xf7"))
    stream = midifile.read(content)
    assert stream.data == b"\xf0\x01\xf7"
    assert stream.remarks == ("the MIDI file's header is cut short",)


@pytest.mark.parametrize(
    ("division", "tick_ns"),
    [
        (0xE728, 1_000_000),  # 25 frames a second, 40 ticks a frame: the example of RP-001
        (0xE850, 520_833),  # 24 frames, 80 ticks
        (0xE250, 416_667),  # 30 frames, 80 ticks
        (0xE364, 333_667),  # "29": 30,000 / 1,001 frames a second, 100 ticks
    ],
)
def test_time_code_divisions(division: int, tick_ns: int) -> None:
    stream = midifile.read(file_of(track(exclusive(b"\xf7", delta=1)), division=division))
    assert stream.times == ((0, tick_ns),)


def test_unknown_chunks_are_passed_over() -> None:
    content = file_of(b"XTRA\0\0\0\3abc", track(exclusive(b"\x01\xf7")))
    stream = midifile.read(content)
    assert (stream.data, stream.remarks) == (b"\xf0\x01\xf7", ())


def test_a_longer_header_is_passed_over() -> None:
    content = file_of(track(exclusive(b"\x01\xf7")))
    longer = content[:7] + b"\x08" + content[8:14] + b"\0\0" + content[14:]
    assert midifile.read(longer).data == b"\xf0\x01\xf7"


def test_a_wrong_track_size_costs_no_other_track() -> None:
    first = bytearray(track(exclusive(b"\x01\xf7")))
    first[7] -= 2
    stream = midifile.read(file_of(bytes(first), track(exclusive(b"\x02\xf7"))))
    assert stream.data == bytes.fromhex("F0 01 F7 F0 02 F7")
    assert any("no chunk" in remark for remark in stream.remarks)


@pytest.mark.parametrize(
    ("content", "data", "remark"),
    [
        (file_of(track(exclusive(b"\x7e\x00\xf7")))[:-6], b"\xf0\x7e", "ends before"),
        (
            file_of(track(b"\x00\xf0\x20\x7e\x00", end=b"")),
            b"\xf0\x7e\x00",
            "track 1: its last exclusive event lacks 30 bytes",
        ),
        (file_of(track(b"\x00\x40", end=b"")), b"", "byte 1 is 40 where an event should begin"),
        (file_of(track(b"\x00\xf0", end=b"")), b"", "ends in the middle of an event"),
        (file_of(track(b"\xff\xff\xff\xff\x7f", end=b"")), b"", "more than four bytes"),
        (b"MThd\0\0", b"", "header is cut short"),
        (file_of() + b"MTrk\0", b"", "byte 14: the file ends in the middle of a chunk"),
        (file_of() + b"\x80\x80more junk", b"", "byte 14: no chunk"),
    ],
)
def test_a_broken_file_is_read_as_far_as_it_goes(content: bytes, data: bytes, remark: str) -> None:
    stream = midifile.read(content)
    assert stream.data == data
    assert any(remark in said for said in stream.remarks), stream.remarks


@given(st.binary(max_size=200))
def test_no_bytes_make_the_reader_raise(rest: bytes) -> None:
    midifile.read(b"MThd" + rest)
    midifile.read(file_of(track(rest, end=b"")))


@given(foreign_files(), st.data())
def test_no_damage_makes_the_reader_raise(file: Any, data: st.DataObject) -> None:
    content = bytearray(written(file))
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(4, len(content) - 1))] = data.draw(st.integers(0, 255))
    del content[data.draw(st.integers(4, len(content))) :]
    midifile.read(bytes(content))


timed = st.lists(
    st.tuples(st.integers(0, 10**10), bodies.map(lambda body: b"\xf0" + body + b"\xf7")), max_size=8
)


@given(timed)
def test_what_is_built_is_what_mido_reads(steps_and_messages: list[tuple[int, bytes]]) -> None:
    now, messages = 0, []
    for step, message in steps_and_messages:
        now += step
        messages.append((now, message))
    built = midifile.build(messages)
    foreign = [m for m in mido.MidiFile(file=io.BytesIO(built)) if m.type == "sysex"]
    assert [bytes([0xF0, *m.data, 0xF7]) for m in foreign] == [body for _, body in messages]
    stream = midifile.read(built)
    assert stream.data == b"".join(body for _, body in messages)
    pauses = [b - a for (_, a), (_, b) in pairwise(((0, 0), *stream.times))]
    wanted = [step for step, _ in steps_and_messages]
    assert all(0 <= pause - step < 1_000_000 for pause, step in zip(pauses, wanted, strict=True))


def test_time_does_not_run_backwards() -> None:
    with pytest.raises(ValueError, match="back in time"):
        midifile.build([(2_000_000, b"\xf0\xf7"), (0, b"\xf0\xf7")])
