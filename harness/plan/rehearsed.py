"""What comes of an evening: it is rehearsed, and what was seen is written down.

Slots, places in the memory and times are not worked out, so that a replay comes to the same.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.panel import MapLine
from dryload.emulator.unit.possible import Profile
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.outcome import Transfer
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.timing import Wait
from dryload.harness.jobs.transfer import Settings
from dryload.harness.plan.change import Offer, narrower, needed, unheard
from dryload.harness.plan.evening import EveningPlan, NotPlanned, PlannedSample, Saving
from dryload.harness.plan.make import Made, PlanItem, made, probe
from dryload.harness.plan.pause import amount_of
from dryload.harness.plan.stock import make_ready

_HALVED_FROM: Final = 32_000
"""Hz from which half the rate is worth a thought (our choice)."""
_PROBES: Final = (4, 24)
"""Packets of two dumps that show what a packet takes."""


class Bench(Struct, frozen=True, kw_only=True):
    """For which unit is planned, how it is before the first sample, and how samples are sent."""

    unit: str
    """As it was given."""
    profile: Profile
    banks: int | None = None
    holds: str | None = None
    """A backup or a memory image of what the unit has and keeps."""
    device_id: int | None = None
    """None: the unit's own."""
    settings: Settings

    def rehearsal(self) -> Rehearsal:
        """Return a rehearsal with such a unit."""
        rehearsal = Rehearsal(self.profile, settings=self.settings)
        make_ready(rehearsal.unit, banks=self.banks, holds=self.holds)
        return rehearsal

    def made(self, wanted: PlanItem) -> Made:
        """Return what is sent of a sound; a Problem where it can't be made."""
        own = self.profile.unit.device_id
        return made(wanted, self.profile, own if self.device_id is None else self.device_id)


class Chosen(Struct, frozen=True, kw_only=True):
    """What is to be sent, in this order, and what is not."""

    wanted: tuple[PlanItem, ...]
    left_out: tuple[NotPlanned, ...]
    offers: tuple[tuple[str, tuple[Offer, ...]], ...] = ()
    weight: int = 0
    bound: int = 0


def rehearsed(bench: Bench, chosen: Chosen) -> EveningPlan:
    """Return what comes of an evening."""
    run = _Run(bench)
    sent = [bench.made(each) for each in chosen.wanted]
    for each in sent:
        run.play(each.dump)
    run.rehearsal.finish()
    unit, memory = run.rehearsal.unit, run.rehearsal.unit.memory
    return EveningPlan(
        unit=bench.unit,
        profile=bench.profile,
        banks=bench.banks,
        holds=bench.holds,
        device_id=bench.device_id,
        samples=tuple(
            replace(run.sample(at, each, unit), notes=made.notes)
            for at, (each, made) in enumerate(zip(chosen.wanted, sent, strict=True))
        ),
        left_out=chosen.left_out,
        offers=chosen.offers,
        weight=chosen.weight,
        bound=chosen.bound,
        savings=tuple(_savings(bench, chosen.wanted, run.transfers)),
        spent=run.spent(bench.settings.operator_ns),
        amount=amount_of([each.dump.outgoing for each in run.transfers]),
        before=run.before,
        after=unit.panel.memory_map(),
        edges=memory.edges if memory.initialised else (0,),
        free_slots=run.free_slots,
        is_read_back=bench.settings.read_back,
        walk_ns=bench.settings.operator_ns,
        visits=run.rehearsal.visits,
        total_ns=run.rehearsal.line.now_ns,
    )


class _Run:
    """One rehearsal of an evening, and what was seen of each sample."""

    def __init__(self, bench: Bench) -> None:
        self.rehearsal: Final = bench.rehearsal()
        unit = self.rehearsal.unit
        self.before: Final[tuple[MapLine, ...]] = unit.panel.memory_map()
        self.free_slots: Final = len(free_numbers(unit))
        self.transfers: Final[list[Transfer]] = []
        self.times: Final[list[tuple[int, int]]] = []

    def play(self, dump: Dump) -> None:
        """Play a dump."""
        start_ns = self.rehearsal.line.now_ns
        self.transfers.append(self.rehearsal.play(dump))
        self.times.append((start_ns, self.rehearsal.line.now_ns))

    def sample(self, at: int, wanted: PlanItem, unit: RackUnit) -> PlannedSample:
        """Return what came of a sample."""
        transfer, (start_ns, end_ns) = self.transfers[at], self.times[at]
        held, slot, candidate = transfer.holds, transfer.slot, wanted.candidate
        held = transfer.dump.sample if held is None else held
        loudest = max(int(held.words.max(initial=0)), -int(held.words.min(initial=0)))
        told = "" if transfer.is_shown else f"{transfer.outcome}: {transfer.reason}"
        return PlannedSample(
            file=candidate.file,
            dump=candidate.dump,
            own_number=candidate.number,
            number=wanted.number,
            name=wanted.name,
            bits=held.bits,
            rate=held.rate,
            channels=held.channels,
            frames=held.frames,
            packets=len(transfer.dump.outgoing.packets),
            loop=held.sustain,
            root=candidate.sound.root,
            keys=wanted.keys,
            slot=slot,
            regions=() if slot is None else unit.slots[slot].holding.regions,
            duration_s=float(held.frames / held.rate),
            is_walk=dict(transfer.times.waits).get(Wait.PERSON, 0) > 0,
            start_ns=start_ns,
            time_ns=end_ns - start_ns,
            read_back_ns=transfer.read_back_ns,
            change=wanted.change,
            peak_db=20 * float(np.log10(loudest / (1 << (held.bits - 1)))) if loudest else None,
            remark=told.rstrip("."),
        )

    def spent(self, walk_ns: int | None) -> tuple[tuple[str, int], ...]:
        """Return where the time goes, the most first."""
        spent: Counter[str] = Counter()
        for each in self.transfers:
            spent["bytes of dumps and answers on the line"] += each.times.line_ns
            spent["reading back"] += each.read_back_ns
            for reason, ns in each.times.waits:
                spent[f"waiting for {reason}"] += ns
        walks_ns = self.rehearsal.visits * (walk_ns or 0)
        spent[f"waiting for {Wait.PERSON}"] = walks_ns
        spent["pauses"] = self.rehearsal.line.now_ns - sum(spent.values())
        return tuple((what, ns) for what, ns in spent.most_common() if ns)


def free_numbers(unit: RackUnit) -> list[int]:
    """Return the sample numbers of slots that may be filled."""
    slots = [each for each in unit.slots if each.sample is None and not each.protected]
    return [each.sample_number for each in slots]


def pace_ns(bench: Bench) -> int:
    """Return what a packet takes with this unit, reading back included."""
    words = bench.profile.words
    bits, channels = min(words.accepts, key=lambda each: abs(each - 16)), min(words.channels)
    took = []
    for packets in _PROBES:
        rehearsal = Rehearsal(bench.profile, settings=bench.settings)
        rehearsal.unit.panel.initialise(0)
        number = next(iter(free_numbers(rehearsal.unit)), 0)
        own = bench.profile.unit.device_id
        rehearsal.play(probe(packets, bits=bits, channels=channels, number=number, device_id=own))
        took.append(rehearsal.line.now_ns)
    return (took[1] - took[0]) // (_PROBES[1] - _PROBES[0])


def _savings(
    bench: Bench, wanted: Sequence[PlanItem], transfers: Sequence[Transfer]
) -> Iterable[Saving]:
    """Yield what would save time, the most first."""
    packet_ns = pace_ns(bench)
    read_ns = sum(each.read_back_ns for each in transfers)
    found = [
        Saving(what="read nothing back, and know less of what the unit holds", time_ns=read_ns)
    ]
    fewer: dict[str, int] = {}
    for each in wanted:
        sound, change = each.candidate.sound, each.change
        least = needed(sound, bench.profile.words)
        for way in narrower(least, bench.profile.words)[:1]:
            if change.bits in (None, least.shape.bits):
                noise = f"noise {way.shape.noise_db:.0f} dB below full scale"
                what = f"send words of {way.shape.bits} bits: {noise}"
                fewer[what] = fewer.get(what, 0) + least.shape.packets - way.shape.packets
        if sound.rate >= _HALVED_FROM and change.rate is None:
            what = "send sounds of 32,000 Hz and more at half their rate, so up to half as high"
            fewer[what] = fewer.get(what, 0) + least.shape.packets // 2
        if change.length is None and (end := unheard(sound)):
            shape = replace(least.shape, frames=least.shape.frames - end)
            what = "cut silence at the end, and what lies behind a loop"
            fewer[what] = fewer.get(what, 0) + least.shape.packets - shape.packets
    found += [Saving(what=what, time_ns=packets * packet_ns) for what, packets in fewer.items()]
    yield from sorted((each for each in found if each.time_ns > 0), key=lambda each: -each.time_ns)
