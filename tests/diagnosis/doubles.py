"""Runs with two faults of different families at once, both to be seen.

That a fault is to be seen is decided by leaving it out: the capture must then be another one.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import count
from typing import Final

from emulator.line.dice import salt_of
from harness.diagnose.diagnose import Diagnosis, diagnose
from harness.diagnose.scene import Source
from harness.faults.reading import NotUnderstood
from harness.jobs.dumps import source_of
from tests.diagnosis.alike import NOTHING, Alike
from tests.diagnosis.families import SINGLE
from tests.diagnosis.family import Family, Shown
from tests.diagnosis.runs import (
    class_of,
    numbers_of,
    rehearsed,
    seen_in,
    situation_of,
    texts_of,
    undisturbed,
)
from tests.diagnosis.scoring import wilson
from tests.diagnosis.situation import Dice, dump_of
from tests.diagnosis.truth import is_visible, packets_answered

_ALONE: Final = ("wrong_ack", "other_device", "protected", "bits", "stereo")
"""What makes a family no partner: its fault lies in how everything is set up."""
_LASTING: Final = ("habit", "link", "no spacing", "memory", "buffer", "acknowledge")
"""How words begin that strike no message in particular."""
PARTNERS: Final = tuple(
    each
    for each in SINGLE
    if each.words and not each.needs_harm and not any(getattr(each, name) for name in _ALONE)
)


@dataclass(slots=True)
class Doubles:
    """What runs with two faults came to."""

    runs: int = 0
    hidden: int = 0
    """Draws in which one of the two was not to be seen, or was open; they are not counted."""
    first: int = 0
    """One of the two is named first."""
    among: int = 0
    """One of the two is among the first three."""
    both: int = 0
    """Both are."""

    def merge(self, other: "Doubles") -> None:
        """Add another count to this one."""
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))

    @property
    def done(self) -> int:
        """All draws."""
        return self.runs + self.hidden

    def lines(self) -> Iterator[str]:
        """Yield what is printed."""
        for text, right in (
            ("one of the two is named first", self.first),
            ("one of the two is among the first three", self.among),
            ("both are among the first three", self.both),
        ):
            low, high = wilson(right, self.runs)
            share = right / self.runs if self.runs else 0
            yield f"  {share:7.2%}  [{low:.2%} to {high:.2%}]  {text}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Double:
    """A run with two faults."""

    accepted: tuple[frozenset[str], frozenset[str]]
    told: str
    diagnosis: Diagnosis


def double_of(number: int, seed: int) -> Double | None:
    """Return the run of a number; None where not both faults are to be seen."""
    for turn in count():
        dice = Dice(seed, salt_of("double"), number, turn)
        one, other = dice.one_of(PARTNERS, "one"), dice.one_of(PARTNERS, "other")
        both = _together(one, other)
        if both is not None:
            return _double(both, one, other, dice)
    return None


def _together(one: Family, other: Family) -> Family | None:
    """Return the conditions of both families; None where no run can have both."""
    profiles = tuple(name for name in one.profiles if name in other.profiles)
    views = tuple(view for view in one.views if view in other.views)
    packets = range(
        max(one.packets.start, other.packets.start), min(one.packets.stop, other.packets.stop)
    )
    fixed = {}
    for name in ("read_back", "source", "stays", "full"):
        mine, theirs = getattr(one, name), getattr(other, name)
        if None not in (mine, theirs) and mine != theirs:
            return None
        fixed[name] = theirs if mine is None else mine
    if one.name == other.name or not (profiles and views and packets):
        return None
    return replace(one, profiles=profiles, views=views, packets=packets, **fixed)


def _double(both: Family, one: Family, other: Family, dice: Dice) -> Double | None:
    situation, view = situation_of(both, dice)
    texts = [
        texts_of(each, numbers_of(each, situation, Dice(dice.below(1 << 30, each.name))))
        for each in (one, other)
    ]
    dump = dump_of(situation)
    try:
        done = rehearsed(situation, (*texts[0], *texts[1]), dump)
        alone = [rehearsed(situation, each, dump) for each in texts]
    except (NotUnderstood, ValueError):  # two links, or two habits that exclude each other
        return None
    shown = seen_in(view, done.capture)
    bases = (*alone, undisturbed(situation))
    if not all(is_visible(shown, seen_in(view, each.capture)) for each in bases):
        return None
    with_source = bool(both.source) or dice.below(3, "source") == 0
    seen = Shown(
        situation,
        view,
        with_source,
        done.struck,
        {"every": 1 << 20},
        answered=packets_answered(done.capture),
        harmed=True,
    )
    classes = [
        _class_in(family, mine, seen) for family, mine in zip((one, other), texts, strict=True)
    ]
    if any(each is None or NOTHING in each.causes for each in classes):
        return None
    sources: tuple[Source, ...] = (source_of(dump),) if with_source else ()
    accepted = tuple(each.causes for each in classes if each is not None)
    return Double(
        accepted=(accepted[0], accepted[1]),
        told=f"{texts} {situation} {view}",
        diagnosis=diagnose(shown, sources),
    )


def _class_in(family: Family, texts: tuple[str, ...], both: Shown) -> Alike | None:
    """Return the class of one of two faults; None where it did nothing."""
    struck = tuple(each for each in both.struck if each.said in texts)
    if not struck and not texts[0].startswith(_LASTING):
        return None
    return class_of(family, replace(both, struck=struck))


def doubles_of(numbers: range, seed: int) -> tuple[Doubles, list[str]]:
    """Run some and count them; also tell of those in which neither is among the first three."""
    tally, missed = Doubles(), []
    for number in numbers:
        run = double_of(number, seed)
        if run is None:
            tally.hidden += 1
            continue
        named = [each.name for each in run.diagnosis.causes][:3]
        right = [bool(set(named) & each) for each in run.accepted]
        tally.runs += 1
        tally.first += bool(named) and any(named[0] in each for each in run.accepted)
        tally.among += any(right)
        tally.both += all(right)
        if not any(right):
            missed.append(f"double --run {number}: named {named}; {run.told}")
    return tally, missed
