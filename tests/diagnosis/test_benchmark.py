"""The benchmark of the diagnosis, small: its labels, its oracle, its counting, and its bounds."""

from dataclasses import replace

import pytest

from emulator.dump.capture import Capture, Direction, Passage
from harness.diagnose.confidence import MEASURED, Confidence
from harness.diagnose.diagnose import Answer, diagnose
from harness.diagnose.table import TABLE
from harness.files.recorded import Recorded
from tests.diagnosis import classes
from tests.diagnosis.alike import NOTHING, Alike, View, known
from tests.diagnosis.doubles import doubles_of
from tests.diagnosis.families import ALL, SINGLE, families_of, family_named, rows_of
from tests.diagnosis.family import Family, Part
from tests.diagnosis.runs import run_of, seen_in
from tests.diagnosis.scoring import Count, Tally, total_of, verdict_of, wilson
from tests.diagnosis.second import causes_of_second, runs_of_second, tally_of_second
from tests.diagnosis.silent import silent_of
from tests.diagnosis.truth import is_visible, last_packet, place_of_difference
from tests.diagnosis.workers import chunks_of, tally_of

SEED = 20
CLASSES = [each for each in vars(classes).values() if isinstance(each, Alike)]
OF_FAMILIES = [each for family in ALL for each in (family.line, family.host) if each is not None]


def scored(part: Part, runs: int) -> Tally:
    total = Tally()
    for chunk in chunks_of(families_of(part), runs, SEED):
        total.merge(tally_of(chunk))
    return total


# Labels


def test_every_cause_of_a_class_is_in_the_register() -> None:
    names = {cause.name for cause in TABLE.causes}
    assert known([*CLASSES, *OF_FAMILIES]) <= names


def test_no_harmless_cause_is_ever_the_right_answer() -> None:
    harmless = {cause.name for cause in TABLE.causes if cause.is_harmless}
    assert not known([*CLASSES, *OF_FAMILIES]) & harmless


def test_every_class_says_why_nobody_could_tell() -> None:
    assert all(each.because for each in CLASSES)


def test_names_of_families_are_unique_and_found() -> None:
    assert len({family.name for family in ALL}) == len(ALL)
    assert all(family_named(family.name) is family for family in ALL)
    with pytest.raises(ValueError, match="not one family"):
        family_named("nothing of the kind")


def test_no_held_out_word_is_in_another_set() -> None:
    """What nobody may tune for occurs nowhere else."""
    held = ("noise of", "set a high bit", "power fails", "at-most", "repeat replies", "reorder")
    for family in ALL:
        words = " ".join(family.words)
        if family.part is not Part.HELD_OUT:
            assert not any(each in words for each in (*held, "wrong device"))


@pytest.mark.parametrize("family", ALL, ids=lambda family: family.name)
def test_a_run_is_the_same_each_time_and_another_by_its_number(family: Family) -> None:
    one, again = run_of(family, 5, SEED), run_of(family, 5, SEED)
    assert one.recorded.capture == again.recorded.capture
    assert (one.accepted, one.packet, one.view, one.told) == (
        again.accepted,
        again.packet,
        again.view,
        again.told,
    )


def test_runs_differ() -> None:
    for family in SINGLE[:8]:
        assert len({run_of(family, number, SEED).told for number in range(0, 64, 8)}) > 4


# The oracle

ONE = Passage(Direction.TO_UNIT, 1_000, b"\xf0\x7e\x00\x01\xf7")
TWO = Passage(Direction.FROM_UNIT, 2_000, b"\xf0\x7e\x00\x7f\x00\xf7")
PACKET = Passage(Direction.TO_UNIT, 3_000, b"\xf0\x7e\x00\x02\x00\xf7")
NEXT = Passage(Direction.TO_UNIT, 4_000, b"\xf0\x7e\x00\x02\x01\xf7")


def capture(*passages: Passage) -> Capture:
    return Capture(passages=list(passages))


def test_a_difference_in_time_only_is_seen_where_there_are_times() -> None:
    late = TWO._replace(end_ns=2_001)
    assert is_visible(seen_in(View.LINE, capture(ONE, TWO)), seen_in(View.LINE, capture(ONE, late)))
    assert not is_visible(
        seen_in(View.UNTIMED, capture(ONE, TWO)), seen_in(View.UNTIMED, capture(ONE, late))
    )


def test_a_difference_in_a_direction_that_is_not_shown_is_not_seen() -> None:
    one, other = capture(ONE, TWO), capture(ONE)
    assert is_visible(seen_in(View.LINE, one), seen_in(View.LINE, other))
    assert not is_visible(seen_in(View.TO, one), seen_in(View.TO, other))


def test_pieces_of_one_message_are_one_where_there_are_no_times() -> None:
    halves = (ONE._replace(data=ONE.data[:2]), ONE._replace(data=ONE.data[2:]))
    assert not is_visible(
        seen_in(View.UNTIMED, capture(*halves)), seen_in(View.UNTIMED, capture(ONE))
    )


def test_the_place_is_the_packet_under_way_when_captures_part() -> None:
    changed = NEXT._replace(data=b"\xf0\x7e\x00\x02\x02\xf7")
    right = capture(ONE, TWO, PACKET, NEXT)
    assert place_of_difference(capture(ONE, TWO, PACKET, changed), right) == 1
    other = TWO._replace(data=b"\xf0\x7e\x00\x7d\x00\xf7")
    answered = capture(ONE, TWO, PACKET, TWO, NEXT)
    assert place_of_difference(capture(ONE, TWO, PACKET, other), answered) == 0
    assert last_packet(ONE.data + PACKET.data + NEXT.data) == 1
    assert last_packet(ONE.data) is None


def test_a_fault_that_nobody_can_see_is_labelled_so() -> None:
    """A byte stored wrongly shows only where the sample is read back."""
    family = replace(family_named("a unit that stores other words"), read_back=False)
    runs = [run_of(family, number, SEED) for number in range(0, 40, 5)]
    assert all(run.is_clean and not run.is_visible and run.packet is None for run in runs)


# Counting


def test_the_interval_is_the_score_interval_worked_by_hand() -> None:
    """Wilson 1927: 8 of 10, z = 2: (0.8 + 0.2) / 1.4 -+ (2 / 1.4) * sqrt(0.016 + 0.01)."""
    low, high = wilson(8, 10, z=2)
    assert low == pytest.approx(1 / 1.4 - 2 / 1.4 * 0.026**0.5)
    assert high == pytest.approx(1 / 1.4 + 2 / 1.4 * 0.026**0.5)


def test_the_interval_at_its_ends() -> None:
    assert wilson(0, 0) == (0.0, 1.0)
    # p = 0: from 0 to z^2 / (n + z^2); z^2 = 3.841 at 95 %
    low, high = wilson(0, 300_000)
    assert low == 0.0
    assert high == pytest.approx(3.8415 / 300_003.8415, rel=1e-3)
    assert wilson(7, 7)[1] == 1.0


def test_two_tallies_add_up_to_one() -> None:
    family = family_named("a bit flipped in one packet")
    apart, together = [Tally(), Tally()], Tally()
    for number in range(6):
        run = run_of(family, number, SEED)
        verdict = verdict_of(run)
        apart[number % 2].add(run, verdict)
        together.add(run, verdict)
    apart[0].merge(apart[1])
    assert total_of(apart[0].faults) == total_of(together.faults)
    assert apart[0].words == together.words
    assert apart[0].confusion == together.confusion


def test_a_diagnosis_that_always_says_the_same_scores_low() -> None:
    """Scoring can fail: one answer for everything is right in its own families only."""
    total = Count()
    for family in SINGLE:
        run = run_of(family, 0, SEED)
        if run.is_clean or run.is_open:
            continue
        found = diagnose(run.recorded, run.sources)
        stuck = replace(found, causes=(), answer=Answer.NOTHING_WRONG, confidence=None)
        verdict = verdict_of(run, stuck)
        assert not verdict.first
        total.add(verdict)
    assert total.runs > 60
    assert total.first == total.among == 0
    assert total.undecided == total.runs


def test_a_wrong_packet_does_not_count_as_right() -> None:
    run = run_of(family_named("an answer late"), 0, SEED)
    assert run.packet is not None
    elsewhere = replace(run, packet=run.packet + 1)
    if verdict_of(run).place is not None:
        assert verdict_of(run).place is not verdict_of(elsewhere).place


def test_sure_and_wrong_is_told_from_unsure_and_wrong() -> None:
    run = run_of(family_named("an answer late"), 0, SEED)
    found = diagnose(run.recorded, run.sources)
    other = replace(run, accepted=frozenset({"no such cause"}))
    count = Count()
    count.add(verdict_of(other, replace(found, answer=Answer.UNDECIDED)))
    count.add(verdict_of(other, replace(found, confidence=Confidence.POSSIBLE)))
    assert (count.undecided, count.wrong) == (2, 0)
    sure = replace(found, answer=Answer.CAUSE, confidence=Confidence.CERTAIN)
    count.add(verdict_of(other, sure))
    assert (count.undecided, count.wrong) == (2, 1) if found.causes else (3, 0)


def test_naming_anything_in_a_healthy_run_is_a_false_alarm() -> None:
    run = run_of(family_named("nothing odd"), 0, SEED)
    faulty = run_of(family_named("an answer late"), 0, SEED)
    alarm = verdict_of(replace(run, recorded=faulty.recorded, sources=faulty.sources))
    quiet = verdict_of(run)
    assert quiet.first
    assert alarm.first is not bool(alarm.named)


def test_tasks_are_as_many_runs_as_asked_and_none_twice() -> None:
    rows = rows_of(SINGLE)
    chunks = list(chunks_of(SINGLE, 3_001, SEED))
    runs = [(name, number) for name, numbers, _ in chunks for number in numbers]
    assert len(runs) == len(set(runs)) == 3_001
    assert len(rows) == sum(family.weight for family in SINGLE)


# Bounds, a little below what is claimed


def test_single_faults() -> None:
    tally = scored(Part.SINGLE, 500)
    total = total_of(tally.faults)
    assert total.first >= 0.97 * total.runs, tally.confusion.most_common(8)
    assert total.place >= 0.97 * total.placed
    assert total.wrong <= 0.02 * total.runs
    assert total.baseline <= total.first - 0.2 * total.runs
    assert total_of(tally.clean).first == total_of(tally.clean).runs
    assert tally.open.wrong <= 0.02 * tally.open.runs + 1


def test_held_out_faults() -> None:
    total = total_of(scored(Part.HELD_OUT, 120).faults)
    assert total.first + total.undecided >= 0.88 * total.runs
    assert total.wrong <= 0.04 * total.runs


def test_units_that_never_answer() -> None:
    total = total_of(scored(Part.NO_ANSWERS, 40).faults)
    assert total.first >= 0.95 * total.runs


def test_healthy_and_odd_but_legal() -> None:
    tally = scored(Part.HEALTHY, 400)
    assert not tally.faults
    assert not tally.missed
    assert total_of(tally.clean).runs == 400


def test_two_faults_at_once() -> None:
    total, missed = doubles_of(range(60), SEED)
    assert total.runs > 20
    assert total.among >= 0.93 * total.runs, missed


def test_silent_damage() -> None:
    total, missed = silent_of(range(60), SEED)
    assert (total.found, total.placed, total.honest) == (60, 60, 60), missed


def test_the_second_set() -> None:
    """Runs of an injector that was written apart come out much the same."""
    tally = tally_of_second((SEED, range(250)))
    total = total_of(tally.faults)
    assert total.runs > 150
    assert total.first >= 0.95 * total.runs, tally.confusion.most_common(8)
    assert total_of(tally.clean).first == total_of(tally.clean).runs


def test_a_run_of_the_second_set_is_found_by_its_number() -> None:
    some = list(runs_of_second(SEED, range(50, 60)))
    one = next(runs_of_second(SEED, range(57, 58)))
    assert one.recorded.capture == some[7].recorded.capture
    assert (one.number, one.family, one.accepted) == (57, some[7].family, some[7].accepted)


def test_every_cause_of_the_second_set_is_in_the_register() -> None:
    assert causes_of_second(SEED, 200) <= {cause.name for cause in TABLE.causes}


def test_an_empty_capture_is_no_fault_of_the_baseline() -> None:
    run = replace(
        run_of(family_named("nothing odd"), 0, SEED),
        recorded=Recorded(capture=Capture(), directions=(Direction.TO_UNIT,)),
    )
    assert verdict_of(run).named == ()


def test_nothing_is_what_is_right_where_nothing_is_wrong() -> None:
    run = run_of(family_named("nothing odd"), 0, SEED)
    assert run.accepted == {NOTHING}


def test_the_words_for_how_sure_it_is_are_worth_what_was_measured() -> None:
    words = scored(Part.SINGLE, 500).words
    for word in Confidence:
        right, wrong = words[str(word), True], words[str(word), False]
        if right + wrong >= 50:
            assert 100 * right / (right + wrong) >= MEASURED[word].per_cent - 5
