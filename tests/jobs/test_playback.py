"""Captures played verbatim: the same unit says the same to the nanosecond, another does not."""

from __future__ import annotations

from typing import Final

import pytest

from dryload.emulator.dump.capture import Capture, Passage
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.harness.files import capture_lines, capture_midi
from dryload.harness.files.capture_file import CaptureFile, CaptureForm
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import Recorded, back_to_back
from dryload.harness.jobs.playback import PlayedCapture, RehearsedPlayback
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from tests import oracle
from tests.jobs.bench import FROM, SECOND, TO, dump, words

DUMPS: Final = [
    dump(number=1),
    dump(words(90, 8), oracle.sample_name(sample_number=2, name=b"Gulls"), number=2, bits=8),
    dump(words(500, 12), number=3, bits=12, extended=True),
]


def rehearsed(name: str, *, operator_ns: int | None = 8 * SECOND) -> Recorded:
    """Return what passes when three dumps are rehearsed with a unit."""
    rehearsal = Rehearsal(load_profile(name), settings=Settings(operator_ns=operator_ns))
    for each in DUMPS:
        rehearsal.play(each)
    rehearsal.finish()
    return Recorded(capture=rehearsal.line.capture)


def play(recorded: Recorded, name: str, *, operator: bool = True) -> PlayedCapture:
    file = CaptureFile(name="desk.jsonl", form=CaptureForm.LINES, recorded=recorded)
    return RehearsedPlayback(load_profile(name), operator=operator).play(file)


@pytest.mark.parametrize("name", profile_names())
def test_the_same_unit_gives_the_same_conversation_to_the_nanosecond(name: str) -> None:
    was = rehearsed(name)
    again = capture_lines.read(capture_lines.build(was), "desk.jsonl")
    result = play(again, name)

    assert result.passed.passages == was.capture.passages
    assert result.comparison is not None
    assert result.comparison.same
    assert result.comparison.tolerance_ns == 0
    assert result.is_well


@pytest.mark.parametrize("name", profile_names())
def test_from_a_midi_file_it_is_the_same_to_what_times_were_rounded_to(name: str) -> None:
    was = rehearsed(name)
    again = capture_midi.read(capture_midi.build(was), "desk.mid")
    result = play(again, name)

    for direction in (TO, FROM):
        assert result.passed.bytes_of(direction) == was.capture.bytes_of(direction)
    assert result.comparison is not None
    assert result.comparison.same
    assert result.comparison.tolerance_ns == 2_000


def test_another_unit_says_other_things() -> None:
    result = play(rehearsed("lantern-desk"), "prompt-box")

    assert result.comparison is not None
    assert not result.comparison.same
    assert result.comparison.differences[0].said.direction is FROM
    assert not result.is_well


def test_nobody_waits_for_the_unit() -> None:
    # This unit holds packets back for longer than the one that was recorded; the script goes on.
    was = rehearsed("lantern-desk")
    result = play(was, "slow-pulley")

    assert result.passed.bytes_of(TO) == was.capture.bytes_of(TO)
    sent = [passage for passage in was.capture.passages if passage.direction is TO]
    assert [each for each in result.passed.passages if each.direction is TO] == sent


@pytest.mark.parametrize(("operator", "same"), [(True, True), (False, False)])
def test_somebody_presses_confirm_as_the_next_header_goes_out(operator: bool, same: bool) -> None:
    was = rehearsed("stage-door")
    result = play(was, "stage-door", operator=operator)

    assert result.comparison is not None
    assert result.comparison.same is same


def test_what_was_recorded_with_nobody_there_is_the_same_with_nobody_there() -> None:
    was = rehearsed("stage-door", operator_ns=None)

    assert play(was, "stage-door", operator=False).is_well


def test_a_recording_that_began_long_ago_begins_now() -> None:
    was = rehearsed("lantern-desk")
    late_ns = 10**15
    later = Capture([each._replace(end_ns=each.end_ns + late_ns) for each in was.capture.passages])
    result = play(Recorded(capture=later, start_ns=late_ns), "lantern-desk")

    assert result.passed.passages == was.capture.passages


def test_one_after_another_go_to_the_same_unit() -> None:
    was = rehearsed("lantern-desk")
    rehearsal = RehearsedPlayback(load_profile("lantern-desk"))
    file = CaptureFile(name="desk.jsonl", form=CaptureForm.LINES, recorded=was)
    first, second = rehearsal.play(file), rehearsal.play(file)

    assert first.is_well
    assert second.is_well
    assert (first.kept, second.kept) == (3, 3)


def test_one_side_without_times_goes_as_fast_as_the_line_and_the_unit_decides() -> None:
    def result(data: list[bytes], name: str = "lantern-desk") -> PlayedCapture:
        parts = [(TO, part) for part in data]
        one_side = Recorded(capture=Capture(back_to_back(parts)), directions=(TO,), is_timed=False)
        return play(one_side, name)

    messages = [DUMPS[0].outgoing.header, *DUMPS[0].outgoing.packets]
    loaded = result(messages)
    assert loaded.comparison is None
    assert (loaded.sent, loaded.headers, loaded.kept) == (5, 1, 1)
    assert loaded.is_well
    assert not result(messages[:-1]).is_well  # never whole
    assert not result(messages, "thunder-sheet").is_well  # overrun: it wants pauses
    assert not result(messages, "property-chest").is_well  # its slot is protected
    other = [bytes([*m[:2], 16, *m[3:]]) for m in messages]  # for another device
    assert not result(other).is_well
    assert result([oracle.identity_request()]).is_well  # no dump, nothing to lose


def test_what_a_port_passed_on_faster_than_a_line_can_is_played_to_its_end() -> None:
    header, *packets = DUMPS[0].outgoing.header, *DUMPS[0].outgoing.packets
    parts = [Passage(TO, at * 1_000_000, part) for at, part in enumerate([header, *packets])]
    result = play(Recorded(capture=Capture(parts)), "lantern-desk")

    assert result.passed.bytes_of(TO) == b"".join([header, *packets])
    assert result.kept == 1


def test_a_capture_in_which_nothing_went_to_the_unit_is_no_script() -> None:
    ack = oracle.handshake(kind="ACK")
    with pytest.raises(Problem, match=r"desk\.jsonl holds nothing that went to the unit"):
        play(Recorded(capture=Capture([Passage(FROM, 0, ack)])), "lantern-desk")


def test_it_stops_when_somebody_wants_it_to() -> None:
    was = rehearsed("lantern-desk")
    rehearsal = RehearsedPlayback(load_profile("lantern-desk"), wants_stop=lambda: True)
    result = rehearsal.play(CaptureFile(name="desk.jsonl", form=CaptureForm.LINES, recorded=was))

    assert result.stopped
    assert not result.is_well
    assert len(result.passed.passages) < len(was.capture.passages)
