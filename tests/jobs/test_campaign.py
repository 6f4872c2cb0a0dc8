"""Campaigns: the same case from its number anywhere, and rules that catch what they are for."""

from __future__ import annotations

import gc
import multiprocessing
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import whole_sequence
from dryload.emulator.dump.sample import same_samples
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.profile import profile_names
from dryload.harness.faults.catalogue import faults
from dryload.harness.faults.reading import read_all
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.jobs.campaign import run_campaign
from dryload.harness.jobs.campaign_case import CampaignPlan, case_of, dump_of
from dryload.harness.jobs.campaign_run import result_of, run_of
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.invariants import INVARIANTS, Invariant, Run, expected
from dryload.harness.jobs.playlist import judged_contents
from dryload.harness.judge.finding import Verdict

PLAN = CampaignPlan(seed=5, profiles=("lantern-desk",))
FOUND = {rule.name: rule.found for rule in INVARIANTS}


class Here(Executor):
    """An executor that does everything at once, in this thread."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def quiet() -> Run:
    """A run in which nothing goes wrong and the unit takes everything."""
    for number in range(200):
        case = case_of(PLAN, number)
        run = run_of(case, twice=True) if not case.disturbances else None
        if run is not None and run.transfer.verified and len(run.before) > 1:
            return run
    raise AssertionError("there is no such run")


def target(run: Run) -> int:
    slot = run.unit.slots.addressed(run.transfer.dump.header.sample_number)
    assert slot is not None
    return slot.number


def spoil(run: Run, slot: int) -> None:
    """Let a slot hold another word than it should."""
    sample = run.unit.slots[slot].sample
    assert sample is not None
    words = sample.words.copy()
    words[0] ^= 1
    run.unit.slots[slot].written = replace(sample, words=words)


def names(run: Run) -> list[str]:
    return [rule.name for rule in INVARIANTS if rule.found(run)]


def test_the_control_breaks_no_rule() -> None:
    assert names(quiet()) == []


def test_a_run_over_its_bounds_is_found() -> None:
    assert names(replace(quiet(), overran="it was not over")) == ["ends"]


def test_other_bytes_the_second_time_are_found() -> None:
    assert names(replace(quiet(), again="0" * 64)) == ["repeats"]


def test_an_altered_word_is_found_twice_over() -> None:
    run = quiet()
    spoil(run, target(run))
    assert names(run) == ["acknowledged is right", "success is success"]


def test_an_empty_slot_is_found() -> None:
    run = quiet()
    run.unit.memory.free(run.unit.slots[target(run)].clear())
    assert names(run) == ["acknowledged is right", "success is success"]


def test_another_slot_that_changed_is_found() -> None:
    run = quiet()
    spoil(run, next(slot for slot in run.before if slot != target(run)))
    assert names(run) == ["others stay"]


def test_words_that_belong_to_nobody_are_found() -> None:
    run = quiet()
    run.unit.slots[target(run)].holding = replace(run.unit.slots[target(run)].holding, regions=())
    assert names(run) == ["memory adds up"]
    run = quiet()
    run.unit.memory._taken.add(Region(run.unit.memory.capacity, 5))
    assert names(run) == ["memory adds up"]


def test_nothing_is_said_of_a_dump_that_no_checksum_could_save() -> None:
    for text in ("swap two bytes in packet 0", "flip two bits of a column in packet 0"):
        plan = replace(PLAN, disturbances=(text,))
        for number in range(4):
            assert result_of(plan, number).broken == ()  # PKT-05


@pytest.mark.parametrize(("bits", "how"), [(8, "cut"), (8, "round"), (16, "cut"), (20, "round")])
def test_widths_are_those_of_plain_integers(bits: int, how: str) -> None:
    sample = dump_of(case_of(PLAN, 3)).sample
    shift = sample.bits - bits
    for sent, got in zip(sample.words.tolist(), expected(sample, bits, how).tolist(), strict=True):
        value = sent / 2**shift
        if shift > 0 and how == "round":
            assert abs(got - value) <= 0.5 or got == 2 ** (bits - 1) - 1
        else:
            assert got == np.floor(value)


def read(data: bytes) -> Dump:
    (found,) = judged_contents(DumpFile(name="it.syx", form=Form.RAW, data=data))
    assert isinstance(found, Dump)
    return found


def verdicts(dump: Dump) -> set[Verdict]:
    return {finding.verdict for finding in dump.findings}


def test_a_dump_is_what_a_file_with_it_would_give() -> None:
    for number in range(150):
        dump = dump_of(case_of(CampaignPlan(seed=4), number))
        made = dump.outgoing
        data = b"".join(whole_sequence(made))
        found = read(data)
        assert (found.index, found.header) == (dump.index, dump.header)
        assert list(found.outgoing.packets) == list(made.packets)
        assert (found.outgoing.header, found.outgoing.after) == (made.header, made.after)
        assert made.fallback is None  # it is sent as it is, whatever is answered
        assert same_samples(found.sample, dump.sample)
        assert Verdict.BROKEN not in verdicts(found)
        at = len(made.header) + 125  # the checksum of packet 0 (M1 p. 37)
        spoilt = data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]
        assert Verdict.BROKEN in verdicts(read(spoilt))


def test_an_error_is_a_broken_rule_and_not_the_end() -> None:
    def fails(run: Run) -> str:
        raise KeyError("desk")

    rule = Invariant("fails", "It fails.", fails)
    result = result_of(PLAN, 0, invariants=(rule,))
    assert [broken.name for broken in result.broken] == ["raises nothing"]
    assert "KeyError in fails" in result.reason


def test_cases_are_the_same_in_every_process_and_every_order() -> None:
    plan = CampaignPlan(seed=9)
    here = run_campaign(plan, range(30), Here())
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        there = run_campaign(plan, range(29, -1, -1), pool)
    assert here.results is not None
    assert there.results == here.results
    assert (there.digest, there.stopped) == (here.digest, False)
    assert {result.case.profile for result in here.results} == set(profile_names())
    assert run_campaign(CampaignPlan(seed=10), range(30), Here()).digest != here.digest


def test_a_wish_to_stop_ends_it_and_keeps_what_was_done() -> None:
    told: list[int] = []
    done = run_campaign(
        PLAN, range(1000), Here(), progress=told.append, wants_stop=lambda: bool(told), ahead=1
    )
    assert (done.stopped, done.runs, told) == (True, 25, [25])


def test_every_pattern_of_the_menu_is_understood() -> None:
    for pattern in (each for fault in faults() for each in fault.campaign):
        read_all([pattern.format(p=1, o="3rd", n=4, ms=25, s=7)])


def test_asked_disturbances_stand_in_every_case_with_seeds_of_their_own() -> None:
    plan = replace(PLAN, disturbances=("flip a bit in packets with chance 1 in 3",))
    said = [case_of(plan, number).disturbances[0] for number in range(20)]
    assert all(each.startswith(plan.disturbances[0]) for each in said)
    assert len(set(said)) > 10


@pytest.mark.parametrize("is_on", [True, False])
def test_a_run_leaves_no_unit_behind_and_collecting_is_as_before(is_on: bool) -> None:
    gc.collect()
    before = sum(isinstance(each, RackUnit) for each in gc.get_objects())
    (gc.enable if is_on else gc.disable)()
    try:
        assert run_campaign(PLAN, range(3), Here()).runs == 3
        assert gc.isenabled() == is_on
        gc.disable()
        assert sum(isinstance(each, RackUnit) for each in gc.get_objects()) == before
    finally:
        gc.enable()
