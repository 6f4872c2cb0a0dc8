"""How a recording ends: each end that proves something, and a near one that does not."""

import pytest

from dryload.harness.diagnose.cause import Strength
from dryload.harness.diagnose.diagnose import Answer, CaptureDiagnosis, diagnose
from tests import oracle
from tests.judge.talking import Tape, dump, header, packets, say

REQUEST = bytes.fromhex("f07e00030100f7")  # M1 p. 37: sample 1
IDENTITY = bytes.fromhex("f07e7f0601f7")  # M1 p. 40
REPLY = bytes.fromhex("f07e0006027d0000000000000000f7")  # M1 p. 40
ALIEN = bytes.fromhex("f07e7f030000f7")


def diagnosed(tape: Tape) -> CaptureDiagnosis:
    return diagnose(tape.recorded())


def named(found: CaptureDiagnosis) -> dict[str, Strength]:
    return {each.name: each.strength for each in found.causes}


def half_a_dump(*, last: str | None = "ACK") -> Tape:
    tape = Tape().to(header(4)).back(say("ACK"))
    for place, packet in enumerate(packets(4)[:2]):
        tape.to(packet)
        if place == 0 or last is not None:
            tape.back(say("ACK" if place == 0 else str(last), place))
    return tape


def test_a_recording_that_ends_in_the_middle_is_not_enough_and_says_what_it_could_be() -> None:
    found = diagnosed(half_a_dump())
    assert found.answer is Answer.NOT_ENOUGH
    assert named(found)["sender gave up"] is Strength.WEAK
    assert found.causes[0].at is not None
    assert found.causes[0].at.packet == 2  # the first one that did not come


def test_a_whole_dump_says_nothing_of_it() -> None:
    assert not diagnosed(dump(4, tail=False)).causes


def test_a_last_packet_that_got_no_answer_is_not_passed_over_in_silence() -> None:
    """Some units never answer it (HSK-13), so nothing is wrong; but nothing shows that it came."""

    def alone(tape: Tape, _: int, packet: bytes) -> None:
        tape.to(packet)

    open_end, answered = diagnosed(dump(3, {2: alone}, tail=False)), diagnosed(dump(3, tail=False))

    assert not open_end.causes
    assert any("took the last packet" in line for line in open_end.unknown)
    assert not any("took the last packet" in line for line in answered.unknown)


@pytest.mark.parametrize("is_answered", [False, True])
def test_of_a_last_packet_that_was_acknowledged_nobody_says_that_it_got_no_answer(
    is_answered: bool,
) -> None:
    """A sender that does not understand the ACK sends it again, and the unit has all it needs."""

    def again(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet)
        if is_answered:
            tape.back(say("ACK", place))
        for _ in range(4):
            tape.to(packet, after_ms=500)

    causes = named(diagnosed(dump(3, {2: again}, tail=False)))

    assert ("sender waits at the end" in causes) is not is_answered


@pytest.mark.parametrize("last", ["CANCEL", "WAIT"])
def test_an_answer_that_ends_it_is_the_matter_and_not_the_sender(last: str) -> None:
    assert "sender gave up" not in named(diagnosed(half_a_dump(last=last)))


def test_a_request_that_was_answered() -> None:
    tape = dump(4, tail=False).to(REQUEST, after_ms=100).back(header(4)).to(say("ACK"), 2)
    for place, packet in enumerate(packets(4)):
        tape.back(packet).to(say("ACK", place), 2)
    assert "request unanswered" not in named(diagnosed(tape))


def test_a_request_to_a_unit_that_never_said_anything_is_told_as_silence() -> None:
    tape = Tape().to(header(2))
    for packet in packets(2):
        tape.to(packet, after_ms=2_100 if packet[4] == 0 else 21)
    found = named(diagnosed(tape.to(REQUEST, after_ms=100)))
    assert "request unanswered" not in found
    assert "nothing comes back" in found


def test_a_message_during_wait_after_which_nothing_came() -> None:
    tape = Tape().to(header(4)).back(say("WAIT")).back(ALIEN, 100).back(say("ACK"), 100)
    found = diagnosed(tape)
    assert found.first is not None
    assert found.first.name == "disturbed while waiting"


def test_the_answer_to_ones_own_question_disturbs_nobody() -> None:
    tape = Tape().to(header(4)).back(say("WAIT")).to(IDENTITY, 100).back(REPLY, 10)
    assert "disturbed while waiting" not in named(diagnosed(tape))


def test_a_message_during_wait_after_which_the_dump_goes_on() -> None:
    tape = Tape().to(header(2)).back(say("WAIT")).back(ALIEN, 100).back(say("ACK"), 100)
    for place, packet in enumerate(packets(2)):
        tape.to(packet, after_ms=2).back(say("ACK", place))
    assert "disturbed while waiting" not in named(diagnosed(tape))


def test_the_messages_of_this_file_are_what_they_are_said_to_be() -> None:
    assert REQUEST[3] == 3
    assert oracle.handshake(kind="ACK", packet_number=0, device_id=0) == say("ACK")
