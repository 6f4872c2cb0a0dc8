"""What must hold in every run, whatever goes wrong: each a small function with a sentence.

Each function says what it found, or "" where the rule holds or has nothing to say.  The words that
a unit should hold are worked out here, in plain numbers, and not by the unit's own code.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.sample import Sample, same_samples
from dryload.emulator.line.disturbance import AppliedFault
from dryload.emulator.line.watch import Sort
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.possible import Profile
from dryload.harness.faults.asked import Disturbances
from dryload.harness.faults.catalogue import Fault
from dryload.harness.jobs.outcome import Outcome, Transfer

Integers = NDArray[np.int64]


class Run(Struct, frozen=True, kw_only=True, eq=False):
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


class Invariant(NamedTuple):
    """A rule."""

    name: str
    sentence: str
    found: Callable[[Run], str]


def acknowledged_is_right(run: Run) -> str:
    """Find a dump that was acknowledged, could be trusted, and is not what the unit holds.

    Trusted is what a unit told of: it checks sums, answers under its own packets' numbers or one
    ahead, and what strikes a packet changes its sum, its length or nothing.  Two flips in one
    packet may cancel, and of the last packet a unit says nothing that never answers it.
    """
    if not _can_be_trusted(run):
        return ""
    held = _held(run)
    if held is None:
        return "every packet was acknowledged, and the slot holds nothing"
    fills = run.profile.habits.filler == "keep"
    return _difference(run, held, most=len(run.transfer.dump.sample.words) if fills else None)


def others_stay(run: Run) -> str:
    """Find a slot that changed and was not the one."""
    if any(_may_change_others(run, each) for each in run.struck):
        return ""
    number = run.transfer.dump.header.sample_number
    for slot in run.unit.slots:
        before, now = run.before.get(slot.number), slot.sample
        if before is now or slot.sample_number == number:
            continue  # what it holds is never changed, only replaced
        if before is None or now is None or not same_samples(before, now):
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
    held = _held(run)
    if held is not None:
        return _difference(run, held)
    power_failed = any(_fault(run, each).name == "power fails" for each in run.struck)
    return "" if power_failed else "it was called loaded, and the slot holds nothing"


def _repeats(run: Run) -> str:
    if run.again is None or run.again == run.digest:
        return ""
    return f"SHA-256 {run.digest[:16]} the first time and {run.again[:16]} the second time"


INVARIANTS: Final = (
    Invariant("ends", "Every run ends, in bounded virtual time.", lambda run: run.overran),
    Invariant("repeats", "The same seed gives the same bytes at the same times.", _repeats),
    Invariant(
        "acknowledged is right",
        "Where every packet is acknowledged, header and replies pass undisturbed and nothing "
        "happens that no checksum sees, the unit holds the words that were sent.",
        acknowledged_is_right,
    ),
    Invariant("others stay", "No slot changes but the one that is sent to.", others_stay),
    Invariant(
        "memory adds up",
        "Every word of the memory is free or belongs to one sample.",
        memory_adds_up,
    ),
    Invariant(
        "success is success",
        "What is reported as loaded, or was read back the same, is in the memory.",
        success_is_success,
    ),
)
RAISES: Final = Invariant(
    "raises nothing", "No dump and no disturbance raises an error.", lambda _: ""
)
"""Found where the run is made, not by looking at it."""


def _held(run: Run) -> Sample | None:
    """Return what the slot holds that was sent to."""
    slot = run.unit.slots.addressed(run.transfer.dump.header.sample_number)
    return None if slot is None else slot.sample


def expected(sent: Sample, bits: int, how: str) -> Integers:
    """Return what a unit that stores `bits` should hold: wider with zeros, narrower cut or rounded.

    Rounded is to the nearest, halves upwards, and no further than the largest word.
    """
    words: Integers = sent.words.astype(np.int64)
    surplus = sent.bits - bits
    if surplus <= 0:
        return words << -surplus
    if how == "round":
        nearest: Integers = (words + (1 << (surplus - 1))) >> surplus
        rounded: Integers = np.minimum(nearest, (1 << (bits - 1)) - 1)
        return rounded
    return words >> surplus


def _difference(run: Run, held: Sample, most: int | None = None) -> str:
    """Say how what is held differs from what was sent; with `most` of its first words alone."""
    wanted = expected(run.transfer.dump.sample, held.bits, run.profile.words.others)
    there = held.words.astype(np.int64)[:most]
    if len(wanted) != len(there):
        return f"{len(wanted):,} words were sent, and the unit holds {len(there):,}"
    wrong = np.flatnonzero(wanted != there)
    if not len(wrong):
        return ""
    at = int(wrong[0])
    return f"word {at:,} should be {int(wanted[at])} and is {int(there[at])}"


def _can_be_trusted(run: Run) -> bool:
    """Whether all of the conditions of `acknowledged_is_right` are met."""
    habits, transfer = run.profile.habits, run.transfer
    packets = len(transfer.dump.outgoing.packets)
    answered = {e.packet for e in transfer.events if e.kind is EventKind.ANSWERED}
    kinds = {e.kind for e in transfer.events}
    flips = Counter(e.message for e in run.struck if _fault(run, e).name == "flip a bit")
    return (
        habits.bad_checksum == "nak"
        and habits.repeated_packet == "acknowledge"
        and not run.profile.input.drop_every_byte
        and kinds.isdisjoint({EventKind.OVERRUN, EventKind.CANCELLED})
        and answered >= {None, *range(packets if habits.final_ack else packets - 1)}
        and all(e.fault.unit for e in run.asked.asked if e.fault.lasts)
        and all(_is_seen(run, each) for each in run.struck)
        # An exclusive-or may come out right where a packet was flipped in twice (PKT-05); with
        # anything else beside a flip the length is wrong or a status byte stands inside.
        and all(count == 1 for count in flips.values())
    )


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


def _may_change_others(run: Run, struck: AppliedFault) -> bool:
    """Whether it can make a sound message for another sample, or empties a memory."""
    fault = _fault(run, struck)
    if fault.name == "power fails":
        return not run.profile.memory.battery
    whole = struck.direction is Direction.FROM_UNIT or struck.sort is Sort.PACKET
    return not whole and (not fault.receiver or fault.name == "flip a bit")
