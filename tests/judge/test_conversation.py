"""Two conversations compared: what differs is found, named, and told once."""

from __future__ import annotations

from typing import Final

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.wire.prose import small_time
from dryload.harness.judge.conversation import (
    ConversationComparison,
    MessageChange,
    MessageDifference,
    compare,
)
from dryload.harness.report.capture_diff import comparison_document, lines_of, sentence
from tests import oracle
from tests.files.captures import BYTE_NS, FROM, TO, bytewise, captures

MS: Final = 1_000_000
HEADER: Final = oracle.header(sample_number=3, length=400, bits=16, period_ns=22_676)


def packet(number: int) -> bytes:
    return oracle.packet(number=number, data=bytes([number, 1, 2]))


def ack(number: int) -> bytes:
    return oracle.handshake(kind="ACK", packet_number=number)


class Turn(Struct, frozen=True, dict=True):
    """Something said, so long after the thing before it."""

    direction: Direction
    data: bytes
    pause_ns: int = 2 * MS


TURNS: Final = [
    Turn(TO, HEADER, 0),
    Turn(FROM, ack(0), 5 * MS),
    *(
        turn
        for number in range(10)
        for turn in (Turn(TO, packet(number), 0), Turn(FROM, ack(number)))
    ),
]


def talk(turns: list[Turn], start_ns: int = 0) -> Capture:
    passages = []
    now_ns = start_ns
    for turn in turns:
        now_ns += turn.pause_ns + len(turn.data) * BYTE_NS
        passages.append(Passage(turn.direction, now_ns, turn.data))
    return Capture(passages)


def compared(
    turns: list[Turn], *, tolerance_ns: int = 0, timed: bool = True
) -> ConversationComparison:
    return compare(talk(TURNS), talk(turns), tolerance_ns=tolerance_ns, timed=timed)


def only(comparison: ConversationComparison) -> MessageDifference:
    (found,) = comparison.differences
    return found


def changed(index: int, **fields: object) -> list[Turn]:
    turns = list(TURNS)
    turns[index] = replace(turns[index], **fields)
    return turns


def test_the_same_at_another_time_of_day_is_the_same() -> None:
    result = compare(talk(TURNS), talk(TURNS, start_ns=10**15))

    assert result.same
    assert result.kinds == {}
    assert lines_of(result) == ["The same conversation: 22 messages, to the nanosecond."]


@given(captures())
def test_whatever_it_is_it_is_the_same_as_itself(capture: Capture) -> None:
    for timed in (True, False):
        assert compare(capture, capture, timed=timed).same


def apart(capture: Capture) -> list[tuple[int, int, int]]:
    """Return (direction, byte, instant) of every byte, instants from the first byte on."""
    found = [
        (direction is TO, byte, at)
        for direction in Direction
        for at, byte in bytewise(capture, direction)
        if byte < 0xF8  # what is compared begins with the first message
    ]
    zero_ns = min(at for _, _, at in found)
    return [(way, byte, at - zero_ns) for way, byte, at in found]


@st.composite
def near(draw: st.DrawFn) -> tuple[Capture, Capture]:
    """Return two captures of which the second is the first later, and perhaps with one change."""
    was = draw(captures(data=st.sampled_from([ack(1), ack(2), HEADER, b"\xf0\x7e\x00\xf7"])))
    later_ns = draw(st.integers(0, 10**9))
    passages = [each._replace(end_ns=each.end_ns + later_ns) for each in was.passages]
    place = draw(st.integers(0, len(passages) - 1))
    one = passages[place]
    match draw(st.sampled_from(["", "", "byte", "lost", "twice", "late"])):
        case "byte":
            at = draw(st.integers(1, len(one.data) - 2))
            data = one.data[:at] + bytes([draw(st.integers(0, 127))]) + one.data[at + 1 :]
            passages[place] = one._replace(data=data)
        case "lost" if len(passages) > 1:
            del passages[place]
        case "twice":
            passages.append(one._replace(end_ns=passages[-1].end_ns + 10**8))
        case "late":
            by_ns = draw(st.integers(0, 10**6))
            passages[place:] = [
                each._replace(end_ns=each.end_ns + by_ns) for each in passages[place:]
            ]
    return was, Capture(passages)


@given(near())
def test_the_same_means_every_byte_at_its_instant(pair: tuple[Capture, Capture]) -> None:
    a, b = pair
    assert compare(a, b).same == (apart(a) == apart(b))


@given(captures(), st.integers(0, 7), st.integers(1, 10**9))
def test_one_passage_that_comes_later_is_never_the_same(
    was: Capture, place: int, by_ns: int
) -> None:
    passages = list(was.passages)
    place %= len(passages)
    later = [
        each._replace(end_ns=each.end_ns + by_ns) if at >= place else each
        for at, each in enumerate(passages)
    ]
    first = min(passages, key=lambda each: each.end_ns - len(each.data) * BYTE_NS)
    assume(first.end_ns < passages[place].end_ns)
    result = compare(was, Capture(later))

    assert not result.same
    assert all(each.by_ns for each in result.differences)
    assert compare(was, Capture(later), tolerance_ns=by_ns).same


def test_a_delay_is_told_once_though_everything_after_it_is_late() -> None:
    found = only(compared(changed(7, pause_ns=5 * MS)))

    assert (found.kind, found.by_ns) == (MessageChange.LATER, 3 * MS)
    assert (found.said.direction, found.said.number) == (FROM, 4)
    # Before it: header and ACK, two packets with theirs, and the packet that it answers.
    start_ns = (21 + 6 + 2 * 133 + 127) * BYTE_NS + 5 * MS + 2 * 2 * MS + 2 * MS
    assert sentence(found, timed=True) == (
        f"Message 4 from unit (ACK for number 2), at {start_ns / 10**9:.6f} s: in B it comes 3 ms "
        "later after what comes before it."
    )


def test_a_pause_that_is_shorter_makes_it_earlier() -> None:
    found = only(compared(changed(7, pause_ns=0)))

    assert (found.kind, found.by_ns) == (MessageChange.EARLIER, -2 * MS)


@pytest.mark.parametrize(("tolerance_ns", "same"), [(3 * MS - 1, False), (3 * MS, True)])
def test_a_tolerance_is_for_each_message(tolerance_ns: int, same: bool) -> None:
    turns = [replace(turn, pause_ns=turn.pause_ns + 3 * MS) for turn in TURNS]
    result = compared(turns, tolerance_ns=tolerance_ns)

    assert result.same is same
    if same:
        assert lines_of(result) == ["The same conversation: 22 messages, times within 3 ms."]


def test_no_tolerance_is_less_than_nothing() -> None:
    with pytest.raises(ValueError, match="-1 ns"):
        compare(Capture(), Capture(), tolerance_ns=-1)


def test_other_bytes_are_named_with_their_place() -> None:
    found = only(compared(changed(6, data=packet(2)[:9] + b"\x55" + packet(2)[10:])))

    assert found.kind is MessageChange.OTHER
    assert sentence(found, timed=False) == (
        "Message 4 to unit (data packet with number 2): 1 byte of it is different, "
        f"first byte 9: {packet(2)[9]:02X} in A, 55 in B."
    )


def test_another_answer_is_named() -> None:
    nak = oracle.handshake(kind="NAK", packet_number=2)
    found = only(compared(changed(7, data=nak)))

    assert found.kind is MessageChange.OTHER
    assert sentence(found, timed=False) == (
        "Message 4 from unit (ACK for number 2): B has NAK for number 2 there (F0 7E 00 7E 02 F7)."
    )


def test_a_shorter_message_is_no_earlier_one() -> None:
    found = only(compared(changed(6, data=packet(2)[:100] + b"\xf7")))

    assert found.kind is MessageChange.OTHER
    assert sentence(found, timed=False) == (
        "Message 4 to unit (data packet with number 2): B has a damaged data packet there "
        "(F0 7E 00 02 02 02 01 02 ...)."
    )


def test_of_messages_of_one_name_the_lengths_are_told() -> None:
    def name(text: bytes) -> Capture:
        return talk([Turn(TO, oracle.sample_name(sample_number=1, name=text))])

    said = [
        sentence(only(compare(name(b"gull"), name(other))), timed=False)
        for other in (b"gulls", b"gu")
    ]
    assert [each.partition(": ")[2] for each in said] == [
        "2 bytes of it are different, first byte 8: 04 in A, 05 in B; 14 bytes in A, 15 in B.",
        "2 bytes of it are different, first byte 8: 04 in A, 02 in B; 14 bytes in A, 12 in B.",
    ]


def test_a_message_that_is_missing_or_extra_is_named_and_exchanged_with_the_captures() -> None:
    turns = [turn for at, turn in enumerate(TURNS) if at != 7]
    turns[7] = replace(turns[7], pause_ns=2 * MS + 6 * BYTE_NS)  # as if it had been lost
    found = only(compared(turns))
    assert found.kind is MessageChange.MISSING
    assert (found.said.direction, found.said.number, found.b) == (FROM, 4, None)
    assert sentence(found, timed=False) == "B lacks message 4 from unit (ACK for number 2)."

    other = only(compare(talk(turns), talk(TURNS)))
    assert other.kind is MessageChange.EXTRA
    assert (other.said.direction, other.said.number, other.a) == (FROM, 4, None)
    assert sentence(other, timed=False) == "Only B has message 4 from unit (ACK for number 2)."


def test_what_a_lost_message_makes_earlier_is_said_too() -> None:
    turns = [turn for at, turn in enumerate(TURNS) if at != 7]
    result = compared(turns)

    assert result.kinds == {MessageChange.MISSING: 1, MessageChange.EARLIER: 1}
    assert [each.said.number for each in result.differences] == [4, 5]
    assert result.differences[1].by_ns == -(2 * MS + 6 * BYTE_NS)


def test_one_late_answer_makes_nothing_earlier_where_the_other_side_did_not_wait() -> None:
    passages = list(talk(TURNS).passages)
    passages[7] = passages[7]._replace(end_ns=passages[7].end_ns + MS)
    found = only(compare(talk(TURNS), Capture(passages)))

    assert (found.kind, found.by_ns) == (MessageChange.LATER, MS)
    assert (found.said.direction, found.said.number) == (FROM, 4)


def test_what_comes_first_is_told_first() -> None:
    extra = Turn(FROM, oracle.handshake(kind="WAIT", packet_number=2), 0)
    turns = changed(8, data=packet(99))
    turns.insert(8, extra)
    result = compared(turns)

    assert [each.kind for each in result.differences[:2]] == [
        MessageChange.EXTRA,
        MessageChange.OTHER,
    ]


def test_gaps_inside_a_message_are_found() -> None:
    whole = talk(TURNS)
    torn = list(whole.passages)
    one = torn[6]
    torn[6:7] = [
        Passage(TO, one.end_ns - 77 * BYTE_NS - 7, one.data[:50]),
        one._replace(data=one.data[50:]),
    ]
    result = compare(whole, Capture(torn))
    assert {(each.kind, each.by_ns) for each in result.differences} == {
        (MessageChange.GAPS, 7),
        (MessageChange.EARLIER, -7),
    }
    assert "its bytes come with 7 ns more of gaps in B" in " ".join(lines_of(result))


def test_clock_bytes_keep_a_time_of_their_own() -> None:
    clock = [Passage(FROM, at * 20 * MS, b"\xf8") for at in range(1, 20)]
    late = [
        each._replace(end_ns=each.end_ns + 9) if at > 5 else each for at, each in enumerate(clock)
    ]

    def with_clock(passages: list[Passage]) -> Capture:
        return Capture(sorted([*talk(TURNS).passages, *passages], key=lambda each: each.end_ns))

    found = only(compare(with_clock(clock), with_clock(late)))
    assert (found.kind, found.by_ns, found.said.number) == (MessageChange.LATER, 9, 7)
    assert "real-time byte" in sentence(found, timed=True)
    lost = compare(with_clock(clock), with_clock(clock[:-1]))
    assert only(lost).kind is MessageChange.MISSING
    assert lost.kinds == {MessageChange.MISSING: 1}
    assert "22 messages and 19 real-time bytes" in lines_of(lost)[0]


def test_clock_bytes_are_late_against_the_first_message() -> None:
    late = Capture([Passage(FROM, 9, b"\xf8"), *talk(TURNS, start_ns=MS).passages])
    found = only(compare(Capture([Passage(FROM, 0, b"\xf8"), *late.passages[1:]]), late))

    assert (found.kind, found.by_ns, found.said.is_realtime) == (MessageChange.LATER, 9, True)


def test_clock_bytes_inside_a_message_are_told_from_other_bytes() -> None:
    inside = ack(2)[:3] + b"\xf8" + ack(2)[3:]
    result = compared(changed(7, data=inside))

    assert result.differences[0].kind is MessageChange.REALTIME
    assert sentence(result.differences[0], timed=False).endswith(
        "the real-time bytes inside are different."
    )


def test_without_times_only_bytes_and_order_count() -> None:
    assert compared(changed(7, pause_ns=9_999 * MS), timed=False).same
    turns = [*TURNS[:6], TURNS[7], TURNS[6], *TURNS[8:]]
    found = only(compared(turns, timed=False))
    assert found.kind is MessageChange.ORDER
    assert sentence(found, timed=False) == (
        "Message 4 from unit (ACK for number 2): comes in B before something that it follows in A."
    )


def test_only_what_is_asked_for_is_compared() -> None:
    turns = [turn for turn in TURNS if turn.direction is TO]
    result = compare(talk(TURNS), talk(turns), directions=[TO], timed=False)

    assert result.same
    assert result.directions == (TO,)


def test_many_differences_are_counted_and_the_first_is_told_first() -> None:
    turns = [
        replace(turn, data=oracle.handshake(kind="NAK", packet_number=turn.data[4]))
        if turn.direction is FROM
        else turn
        for turn in TURNS
    ]
    result = compared(turns)
    lines = lines_of(result)

    assert lines[0] == "Different in 11 places of 22 messages."
    assert lines[1].startswith("The first: Message 1 from unit (ACK for number 0), at 0.011720 s: ")
    assert "  11 messages with other bytes" in lines
    assert "  and 5 more differences." in lines
    assert lines[-1] == "Both last 0.46 s."  # 27 + 10 * 133 bytes and 25 ms
    told = comparison_document(result)
    assert told["kinds"] == {"other bytes": 11}
    assert len(told["differences"]) == 11
    assert told["differences"][0]["a"] == {
        "message": 1,
        "what": "ACK for number 0",
        "start_ns": 11_720_000,
        "end_ns": 13_640_000,
        "hex": ack(0).hex(),
    }


@pytest.mark.parametrize(
    ("ns", "words"),
    [
        (1, "1 ns"),
        (999, "999 ns"),
        (1_500, "1.5 µs"),
        (320_000, "320 µs"),
        (3_020_000, "3.02 ms"),
        (240_000_000, "0.24 s"),
        (90_000_000_000, "1 min 30.0 s"),
    ],
)
def test_small_times_are_not_rounded_to_nothing(ns: int, words: str) -> None:
    assert small_time(ns) == words
