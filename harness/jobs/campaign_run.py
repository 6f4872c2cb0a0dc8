"""One case rehearsed and judged: from a plan and a number to a small result."""

import traceback
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from hashlib import sha256
from typing import Final, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.dump.sample import Sample
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.memory import Holding
from dryload.harness.jobs.campaign_case import (
    CampaignPlan,
    Case,
    case_of,
    disturbances_of,
    dump_of,
    sound,
)
from dryload.harness.jobs.invariants import INVARIANTS, RAISES, Invariant, Run
from dryload.harness.jobs.outcome import Outcome
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings

LONGEST_NS: Final = 3 * 3_600_000_000_000
"""How much virtual time a run may take; the longest waits for two lots of patience."""
_MOST_STEPS: Final = 2_000_000
_TWICE_EVERY: Final = 16
_SLOTS_AHEAD: Final = 12
_NEIGHBOURS: Final = 3
_RATE: Final = Fraction(32_000)
_WAYS: Final = {direction: direction.value.encode() for direction in Direction}


class Broken(NamedTuple):
    """A rule that did not hold."""

    name: str
    sentence: str
    found: str


class CampaignResult(Struct, frozen=True, kw_only=True):
    """What one case came to."""

    case: Case
    outcome: str
    """An Outcome, or "error"."""
    verified: bool | None = None
    reason: str
    digest: str
    """SHA-256 of every byte that passed, with its time."""
    took_ns: int = 0
    """Virtual time."""
    was_twice: bool = False
    struck: int = 0
    """How often something was disturbed."""
    broken: tuple[Broken, ...]


def result_of(
    plan: CampaignPlan,
    number: int,
    *,
    twice: bool = False,
    invariants: Sequence[Invariant] = INVARIANTS,
    look: Callable[[Run], None] | None = None,
) -> CampaignResult:
    """Rehearse the case of a number and judge it; nothing raises out of it.

    `look` is shown the run before that.
    """
    case = case_of(plan, number)
    try:
        run = run_of(case, twice=twice or number % _TWICE_EVERY == 0)
        if look is not None:
            look(run)
        found = [(rule, rule.found(run)) for rule in invariants]
    except Exception as error:  # that nothing raises is one of the rules
        where = traceback.extract_tb(error.__traceback__)[-1]
        reason = f"{type(error).__name__} in {where.name}: {error}"
        return CampaignResult(
            case=case,
            outcome="error",
            reason=reason,
            digest=sha256(reason.encode()).hexdigest(),
            broken=(Broken(RAISES.name, RAISES.sentence, reason),),
        )
    return CampaignResult(
        case=case,
        outcome=str(Outcome(run.transfer.outcome)),
        verified=run.transfer.verified,
        reason=run.transfer.reason,
        digest=run.digest,
        took_ns=run.took_ns,
        was_twice=run.again is not None,
        struck=len(run.struck),
        broken=tuple(Broken(rule.name, rule.sentence, what) for rule, what in found if what),
    )


def run_of(case: Case, *, twice: bool = False) -> Run:
    """Rehearse a case, twice if wanted, and return all that can be looked at."""
    run = _rehearsed(case)
    return replace(run, again=_rehearsed(case).digest) if twice else run


def _rehearsed(case: Case) -> Run:
    asked, profile = disturbances_of(case)
    guard = _Guard()
    rehearsal = Rehearsal(
        profile,
        settings=asked.settings(Settings()),
        disturbances=asked.placed,
        link=asked.link,
        wants_stop=guard,
    )
    guard.rehearsal = rehearsal
    before = _furnish(rehearsal.unit, case)
    transfer = rehearsal.play(dump_of(case))
    rehearsal.finish()
    return Run(
        profile=profile,
        asked=asked,
        unit=rehearsal.unit,
        transfer=transfer,
        struck=rehearsal.struck,
        before=before,
        capture=rehearsal.line.capture,
        digest=_digest_of(rehearsal.line.capture),
        again=None,
        overran=guard.overran,
        took_ns=rehearsal.line.now_ns,
    )


def _digest_of(capture: Capture) -> str:
    """Return the SHA-256 of what passed: direction, time and bytes of every passage."""
    parts = [
        b"%b %d %d\n%b" % (_WAYS[direction], end_ns, len(data), data)
        for direction, end_ns, data in capture.passages
    ]
    return sha256(b"".join(parts)).hexdigest()


def _furnish(unit: RackUnit, case: Case) -> Mapping[int, Sample]:
    """Put samples into some slots before the run, the one of the dump perhaps among them."""
    if not unit.memory.initialised:
        unit.panel.initialise(0)
    profile = unit.profile
    count = min(profile.slots.count, _SLOTS_AHEAD)
    bits, channels = profile.words.accepts[0], profile.words.channels[0]
    for turn in range(_NEIGHBOURS):
        slot = unit.slots[1 + (case.number * 7 + turn * 5) % count]
        words = sound("noise", (20 + 11 * turn) * channels, bits, case.number + turn)
        if slot.sample is not None:
            continue
        holding = unit.memory.allocate(len(words))
        if isinstance(holding, Holding):
            slot.put(Sample(words=words, bits=bits, rate=_RATE, channels=channels), holding)
    return {slot.number: slot.sample for slot in unit.slots if slot.sample is not None}


class _Guard:
    """Ends a run that goes over its bounds, and says which."""

    def __init__(self) -> None:
        self.rehearsal: Rehearsal | None = None
        self.overran = ""
        self._steps = 0

    def __call__(self) -> bool:
        """Return whether the run has to be ended."""
        self._steps += 1
        if self.rehearsal is not None and self.rehearsal.line.now_ns > LONGEST_NS:
            self.overran = f"it was not over after {LONGEST_NS // 3_600_000_000_000} virtual hours"
        elif self._steps > _MOST_STEPS:
            self.overran = f"it was not over after {_MOST_STEPS:,} looks"
        return bool(self.overran)
