"""The receiver: habits, numbers, delays, limits (M1 p. 39; File Dump pp. 44-45 where it says so)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.dump.events import EventKind
from emulator.dump.receiver import Pace, Receiver
from emulator.dump.receiver_table import ReceiverState
from emulator.dump.storage import Accept, Decision, Hold, Ignore, Refuse
from emulator.dump.switches import ReceiverSwitches
from emulator.wire.codec import decode
from emulator.wire.messages import DataPacket, Header
from tests import oracle
from tests.dump.talk import FAR_NS, at_instants, kinds, packets, reply

OPENED, REFUSED, STORED, FAULTY = (
    EventKind.OPENED,
    EventKind.REFUSED,
    EventKind.STORED,
    EventKind.FAULTY,
)
JUMPED, REPEATED, ABANDONED = EventKind.JUMPED, EventKind.REPEATED, EventKind.ABANDONED
DONE, CANCELLED = EventKind.DONE, EventKind.CANCELLED
ID = 5
PACKETS = packets(300, device_id=ID)


@dataclass
class Shelf:
    """A storage that writes down what it is told."""

    decision: Decision = field(default_factory=Accept)
    room: int = 10**9
    headers: list[Header] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    ends: list[str] = field(default_factory=list)

    def begin(self, header: Header, now_ns: int) -> Decision:
        self.headers.append(header)
        self.numbers.clear()
        return self.decision

    def has_room(self) -> bool:
        return len(self.numbers) < self.room

    def append(self, packet: DataPacket, now_ns: int) -> None:
        self.numbers.append(packet.packet_number)

    def finish(self, now_ns: int) -> None:
        self.ends.append("whole")

    def abandon(self, now_ns: int) -> None:
        self.ends.append("abandoned")


class Bench:
    """A receiver on a bench: tell it bytes, read what it answers."""

    def __init__(
        self,
        *,
        pace: Pace | None = None,
        decision: Decision | None = None,
        room: int = 10**9,
        **switches: Any,
    ) -> None:
        self.shelf = Shelf(decision=decision or Accept(), room=room)
        self.receiver = Receiver(
            self.shelf, device_id=ID, switches=ReceiverSwitches(**switches), pace=pace
        )

    @property
    def state(self) -> ReceiverState:
        return self.receiver.state

    def tell(self, body: bytes, now_ns: int = 0) -> list[EventKind]:
        self.receiver.take(decode(body), now_ns)
        return kinds(self.receiver.take_events())

    def answers(self) -> list[bytes]:
        found = []
        while message := self.receiver.bytes_to_send():
            found.append(message)
        return found

    def hear(self, body: bytes, now_ns: int = 0) -> list[str]:
        """Return the answers to one message in words."""
        self.tell(body, now_ns)
        return [said(answer) for answer in self.answers()]

    def opened(self, length: int = 120, now_ns: int = 0) -> Bench:
        """Take a header of so many 16-bit words, 40 a packet."""
        assert self.tell(header(length), now_ns)[-1] is OPENED
        self.answers()
        return self


def header(length: int = 120, device_id: int = ID, **fields: int) -> bytes:
    given: dict[str, int] = {"sample_number": 1, "bits": 16, "period_ns": 22676, **fields}
    return oracle.header(device_id=device_id, length=length, **given)


def said(answer: bytes) -> str:
    """Return a handshake in words; its device ID only where it is not the unit's own."""
    name = next(name for name, sub_id in oracle.HANDSHAKES.items() if sub_id == answer[3])
    whose = "" if answer[2] == ID else f" as {answer[2]}"
    assert answer == reply(name, answer[4], device_id=answer[2])
    return f"{name} {answer[4]}{whose}"


def spoilt(packet: bytes) -> bytes:
    """Return a packet with one bit of its sum turned over."""
    return packet[:125] + bytes([packet[125] ^ 1]) + packet[126:]


# A whole dump.


def test_a_dump_from_header_to_last_packet() -> None:
    bench = Bench()
    assert bench.tell(header(81), 10) == [OPENED]
    assert bench.answers() == [reply("ACK", 0, ID)]
    for number in range(2):
        assert bench.tell(PACKETS[number]) == []
        assert bench.answers() == [reply("ACK", number, ID)]
    assert bench.tell(PACKETS[2]) == [DONE]
    assert bench.answers() == [reply("ACK", 2, ID)]  # HSK-13

    assert bench.shelf.numbers == [0, 1, 2]
    assert bench.shelf.ends == ["whole"]
    assert bench.receiver.stored == 3
    assert bench.state is ReceiverState.IDLE
    assert bench.receiver.next_deadline_ns() is None


def test_events_bear_the_packet_of_the_dump_and_their_time() -> None:
    bench = Bench()
    for now_ns, body in enumerate([header(80), PACKETS[0], PACKETS[1]]):
        bench.receiver.take(decode(body), now_ns)

    assert at_instants(bench.receiver.take_events()) == [
        (OPENED, 0, None),
        (STORED, 1, 0),
        (STORED, 2, 1),
        (DONE, 2, 2),
    ]


@pytest.mark.parametrize(("length", "planned"), [(1, 1), (40, 1), (41, 2), (80, 2), (5160, 129)])
def test_it_ends_with_the_word_count(length: int, planned: int) -> None:  # STA-02, HDR-07
    bench = Bench().opened(length)
    for index in range(planned):
        assert bench.state is ReceiverState.RECEIVING
        assert bench.hear(PACKETS[index]) == [f"ACK {index % 128}"]
    assert bench.shelf.ends == ["whole"]
    # One too many is outside the dump (PKT-09, STA-01).
    assert bench.hear(PACKETS[planned]) == []


def test_an_extended_header_counts_words_of_all_channels() -> None:  # EXT-06, CA-019 p. 3
    bench = Bench()
    bench.tell(
        oracle.extended_header(
            device_id=ID, sample_number=1, bits=8, rate_integer=44100, length=41, channels=3
        )
    )
    for number in range(3):  # 123 words of 8 bits, 60 a packet
        assert bench.state is ReceiverState.RECEIVING
        bench.tell(PACKETS[number])
    assert bench.shelf.ends == ["whole"]


@pytest.mark.parametrize("fields", [{}, {"bits": 29}, {"bits": 7}])
def test_a_header_without_words_is_a_whole_dump(fields: dict[str, int]) -> None:  # HDR-15
    bench = Bench()
    length = 5 if fields else 0

    assert bench.tell(header(length, **fields)) == [OPENED, DONE]
    assert [said(answer) for answer in bench.answers()] == ["ACK 0"]
    assert bench.shelf.ends == ["whole"]
    assert bench.state is ReceiverState.IDLE


# Headers that are not taken.


def test_a_refused_header_gets_cancel_and_the_reason_is_told() -> None:  # HSK-12
    bench = Bench(decision=Refuse("no memory"))
    bench.receiver.take(decode(header()), 3)
    (event,) = bench.receiver.take_events()

    assert (event.kind, event.now_ns, event.detail) == (REFUSED, 3, "no memory")
    assert [said(answer) for answer in bench.answers()] == ["CANCEL 0"]
    assert bench.hear(PACKETS[0]) == []
    assert bench.shelf.numbers == []


def test_a_header_that_nobody_looks_at_gets_no_answer() -> None:  # TIM-02
    bench = Bench(decision=Ignore("confirm first"))
    bench.receiver.take(decode(header()), 3)
    (event,) = bench.receiver.take_events()

    assert (event.kind, event.detail) == (REFUSED, "confirm first")
    assert bench.answers() == []
    assert bench.state is ReceiverState.IDLE


# WAIT until somebody decides.


def test_a_held_header_gets_wait_and_later_its_answer() -> None:  # HSK-09, HSK-10
    bench = Bench(decision=Hold("confirm first"), pace=Pace(header_ns=9, packet_ns=4))
    assert bench.hear(header(), 100) == ["WAIT 0"]
    assert bench.state is ReceiverState.HELD
    assert bench.receiver.next_deadline_ns() is None
    bench.receiver.act_on_deadline(FAR_NS)
    assert bench.answers() == []

    bench.receiver.release(Accept(), 1000)
    assert kinds(bench.receiver.take_events()) == [OPENED]
    assert bench.receiver.next_deadline_ns() == 1009
    bench.receiver.act_on_deadline(1009)
    assert [said(answer) for answer in bench.answers()] == ["ACK 0"]
    assert bench.state is ReceiverState.RECEIVING


@pytest.mark.parametrize("meanwhile", [PACKETS[7], PACKETS[7][:60]])
def test_what_comes_meanwhile_does_not_change_the_answer_to_the_header(meanwhile: bytes) -> None:
    # An open-loop sender goes on after 2 s; the answer is still the header's (HSK-04).
    for accepted, expected in ((True, ["ACK 127"]), (False, ["CANCEL 0"])):
        pace = Pace(header_ns=9, packet_ns=4)
        bench = Bench(decision=Hold("confirm first"), pace=pace, header_ack_number="127")
        bench.hear(header())
        assert bench.hear(meanwhile) == []
        bench.receiver.release(Accept() if accepted else Refuse("no"), 1000)
        assert bench.receiver.next_deadline_ns() == 1009
        bench.receiver.act_on_deadline(1009)
        assert [said(answer) for answer in bench.answers()] == expected


def test_a_held_header_may_be_refused_after_all() -> None:
    bench = Bench(decision=Hold("confirm first"))
    bench.hear(header())
    bench.receiver.release(Refuse("no"), 7)

    (event,) = bench.receiver.take_events()
    assert (event.kind, event.detail) == (REFUSED, "no")
    assert [said(answer) for answer in bench.answers()] == ["CANCEL 0"]


def test_a_held_header_without_words_is_done_when_released() -> None:
    bench = Bench(decision=Hold("confirm first"))
    bench.hear(header(0))
    bench.receiver.release(Accept(), 7)

    assert kinds(bench.receiver.take_events()) == [OPENED, DONE]
    assert [said(answer) for answer in bench.answers()] == ["ACK 0"]


def test_release_without_a_held_header_does_nothing() -> None:
    for bench in (Bench(), Bench().opened()):
        before = bench.state
        bench.receiver.release(Accept(), 7)
        bench.receiver.release(Refuse("no"), 7)
        assert bench.state is before
        assert bench.answers() == []
        assert bench.receiver.take_events() == ()


def test_while_a_header_is_held_another_takes_its_place() -> None:
    bench = Bench(decision=Hold("confirm first"))
    bench.hear(header(40))
    bench.shelf.decision = Accept()

    assert bench.hear(header(80)) == ["ACK 0"]
    assert [each.length for each in bench.shelf.headers] == [40, 80]
    assert bench.hear(PACKETS[0]) == ["ACK 0"]
    assert bench.state is ReceiverState.RECEIVING


def test_cancel_ends_the_holding() -> None:  # HSK-11
    bench = Bench(decision=Hold("confirm first"))
    bench.hear(header())

    assert bench.tell(reply("EOF", 0, ID)) == []
    assert bench.tell(reply("CANCEL", 0, ID)) == [CANCELLED]
    bench.receiver.release(Accept(), 7)
    assert bench.answers() == []


# Numbers in the answers.


@pytest.mark.parametrize(
    ("habit", "length", "expected"),
    [
        ("zero", 120, "ACK 0"),
        ("127", 120, "ACK 127"),
        ("last", 120, "ACK 2"),
        ("last", 5160, "ACK 0"),  # 129 packets: the last one is number 0
        ("last", 5120, "ACK 127"),
    ],
)
def test_the_number_in_the_answer_to_a_header(habit: str, length: int, expected: str) -> None:
    assert Bench(header_ack_number=habit).hear(header(length)) == [expected]  # HSK-04


@pytest.mark.parametrize(
    ("habit", "expected"),
    [
        ("packet", ["ACK 0", "ACK 1", "ACK 127", "ACK 0"]),
        ("next", ["ACK 1", "ACK 2", "ACK 0", "ACK 1"]),
        ("zero", ["ACK 0"] * 4),
    ],
)
def test_the_number_in_the_answer_to_a_packet(habit: str, expected: list[str]) -> None:
    bench = Bench(packet_ack_number=habit).opened(40 * 200)  # HSK-02
    heard = [bench.hear(PACKETS[index]) for index in range(129)]

    assert [heard[index] for index in (0, 1, 127, 128)] == [[each] for each in expected]


@pytest.mark.parametrize(("habit", "expected"), [("own", "ACK 0"), ("received", "ACK 0 as 127")])
def test_whose_id_an_answer_carries(habit: str, expected: str) -> None:  # DEV-03
    bench = Bench(reply_id=habit)
    everybody = packets(2, device_id=0x7F)

    assert bench.hear(header(80, device_id=0x7F)) == [expected]
    assert bench.hear(everybody[0]) == [expected]


# Habits.


def test_a_unit_that_never_answers_stores_all_the_same() -> None:
    bench = Bench(answers=False, pace=Pace(header_ns=5, packet_ns=5))
    for body in (header(80), PACKETS[0], spoilt(PACKETS[1]), PACKETS[1]):
        assert bench.hear(body) == []
    assert bench.receiver.next_deadline_ns() is None
    assert bench.shelf.ends == ["whole"]
    refusing = Bench(answers=False, decision=Refuse("no"))
    assert refusing.hear(header()) == []
    holding = Bench(answers=False, decision=Hold("no"))
    assert holding.hear(header()) == []


def test_the_last_packet_may_go_unanswered() -> None:  # HSK-13
    bench = Bench(final_ack=False).opened(80)

    assert bench.hear(PACKETS[0]) == ["ACK 0"]
    assert bench.hear(PACKETS[1]) == []
    assert bench.shelf.ends == ["whole"]


def test_wait_before_every_ack() -> None:  # HSK-10, HSK-14
    bench = Bench(wait_before_ack=True)

    assert bench.hear(header(80)) == ["WAIT 0", "ACK 0"]
    assert bench.hear(spoilt(PACKETS[0])) == ["NAK 0"]
    assert bench.hear(PACKETS[0]) == ["WAIT 0", "ACK 0"]
    assert bench.hear(PACKETS[1]) == ["WAIT 1", "ACK 1"]


def test_wait_comes_at_once_and_ack_when_the_work_is_done() -> None:
    bench = Bench(wait_before_ack=True, pace=Pace(header_ns=700, packet_ns=30))
    assert bench.hear(header(80), 100) == ["WAIT 0"]
    assert bench.receiver.next_deadline_ns() == 800
    bench.receiver.act_on_deadline(799)
    assert bench.answers() == []
    bench.receiver.act_on_deadline(800)
    assert [said(answer) for answer in bench.answers()] == ["ACK 0"]


def test_an_answer_takes_its_time() -> None:
    bench = Bench(pace=Pace(header_ns=700, packet_ns=30))
    assert bench.hear(header(80), 100) == []
    assert bench.receiver.busy_until_ns == 800
    assert bench.receiver.next_deadline_ns() == 800
    assert bench.receiver.has_more_to_send
    bench.receiver.act_on_deadline(800)
    assert [said(answer) for answer in bench.answers()] == ["ACK 0"]
    assert not bench.receiver.has_more_to_send

    assert bench.hear(PACKETS[0], 1000) == []
    assert bench.receiver.busy_until_ns == 1030
    assert bench.receiver.next_deadline_ns() == 1030


def test_a_fragment_takes_the_time_of_a_packet() -> None:
    bench = Bench(pace=Pace(header_ns=700, packet_ns=30))
    bench.hear(header(80), 0)
    bench.receiver.act_on_deadline(700)
    bench.answers()

    bench.receiver.take_fragment(PACKETS[0][:50], 1000)

    assert bench.receiver.next_deadline_ns() == 1030


def test_answers_leave_in_the_order_of_the_questions() -> None:
    bench = Bench(pace=Pace(header_ns=700, packet_ns=30))
    bench.hear(header(80), 0)
    bench.hear(PACKETS[0], 10)  # due at 40, but the header's answer is not: 700

    bench.receiver.act_on_deadline(40)
    assert bench.answers() == []
    bench.receiver.act_on_deadline(700)
    assert [said(answer) for answer in bench.answers()] == ["ACK 0", "ACK 0"]
    assert bench.receiver.next_deadline_ns() == 700 + 2_000_000_000 - 690  # the idle limit is left


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
    jumped, stored = bench.receiver.take_events()

    assert (jumped.kind, jumped.packet, jumped.detail) == (JUMPED, 1, "number 2")
    assert (stored.kind, stored.packet) == (STORED, 1)
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


# Outside a dump.


@pytest.mark.parametrize(
    "body",
    [
        PACKETS[0],
        spoilt(PACKETS[0]),
        PACKETS[0][:50] + b"\xf7",
        reply("CANCEL", 0, ID),
        reply("EOF", 0, ID),
        reply("ACK", 0, ID),
        reply("NAK", 0, ID),
        reply("WAIT", 0, ID),
        oracle.dump_request(device_id=ID, sample_number=1),
        header()[:-2] + b"\xf7",
        b"\xf0\x7e\x05\x09\xf7",
        b"\xf0\x7d\xf7",
    ],
)
def test_outside_a_dump_nothing_touches_the_storage(body: bytes) -> None:  # STA-01
    for bench in (Bench(), Bench(decision=Hold("confirm first"))):
        if isinstance(bench.shelf.decision, Hold):
            bench.hear(header())
        begun = len(bench.shelf.headers)
        assert bench.hear(body) == []
        assert len(bench.shelf.headers) == begun
        assert bench.shelf.numbers == bench.shelf.ends == []


@pytest.mark.parametrize("kind", ["ACK", "NAK", "WAIT", "EOF"])
def test_other_handshakes_in_a_dump_change_nothing(kind: str) -> None:  # HSK-18
    bench = Bench().opened()
    bench.hear(PACKETS[0])

    assert bench.tell(reply(kind, 0, ID)) == []
    assert bench.answers() == []
    assert bench.hear(PACKETS[1]) == ["ACK 1"]


def test_cancel_from_the_sender_ends_the_dump() -> None:  # HSK-11, HSK-19
    bench = Bench().opened()
    bench.hear(PACKETS[0])

    assert bench.tell(reply("CANCEL", 0, ID)) == [CANCELLED, ABANDONED]
    assert bench.answers() == []
    assert bench.shelf.ends == ["abandoned"]
    assert bench.receiver.next_deadline_ns() is None


# A header in the middle of a dump (STA-03).


def test_a_header_in_a_dump_begins_anew() -> None:
    bench = Bench().opened()
    bench.hear(PACKETS[0])

    assert bench.tell(header(80)) == [ABANDONED, OPENED]
    assert [said(answer) for answer in bench.answers()] == ["ACK 0"]
    assert bench.shelf.ends == ["abandoned"]
    assert bench.hear(PACKETS[0]) == ["ACK 0"]
    assert bench.receiver.stored == 1


def test_a_header_in_a_dump_may_be_refused() -> None:
    bench = Bench().opened()
    bench.shelf.decision = Refuse("no")

    assert bench.tell(header(80)) == [ABANDONED, REFUSED]
    assert [said(answer) for answer in bench.answers()] == ["CANCEL 0"]


def test_a_header_in_a_dump_may_be_ignored() -> None:
    bench = Bench(header_in_dump="ignore").opened()
    bench.hear(PACKETS[0])

    assert bench.tell(header(80)) == []
    assert bench.answers() == []
    assert len(bench.shelf.headers) == 1
    assert bench.hear(PACKETS[1]) == ["ACK 1"]


def test_a_header_in_a_dump_may_cancel_it() -> None:
    bench = Bench(header_in_dump="cancel").opened()
    bench.hear(PACKETS[0])

    assert bench.tell(header(80)) == [ABANDONED]
    assert [said(answer) for answer in bench.answers()] == ["CANCEL 0"]
    assert len(bench.shelf.headers) == 1
    assert bench.state is ReceiverState.IDLE


# The idle limit.


def test_a_dump_that_falls_silent_is_given_up() -> None:
    bench = Bench(idle_limit_ns=500).opened(now_ns=100)
    # The sender may take 2 s for silence before it sends packet 0 (TIM-01).
    assert bench.receiver.next_deadline_ns() == 100 + 2_000_000_000 + 500
    bench.tell(PACKETS[0], 1_000_000)
    assert bench.receiver.next_deadline_ns() == 1_000_500

    bench.receiver.act_on_deadline(1_000_499)
    assert bench.state is ReceiverState.RECEIVING
    bench.receiver.act_on_deadline(1_000_500)

    assert at_instants(bench.receiver.take_events()) == [(ABANDONED, 1_000_500, 1)]
    assert bench.shelf.ends == ["abandoned"]
    assert bench.receiver.next_deadline_ns() is None


def test_idle_time_begins_when_the_work_is_done() -> None:
    bench = Bench(idle_limit_ns=500, pace=Pace(packet_ns=3000)).opened(now_ns=0)
    bench.tell(PACKETS[0], 1000)
    assert bench.receiver.next_deadline_ns() == 4000  # its answer
    bench.receiver.act_on_deadline(4000)
    assert bench.receiver.next_deadline_ns() == 4500


def test_fragments_and_rejected_packets_keep_a_dump_alive() -> None:
    bench = Bench(idle_limit_ns=500).opened(now_ns=0)
    bench.tell(PACKETS[0], 1000)
    bench.tell(spoilt(PACKETS[1]), 1400)
    assert bench.receiver.next_deadline_ns() == 1900
    bench.receiver.take_fragment(PACKETS[1][:50], 1800)
    assert bench.receiver.next_deadline_ns() == 2300


def test_limit_0_waits_for_ever() -> None:
    bench = Bench(idle_limit_ns=0).opened(now_ns=100)
    bench.tell(PACKETS[0], 1_000_000)
    assert bench.receiver.next_deadline_ns() is None
    bench.receiver.act_on_deadline(FAR_NS)
    assert bench.state is ReceiverState.RECEIVING


# Anything at all.

habits = st.builds(
    ReceiverSwitches,
    number_jump=st.sampled_from(["store", "nak", "cancel", "ignore"]),
    repeated_packet=st.sampled_from(["acknowledge", "store"]),
    bad_form=st.sampled_from(["nak", "ignore"]),
    bad_checksum=st.sampled_from(["nak", "store"]),
    header_in_dump=st.sampled_from(["restart", "ignore", "cancel"]),
    header_ack_number=st.sampled_from(["zero", "127", "last"]),
    packet_ack_number=st.sampled_from(["packet", "next", "zero"]),
    reply_id=st.sampled_from(["own", "received"]),
    final_ack=st.booleans(),
    answers=st.booleans(),
    wait_before_ack=st.booleans(),
    nak_limit=st.integers(0, 3),
    idle_limit_ns=st.integers(0, 40),
)
decisions = st.sampled_from([Accept(), Refuse("no"), Hold("wait"), Ignore("asleep")])
bodies = st.one_of(
    st.integers(0, 3).map(lambda index: PACKETS[index]),
    st.integers(0, 3).map(lambda index: spoilt(PACKETS[index])),
    st.integers(0, 130).map(lambda length: header(length)),
    st.sampled_from(list(oracle.HANDSHAKES)).map(lambda kind: reply(kind, 0, ID)),
    st.sampled_from([PACKETS[0][:9] + b"\xf7", bytes.fromhex("F0 7E 05 02 F7"), b"\xf0\xf7"]),
)
moves = bodies | decisions | st.just("due") | st.integers(0, 126).map(lambda n: PACKETS[0][:n])


@settings(max_examples=300)
@given(
    switches=habits,
    pace=st.builds(Pace, header_ns=st.integers(0, 9), packet_ns=st.integers(0, 9)),
    room=st.integers(0, 4),
    walk=st.lists(moves, max_size=40),
)
def test_whatever_happens_nothing_is_unexpected_and_words_are_never_too_many(
    switches: ReceiverSwitches, pace: Pace, room: int, walk: list[Any]
) -> None:
    shelf = Shelf(room=room)
    receiver = Receiver(shelf, device_id=ID, switches=switches, pace=pace)
    planned = 0
    for now_ns, move in enumerate(walk):
        if move == "due":
            if (due_ns := receiver.next_deadline_ns()) is not None:
                receiver.act_on_deadline(max(now_ns, due_ns))
        elif isinstance(move, bytes) and not move.endswith(b"\xf7"):
            receiver.take_fragment(move, now_ns)
        elif isinstance(move, bytes):
            receiver.take(decode(move), now_ns)
        elif isinstance(move, Accept | Refuse) and now_ns % 2:
            receiver.release(move, now_ns)
        else:
            shelf.decision = move
        events = kinds(receiver.take_events())
        assert EventKind.UNEXPECTED not in events
        planned = oracle.packet_count(shelf.headers[-1].length, 16) if shelf.headers else 0
        assert len(shelf.numbers) <= min(room, planned)  # WRD-13, HSK-12
        while answer := receiver.bytes_to_send():
            assert switches.answers
            said(answer)
        due_ns = receiver.next_deadline_ns()
        receiver.act_on_deadline(now_ns)
        assert due_ns is None or receiver.next_deadline_ns() is None or due_ns >= 0
