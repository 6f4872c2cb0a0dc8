"""One side of a recording played to a line whose times are not those of then."""

from __future__ import annotations

from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Capture, Passage
from dryload.emulator.dump.script import Cue, Script, is_faster_than_a_line, waiting_cues_of
from dryload.emulator.dump.sender import Sender
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile
from dryload.harness.files.capture_file import CaptureFile, CaptureForm
from dryload.harness.files.recorded import Recorded
from dryload.harness.jobs.playback import Playback, PlayedCapture
from tests import oracle
from tests.edits import cut_line, delay_message
from tests.files.captures import captures
from tests.jobs.bench import FROM, SECOND, TO, dump, words
from tests.jobs.watched import Watched

MS: Final = 1_000_000
BYTE_NS: Final = 320_000  # M1 p. 1
LIMIT_NS: Final = 20 * MS  # M1 p. 39
ACK: Final = oracle.handshake(kind="ACK")
DUMP: Final = dump(words(400))


def turn(at_ns: int, *, heard: int = 0, after_ns: int = 0, gap_ns: int = 0) -> Cue:
    return Cue(at_ns=at_ns, data=b"\xf7", heard=heard, after_ns=after_ns, gap_ns=gap_ns)


def started(*turns: Cue) -> Script:
    script = Script(turns)
    script.start(0)
    return script


def take(script: Script, now_ns: int) -> bytes:
    """Send what is ready; it has left at once."""
    if data := script.bytes_to_send():
        script.message_left(now_ns)
    return data


def test_with_everything_in_time_each_goes_at_its_instant() -> None:
    script = started(turn(0), turn(50 * MS, heard=6, after_ns=10 * MS))
    assert take(script, MS) == b"\xf7"
    script.receive_bytes(ACK, 40 * MS)
    assert script.bytes_to_send() == b""
    assert script.next_deadline_ns() == 50 * MS
    script.handle_deadline(50 * MS)
    assert take(script, 50 * MS) == b"\xf7"
    assert (script.is_over, script.shift_ns, script.overdue) == (True, 0, 0)


def test_what_came_before_it_then_is_waited_for_and_all_moves_on() -> None:
    script = started(turn(0), turn(50 * MS, heard=6, after_ns=MS), turn(70 * MS, heard=6))
    take(script, MS)
    script.handle_deadline(50 * MS)
    assert script.bytes_to_send() == b""
    script.receive_bytes(ACK, 58 * MS)
    assert script.bytes_to_send() == b""  # it stood a millisecond behind it
    assert script.next_deadline_ns() == 59 * MS
    script.handle_deadline(59 * MS)
    assert take(script, 59 * MS)
    assert script.next_deadline_ns() == 79 * MS
    assert (script.shift_ns, script.overdue) == (9 * MS, 0)


def test_what_does_not_come_is_waited_for_a_little_and_once() -> None:
    script = started(
        turn(0), turn(50 * MS, heard=6), turn(90 * MS, heard=6), turn(99 * MS, heard=12)
    )
    take(script, MS)
    script.handle_deadline(50 * MS)
    limit_ns = 50 * MS + 10 * LIMIT_NS + len(ACK) * BYTE_NS
    assert script.next_deadline_ns() == limit_ns
    script.handle_deadline(limit_ns - 1)
    assert script.bytes_to_send() == b""
    script.handle_deadline(limit_ns)
    assert take(script, limit_ns)
    next_ns = limit_ns + 40 * MS
    assert script.next_deadline_ns() == next_ns
    script.handle_deadline(next_ns)
    assert take(script, next_ns)
    assert script.overdue == 1
    # Who is silent is waited for no longer than a sender by the standard would.
    script.handle_deadline(next_ns + 9 * MS)
    silent_ns = next_ns + 9 * MS + LIMIT_NS + len(ACK) * BYTE_NS
    assert script.next_deadline_ns() == silent_ns
    script.handle_deadline(silent_ns)
    assert take(script, silent_ns)
    assert (script.is_over, script.overdue) == (True, 2)


def test_clock_and_active_sensing_are_no_answers() -> None:
    script = started(turn(0), turn(50 * MS, heard=2))
    take(script, MS)
    script.receive_bytes(b"\xfe\xf8\xfe", 45 * MS)
    script.handle_deadline(50 * MS)
    assert script.bytes_to_send() == b""
    assert script.heard == 0


def test_a_recording_is_started_once() -> None:
    script = started(turn(0))
    with pytest.raises(ValueError, match="started once"):
        script.start(1)


def test_turns_know_what_had_come_before_them() -> None:
    message, end_ns = b"\xf0" + bytes(8) + b"\xf7", 10 * BYTE_NS
    passages = [
        Passage(TO, end_ns, message),
        Passage(FROM, end_ns + 3 * MS, ACK),
        Passage(FROM, end_ns + 4 * MS, b"\xfe"),
        Passage(TO, 2 * end_ns + 5 * MS, message),
    ]
    first, second = waiting_cues_of(Capture(passages))
    assert (first.at_ns, first.heard, first.gap_ns) == (0, 0, 0)
    assert (second.at_ns, second.heard) == (end_ns + 5 * MS, len(ACK))
    assert (second.after_ns, second.gap_ns) == (2 * MS, 5 * MS)


def test_what_was_recorded_without_a_pace_is_known_by_its_times() -> None:
    messages = [DUMP.outgoing.header, *DUMP.outgoing.packets]
    at_once = Capture([Passage(TO, at * MS, each) for at, each in enumerate(messages)])
    assert is_faster_than_a_line(at_once)
    assert [each.at_ns for each in waiting_cues_of(at_once)] == [
        at * MS for at in range(len(messages))
    ]
    assert not is_faster_than_a_line(recorded().capture)


@given(captures(), st.integers(0, 10**9))
def test_the_bytes_are_those_of_the_recording_whoever_answers(capture: Capture, by: int) -> None:
    script = Script(waiting_cues_of(capture))
    script.start(by)
    sent, now_ns = b"", by
    while not script.is_over:
        sent += take(script, now_ns)
        deadline_ns = script.next_deadline_ns()
        if deadline_ns is not None:
            assert deadline_ns > now_ns or not script.bytes_to_send()
            now_ns = max(now_ns, deadline_ns)
            script.handle_deadline(now_ns)
    assert sent == capture.bytes_of(TO)


# Over a whole line, to a unit of which nothing is known.


def recorded(start_ns: int = 0) -> Recorded:
    """What passes when a dump goes to a unit."""
    line = SimulatedLine(RackUnit(load_profile("lantern-desk")))
    sender = Sender(DUMP.outgoing)
    line.connect(sender)
    sender.start(0)
    assert line.run(lambda: sender.end is not None)
    passages = [each._replace(end_ns=each.end_ns + start_ns) for each in line.capture.passages]
    return Recorded(capture=Capture(passages), start_ns=start_ns)


def play(
    *disturbances: Disturbance, recorded: Recorded, name: str = "lantern-desk"
) -> PlayedCapture:
    line = SimulatedLine(RackUnit(load_profile(name)), disturbances=disturbances)
    file = CaptureFile(name="desk.jsonl", form=CaptureForm.LINES, recorded=recorded)
    return Playback(Watched(line)).play(file)


@pytest.mark.parametrize("start_ns", [0, 10**15])
def test_the_same_unit_says_the_same_and_nothing_is_claimed_of_its_insides(start_ns: int) -> None:
    was = recorded(start_ns)
    result = play(recorded=was)

    assert result.is_well
    assert (result.kept, result.overdue) == (None, 0)
    assert result.passed.bytes_of(TO) == was.capture.bytes_of(TO)
    assert result.passed.bytes_of(FROM) == was.capture.bytes_of(FROM)


@pytest.mark.parametrize("late_ns", [1, MS, 19 * MS, 150 * MS])
def test_answers_that_are_late_as_a_port_makes_them_change_nothing(late_ns: int) -> None:
    delays = [delay_message(direction=FROM, message=at, by_ns=late_ns) for at in range(0, 11, 2)]
    result = play(*delays, recorded=recorded())

    assert result.is_well
    assert result.overdue == 0


def test_a_unit_that_is_silent_is_not_waited_for_at_each_message() -> None:
    was = recorded()
    result = play(cut_line(direction=FROM, at_ns=0), recorded=was)

    assert not result.is_well
    assert result.passed.bytes_of(TO) == was.capture.bytes_of(TO)
    assert result.overdue == sum(each.direction is TO for each in was.capture.passages) - 1
    then_ns, now_ns = was.capture.passages[-1].end_ns, result.passed.passages[-1].end_ns
    waited_ns = result.overdue * (LIMIT_NS + len(ACK) * BYTE_NS)
    assert now_ns - then_ns <= 9 * LIMIT_NS + waited_ns  # the first time it is waited for longer


def test_a_unit_that_says_something_else_is_told() -> None:
    result = play(recorded=recorded(), name="property-chest")  # its slot is protected
    assert result.comparison is not None
    assert not result.comparison.same
    assert not result.is_well


def test_of_one_side_alone_all_is_sent_and_nothing_shows_that_the_unit_took_it() -> None:
    was = recorded()
    own = [each for each in was.capture.passages if each.direction is TO]
    result = play(recorded=Recorded(capture=Capture(own), directions=(TO,)))

    assert result.comparison is None
    assert not result.is_well
    assert result.passed.bytes_of(TO) == was.capture.bytes_of(TO)


def test_of_one_side_alone_with_no_dump_in_it_there_is_nothing_to_show() -> None:
    question = Passage(TO, 10 * MS, oracle.identity_request())
    assert play(recorded=Recorded(capture=Capture([question]), directions=(TO,))).is_well


def test_the_user_can_stop_it() -> None:
    line = SimulatedLine(RackUnit(load_profile("lantern-desk")))
    file = CaptureFile(name="desk.jsonl", form=CaptureForm.LINES, recorded=recorded())
    player = Playback(Watched(line), wants_stop=lambda: line.now_ns > SECOND // 5)
    result = player.play(file)

    assert result.stopped
    assert not result.is_well
    sent = result.passed.bytes_of(TO)
    whole = recorded().capture.bytes_of(TO)
    assert whole.startswith(sent)
    assert len(sent) < len(whole)
