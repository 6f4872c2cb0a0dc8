"""What must hold in every run, whatever goes wrong: each a small function with a sentence.

Each function says what it found, or "" where the rule holds or has nothing to say.  The words that
a unit should hold are worked out here, in plain numbers, and not by the unit's own code.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from emulator.dump.capture import Capture, Direction
from emulator.dump.events import EventKind
from emulator.dump.sample import Sample
from emulator.line.disturbance import AppliedFault
from emulator.line.watch import Sort
from emulator.unit.board import RackUnit
from emulator.unit.possible import Profile
from harness.faults.asked import Disturbances
from harness.faults.catalogue import Fault
from harness.jobs.outcome import Outcome, Transfer

Numbers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """One run, with everything that the rules look at."""

    profile: Profile
    asked: Disturbances
    unit: RackUnit
    transfer: Transfer
    struck: Sequence[AppliedFault]
    before: Mapping[int, Sample]
    """What the slots held before it."""
    capture: Capture
    digest: str
    """Of every byte that passed, with its time."""
    again: str | None
    """The same of a second run; None where there was none."""
    overran: str
    """What bound the run went over, "" where it ended by itself."""
    took_ns: int
    """Virtual time, reading back and people at the panel counted in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Invariant:
    """A rule."""

    name: str
    sentence: str
    found: Callable[[Run], str]


def ends(run: Run) -> str:
    """Find a run that would not end."""
    return run.overran


def repeats(run: Run) -> str:
    """Find a second run that was another one."""
    if run.again is None or run.again == run.digest:
        return ""
    return f"SHA-256 {run.digest[:16]} the first time and {run.again[:16]} the second time"


def acknowledged_is_right(run: Run) -> str:
    """Find a dump that was acknowledged, could be trusted, and is not what the unit holds.

    Trusted is what a unit told of: it checks sums, answers under its own packets' numbers or one
    ahead, and what strikes a packet changes its sum, its length or nothing.  Two flips in one
    packet may cancel, and of the last packet a unit says nothing that never answers it.
    """
    if not _can_be_trusted(run):
        return ""
    slot = run.unit.slots.addressed(run.transfer.dump.header.sample_number)
    held = None if slot is None else slot.sample
    if held is None:
        return "every packet was acknowledged, and the slot holds nothing"
    wanted = expected(run.transfer.dump.sample, held.bits, run.profile.words.others)
    got = held.words.astype(np.int64)
    if run.profile.habits.filler == "keep":
        got = got[: len(wanted)]
    return _difference(wanted, got)


def others_stay(run: Run) -> str:
    """Find a slot that changed and was not the one."""
    if any(_may_change_others(run, each) for each in run.struck):
        return ""
    number = run.transfer.dump.header.sample_number
    for slot in run.unit.slots:
        before, now = run.before.get(slot.number), slot.sample
        if before is now or slot.sample_number == number:
            continue  # what it holds is never changed, only replaced
        if _said_of(before) != _said_of(now):
            gone = "is gone" if now is None else "is another" if before else "is new"
            return f"the sample in slot {slot.number} {gone}"
    return ""


def memory_adds_up(run: Run) -> str:
    """Find words that belong to nobody or to two."""
    memory = run.unit.memory
    if memory.total_free + memory.used != memory.capacity:
        return f"{memory.total_free} free + {memory.used} held are not {memory.capacity} words"
    regions = sorted(region for slot in run.unit.slots for region in slot.holding.regions)
    for one, other in pairwise(regions):
        if one.end > other.start:
            return f"word {other.start} belongs to two samples"
    held = sum(region.words for region in regions)
    if held != memory.used and not run.unit.is_receiving:
        return f"{memory.used} words are taken, and the slots hold {held}"
    at = 0
    for stretch in memory.stretches():
        if stretch.region.start != at:
            return f"the map has a gap or an overlap at word {min(at, stretch.region.start)}"
        at = stretch.region.end
    short = [s.number for s in run.unit.slots if s.sample and len(s.sample.words) > s.holding.words]
    return f"slot {short[0]} holds more words than it has taken" if short else ""


def success_is_success(run: Run) -> str:
    """Find a success that is none."""
    transfer = run.transfer
    if not (transfer.verified or transfer.outcome is Outcome.LOADED):
        return ""
    slot = run.unit.slots.addressed(transfer.dump.header.sample_number)
    held = None if slot is None else slot.sample
    if held is None:
        return "" if _power_failed(run) else "it was called loaded, and the slot holds nothing"
    wanted = expected(transfer.dump.sample, held.bits, run.profile.words.others)
    return _difference(wanted, held.words.astype(np.int64))


INVARIANTS: Final[tuple[Invariant, ...]] = (
    Invariant(name="ends", sentence="Every run ends, in bounded virtual time.", found=ends),
    Invariant(
        name="repeats",
        sentence="The same seed gives the same bytes at the same times.",
        found=repeats,
    ),
    Invariant(
        name="acknowledged is right",
        sentence="Where every packet is acknowledged, header and replies pass undisturbed and "
        "nothing happens that no checksum sees, the unit holds the words that were sent.",
        found=acknowledged_is_right,
    ),
    Invariant(
        name="others stay",
        sentence="No slot changes but the one that is sent to.",
        found=others_stay,
    ),
    Invariant(
        name="memory adds up",
        sentence="Every word of the memory is free or belongs to one sample.",
        found=memory_adds_up,
    ),
    Invariant(
        name="success is success",
        sentence="What is reported as loaded, or was read back the same, is in the memory.",
        found=success_is_success,
    ),
)
RAISES: Final = Invariant(
    name="raises nothing",
    sentence="No dump and no disturbance raises an error.",
    found=lambda _: "",
)
"""Found where the run is made, not by looking at it."""


def expected(sent: Sample, bits: int, how: str) -> Numbers:
    """Return what a unit that stores `bits` should hold: wider with zeros, narrower cut or rounded.

    Rounded is to the nearest, halves upwards, and no further than the largest word.
    """
    words: Numbers = sent.words.astype(np.int64)
    surplus = sent.bits - bits
    if surplus <= 0:
        return words << -surplus
    if how == "round":
        nearest: Numbers = (words + (1 << (surplus - 1))) >> surplus
        rounded: Numbers = np.minimum(nearest, (1 << (bits - 1)) - 1)
        return rounded
    return words >> surplus


def _difference(wanted: Numbers, there: Numbers) -> str:
    if len(wanted) != len(there):
        return f"{len(wanted):,} words were sent, and the unit holds {len(there):,}"
    wrong = np.flatnonzero(wanted != there)
    if not len(wrong):
        return ""
    at = int(wrong[0])
    return f"word {at:,} should be {int(wanted[at])} and is {int(there[at])}"


def _can_be_trusted(run: Run) -> bool:
    """Whether all of the rule's conditions are met."""
    habits, transfer = run.profile.habits, run.transfer
    packets = len(transfer.dump.outgoing.packets)
    answered = {e.packet for e in transfer.events if e.kind is EventKind.ANSWERED}
    overran = any(e.kind is EventKind.OVERRUN for e in transfer.events)
    cancelled = any(e.kind is EventKind.CANCELLED for e in transfer.events)
    asked_of = packets if habits.final_ack else packets - 1
    return (
        habits.bad_checksum == "nak"
        and habits.repeated_packet == "acknowledge"
        and not run.profile.input.drop_every_byte
        and not overran
        and answered >= set(range(asked_of))
        and None in answered
        and not cancelled
        and all(e.fault.unit for e in run.asked.asked if e.fault.lasts)
        and all(_is_seen(run, each) for each in run.struck)
        and not _may_cancel(run)
    )


def _may_cancel(run: Run) -> bool:
    """Whether a packet was flipped in twice at once: an exclusive-or may come out right (PKT-05).

    With anything else beside a flip the length is wrong or a status byte stands inside.
    """
    flips = Counter(each.message for each in run.struck if _is(run, each, "flip a bit"))
    return any(count > 1 for count in flips.values())


def _is_seen(run: Run, struck: AppliedFault) -> bool:
    if struck.direction is Direction.FROM_UNIT:
        return False
    last = len(run.transfer.dump.outgoing.packets) - 1
    is_answered = run.profile.habits.final_ack or struck.packet != last  # HSK-13
    is_told = struck.sort is Sort.PACKET and is_answered
    receiver = _fault(run, struck).receiver
    return receiver == "unharmed" or (is_told and receiver == "notices")


def _fault(run: Run, struck: AppliedFault) -> Fault:
    return next(each.fault for each in run.asked.asked if each.said == struck.said)


def _is(run: Run, struck: AppliedFault, name: str) -> bool:
    return _fault(run, struck).name == name


def _power_failed(run: Run) -> bool:
    return any(_is(run, each, "power fails") for each in run.struck)


def _may_change_others(run: Run, struck: AppliedFault) -> bool:
    """Whether it can make a sound message for another sample, or empties a memory."""
    fault = _fault(run, struck)
    if fault.name == "power fails":
        return not run.profile.memory.battery
    whole = struck.direction is Direction.FROM_UNIT or struck.sort is Sort.PACKET
    return not whole and (not fault.receiver or fault.name == "flip a bit")


def _said_of(sample: Sample | None) -> object:
    if sample is None:
        return None
    said = (sample.bits, sample.rate, sample.channels, sample.sustain, sample.loops, sample.name)
    return (sample.words.tobytes(), *said)
