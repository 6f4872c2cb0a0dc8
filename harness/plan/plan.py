"""From what lies in folders to an evening: what goes into a unit, and in which order.

Theory of operation.  What the unit keeps as it is and can have together is chosen by weight
(`choose`).  The others are changed as little as will do, one after the other, for the room that is
left (`change`); what cannot be changed that far is left out.  Each keeps its sample number where
that is free.  Then the evening is rehearsed.
"""

from collections.abc import Iterator, Mapping, Sequence
from os.path import basename, splitext
from typing import Final, NamedTuple

from msgspec.structs import replace

from dryload.emulator.unit.admission import plan_for
from dryload.emulator.wire.constants import LOOP_OFF
from dryload.emulator.wire.messages import ExtendedHeader
from dryload.emulator.wire.prose import counted
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem
from dryload.harness.plan.change import Offer, narrower, needed, smaller
from dryload.harness.plan.choose import Room, best_set, order_of, packed
from dryload.harness.plan.evening import EveningPlan, NotPlanned
from dryload.harness.plan.gather import Candidate, gather
from dryload.harness.plan.keys import KeyRule, MiddleC, root_in_name, spread
from dryload.harness.plan.make import PlanItem, fitting_name
from dryload.harness.plan.rehearsed import Bench, Chosen, free_numbers, pace_ns, rehearsed

_ALTERNATIVES: Final = 4
"""Ways to make a sound fit that are told, the one that is taken among them."""


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


class _Item(NamedTuple):
    """A sound that the unit could have, and how many blocks it takes."""

    candidate: Candidate
    offer: Offer
    blocks: int


class _Space:
    """What is free in a unit, and what is to go in there: items by their places in the order."""

    def __init__(self, bench: Bench) -> None:
        unit = bench.rehearsal().unit
        self._unit: Final = unit
        self._block_words: Final = unit.memory.traits.block_words
        self.numbers: Final = free_numbers(unit)
        holes = [each.region.words for each in unit.memory.stretches() if each.is_free]
        self.room: Final = Room(
            holes=tuple(words // self._block_words for words in holes),
            places=len(self.numbers),
            in_one_piece=unit.memory.traits.contiguous,
        )
        self.kept: dict[int, _Item] = {}

    def item(self, candidate: Candidate, offer: Offer) -> _Item | str:
        """Return what a sound takes of the unit, or why the unit does not take it."""
        shape = offer.shape
        header = ExtendedHeader(
            device_id=0,
            sample_number=next(iter(self.numbers), self._unit.slots.traits.first_number),
            bits=shape.bits,
            rate_hz=max(int(shape.rate), 1),
            rate_fraction=0,
            length=shape.frames,
            loop_start=0,
            loop_end=0,
            loop_type=LOOP_OFF,
            channels=shape.channels,
        )
        plan = plan_for(header, self._unit.profile, self._unit.slots)
        if isinstance(plan, str):
            return plan
        return _Item(candidate, offer, -(-plan.words // self._block_words))

    def takes(self, item: _Item | str) -> bool:
        """Whether one more goes in."""
        if isinstance(item, str):
            return False
        return packed([*self._sizes(), item.blocks], self.room) is not None

    def left_words(self) -> int:
        """Return how many words one more can have."""
        sizes, left = self._sizes(), list(self.room.bins)
        for blocks, bin_ in zip(sizes, packed(sizes, self.room) or (), strict=True):
            left[bin_] -= blocks
        return max(left, default=0) * self._block_words

    def why_not(self, item: _Item) -> str:
        """Return why one more does not go in."""
        if len(self.kept) >= self.room.places:
            return f"finds no slot: there are {counted(self.room.places, 'free one')}"
        needs, left = counted(item.offer.shape.words, "word"), self.left_words()
        return f"does not fit: it needs {needs}, and {left:,} are left in one piece"

    def in_order(self) -> list[_Item]:
        """Return what goes in, in the order in which each finds room when it is sent."""
        items = [self.kept[at] for at in sorted(self.kept)]
        return [items[at] for at in order_of([each.blocks for each in items], self.room)]

    def numbered(self) -> dict[Candidate, int]:
        """Return a sample number for each: its own where that is free, else the next free one."""
        free, given = list(self.numbers), dict[Candidate, int]()
        sounds = [self.kept[at].candidate for at in sorted(self.kept)]
        for each in sounds:
            if each.number in free:
                given[each] = each.number
                free.remove(each.number)
        rest = iter(free)
        return {each: given[each] if each in given else next(rest) for each in sounds}

    def _sizes(self) -> list[int]:
        return [each.blocks for each in self.kept.values()]


def _choose(
    bench: Bench,
    candidates: Sequence[Candidate],
    others: Sequence[NotPlanned],
    weights: Mapping[str, int],
    *,
    may_change: bool,
) -> Chosen:
    space, traits = _Space(bench), bench.profile.words
    left_out, offers, items = list(others), list[tuple[str, tuple[Offer, ...]]](), list[_Item]()
    weight_of = dict(sorted(_weighed(candidates, weights), key=lambda each: -each[1]))
    for candidate in _once(list(weight_of), left_out):
        found = space.item(candidate, needed(candidate.sound, traits))
        if isinstance(found, str):
            left_out.append(_left(candidate, f"is not for this unit: {found}"))
        else:
            items.append(found)
    sizes = [each.blocks for each in items]
    best = best_set(sizes, [weight_of[each.candidate] for each in items], space.room)
    space.kept.update((at, items[at]) for at in best.chosen)
    rest = [at for at in range(len(items)) if at not in space.kept]
    packet_ns = pace_ns(bench) if rest else 0
    for at in rest:
        sound, least = items[at].candidate.sound, items[at].offer
        made = [
            space.item(items[at].candidate, way)
            for way in smaller(sound, least, space.left_words(), traits)
        ]
        fitting = [each for each in made if space.takes(each) and not isinstance(each, str)]
        ways = [each.offer for each in fitting[:_ALTERNATIVES]] + narrower(least, traits)
        told = [
            replace(each, time_ns=(least.shape.packets - each.shape.packets) * packet_ns)
            for each in ways
        ]
        offers.append((items[at].candidate.title, tuple(told)))
        if fitting and may_change:
            space.kept[at] = fitting[0]
        else:
            left_out.append(_left(items[at].candidate, space.why_not(items[at])))
    numbers = space.numbered()
    return Chosen(
        wanted=tuple(
            PlanItem(
                candidate=each.candidate,
                change=each.offer.change,
                number=numbers[each.candidate],
                name=fitting_name(each.candidate, bench.profile),
            )
            for each in space.in_order()
        ),
        left_out=tuple(left_out),
        offers=tuple(offers),
        weight=best.weight,
        bound=best.bound,
    )


def _weighed(
    candidates: Sequence[Candidate], weights: Mapping[str, int]
) -> Iterator[tuple[Candidate, int]]:
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


def _once(candidates: Sequence[Candidate], left_out: list[NotPlanned]) -> Iterator[Candidate]:
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
