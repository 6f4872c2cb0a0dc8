"""What must not be called right: memory that no test reached, words wrong once, a unit changed.

The gear is made up, of no real unit.  That each word is written and read in both passes, and that a
word that was wrong once is a fault, is what the report claims.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from dryload.emulator.unit.profile import load_profile
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.prove.proof import Proof, ProofRequest, Verdict
from dryload.harness.prove.tested import TestedUnit
from dryload.harness.report.prove import lines_of, not_tested
from tests.foreign import wire
from tests.foreign.habits import Habits
from tests.foreign.player import Player
from tests.foreign.unit import Held
from tests.prove.odd_gear import WORDS, Headed, Odd, plain
from tests.prove.plain_memory import Array
from tests.prove.stopped_bench import LateGear
from tests.prove.test_resume import CutError, CutUnit, go, unit_with
from tests.prove.test_ways import proved

# Memory and bits that no test reaches.


class Narrow(Odd):
    """Takes words of 12 and of 14 bits, and keeps 14, of which the lowest is dead."""

    def __init__(self) -> None:
        super().__init__(habits=Habits(bits=14))

    def _take_header(self, raw: bytes, now_s: float) -> None:
        head = wire.head_of(raw)
        assert head is not None
        if head.bits in (12, 14):
            super()._take_header(raw, now_s)
        else:
            self.player = self._head = None
            self._answer(wire.CANCEL, 0, now_s)

    def _keep(self, head: wire.Head) -> None:
        if head.bits == 14:
            self._words = [word & ~1 for word in self._words]
        super()._keep(head)


def test_all_bits_that_a_unit_of_odd_width_keeps_are_tested() -> None:
    got = proved(Narrow())

    assert got.kept_bits == 14
    assert got.verdict is not Verdict.PROVED


def test_it_is_said_how_many_bits_were_tested() -> None:
    said = "\n".join(lines_of(proved(Odd(habits=Habits(bits=14)))))

    assert f"{WORDS:,} words of 14 bits, each written and read twice" in said


def test_words_that_no_test_sample_reached_stand_beside_those_that_were_right() -> None:
    said = "\n".join(lines_of(proved(Odd(), ProofRequest(words=WORDS + 200))))

    assert f"  {WORDS:,} of {WORDS + 200:,} words of 16 bits, each written and read twice" in said


class InHoles(Odd):
    """Has room in two places; no sample lies in both."""

    holes = ((0, 2_600), (2_700, WORDS))

    def _hole(self, length: int) -> int | None:
        for first, end in self.holes:
            at = first
            for start, count in sorted(self.places.values()):
                if first <= start < end:
                    if start - at >= length:
                        break
                    at = start + count
            if at + length <= end:
                return at
        return None


def test_memory_in_two_places_is_tested_in_both() -> None:
    gear = InHoles()
    assert proved(gear).words == WORDS - 100

    gear = InHoles()
    gear.memory.carry = lambda bank, at, value, writing: np.where(
        (bank == 1) & (at > WORDS // 2 - 50), 0, value
    )
    assert proved(gear).verdict is Verdict.FAULT


def test_a_memory_of_which_much_stays_free_is_not_proved() -> None:
    plain = load_profile("lantern-desk")
    memory = replace(
        plain.memory, bank_words=WORDS, fitted=(1,), block_words=WORDS // 8, contiguous=False
    )
    whole = replace(plain, memory=memory, slots=replace(plain.slots, replace="when whole"))
    rehearsal = Rehearsal(whole)
    got = Proof(TestedUnit(rehearsal, rehearsal.line, device_id=0), ProofRequest()).run()

    assert got.keeps_old
    assert got.words <= 0.9 * WORDS
    assert got.verdict is Verdict.NOT_PROVED
    assert "that it said there is room for" in got.why


class Cancelling(LateGear):
    """Says nothing of its room, and cancels once though there is some."""

    _seen = 0

    def _store(self, raw: bytes, head: wire.Head, at_s: float) -> None:
        self._seen += 1
        if self._seen == 30:
            self._head = None
            self._answer(wire.CANCEL, raw[4], at_s)
        else:
            super()._store(raw, head, at_s)


def test_a_unit_whose_numbers_end_before_it_is_full_is_not_proved() -> None:
    gear = Cancelling(plain(1 << 15))
    got = proved(gear)

    assert got.words < gear.capacity - 1_000
    assert got.verdict is Verdict.NOT_PROVED
    assert "no more sample numbers" in got.why


# Words that were wrong once.


class WrongOnce(Headed):
    """Says 0 for every number, and sends one word wrong in one reading."""

    def __init__(self, when: int) -> None:
        super().__init__(lambda head: head._replace(sample=0))
        self.when, self.asked = when, 0

    def _take_request(self, raw: bytes, now_s: float) -> None:
        super()._take_request(raw, now_s)
        self.asked += 1
        number = wire.number(raw[4:6])
        if number in self.held and self.asked == self.when:
            head, words = self.held[number]
            words = [*words[:-1], words[-1] ^ 1]
            self.player = Player(wire.header(head, 0), wire.packets(words, head.bits, 0))
            self.player.start(now_s)


def test_a_word_that_was_wrong_in_one_reading_is_a_fault_whatever_number_the_unit_says() -> None:
    plain = WrongOnce(0)
    assert proved(plain).verdict is Verdict.PROVED
    for when in (plain.asked - 2, plain.asked):  # the last readings of the second pass
        gear = WrongOnce(when)
        assert proved(gear).verdict is Verdict.FAULT


def spoils_one(unit: CutUnit, word: int, *, once: bool) -> None:
    seen: list[int] = []

    def ages(first: int, words: Array, lain_s: float) -> Array:
        if first <= word < first + len(words) and not (once and seen):
            seen.append(word)
            words = words.copy()
            words[word - first] ^= 1
        return words

    unit.ages = ages


def test_a_word_that_was_wrong_before_a_stop_is_not_forgotten(tmp_path: Path) -> None:
    unit, path = unit_with("nothing"), tmp_path / "cut"
    spoils_one(unit, 300, once=True)
    unit.left = 20
    with pytest.raises(CutError):
        go(unit, path, resume=False)
    unit.left = 1 << 30
    got = go(unit, path, resume=True)

    assert got.began_anew == ""
    assert [each.kind for each in got.faults] == ["noise"]
    assert got.faults[0].examples == (300,)


# Battery.


class Forgetful(Odd):
    """Has samples of its own under the first numbers when it was switched off."""

    def switched_off(self, off_ns: int) -> bool:
        for number in (0, 1):
            head = wire.Head(sample=number, bits=16, period_ns=22_676, length=45)
            self.held[number], self.places[number] = Held(head, [0] * 45), (0, 45)
        return True


def test_a_unit_that_has_samples_of_its_own_after_it_was_off_has_lost_the_others() -> None:
    gear = Forgetful()
    got = proved(gear, ProofRequest(battery_ns=1), power=gear.switched_off)

    assert got.verdict is Verdict.FAULT
    assert got.faults[0].kind == "battery"


def test_a_stop_when_the_battery_is_read_leaves_what_was_proved_before_it() -> None:
    gear, stop = Odd(), list[int]()
    got = proved(
        gear,
        ProofRequest(battery_ns=1),
        power=lambda off_ns: not stop.append(1),  # type: ignore[func-returns-value]
        wants_stop=lambda: bool(stop),
    )

    assert (got.verdict, got.stopped) == (Verdict.NOT_PROVED, True)
    assert f"  {WORDS:,} words came back right in 2 of 2 passes." in lines_of(got)


# Going on.


def stopped_in_second_pass(path: Path, unit: CutUnit | None = None) -> CutUnit:
    """A proof that ends when some samples of the second pass are written."""
    unit = unit or unit_with("nothing")
    unit.left = 0
    for left in range(30, 200):
        path.unlink(missing_ok=True)
        unit = unit_with("nothing")
        unit.left = left
        with pytest.raises(CutError):
            go(unit, path, resume=False)
        if '"pass": 2' in path.read_text():
            break
    unit.left = 1 << 30
    return unit


def test_a_sample_that_was_changed_meanwhile_is_noticed(tmp_path: Path) -> None:
    unit = stopped_in_second_pass(path := tmp_path / "cut")
    last = max(unit.first)
    unit.memory.write(unit.first[last], np.zeros(unit.count[last], np.int64))
    got = go(unit, path, resume=True)

    assert f"test sample {last} is not as it was written" in got.began_anew
    assert got.verdict is Verdict.PROVED


def without(line: str) -> Callable[[str], str]:
    return lambda text: "".join(each for each in text.splitlines(True) if line not in each)


def test_a_record_that_lacks_a_line_does_not_make_one_pass_two(tmp_path: Path) -> None:
    unit = stopped_in_second_pass(path := tmp_path / "cut")
    path.write_text(without('"full"')(path.read_text()))
    before = unit.writes
    got = go(unit, path, resume=True)

    assert got.verdict is Verdict.PROVED
    assert unit.writes - before >= len(got.parts) - 1


def test_a_record_with_a_spoilt_line_makes_no_sense(tmp_path: Path) -> None:
    unit = stopped_in_second_pass(path := tmp_path / "cut")
    path.write_text(path.read_text().replace('{"right"', '{"rig', 1))
    with pytest.raises(Problem, match="makes no sense"):
        go(unit, path, resume=True)


def test_what_is_not_tested_is_said_also_when_it_went_on(tmp_path: Path) -> None:
    unit = stopped_in_second_pass(path := tmp_path / "cut")
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    for line in lines:
        if line.get("unit"):
            line["unit"]["told"] = True
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    got = go(unit, path, resume=True)

    assert "memory beyond the words that were given with --words" in not_tested(got)
