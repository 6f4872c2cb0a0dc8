"""The receiver: packets that are spoilt, jump, come again or find no room (M1 p. 39)."""

from __future__ import annotations

import pytest

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.receiver_table import ReceiverState
from dryload.emulator.wire.codec import decode
from tests.dump.bench import ID, PACKETS, Bench, header, said, spoilt
from tests.dump.talk import at_instants, reply

FAULTY = EventKind.FAULTY
JUMPED = EventKind.JUMPED
REPEATED = EventKind.REPEATED
ABANDONED = EventKind.ABANDONED
DONE = EventKind.DONE


# Packets that are not as they should be.


def test_a_wrong_sum_gets_nak_and_the_packet_may_come_again() -> None:  # HSK-05, HSK-06, HSK-07
    bench = Bench().opened()
    assert bench.hear(PACKETS[0]) == ["ACK 0"]
    assert bench.tell(spoilt(PACKETS[1])) == [FAULTY]
    assert [said(answer) for answer in bench.answers()] == ["NAK 1"]
    assert bench.hear(PACKETS[1]) == ["ACK 1"]
    assert bench.shelf.numbers == [0, 1]


def test_a_wrong_sum_may_go_unnoticed() -> None:
    bench = Bench(bad_checksum="store").opened(80)

    assert bench.hear(spoilt(PACKETS[0])) == ["ACK 0"]
    assert bench.tell(spoilt(PACKETS[1])) == [DONE]


torn = pytest.mark.parametrize(
    "body",
    [
        PACKETS[1][:60] + PACKETS[1][61:],  # a byte lost
        PACKETS[1][:60] + b"\x05" + PACKETS[1][60:],  # a byte too many
        PACKETS[1][:5] + b"\xf7",
    ],
)


@torn
def test_a_packet_of_wrong_length_gets_nak(body: bytes) -> None:  # FRM-05
    bench = Bench().opened()
    bench.hear(PACKETS[0])
    assert bench.tell(body) == [FAULTY]
    assert [said(answer) for answer in bench.answers()] == ["NAK 1"]
    assert bench.shelf.numbers == [0]


@torn
def test_a_packet_of_wrong_length_may_be_ignored(body: bytes) -> None:
    bench = Bench(bad_form="ignore").opened()
    bench.hear(PACKETS[0])
    for _ in range(5):  # never counted either
        assert bench.tell(body) == []
        assert bench.answers() == []
    bench.hear(spoilt(PACKETS[1]))
    bench.hear(spoilt(PACKETS[1]))
    assert bench.tell(body) == []
    assert bench.hear(PACKETS[1]) == ["ACK 1"]


@pytest.mark.parametrize("cut", [4, 5, 6, 126])
def test_a_packet_that_was_cut_short_gets_nak(cut: int) -> None:  # FRM-04
    bench = Bench().opened()
    bench.hear(PACKETS[0])
    bench.receiver.take_fragment(PACKETS[1][:cut], 5)

    assert at_instants(bench.receiver.take_events()) == [(FAULTY, 5, 1)]
    # One that lost its number too has the number that was expected.
    assert [said(answer) for answer in bench.answers()] == ["NAK 1"]


def test_a_packet_that_ends_before_its_number_gets_nak_with_the_expected_one() -> None:
    # F7 stands where the number should: it is no number.
    bench = Bench().opened()
    bench.hear(PACKETS[0])

    assert bench.hear(bytes.fromhex("F0 7E 05 02 F7")) == ["NAK 1"]


def test_what_stands_for_a_number_and_is_none_is_not_answered_with() -> None:
    bench = Bench().opened()
    bench.hear(PACKETS[0])
    for odd in (0x80, 0xF7, 0xFF):
        bench.receiver.take_fragment(bytes([0xF0, 0x7E, ID, 0x02, odd, 0x00]), 5)
        assert [said(answer) for answer in bench.answers()] == ["NAK 1"]
        bench.hear(header())
        bench.hear(PACKETS[0])


@pytest.mark.parametrize("body", [header()[:9], b"\xf0", b"", reply("ACK")[:4], b"\xf0\x7e\x05"])
def test_what_is_left_of_other_messages_is_nothing(body: bytes) -> None:  # FRM-04
    bench = Bench().opened()
    bench.receiver.take_fragment(body, 5)

    assert bench.receiver.take_events() == ()
    assert bench.answers() == []


@pytest.mark.parametrize("limit", [1, 2, 3, 5])
def test_after_so_many_failures_of_one_packet_it_cancels(limit: int) -> None:  # HSK-17
    bench = Bench(nak_limit=limit).opened()
    bench.hear(PACKETS[0])
    for failure in range(limit - 1):
        wrong = spoilt(PACKETS[1]) if failure % 2 else PACKETS[1][:70] + b"\xf7"
        assert bench.hear(wrong) == ["NAK 1"]

    assert bench.tell(spoilt(PACKETS[1])) == [FAULTY, ABANDONED]
    assert [said(answer) for answer in bench.answers()] == ["CANCEL 1"]
    assert bench.shelf.ends == ["abandoned"]
    assert bench.hear(PACKETS[1]) == []  # HSK-20: nothing until a new header


def test_each_packet_has_its_own_failures() -> None:
    bench = Bench(nak_limit=2).opened()
    for number in range(3):
        assert bench.hear(spoilt(PACKETS[number])) == [f"NAK {number}"]
        assert bench.hear(PACKETS[number]) == [f"ACK {number}"]


def test_a_new_dump_begins_without_failures() -> None:
    bench = Bench(nak_limit=2).opened()
    bench.hear(spoilt(PACKETS[0]))
    bench.opened()
    assert bench.hear(spoilt(PACKETS[0])) == ["NAK 0"]


def test_limit_0_means_never() -> None:
    bench = Bench(nak_limit=0).opened()
    for _ in range(200):
        assert bench.hear(spoilt(PACKETS[0])) == ["NAK 0"]


# Numbers that jump or come again.


def test_a_jump_is_treated_as_good() -> None:  # HSK-16: M1 p. 39
    bench = Bench().opened()
    bench.hear(PACKETS[0])
    bench.receiver.take(decode(PACKETS[2]), 5)
    (jumped,) = bench.receiver.take_events()

    assert (jumped.kind, jumped.packet, jumped.detail) == (JUMPED, 1, "number 2")
    assert [said(answer) for answer in bench.answers()] == ["ACK 2"]
    # From there it counts on, and the word count ends the dump.
    assert bench.tell(PACKETS[3]) == [DONE]
    assert bench.shelf.numbers == [0, 2, 3]


def test_a_jump_may_complete_the_dump() -> None:
    bench = Bench().opened(80)
    bench.hear(PACKETS[0])

    assert bench.tell(PACKETS[5]) == [JUMPED, DONE]
    assert [said(answer) for answer in bench.answers()] == ["ACK 5"]


@pytest.mark.parametrize("length", [80, 120])
@pytest.mark.parametrize(
    ("policy", "answer", "events"),
    [
        ("nak", ["NAK 5"], [JUMPED]),
        ("cancel", ["CANCEL 5"], [JUMPED, ABANDONED]),  # File Dump manners, M1 p. 45
        ("ignore", [], [JUMPED]),
    ],
)
def test_other_policies_for_a_jump(
    policy: str, answer: list[str], events: list[EventKind], length: int
) -> None:
    bench = Bench(number_jump=policy).opened(length)
    bench.hear(PACKETS[0])

    assert bench.tell(PACKETS[5]) == events
    assert [said(each) for each in bench.answers()] == answer
    assert bench.shelf.numbers == [0]
    assert (bench.state is ReceiverState.IDLE) == (policy == "cancel")


def test_the_first_packet_must_be_number_0() -> None:  # PKT-02
    bench = Bench().opened()
    # Before anything is stored 127 is a jump and no repeated packet.
    assert bench.tell(PACKETS[127]) == [JUMPED]
    assert bench.tell(PACKETS[128]) == []
    assert bench.shelf.numbers == [127, 0]


def test_a_repeated_packet_is_acknowledged_and_not_stored_again() -> None:  # HSK-15
    bench = Bench().opened()
    bench.hear(PACKETS[0])
    bench.receiver.take(decode(PACKETS[0]), 5)

    assert at_instants(bench.receiver.take_events()) == [(REPEATED, 5, 1)]
    assert [said(answer) for answer in bench.answers()] == ["ACK 0"]
    assert bench.shelf.numbers == [0]


def test_a_packet_is_known_again_across_the_wrap() -> None:
    bench = Bench().opened(40 * 200)
    for index in range(128):
        bench.hear(PACKETS[index])

    assert bench.tell(PACKETS[127]) == [REPEATED]
    assert bench.tell(PACKETS[128]) == []
    assert bench.tell(PACKETS[128]) == [REPEATED]


def test_a_repeated_packet_may_be_stored_twice() -> None:  # the habit behind a sample too long
    bench = Bench(repeated_packet="store").opened(160)
    bench.hear(PACKETS[0])

    assert bench.tell(PACKETS[0]) == [REPEATED]
    assert bench.hear(PACKETS[1]) == ["ACK 0", "ACK 1"]
    assert bench.shelf.numbers == [0, 0, 1]
    assert bench.tell(PACKETS[2]) == [DONE]


def test_a_packet_stored_twice_counts_towards_the_word_count() -> None:  # STA-02
    bench = Bench(repeated_packet="store").opened(80)
    bench.hear(PACKETS[0])

    assert bench.tell(PACKETS[0]) == [REPEATED, DONE]
    assert [said(answer) for answer in bench.answers()] == ["ACK 0"]
    assert bench.state is ReceiverState.IDLE


def test_a_packet_stored_twice_that_ends_the_dump_is_the_last_one() -> None:  # HSK-13
    bench = Bench(repeated_packet="store", final_ack=False).opened(80)
    assert bench.hear(PACKETS[0]) == ["ACK 0"]
    assert bench.hear(PACKETS[0]) == []


def test_a_repeated_packet_needs_no_room_unless_it_is_stored() -> None:
    full = Bench(room=1).opened()
    full.hear(PACKETS[0])
    assert full.hear(PACKETS[0]) == ["ACK 0"]

    storing = Bench(room=1, repeated_packet="store").opened()
    storing.hear(PACKETS[0])
    assert storing.hear(PACKETS[0]) == ["CANCEL 0"]
    assert storing.shelf.numbers == [0]


def test_full_memory_cancels() -> None:  # HSK-12
    bench = Bench(room=2).opened()
    bench.hear(PACKETS[0])
    bench.hear(PACKETS[1])

    assert bench.tell(PACKETS[2]) == [ABANDONED]
    assert [said(answer) for answer in bench.answers()] == ["CANCEL 2"]
    assert bench.shelf.ends == ["abandoned"]


def test_a_spoilt_packet_is_judged_before_room_and_number() -> None:
    bench = Bench(room=0, nak_limit=0).opened()

    assert bench.hear(spoilt(PACKETS[7])) == ["NAK 7"]
