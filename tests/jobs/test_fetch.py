"""Reading one sample over a line: what is lost on the way is read again, and nothing made up."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile
from dryload.emulator.wire.messages import LoopPointsRequest, Message, SampleNameRequest
from dryload.harness.jobs.fetch import ANSWER_NS, Asker, Fetched
from dryload.harness.jobs.line import never
from tests import oracle
from tests.edits import cut_line, delay_message, lose_byte, lose_message
from tests.jobs.bench import FROM, PERIOD, SECOND, TO, dump, words
from tests.jobs.watched import Watched

WORDS = words(40 * 140)  # 140 packets of 40 words of 16 bits (M1 p. 39): numbers begin again
FIRST = 1 + 140  # messages from the unit before: the answers to header and packets
NAME = SampleNameRequest(device_id=0, sample_number=1)


def loaded(*disturbances: Disturbance) -> SimulatedLine:
    """A line to a unit that holds WORDS as sample 1."""
    line = SimulatedLine(RackUnit(load_profile("lantern-desk")), disturbances=disturbances)
    sender = Sender(dump(WORDS).outgoing)
    line.connect(sender)
    sender.start(0)
    assert line.run(lambda: sender.end is not None)
    assert sender.end is SenderEnd.SENT
    return line


def read(
    line: SimulatedLine,
    number: int = 1,
    *,
    questions: Sequence[Message] = (),
    wants_stop: Callable[[], bool] = never,
    seen: list[tuple[int, int]] | None = None,
    asks_twice: bool = False,
    answer_ns: int = ANSWER_NS,
) -> Fetched:
    asker = Asker(
        Watched(line), wants_stop=wants_stop, patience_ns=60 * SECOND, answer_ns=answer_ns
    )
    return asker.fetch(
        0,
        number,
        questions=questions,
        progress=None if seen is None else lambda *each: seen.append(each),
        asks_twice=asks_twice,
    )


def requests(line: SimulatedLine) -> int:
    """How often the sample was asked for."""
    asked = oracle.dump_request(device_id=0, sample_number=1)
    return line.capture.bytes_of(TO).count(asked)


def check_right(got: Fetched) -> None:
    assert got.sample is not None
    assert [int(word) for word in got.sample.words] == WORDS
    wanted = oracle.dump(bits=16, words=WORDS, sample_number=1, period_ns=PERIOD)
    assert got.data == wanted
    assert oracle.read_dump(got.data).words == WORDS
    assert (got.unread, got.stopped) == ("", False)


def test_what_the_unit_holds_is_read_at_once() -> None:
    line = loaded()
    seen: list[tuple[int, int]] = []
    got = read(line, seen=seen)

    check_right(got)
    assert (got.torn, got.packets, requests(line)) == (0, 140, 1)
    assert seen[0][0] == 0
    assert seen[-1] == (140, 140)
    assert [packets for packets, _ in seen] == sorted(packets for packets, _ in seen)


@pytest.mark.parametrize("packet", [0, 1, 60, 127, 128, 138, 139])
def test_a_packet_that_is_lost_on_the_way_is_noticed_and_all_is_read_again(packet: int) -> None:
    line = loaded(lose_message(direction=FROM, message=FIRST + 1 + packet))
    got = read(line)

    check_right(got)
    assert got.torn == 1
    assert requests(line) == 2


def test_lost_twice_it_is_read_a_third_time() -> None:
    line = loaded(
        lose_message(direction=FROM, message=FIRST + 5),
        lose_message(direction=FROM, message=FIRST + 141 + 5),
    )
    got = read(line)

    check_right(got)
    assert got.torn == 2
    assert requests(line) == 3


def test_a_packet_that_comes_damaged_never_becomes_a_wrong_sample() -> None:
    line = loaded(lose_byte(direction=FROM, message=FIRST + 9, byte=50))
    check_right(read(line))


def test_a_unit_that_dies_while_it_is_read_gives_no_sample() -> None:
    alone = loaded()
    begun_ns = alone.now_ns
    line = loaded(cut_line(direction=FROM, at_ns=begun_ns + 3 * SECOND))
    got = read(line)

    assert got.sample is None
    assert got.data == b""
    assert 0 < got.packets < 140
    assert got.unread == f"it ended after {got.packets} packets"
    assert not got.stopped


def test_with_nobody_there_nothing_is_read() -> None:
    line = loaded()
    line = loaded(cut_line(direction=TO, at_ns=line.now_ns))
    got = read(line)

    assert (got.header, got.sample, got.packets, got.data) == (None, None, 0, b"")
    assert got.unread == "the unit did not answer the request for the sample"
    assert requests(line) == 0  # nothing arrived; and who is silent is asked once


def test_what_the_unit_does_not_have_is_asked_for_once() -> None:
    line = loaded()
    got = read(line, 99)

    assert got.sample is None
    assert got.unread == "the unit did not answer the request for the sample"
    asked = oracle.dump_request(device_id=0, sample_number=99)
    assert line.capture.bytes_of(TO).count(asked) == 1


def test_stopped_by_its_user_it_tells_the_unit_and_says_where() -> None:
    line = loaded()
    at_ns = line.now_ns + 2 * SECOND
    got = read(line, wants_stop=lambda: line.now_ns >= at_ns)

    assert got.stopped
    assert got.sample is None
    assert got.unread == f"you stopped it after {got.packets} packets"
    assert 0 < got.packets < 140
    assert requests(line) == 1
    *_, last = (raw for _, raw in oracle.split(line.capture.bytes_of(TO)))
    assert last[:4] == oracle.handshake(kind="CANCEL")[:4]  # M1 p. 39
    check_right(read(line))  # and the unit is free again


def test_stopped_before_anything_came() -> None:
    got = read(loaded(), wants_stop=lambda: True)
    assert got.stopped
    assert got.unread == "you stopped it"


def test_questions_beside_the_dump_are_asked_and_what_is_not_answered_is_told() -> None:
    far = LoopPointsRequest(device_id=0, sample_number=1, loop_number=5)
    got = read(loaded(), questions=[NAME, far])
    assert got.sample is not None
    asked = {NAME, far}
    assert set(got.unanswered) <= asked
    plain = loaded()
    check_right(read(plain))
    # The same again, with a cable that breaks when the dump is through and the name is asked for.
    got = read(loaded(cut_line(direction=TO, at_ns=plain.now_ns)), questions=[NAME])
    assert got.sample is not None
    assert got.unanswered == (NAME,)


def test_a_request_that_is_lost_is_repeated_where_that_is_wanted() -> None:
    lost = lose_message(direction=TO, message=1 + 140)
    line = loaded(lost)
    fetched = read(line, asks_twice=True)
    assert fetched.sample is not None
    assert [int(word) for word in fetched.sample.words] == WORDS
    assert (fetched.torn, requests(line)) == (0, 1)  # the other one never arrived
    assert read(loaded(lost)).unread == "the unit did not answer the request for the sample"


def test_what_is_not_there_is_asked_for_twice_and_no_more() -> None:
    line = loaded()
    fetched = read(line, 9, asks_twice=True)
    assert (fetched.header, fetched.stopped) == (None, False)
    asked = oracle.dump_request(device_id=0, sample_number=9)
    assert line.capture.bytes_of(TO).count(asked) == 2


def test_a_unit_whose_owner_has_to_press_a_key_first_is_waited_for_as_long_as_was_said() -> None:
    walked = delay_message(direction=FROM, message=FIRST, by_ns=29 * SECOND)
    assert read(loaded(walked)).unread == "the unit did not answer the request for the sample"
    line = loaded(walked)
    check_right(read(line, answer_ns=30 * SECOND))
    assert requests(line) == 1


def test_a_look_ends_though_the_unit_says_active_sensing_and_a_clock_all_the_time() -> None:
    line = SimulatedLine(RackUnit(load_profile("rattling-cart")))
    sender = Sender(dump(WORDS).outgoing)
    line.connect(sender)
    sender.start(0)
    assert line.run(lambda: sender.end is SenderEnd.SENT, until_ns=60 * SECOND)
    before_ns = line.now_ns

    seen = Asker(line).glance(0, 1)

    assert seen.sample is not None
    assert line.now_ns - before_ns < 2 * SECOND
