"""From what lies in folders to an evening: what goes into a unit, in which order, what it takes.

Theory of operation.  What the unit keeps as it is and can have together is chosen by weight
(`choose`).  The others are changed as little as will do, one after the other, for the room that is
left (`change`); what cannot be changed that far is left out.  Then the evening is rehearsed: slots,
places in the memory and times are not worked out but seen, so that a replay comes to the same.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from os.path import basename, splitext
from typing import Final, NamedTuple

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.unit.admission import plan_for
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.panel import MapLine
from dryload.emulator.unit.possible import Profile
from dryload.emulator.wire.constants import LOOP_OFF
from dryload.emulator.wire.messages import ExtendedHeader
from dryload.emulator.wire.prose import counted
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.outcome import Transfer
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.timing import Wait
from dryload.harness.jobs.transfer import Settings
from dryload.harness.plan.change import Offer, Shape, narrower, needed, smaller, unheard
from dryload.harness.plan.choose import Room, best_set, order_of, packed
from dryload.harness.plan.evening import EveningPlan, NotPlanned, PlannedSample, Saving
from dryload.harness.plan.gather import Candidate, gather
from dryload.harness.plan.keys import KeyRule, MiddleC, root_in_name, spread
from dryload.harness.plan.make import Wanted, fitting_name, made, probe
from dryload.harness.plan.pause import amount_of
from dryload.harness.plan.stock import make_ready

_HALVED_FROM: Final = 32_000
"""Hz from which half the rate is worth a thought (our choice)."""
_PROBES: Final = (4, 24)
"""Packets of two dumps that show what a packet takes."""
_ALTERNATIVES: Final = 4
"""Ways to make a sound fit that are told, the one that is taken among them."""
_FILLER: Final = 60
"""Words that a unit may keep beyond the last one, at the most (WRD-13)."""


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

    def dump(self, wanted: Wanted) -> Dump:
        """Return what is sent of a sound; a Problem where it can't be made."""
        own = self.profile.unit.device_id
        return made(wanted, device_id=own if self.device_id is None else self.device_id)


class Chosen(Struct, frozen=True, kw_only=True):
    """What is to be sent, in this order, and what is not."""

    wanted: tuple[Wanted, ...]
    left_out: tuple[NotPlanned, ...]
    offers: tuple[tuple[str, tuple[Offer, ...]], ...] = ()
    weight: int = 0
    bound: int = 0


class _Item(NamedTuple):
    """A sound that the unit could have, and how many blocks it takes."""

    candidate: Candidate
    offer: Offer
    blocks: int


def plan_evening(
    paths: Sequence[str],
    bench: Bench,
    *,
    weights: Mapping[str, int],
    may_change: bool = True,
    rule: KeyRule | None = None,
    middle: MiddleC = MiddleC.C4,
) -> EveningPlan:
    """Return the plan for what lies in files and folders, in their order.

    `weights` has those that are not 1, by the names of files; `rule` lays the samples over the
    keyboard.  A Problem where nothing is there.
    """
    candidates, others = gather(paths)
    if not candidates:
        raise Problem(
            f"there is nothing to plan with: {counted(len(others), 'file')}, and no dump or sound "
            f"that is right: {shown(others[0].file)} {others[0].why}.",
        )
    chosen = _choose(bench, candidates, others, weights, may_change=may_change)
    if rule is not None:
        sounds = [each.candidate for each in chosen.wanted]
        roots = [
            root_in_name(each.name, middle) if each.sound.root is None else each.sound.root
            for each in sounds
        ]
        laid = zip(chosen.wanted, spread(rule, roots), strict=True)
        chosen = replace(chosen, wanted=tuple(replace(each, keys=keys) for each, keys in laid))
    return rehearsed(bench, chosen)


def rehearsed(bench: Bench, chosen: Chosen) -> EveningPlan:
    """Return what comes of an evening."""
    run = _Run(bench)
    for each in chosen.wanted:
        run.play(bench.dump(each))
    run.rehearsal.finish()
    unit, memory = run.rehearsal.unit, run.rehearsal.unit.memory
    return EveningPlan(
        unit=bench.unit,
        profile=bench.profile,
        banks=bench.banks,
        holds=bench.holds,
        samples=tuple(run.sample(at, each, unit) for at, each in enumerate(chosen.wanted)),
        left_out=chosen.left_out,
        offers=chosen.offers,
        weight=chosen.weight,
        bound=chosen.bound,
        savings=tuple(_savings(bench, chosen.wanted, run.transfers)),
        spent=run.spent(),
        amount=amount_of([each.dump.outgoing for each in run.transfers]),
        before=run.before,
        after=unit.panel.memory_map(),
        edges=tuple(range(0, memory.capacity + 1, memory.traits.bank_words)),
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
        self.free_slots: Final = len(_free_numbers(unit))
        self.transfers: Final[list[Transfer]] = []
        self.times: Final[list[tuple[int, int]]] = []

    def play(self, dump: Dump) -> None:
        """Play a dump."""
        start_ns = self.rehearsal.line.now_ns
        self.transfers.append(self.rehearsal.play(dump))
        self.times.append((start_ns, self.rehearsal.line.now_ns))

    def sample(self, at: int, wanted: Wanted, unit: RackUnit) -> PlannedSample:
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

    def spent(self) -> tuple[tuple[str, int], ...]:
        """Return where the time goes, the most first."""
        spent: Counter[str] = Counter()
        for each in self.transfers:
            spent["bytes of dumps and answers on the line"] += each.times.line_ns
            spent["reading back"] += each.read_back_ns
            for reason, ns in each.times.waits:
                spent[f"waiting for {reason}"] += ns
        rest_ns = self.rehearsal.line.now_ns - sum(spent.values())
        spent[f"waiting for {Wait.PERSON}" if self.rehearsal.visits else "pauses"] += rest_ns
        return tuple((what, ns) for what, ns in spent.most_common() if ns)


def _choose(
    bench: Bench,
    candidates: Sequence[Candidate],
    others: Sequence[NotPlanned],
    weights: Mapping[str, int],
    *,
    may_change: bool,
) -> Chosen:
    unit = bench.rehearsal().unit
    numbers = _free_numbers(unit)
    room = _room(unit, len(numbers))
    left_out = list(others)
    items: list[_Item] = []
    by_weight = sorted(_weighed(candidates, weights), key=lambda each: -each[1])
    weight_of = dict(by_weight)
    for candidate in _once([each for each, _ in by_weight], left_out):
        offer = needed(candidate.sound, bench.profile.words)
        blocks = _blocks(unit, offer.shape, numbers)
        if isinstance(blocks, str):
            left_out.append(_left(candidate, f"is not for this unit: {blocks}"))
        else:
            items.append(_Item(candidate, offer, blocks))
    best = best_set(
        [each.blocks for each in items], [weight_of[each.candidate] for each in items], room
    )
    kept = {at: items[at] for at in best.chosen}
    offers = []
    pace_ns = _pace_ns(bench)
    for at, item in enumerate(items):
        if at in kept:
            continue
        taken = [each.blocks for each in kept.values()]
        left = _left_words(unit, room, taken) if len(taken) < room.places else 0
        fitting = [
            each
            for way in smaller(item.candidate.sound, item.offer, left, bench.profile.words)
            if isinstance(blocks := _blocks(unit, way.shape, numbers), int)
            and packed([*taken, (each := _Item(item.candidate, way, blocks)).blocks], room)
        ]
        ways = [each.offer for each in fitting[:_ALTERNATIVES]]
        ways += narrower(item.offer, bench.profile.words)
        gains = [(item.offer.shape.packets - each.shape.packets) * pace_ns for each in ways]
        offers.append(
            (
                item.candidate.title,
                tuple(replace(each, time_ns=ns) for each, ns in zip(ways, gains, strict=True)),
            )
        )
        if fitting and may_change:
            kept[at] = fitting[0]
        else:
            why = f"does not fit: it needs {counted(item.offer.shape.words, 'word')}"
            left_out.append(_left(item.candidate, f"{why}, and {left:,} are left in one piece"))
    items = [kept[at] for at in sorted(kept)]
    given = _numbered([each.candidate for each in items], numbers)
    order = [items[at] for at in order_of([each.blocks for each in items], room)]
    return Chosen(
        wanted=tuple(
            Wanted(
                candidate=each.candidate,
                change=each.offer.change,
                number=given[each.candidate],
                name=fitting_name(each.candidate, bench.profile),
            )
            for each in order
        ),
        left_out=tuple(left_out),
        offers=tuple(offers),
        weight=best.weight,
        bound=best.bound,
    )


def _weighed(
    candidates: Sequence[Candidate], weights: Mapping[str, int]
) -> Iterable[tuple[Candidate, int]]:
    """Yield the sounds with their weights; a Problem for a name that none of them has."""
    names = {each: _names(each) for each in candidates}
    for name in weights:
        if not any(name in known for known in names.values()):
            raise Problem(
                f"--weight {shown(name)}: there is no such sound.",
                do="Give the name of its file, or of a dump in it.",
            )
    for each, known in names.items():
        yield each, next((weights[name] for name in weights if name in known), 1)


def _names(candidate: Candidate) -> set[str]:
    file = basename(candidate.file)
    return {candidate.file, file, splitext(file)[0], candidate.name} - {""}


def _once(candidates: Sequence[Candidate], left_out: list[NotPlanned]) -> Iterable[Candidate]:
    """Yield each sound that holds something, and each dump once."""
    seen: dict[object, Candidate] = {}
    for each in candidates:
        first = each if each.given is None else seen.setdefault(each.given.key, each)
        if not each.frames:
            left_out.append(_left(each, "holds no words"))
        elif first is not each:
            why = f"is the same dump as {first.title}"
            left_out.append(replace(_left(each, why), is_well=True))
        else:
            yield each


def _left(candidate: Candidate, why: str) -> NotPlanned:
    which = None if candidate.given is None else candidate.dump
    return NotPlanned(file=candidate.file, dump=which, why=why.rstrip("."), is_well=False)


def _free_numbers(unit: RackUnit) -> list[int]:
    """Return the sample numbers of slots that may be filled."""
    slots = [each for each in unit.slots if each.sample is None and not each.protected]
    return [each.sample_number for each in slots]


def _room(unit: RackUnit, places: int) -> Room:
    memory = unit.memory
    free = [each.region.words for each in memory.stretches() if each.is_free]
    return Room(
        holes=tuple(words // memory.traits.block_words for words in free),
        places=places,
        in_one_piece=memory.traits.contiguous,
    )


def _blocks(unit: RackUnit, shape: Shape, numbers: Sequence[int]) -> int | str:
    """Return how many blocks a sample takes of a unit, or why it does not take it."""
    header = ExtendedHeader(
        device_id=0,
        sample_number=numbers[0] if numbers else 0,
        bits=shape.bits,
        rate_hz=max(int(shape.rate), 1),
        rate_fraction=0,
        length=shape.frames,
        loop_start=0,
        loop_end=0,
        loop_type=LOOP_OFF,
        channels=shape.channels,
    )
    plan = plan_for(header, unit.profile, unit.slots)
    return plan if isinstance(plan, str) else -(-plan.words // unit.memory.traits.block_words)


def _left_words(unit: RackUnit, room: Room, taken: Sequence[int]) -> int:
    """Return how many words one more sample can have."""
    left = list(room.bins)
    for blocks, bin_ in zip(taken, packed(taken, room) or (), strict=True):
        left[bin_] -= blocks
    words = max(left, default=0) * unit.memory.traits.block_words
    return max(words - _FILLER, 0) if unit.profile.habits.filler == "keep" else words


def _numbered(candidates: Sequence[Candidate], numbers: Sequence[int]) -> dict[Candidate, int]:
    """Return a sample number for each: its own where that is free, else the next free one."""
    free = list(numbers)
    given: dict[Candidate, int] = {}
    for each in candidates:
        if each.number in free:
            given[each] = each.number
            free.remove(each.number)
    rest = iter(free)
    return {each: given[each] if each in given else next(rest) for each in candidates}


def _pace_ns(bench: Bench) -> int:
    """Return what a packet takes with this unit, reading back included."""
    words = bench.profile.words
    bits, channels = min(words.accepts, key=lambda each: abs(each - 16)), min(words.channels)
    took = []
    for packets in _PROBES:
        rehearsal = Rehearsal(bench.profile, settings=bench.settings)
        rehearsal.unit.panel.initialise(0)
        number = next(iter(_free_numbers(rehearsal.unit)), 0)
        own = bench.profile.unit.device_id
        rehearsal.play(probe(packets, bits=bits, channels=channels, number=number, device_id=own))
        took.append(rehearsal.line.now_ns)
    return (took[1] - took[0]) // (_PROBES[1] - _PROBES[0])


def _savings(
    bench: Bench, wanted: Sequence[Wanted], transfers: Sequence[Transfer]
) -> Iterable[Saving]:
    """Yield what would save time, the most first."""
    pace_ns = _pace_ns(bench)
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
    found += [Saving(what=what, time_ns=packets * pace_ns) for what, packets in fewer.items()]
    yield from sorted((each for each in found if each.time_ns > 0), key=lambda each: -each.time_ns)
