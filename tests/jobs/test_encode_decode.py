"""Audio to dump and back, against the plain codec of the tests (M1 pp. 37-39, CA-019)."""

import hashlib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.outgoing import outgoing, whole_sequence
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.harness.files import midifile
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.convert import (
    Encoded,
    EncodeOptions,
    FromFile,
    decode_file,
    encode,
    file_of,
    loop_from,
    open_loop,
)
from tests import oracle
from tests.files.chunks import SmplLoop, smpl, with_chunks
from tests.files.test_audio import wav
from tests.strategies import samples
from tests.vectors import timeline
from tests.vectors.dumps import V1

MS = 1_000_000


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder for all: the property tests need no new one for every example."""
    return tmp_path_factory.mktemp("bench")


def encoded(bench: Path, content: bytes, **wishes: object) -> Encoded:
    path = bench / "source.wav"
    path.write_bytes(content)
    return encode(str(path), EncodeOptions(**wishes))  # type: ignore[arg-type]  # each test says its own


def decoded(bench: Path, content: bytes, number: int | None = None) -> FromFile:
    path = bench / "dump.syx"
    path.write_bytes(content)
    return decode_file(str(path), number)


def bytes_of(made: Encoded) -> bytes:
    return file_of([made.dump], "x.syx")


# To a dump.


@given(
    st.lists(st.integers(-(2**15), 2**15 - 1), min_size=1, max_size=130),
    st.integers(16, 28),
    st.integers(0, 16_383),
    st.integers(0, 127),
)
def test_a_16_bit_file_becomes_the_dump_that_the_standard_describes(
    bench: Path, words: list[int], bits: int, number: int, device_id: int
) -> None:
    made = encoded(bench, wav(words, width=2), bits=bits, number=number, device_id=device_id)
    assert bytes_of(made) == oracle.dump(
        device_id=device_id,
        sample_number=number,
        bits=bits,
        period_ns=22_676,  # the nearest to 44,100 Hz
        words=[word << (bits - 16) for word in words],
    )


def test_the_first_vector(bench: Path) -> None:
    made = encoded(bench, wav(V1.words, width=2), number=V1.sample_number)
    assert hashlib.sha256(bytes_of(made)).hexdigest() == V1.sha256


def test_two_channels_side_by_side(bench: Path) -> None:
    words = [100, -100, 200, -200, 300, -300]
    content = wav(words, width=2, channels=2, rate=48_000)
    made = encoded(bench, content, channel="both", loop=Loop(start=0, end=2, loop_type=0x02))
    assert made.extended
    assert bytes_of(made) == oracle.dump(
        extended=True,
        sample_number=1,
        bits=16,
        rate_integer=48_000,
        channels=2,
        words=words,
        loop_end=2,
        loop_type=2,
    )


@pytest.mark.parametrize(
    ("channel", "words", "said"),
    [(1, [100, 200], ""), (2, [-104, -200], ""), ("mix", [-2, 0], ""), (None, [-2, 0], "mixed")],
)
def test_one_channel_of_two(bench: Path, channel: object, words: list[int], said: str) -> None:
    made = encoded(bench, wav([100, -104, 200, -200], width=2, channels=2), channel=channel)
    assert made.sample.words.tolist() == words
    assert not made.extended
    assert said in "".join(made.remarks) if said else not made.remarks


@pytest.mark.parametrize("channel", [None, 1, "mix", "both"])
def test_of_one_channel_every_choice_is_the_same(bench: Path, channel: object) -> None:
    made = encoded(bench, wav([5, -5], width=2), channel=channel)
    assert (made.sample.words.tolist(), made.remarks) == ([5, -5], ())


def test_a_loop_and_a_name_are_in_the_dump(bench: Path) -> None:
    loop = Loop(start=10, end=30, loop_type=1)
    made = encoded(bench, wav([0] * 41, width=2), number=300, loop=loop, name="Ship's bell")
    plain = oracle.dump(
        sample_number=300,
        bits=16,
        period_ns=22_676,
        words=[0] * 41,
        loop_start=10,
        loop_end=30,
        loop_type=1,
    )
    assert bytes_of(made) == plain + oracle.sample_name(sample_number=300, name=b"Ship's bell")


def test_the_loop_of_the_recording_is_kept_unless_another_is_given(bench: Path) -> None:
    content = with_chunks(
        wav([0] * 41, width=2), smpl([SmplLoop(10, 29, 1)], key=57, fraction=1 << 31)
    )
    made = encoded(bench, content)
    assert made.sample.sustain == Loop(start=10, end=29, loop_type=1)
    assert (made.root, made.fine_cents) == (57, 50.0)
    moved = encoded(bench, content, start=5, length=30)
    assert (moved.sample.sustain, moved.sample.frames) == (Loop(start=5, end=24, loop_type=1), 30)
    given_loop = Loop(start=0, end=40, loop_type=0)
    assert encoded(bench, content, loop=given_loop).sample.sustain == given_loop
    assert encoded(bench, content, loop="none").sample.sustain == NO_LOOP


def test_a_loop_that_is_left_out_keeps_nothing_from_being_trimmed(bench: Path) -> None:
    content = with_chunks(wav([0] * 30 + [9] * 5 + [0] * 6, width=2), smpl([SmplLoop(10, 29)]))
    assert encoded(bench, content, trim_db=-100.0).sample.frames == 25
    trimmed = encoded(bench, content, trim_db=-100.0, loop="none")
    assert trimmed.sample.words.tolist() == [9] * 5


def test_a_loop_of_one_word(bench: Path) -> None:
    """Both ends are played (CA-019 p. 2), so it is a loop."""
    made = encoded(bench, wav([0] * 5, width=2), loop=Loop(start=4, end=4, loop_type=0))
    assert bytes_of(made)[13:20] == bytes.fromhex("04 00 00 04 00 00 00")


def test_the_extended_header_is_there_for_the_asking(bench: Path) -> None:
    made = encoded(bench, wav([1], width=2), header="extended")
    assert bytes_of(made)[:34] == oracle.extended_header(
        sample_number=1, bits=16, rate_integer=44_100, length=1
    )


def test_an_odd_rate_keeps_its_fraction_in_the_extended_header(bench: Path) -> None:
    rate = Fraction(88_201, 4)
    made = encoded(bench, wav([1] * 100, width=2), rate=rate, header="extended")
    assert made.sample.rate == rate
    assert bytes_of(made)[8:16] == oracle.n7(22_050, 4) + oracle.n7(2**26, 4)


def test_resampling_only_touches_what_is_wanted(bench: Path) -> None:
    stereo = wav([1000, 0] * 200, width=2, channels=2)
    one = encoded(bench, stereo, channel=2, rate=Fraction(22_050)).sample
    assert (one.frames, one.words.tolist()) == (100, [0] * 100)
    assert encoded(bench, stereo, channel=1, rate=Fraction(22_050)).sample.words.any()


def test_the_times_on_the_line(bench: Path) -> None:
    dump = encoded(bench, wav(V1.words, width=2))
    assert [start for start, _ in open_loop(dump.dump)] == [
        start for _, start, _ in timeline.OPEN_LOOP
    ]
    assert dump.open_loop_ns == timeline.OPEN_LOOP[-1][2]
    # Header and its answer, two packets and their answers, each message straight after the other.
    assert dump.closed_loop_ns == (21 + 6 + 2 * (127 + 6)) * timeline.BYTE_NS


def test_a_name_waits_for_the_last_packet(bench: Path) -> None:
    made = encoded(bench, wav([1], width=2), name="x")
    starts = [start for start, _ in open_loop(made.dump)]
    assert starts == [0, timeline.HEADER_WAIT_NS + 6_720_000, 2_067_360_000]
    assert made.open_loop_ns == starts[2] + 11 * timeline.BYTE_NS


@pytest.mark.parametrize(("per_packet", "opened", "closed"), timeline.WORDS_PER_SECOND)
def test_words_per_second_in_the_long_run(
    bench: Path, per_packet: int, opened: float, closed: float
) -> None:
    bits = {60: 12, 40: 16, 30: 24}[per_packet]
    words = 2000 * per_packet
    made = encoded(bench, wav([0] * words, width=1), bits=bits)
    waited = timeline.HEADER_WAIT_NS
    assert words / ((made.open_loop_ns - waited) / 1e9) == pytest.approx(opened, rel=0.001)
    assert words / (made.closed_loop_ns / 1e9) == pytest.approx(closed, rel=0.001)


@pytest.mark.parametrize("ending", [".mid", ".MIDI", ".smf"])
def test_a_midi_file_leaves_the_pauses_that_an_open_loop_needs(bench: Path, ending: str) -> None:
    made = encoded(bench, wav([0] * 400, width=2))
    stream = midifile.read(file_of([made.dump], "x" + ending))
    assert stream.data == bytes_of(made)
    ends = [
        start + size * timeline.BYTE_NS
        for (_, start), size in zip(stream.times, [21] + [127] * 10, strict=True)
    ]
    pauses = [start - end for (_, start), end in zip(stream.times[1:], ends, strict=False)]
    assert pauses[0] >= timeline.HEADER_WAIT_NS
    assert all(timeline.PACKET_WAIT_NS <= pause < 21 * MS for pause in pauses[1:])


@pytest.mark.parametrize(
    ("wishes", "said"),
    [
        ({"bits": 7}, "--bits 7 is out of range: significant bits of a word are 8 to 28"),
        ({"bits": 29}, "--bits 29 is out of range"),
        ({"number": -1}, "--number -1 is out of range: sample numbers are 0 to 16,383"),
        ({"number": 16_384}, "--number 16384 is out of range"),
        ({"device_id": 128}, "--device-id 128 is out of range: device IDs are 0 to 127"),
        ({"channel": 3}, "has no channel 3: it has channels 1 to 2"),
        ({"channel": 0}, "has no channel 0"),
        ({"channel": "both", "header": "standard"}, "2 channels need the extended header. Use --h"),
        ({"rate": Fraction(0)}, "--rate 0 is out of range"),
        ({"rate": Fraction(2**28)}, "--rate 2.68435e+08 is out of range"),
        ({"rate": Fraction(1, 10)}, "would leave no sound"),
        ({"rate": Fraction(476), "header": "standard"}, "476 Hz needs the extended header"),
        ({"loop": Loop(start=0, end=50, loop_type=0)}, "not in the sample: its words are 0 to 49"),
        ({"loop": Loop(start=2, end=1, loop_type=0)}, "--loop 2-1 is not in the sample"),
        (
            {"loop": Loop(start=1, end=2, loop_type=0x40), "header": "standard"},
            "a loop backward, one way needs the extended header",
        ),
        ({"name": "Möwe"}, "--name Möwe cannot be sent"),
        ({"name": "a\nb"}, "--name a\\nb cannot be sent"),
        ({"name": "x" * 128}, "--name: length 128 is out of range"),
    ],
)
def test_wishes_that_cannot_be_fulfilled(bench: Path, wishes: dict[str, object], said: str) -> None:
    with pytest.raises(Problem) as caught:
        encoded(bench, wav([0] * 100, width=2, channels=2), **wishes)
    assert said in str(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("extra", [0, 1])
def test_the_longest_sample_of_the_standard_header(bench: Path, extra: int) -> None:
    content = wav([0], width=1)[:-2]  # without the one word and the byte that makes it even
    count = 2_097_151 + extra
    content = content[:40] + count.to_bytes(4, "little") + bytes([128]) * count
    if extra:
        with pytest.raises(Problem, match="2,097,152 words are too many for the standard header"):
            encoded(bench, content, bits=8, header="standard")
    made = encoded(bench, content, bits=8)
    assert (len(made.dump.packets), made.extended) == (34_953 + (count > 34_953 * 60), bool(extra))


@pytest.mark.parametrize(
    ("text", "loop"),
    [
        ("0-499", Loop(start=0, end=499, loop_type=0)),
        ("7-7:forward", Loop(start=7, end=7, loop_type=0)),
        ("1-2:Backward-Forward", Loop(start=1, end=2, loop_type=1)),
        ("1-2:7e", Loop(start=1, end=2, loop_type=0x7E)),
        ("1-2:43", Loop(start=1, end=2, loop_type=0x43)),
    ],
)
def test_loops_in_words(text: str, loop: Loop) -> None:
    assert loop_from(text) == loop


@pytest.mark.parametrize(
    "text", ["", "5", "5-", "-5", "1-2-3", "a-b", "1-2:", "1-2:04", "1-2:loop", "1-٢", "1-2\n"]
)
def test_loops_that_are_none(text: str) -> None:
    with pytest.raises(Problem, match="--loop") as caught:
        loop_from(text)
    assert str(caught.value).isprintable()


@given(samples(extended=True), st.integers(0, 16_383))
def test_what_was_sent_is_what_is_decoded(bench: Path, sample: Sample, number: int) -> None:
    content = b"".join(whole_sequence(outgoing(sample, number=number, device_id=5)))
    if not sample.frames:
        with pytest.raises(Problem, match="holds no sound"):
            decoded(bench, content)
        return
    taken = decoded(bench, content)
    back = taken.sample
    assert taken.contents.is_whole
    assert back.words.tolist() == sample.words.tolist()
    assert (back.bits, back.channels, back.name) == (sample.bits, sample.channels, sample.name)
    assert (back.sustain, back.loops) == (sample.sustain, sample.loops)
