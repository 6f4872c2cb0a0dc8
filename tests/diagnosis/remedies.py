"""Whether the remedy works: a run is diagnosed, what the cause asks for is done, it is run again.

Theory of operation.  Nothing but the name of the first cause decides what is done, so a wrong
diagnosis mends the wrong thing and the run fails again.  Each remedy touches one part of the
bench: the way there, the way back, the unit, the sender, the dump or its address.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

from emulator.dump.capture import Direction
from emulator.line import effects
from emulator.line.dice import salt_of
from emulator.line.disturbance import Disturbance
from emulator.line.link import Link
from emulator.line.placement import EVERYWHERE
from emulator.line.trouble import Trouble
from harness.diagnose.cause import Where
from harness.diagnose.diagnose import diagnose
from harness.diagnose.table import TABLE
from harness.faults.asked import Asked
from harness.faults.reading import read_all
from harness.jobs.dumps import Dump
from harness.jobs.outcome import Outcome
from tests.diagnosis.families import family_named
from tests.diagnosis.family import Family
from tests.diagnosis.runs import (
    numbers_of,
    rehearsed,
    run_of,
    situation_of,
    texts_of,
    undisturbed,
)
from tests.diagnosis.situation import SHARED, Dice, Situation, dump_in, dump_of, unit_of

_LOADED: Final = (Outcome.LOADED, Outcome.CHANGED)


class Step(StrEnum):
    """What is done at the bench."""

    WAY_THERE = "another cable and interface to the unit, and nothing else on that cable"
    WAY_BACK = "another cable back, no echo, and no second unit on it"
    UNIT = "the unit put in order: on, in its receive mode, initialised, all memory fitted"
    SENDER = "a sender that keeps to the standard: dryload replay"
    DUMP = "the dump encoded again: dryload encode"
    ADDRESS = "the dump addressed to this unit: dryload replay --device-id, --number"
    FITTING = "a dump that the unit can take: another width, a standard header, a free place"


_OF_PLACE: Final[Mapping[Where, tuple[Step, ...]]] = {
    Where.WAY_THERE: (Step.WAY_THERE,),
    Where.WAY_BACK: (Step.WAY_BACK,),
    Where.UNIT: (Step.UNIT,),
    Where.SENDER: (Step.SENDER,),
    Where.FILE: (Step.DUMP,),
}
_BY_NAME: Final[Mapping[str, tuple[Step, ...]]] = {
    "nothing comes back": (Step.WAY_BACK, Step.WAY_THERE, Step.UNIT, Step.ADDRESS),
    "other device ID": (Step.ADDRESS,),
    "unit refuses the sample": (Step.FITTING, Step.UNIT),
    "extended header not known": (Step.FITTING,),
    "memory full": (Step.UNIT,),
    "stopped at the unit": (Step.UNIT,),
    "unit waits for somebody": (Step.UNIT, Step.WAY_BACK),
    "unit hears and does not answer packets": (Step.UNIT, Step.WAY_BACK, Step.WAY_THERE),
    "unit fell silent": (Step.UNIT, Step.WAY_BACK, Step.WAY_THERE),
    "unit stores other words": (Step.UNIT, Step.WAY_THERE),
    "unit rejects good packets": (Step.WAY_THERE, Step.UNIT),
    "answers lost on the way back": (Step.WAY_BACK, Step.UNIT),
    "exclusive messages filtered out": (Step.WAY_THERE, Step.WAY_BACK),
    "messages come back": (Step.WAY_BACK,),
    "real-time bytes taken for data": (Step.WAY_THERE,),
    "reset on the cable": (Step.WAY_THERE, Step.UNIT),
    "device ID rewritten on the way": (Step.WAY_THERE, Step.DUMP),
    "packets missing in the dump": (Step.DUMP, Step.WAY_THERE),
    "sender gave up": (Step.SENDER, Step.DUMP, Step.WAY_THERE, Step.WAY_BACK),
    "disturbed while waiting": (Step.WAY_BACK, Step.UNIT),
    "unit rejects one packet for ever": (Step.UNIT, Step.DUMP),
    "packet for another device in the dump": (Step.DUMP,),
}
"""What is done in turn, as the remedies of a cause say it."""


def steps_of(cause: str) -> tuple[Step, ...]:
    """Return what is done against a cause; nothing where no script can."""
    return _BY_NAME.get(cause) or _OF_PLACE.get(TABLE.named(cause).where, ())


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What a run is made of."""

    situation: Situation
    texts: tuple[str, ...]
    dump: Dump

    def after(self, *steps: Step) -> "Bench":
        """Return the bench after what was done to it."""
        situation, texts, dump = self.situation, self.texts, self.dump
        for step in steps:
            situation = _mended(situation, step)
            texts = tuple(text for text in texts if not _is_mended(read_all([text]).asked, step))
            if step in (Step.DUMP, Step.ADDRESS, Step.FITTING):
                dump = dump_of(situation)
        return Bench(situation=situation, texts=texts, dump=dump)

    def is_loaded(self) -> bool:
        """Whether the dump comes to what it comes to where nothing is wrong, or better."""
        done = rehearsed(self.situation, self.texts, self.dump)
        right = undisturbed(self.situation)
        if right.came_to[0] not in _LOADED:
            return done.came_to[0] in _LOADED
        return done.came_to[:2] in (right.came_to[:2], (right.came_to[0], None))


def _mended(situation: Situation, step: Step) -> Situation:
    profile = unit_of(situation.profile)
    match step:
        case Step.SENDER:
            return replace(situation, stays="again", wrong_ack=False, ends=False)
        case Step.ADDRESS:
            return replace(situation, device_id=profile.unit.device_id)
        case Step.FITTING:
            first, taken = profile.slots.first_number, profile.slots.protected
            free = next(slot for slot in range(profile.slots.count) if slot + 1 not in taken)
            return replace(
                situation,
                bits=profile.words.accepts[0],
                number=first + free,
                header="auto",
                channels=profile.words.channels[0],
            )
    return situation


def _is_mended(asked: tuple[Asked, ...], step: Step) -> bool:
    """Whether a remedy takes a disturbance away."""
    return all(step in _steps_against(each) for each in asked)


def _steps_against(asked: Asked) -> frozenset[Step]:
    match asked.means:
        case Trouble():
            return frozenset({Step.UNIT})
        case Link() | Disturbance(effect=effects.echo):
            return frozenset({Step.WAY_THERE, Step.WAY_BACK})
        case Disturbance(effect=effects.retell):
            return frozenset({Step.WAY_BACK, Step.UNIT})  # no byte says who changed an answer
        case Disturbance(where=where):
            both = where.directions == EVERYWHERE
            there = both or Direction.TO_UNIT in where.directions
            back = both or Direction.FROM_UNIT in where.directions
            return frozenset(
                {*([Step.WAY_THERE] if there else []), *([Step.WAY_BACK] if back else [])}
            )
    if asked.fault.sender:
        return frozenset({Step.SENDER})
    return frozenset({Step.UNIT, Step.FITTING})


@dataclass(slots=True)
class Remedied:
    """What remedies came to."""

    tried: Counter[str] = field(default_factory=Counter)
    """By cause: runs that had failed, and in which it came first."""
    worked: Counter[str] = field(default_factory=Counter)
    """Those of them that loaded when what the first cause asks for was done."""
    later: int = 0
    """And when what the next two ask for was done as well."""
    unscripted: Counter[str] = field(default_factory=Counter)
    """Causes with no script, or none at all."""
    well: int = 0
    """Runs that loaded all the same, so that there is nothing to mend."""

    @property
    def runs(self) -> int:
        """All of them."""
        return self.well + self.tried.total() + self.unscripted.total()

    def merge(self, other: "Remedied") -> None:
        """Add another count to this one."""
        self.tried += other.tried
        self.worked += other.worked
        self.unscripted += other.unscripted
        self.well += other.well
        self.later += other.later

    def lines(self) -> Iterator[str]:
        """Yield what is printed."""
        tried, worked = self.tried.total(), self.worked.total()
        yield f"  {self.well:,} of {self.runs:,} loaded all the same"
        yield (
            f"  {worked:,} of {tried:,} that had failed loaded after the remedy of the first "
            f"cause ({_share(worked, tried)})"
        )
        in_the_end = worked + self.later
        share = _share(in_the_end, tried)
        yield f"  {in_the_end:,} after those of the first three ({share})"
        for cause, count in sorted(self.tried.items()):
            if (good := self.worked[cause]) < count:
                yield f"    {good:6,} of {count:6,}  {cause}"
        for cause, count in self.unscripted.most_common():
            yield f"    {count:6,} without a script: {cause}"


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.2f} %" if whole else "none"


def remedied_in(chunk: tuple[str, range, int]) -> tuple[Remedied, list[str]]:
    """Diagnose and mend some runs of a family; also tell of those that failed again."""
    name, numbers, seed = chunk
    family, tally, missed = family_named(name), Remedied(), list[str]()
    for number in numbers:
        bench = bench_of(family, number, seed)
        if bench is None:
            continue
        if bench.is_loaded():
            tally.well += 1
            continue
        run = run_of(family, number, seed)
        found = [each.name for each in diagnose(run.recorded, run.sources).causes[:3]]
        first = found[0] if found else "(nothing)"
        if not found or not steps_of(first):
            tally.unscripted[first] += 1
            continue
        tally.tried[first] += 1
        after = bench.after(*steps_of(first))
        if after.is_loaded():
            tally.worked[first] += 1
            continue
        missed.append(f'remedies --only "{family.name}" --run {number}: {", ".join(found)}')
        for other in found[1:]:
            after = after.after(*steps_of(other))
        tally.later += after.is_loaded()
    return tally, missed


def bench_of(family: Family, number: int, seed: int) -> Bench | None:
    """Return what a run is made of; None for one that nobody can play."""
    if family.script is not None:
        return None
    salt = salt_of(family.name)
    dice = Dice(seed, salt, number, 2)
    situation, _ = situation_of(family, Dice(seed, salt, number // SHARED, 1))
    if family.file is None:
        texts = texts_of(family, numbers_of(family, situation, dice))
        return Bench(situation=situation, texts=texts, dump=dump_of(situation))
    dump = dump_in(family.file(dice, situation).data)
    return None if dump is None else Bench(situation=situation, texts=(), dump=dump)
