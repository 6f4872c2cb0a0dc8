"""What is done to a line on purpose is found where it happened, and the rig is answerable."""

from __future__ import annotations

from typing import Literal

import pytest

from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.link import Habit, Link
from dryload.harness.files.recorded import Recorded
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from dryload.harness.judge.dialogue.exchanges import Ended
from dryload.harness.judge.dialogue.judge import Verdicts, judge_capture
from dryload.harness.judge.finding import Answerable, Verdict
from tests.edits import (
    add_byte,
    cut_line,
    delay_message,
    flip_bit,
    lose_byte,
    lose_message,
    repeat_message,
)
from tests.jobs.bench import dump, rehearsal, unit, words
from tests.judge.talking import FROM, MS, TO, accusations, of_clause

HIT = 5  # the message disturbed: to the unit it is packet 4, from the unit the answer to it
PACKET = HIT - 1


def judged(*disturbances: Disturbance, again: bool = False, count: int = 400) -> Verdicts:
    silence: Literal["again", "go on"] = "again" if again else "go on"
    played = rehearsal(None, *disturbances, after_silence=silence)
    played.play(dump(words(count)))
    return judge_capture(Recorded(capture=played.line.capture))


# What is done, and the clause under which it is found.
DONE: dict[str, tuple[Disturbance, str]] = {
    "a bit of the data": (flip_bit(direction=TO, message=HIT, byte=42, bit=2), "PKT-05"),
    "a bit of the number": (flip_bit(direction=TO, message=HIT, byte=4, bit=1), "PKT-05"),
    "the F7": (flip_bit(direction=TO, message=HIT, byte=126, bit=7), "FRM-01"),
    "a byte lost": (lose_byte(direction=TO, message=HIT, byte=40), "PKT-01"),
    "a byte added": (add_byte(direction=TO, message=HIT, byte=40, value=5), "PKT-01"),
    "a note inside": (add_byte(direction=TO, message=HIT, byte=40, value=0x90), "PKT-01"),
    "a packet lost": (lose_message(direction=TO, message=HIT), "PKT-10"),
    "a packet twice": (repeat_message(direction=TO, message=HIT), "PKT-11"),
    "an ACK lost": (lose_message(direction=FROM, message=HIT), "TIM-04"),
    "an ACK twice": (repeat_message(direction=FROM, message=HIT), "DEV-05"),
    "an ACK late": (delay_message(direction=FROM, message=HIT, by_ns=30 * MS), "TIM-04"),
    "an ACK very late": (delay_message(direction=FROM, message=HIT, by_ns=60 * MS), "TIM-04"),
    "ACK becomes NAK": (flip_bit(direction=FROM, message=HIT, byte=3, bit=0), "HSK-06"),
    "another number in an ACK": (flip_bit(direction=FROM, message=HIT, byte=4, bit=3), "HSK-02"),
    "the unit goes silent": (cut_line(direction=FROM, at_ns=205 * MS), "TIM-04"),
}


@pytest.mark.parametrize("what", DONE)
def test_it_is_found_at_the_right_packet_and_the_line_is_answerable(what: str) -> None:
    disturbance, clause = DONE[what]

    verdicts = judged(disturbance)

    findings = of_clause(verdicts, clause)
    assert [each.at.packet for each in findings] == [PACKET]
    assert findings[0].at.packet_number == PACKET
    if clause != "DEV-05":  # that may as well be two units, and is only noted
        assert findings[0].answerable is Answerable.RIG
    assert {who for _, _, who in accusations(verdicts)} <= {"rig"}


@pytest.mark.parametrize("what", DONE)
def test_a_sender_that_repeats_is_not_accused_either(what: str) -> None:
    verdicts = judged(DONE[what][0], again=True)

    assert {who for _, _, who in accusations(verdicts)} <= {"rig"}
    assert verdicts.all_findings


def test_the_same_line_undisturbed_says_nothing() -> None:
    assert judged().all_findings == ()
    clock = add_byte(direction=TO, message=HIT, byte=40, value=0xF8)
    assert judged(clock).all_findings == ()  # real-time bytes may be anywhere (FRM-03)


def test_what_was_healed_is_not_broken() -> None:
    verdicts = judged(flip_bit(direction=TO, message=HIT, byte=42, bit=2))

    assert verdicts.worst is Verdict.RIG
    assert verdicts.dumps[0].ended is Ended.WHOLE
    assert verdicts.dumps[0].resent == 1


def test_what_was_not_healed_is_broken_and_nobody_but_the_line_is_to_blame() -> None:
    played = rehearsal(unit("thunder-sheet"), flip_bit(direction=TO, message=HIT, byte=42, bit=2))
    played.play(dump(words(400)))

    verdicts = judge_capture(Recorded(capture=played.line.capture))

    assert accusations(verdicts) == [("PKT-05", "broken", "rig")]


def test_places_do_not_wrap() -> None:
    late = flip_bit(direction=TO, message=131, byte=42, bit=2)

    (finding,) = of_clause(judged(late, count=5400), "PKT-05")

    assert (finding.at.packet, finding.at.packet_number) == (130, 2)


@pytest.mark.parametrize("habit", [Habit.USB, Habit.SPLITS, Habit.JOINS, Habit.ECHO])
def test_harmless_habits_of_interfaces_accuse_nobody(habit: Habit) -> None:
    link = Link(habit=habit, number=32 if habit is Habit.SPLITS else 0)
    played = Rehearsal(unit(), link=link, settings=Settings())
    played.play(dump(words(400)))

    verdicts = judge_capture(Recorded(capture=played.line.capture))

    assert accusations(verdicts) == []
    assert bool(of_clause(verdicts, "HSK-21")) is (habit is Habit.ECHO)
    assert [each.ended for each in verdicts.dumps] == [Ended.WHOLE, Ended.WHOLE]


@pytest.mark.parametrize(
    "link",
    [
        Link(habit=Habit.USB_LOST_ENDS),
        Link(habit=Habit.AT_MOST, number=64),
        Link(habit=Habit.EVERY, number=64),
        Link(habit=Habit.EVERY, number=256),
    ],
    ids=lambda link: f"{link.habit} {link.number}",
)
def test_harmful_habits_of_interfaces_are_not_held_against_the_ends(link: Link) -> None:
    played = Rehearsal(unit(), link=link, settings=Settings())
    played.play(dump(words(400)))

    verdicts = judge_capture(Recorded(capture=played.line.capture))

    assert accusations(verdicts)
    assert {who for _, _, who in accusations(verdicts)} == {"rig"}
