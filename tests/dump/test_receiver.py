"""The receiver: headers, WAIT, numbers and times of its answers (M1 p. 39)."""

from __future__ import annotations

import pytest

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.receiver import Pace
from dryload.emulator.dump.receiver_table import ReceiverState
from dryload.emulator.dump.storage import Accept, Hold, Ignore, Refuse
from dryload.emulator.wire.codec import decode
from tests import oracle
from tests.dump.bench import ID, PACKETS, Bench, header, said, spoilt
from tests.dump.talk import FAR_NS, at_instants, kinds, packets, reply

OPENED = EventKind.OPENED
REFUSED = EventKind.REFUSED
DONE = EventKind.DONE
CANCELLED = EventKind.CANCELLED


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
    held = bench.state
    bench.shelf.decision = Accept()

    assert bench.hear(header(80)) == ["ACK 0"]
    assert [each.length for each in bench.shelf.headers] == [40, 80]
    assert bench.hear(PACKETS[0]) == ["ACK 0"]
    assert held is ReceiverState.HELD


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


def test_a_varying_number_comes_again_only_after_all_128() -> None:
    bench = Bench(header_ack_number="varying")
    numbers = [bench.hear(header(120))[0] for _ in range(128)]
    assert len(set(numbers)) == 128
    assert bench.hear(header(120)) == [numbers[0]]


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


def test_what_is_not_stored_takes_no_time() -> None:
    bench = Bench(pace=Pace(header_ns=700, packet_ns=30))
    bench.hear(header(80), 0)
    bench.receiver.act_on_deadline(700)
    bench.answers()

    bench.receiver.take_fragment(PACKETS[0][:50], 1000)

    assert [said(answer) for answer in bench.answers()] == ["NAK 0"]
    assert bench.receiver.busy_until_ns <= 1000


def test_answers_leave_in_the_order_of_the_questions() -> None:
    bench = Bench(pace=Pace(header_ns=700, packet_ns=30))
    bench.hear(header(80), 0)
    bench.hear(PACKETS[0], 10)  # due at 40, but the header's answer is not: 700

    bench.receiver.act_on_deadline(40)
    assert bench.answers() == []
    bench.receiver.act_on_deadline(700)
    assert [said(answer) for answer in bench.answers()] == ["ACK 0", "ACK 0"]
    assert bench.receiver.next_deadline_ns() == 2_000_000_040  # the idle limit is left
