"""USB-MIDI events against tables typed from the USB Device Class Definition for MIDI Devices 1.0,
section 4, and a packer that sees whole messages only.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dryload.emulator.line.usb import Packer, code_index, unpack
from tests import oracle

# Code index numbers and how many of the three bytes count (table 4-1).
BYTES_OF = {
    **{0x2: 2, 0x3: 3, 0x4: 3, 0x5: 1, 0x6: 2, 0x7: 3},
    **{0x8: 3, 0x9: 3, 0xA: 3, 0xB: 3, 0xC: 2, 0xD: 2, 0xE: 3, 0xF: 1},
}
# Examples of every kind of message beside the exclusive ones, with its code index.
SHORT = {
    bytes([0x80, 0x40, 0x00]): 0x8,
    bytes([0x93, 0x40, 0x7F]): 0x9,
    bytes([0xA0, 0x40, 0x01]): 0xA,
    bytes([0xBF, 0x7B, 0x00]): 0xB,
    bytes([0xC0, 0x05]): 0xC,
    bytes([0xD1, 0x05]): 0xD,
    bytes([0xE2, 0x00, 0x40]): 0xE,
    bytes([0xF1, 0x12]): 0x2,
    bytes([0xF3, 0x12]): 0x2,
    bytes([0xF2, 0x12, 0x34]): 0x3,
    bytes([0xF6]): 0x5,
    bytes([0xF8]): 0xF,
    bytes([0xFE]): 0xF,
    bytes([0xFF]): 0xF,
}
# The last code index of the messages of a dump, by their bytes: 5, 6 and 7 for one, two and three
# bytes that are left (table 4-2).
LAST = {6: 7, 7: 5, 8: 6, 10: 5, 17: 6, 21: 7, 34: 5, 127: 5}


def pack(data: bytes) -> list[bytes]:
    """Events of a whole stream: a tune request ends whatever was begun, and is an event itself."""
    events = Packer().feed(data + b"\xf6")
    assert events.pop() == bytes.fromhex("05F60000")
    return events


def exclusive(length: int) -> bytes:
    return bytes([0xF0, *(at % 128 for at in range(length - 2)), 0xF7])


def event(head: int, data: bytes) -> bytes:
    return bytes([head]) + data + bytes(3 - len(data))


def packed(stream: list[tuple[int, int]], messages: list[list[int]]) -> list[bytes]:
    """Events of messages given as positions in a stream; an event is due at its last byte."""
    byte_at = dict(stream)
    due: list[tuple[int, bytes]] = []
    for places in messages:
        data = bytes(byte_at[place] for place in places)
        if data[0] != 0xF0:
            due.append((places[-1], event(SHORT[data], data)))
            continue
        rest = list(places)
        while len(rest) > 3:
            due.append((rest[2], event(4, bytes(byte_at[place] for place in rest[:3]))))
            del rest[:3]
        last = bytes(byte_at[place] for place in rest)
        due.append((places[-1], event({1: 5, 2: 6, 3: 7}[len(rest)], last)))
    return [each for _, each in sorted(due)]


def test_an_acknowledgement_as_two_events() -> None:
    # ACK of packet 5 to device 0 on cable 0; the handshake is that of M1 p. 36
    events = pack(bytes.fromhex("F07E007F05F7"))
    assert events == [bytes.fromhex("04F07E00"), bytes.fromhex("077F05F7")]


def test_a_packet_as_forty_three_events_of_which_the_last_holds_its_end_alone() -> None:
    message = oracle.packet(number=3, data=bytes(range(120)))
    events = pack(message)
    assert len(events) == 43
    assert {code_index(each) for each in events[:-1]} == {4}
    assert events[-1] == bytes.fromhex("05F70000")
    assert events[-2] == b"\x04" + message[123:126]


def test_a_request_as_three_events() -> None:
    events = pack(oracle.dump_request(sample_number=1))
    assert [code_index(each) for each in events] == [4, 4, 5]


@pytest.mark.parametrize(("length", "last"), LAST.items())
def test_the_last_event_says_how_many_bytes_were_left(length: int, last: int) -> None:
    events = pack(exclusive(length))
    assert code_index(events[-1]) == last
    assert len(events) == -(-length // 3)


@pytest.mark.parametrize(("text", "index"), [("F0F7", 6), ("F011F7", 7)])
def test_an_exclusive_message_that_is_one_event(text: str, index: int) -> None:
    assert pack(bytes.fromhex(text)) == [event(index, bytes.fromhex(text))]


@pytest.mark.parametrize(("message", "index"), SHORT.items(), ids=lambda each: f"{each!r}")
def test_every_other_message_is_one_event(message: bytes, index: int) -> None:
    assert pack(message) == [event(index, message)]
    assert len(message) == BYTES_OF[index]


@pytest.mark.parametrize("index", range(16))
def test_every_code_index_says_how_many_bytes_count(index: int) -> None:
    assert len(unpack([bytes([index, 1, 2, 3])])) == BYTES_OF.get(index, 0)


MESSAGES = st.lists(
    st.one_of(
        st.integers(2, 40).map(exclusive),
        st.sampled_from([message for message in SHORT if message[0] < 0xF8]),
    ),
    max_size=8,
)
REALTIME = st.lists(st.tuples(st.integers(0, 200), st.sampled_from([0xF8, 0xFE, 0xFF])), max_size=8)


@given(messages=MESSAGES, realtime=REALTIME)
@settings(max_examples=300, deadline=None, derandomize=True)
def test_streams_with_real_time_bytes_anywhere(
    messages: list[bytes], realtime: list[tuple[int, int]]
) -> None:
    """A real-time byte in mid-message goes at once, in an event of its own (USB-03)."""
    values: list[tuple[int, int | None]] = []  # byte, number of its message
    for number, message in enumerate(messages):
        values += [(byte, number) for byte in message]
    for place, byte in realtime:
        values.insert(min(place, len(values)), (byte, None))
    stream = [(place, byte) for place, (byte, _) in enumerate(values)]
    parts: list[list[int]] = [[] for _ in messages]
    for place, (_, of) in enumerate(values):
        if of is None:
            parts.append([place])
        else:
            parts[of].append(place)
    expected = packed(stream, parts)
    data = bytes(byte for _, byte in stream)

    assert pack(data) == expected
    assert {each[0] >> 4 for each in expected} <= {0}  # cable 0 (USB-02)
    assert oracle.strip_realtime(unpack(expected)) == b"".join(messages)


def spoken(data: bytes) -> list[int]:
    """The bytes without real-time ones, every status spoken that running status left out."""
    needs = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}  # M1 table I
    out: list[int] = []
    running, missing = 0, 0
    for byte in oracle.strip_realtime(data):
        if byte >= 0x80:
            running = byte if byte < 0xF0 else 0
            missing = needs.get(byte >> 4, 0)
        elif running:
            if missing == 0:
                out.append(running)
                missing = needs[running >> 4]
            missing -= 1
        out.append(byte)
    return out


ANYTHING = st.lists(
    st.one_of(
        st.integers(0, 0x7F),
        st.integers(0x80, 0xFF),
        st.sampled_from([0xF0, 0xF7, 0xF8, 0x90, 0xC0]),
    ),
    max_size=60,
).map(bytes)


@given(data=ANYTHING)
@example(data=bytes.fromhex("F07E00F04011F7"))  # cut short by the next
@example(data=bytes.fromhex("F07E0011904040"))
@example(data=bytes.fromhex("9040F8404142"))
@example(data=bytes.fromhex("F411F511F7F7F0"))
@settings(max_examples=500, deadline=None, derandomize=True)
def test_nothing_is_lost_whatever_the_stream_holds(data: bytes) -> None:
    events = pack(data)
    back = unpack(events)

    assert spoken(back) == spoken(data) == list(oracle.strip_realtime(back))
    assert [byte for byte in back if byte >= 0xF8] == [byte for byte in data if byte >= 0xF8]
    for each in events:
        assert len(each) == 4
        counts = BYTES_OF[code_index(each)]
        assert each[1 + counts :] == bytes(3 - counts)  # USB-02
        if any(byte >= 0xF8 for byte in each[1:]):
            assert code_index(each) == 0xF  # USB-03


@given(data=ANYTHING, cuts=st.lists(st.integers(0, 60), max_size=6))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_the_events_are_the_same_in_whatever_chunks_the_stream_comes(
    data: bytes, cuts: list[int]
) -> None:
    packer = Packer()
    events = []
    places = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    for start, end in pairwise(places):
        events += packer.feed(data[start:end])
    assert events + packer.feed(b"\xf6")[:-1] == pack(data)


def test_what_waits_for_its_event_goes_byte_by_byte_when_another_message_begins() -> None:
    packer = Packer()
    assert packer.feed(bytes.fromhex("F07E00117F")) == [bytes.fromhex("04F07E00")]
    assert [each.hex() for each in packer.feed(b"\xf6")] == ["0f110000", "0f7f0000", "05f60000"]
    assert packer.feed(b"\x05") == [bytes.fromhex("0F050000")]  # outside of any message


def test_real_time_overtakes_the_bytes_that_wait_and_no_others() -> None:
    events = pack(bytes.fromhex("F07E00117FF805F7"))
    assert [each.hex() for each in events] == ["04f07e00", "0ff80000", "04117f05", "05f70000"]


@pytest.mark.parametrize("torn", [b"", b"\x05\xf7\x00", bytes(5)])
def test_an_event_has_four_bytes(torn: bytes) -> None:
    with pytest.raises(ValueError, match="has 4 bytes"):
        unpack([torn])
