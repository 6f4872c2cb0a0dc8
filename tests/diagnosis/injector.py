"""The injector: labelled captures written from the published text alone.

Theory of operation.  It knows nothing of the project's sender, unit and line: every conversation
is bytes and times straight from M1 pp. 35-39 (MIDI 1.0 Detailed Specification 4.2.1), with at most
one fault and what a unit and a sender of the standard make of it.  The number of a case and the
seed decide everything.  Every fourth case is one in which nothing may be named.

Faults that strike one packet and let the dump go on can follow each other: the same one again is
"here and there", two different ones are a `Double`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from random import Random
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.harness.diagnose.scene import Source
from dryload.harness.files.recorded import Recorded
from tests.diagnosis import (
    injector_answers,
    injector_file,
    injector_legal,
    injector_sender,
    injector_unit,
    injector_way,
    injector_words,
)
from tests.diagnosis.injector_kinds import (
    FAULTS,
    LEGAL,
    TWINS,
    Case,
    Kind,
    Names,
    Script,
    Struck,
    View,
    case_in,
    played,
    rivals_of,
    seen_in,
    shown_in,
)
from tests.diagnosis.injector_play import NotTogetherError, Play

SCRIPTS: Final = (
    injector_answers,
    injector_file,
    injector_legal,
    injector_sender,
    injector_unit,
    injector_way,
    injector_words,
)
"""Importing them fills `FAULTS`, `LEGAL` and `TWINS`."""
_QUARTER: Final = 4
_OFTEN: Final = (
    "a data byte altered",
    "bytes lost in a packet",
    "bytes lost in a packet, and no answer",
    "bytes added to a packet",
    "a note inside a packet",
    "a packet lost and sent again",
    "a packet doubled",
    "an answer lost",
    "an answer damaged",
    "a wrong number in an answer",
    "one answer comes twice",
    "one answer bears another ID",
    "one answer late",
)
"""Kinds that also strike here and there."""


def _often(kind: Kind) -> Kind:
    """Return a kind that strikes two or three times."""

    def script(play: Play) -> Struck | int | None:
        play.then = [kind.script] * (1 + play.rng.randrange(2))
        return kind.script(play)

    name, group = f"{kind.name}, here and there", f"{kind.group}, here and there"
    views = tuple(view for view in kind.views if view is not View.HOST) or kind.views
    return replace(
        kind,
        name=name,
        script=script,
        packets=(7, 12),
        group=group if kind.group else "",
        views=views,
    )


_BY_NAME: Final = {kind.name: kind for kind in FAULTS}
OFTEN: Final = tuple(_often(_BY_NAME[name]) for name in _OFTEN)
TWINS.extend(
    replace(_often(rival), twin=True)
    for group in sorted({_BY_NAME[name].group for name in _OFTEN} - {""})
    for rival in (*FAULTS, *TWINS)
    if rival.group == group
)
KINDS: Final[tuple[Kind, ...]] = (*FAULTS, *OFTEN)
"""Every kind with a fault."""


def cases(seed: int, numbers: range) -> Iterator[Case]:
    """Yield the cases of these numbers, the same ones for the same seed."""
    return (case_of(seed, number) for number in numbers)


def case_of(seed: int, number: int) -> Case:
    """Return one case."""
    return case_in(_kind_of(seed, number), f"{seed} {number}", number)


def healthy_of(seed: int, number: int) -> Case:
    """Return one case in which nothing may be named."""
    rng = Random(f"healthy {seed} {number}")
    kind = LEGAL[0] if rng.random() < 0.3 else rng.choice(LEGAL)
    return case_in(kind, f"{seed} {number}", number)


def _kind_of(seed: int, number: int) -> Kind:
    round_, place = divmod(number, _QUARTER)
    if place == _QUARTER - 1:
        rng = Random(f"kind {seed} {number}")
        return LEGAL[0] if rng.random() < 0.3 else rng.choice(LEGAL)
    # all kinds in turn, in another order each time round
    turn, at = divmod(round_ * (_QUARTER - 1) + place, len(KINDS))
    order = list(range(len(KINDS)))
    Random(f"order {seed} {turn}").shuffle(order)
    return KINDS[order[at]]


# Two faults

Order = Callable[[Script], tuple[Script, Script]]
"""Puts another script in the place of one of two."""


class Double(Struct, frozen=True, kw_only=True):
    """A capture with two faults."""

    recorded: Recorded
    sources: tuple[Source, ...]
    accepted: tuple[Names, Names]
    """For each of the two the causes of which each is right."""
    told: str


def double_of(seed: int, number: int) -> Double | None:
    """Return a capture with two faults; None where the two cannot follow each other."""
    rng = Random(f"double {seed} {number}")
    one, other = rng.sample(FAULTS, 2)
    views = [view for view in one.views if view in other.views]
    low, high = max(one.packets[0], other.packets[0], 4), min(one.packets[1], other.packets[1]) + 3
    apart = one.mono_id and other.mono_id, one.plain or other.plain
    if not views or low > high or (one.bits and other.bits and one.bits != other.bits):
        return None
    if None not in (one.goes_on, other.goes_on) and one.goes_on is not other.goes_on:
        return None
    if None not in (one.source, other.source) and one.source is not other.source:
        return None
    both = replace(
        one,
        mono_id=one.mono_id or other.mono_id or any(apart),
        plain=one.plain or other.plain,
        packets=(low, high),
        bits=one.bits or other.bits,
        goes_on=other.goes_on if one.goes_on is None else one.goes_on,
        source=other.source if one.source is None else one.source,
    )
    view, dice = rng.choice(views), f"{seed} {number}"
    shown = _together(both, dice, view, one.script, other.script)
    if shown is None:
        return None
    play, first, second, what = shown
    for alone in (one.script, lambda play: play.whole()):
        try:
            if shown_in(view, played(both, dice, alone)[0]) == what:
                return None
        except NotTogetherError:
            continue
    accepted = (
        _alike(both, (dice, view), (one, first), lambda each: (each, other.script), what),
        _alike(both, (dice, view), (other, second), lambda each: (one.script, each), what),
    )
    return Double(
        recorded=seen_in(view, play.tape),
        sources=play.sources,
        accepted=accepted,
        told=f"{one.name} and {other.name}, {view}",
    )


def _together(
    both: Kind, dice: str, view: View, one: Script, other: Script
) -> tuple[Play, Struck, Struck, object] | None:
    """Write a conversation in which one fault follows another; None where there is none."""
    second: list[Struck] = []

    def then(play: Play) -> None:
        before = (play.dump.header, tuple(play.dump.packets))
        struck = other(play)
        if before != (play.dump.header, tuple(play.dump.packets)):
            raise NotTogetherError  # another dump cannot begin in the middle of one
        second.append(struck if isinstance(struck, Struck) else Struck(struck))

    try:
        play, first = played(both, dice, one, then)
    except (NotTogetherError, IndexError, ValueError):
        return None
    return (play, first, second[0], shown_in(view, play)) if second else None


def _alike(
    both: Kind, setting: tuple[str, View], mine: tuple[Kind, Struck], order: Order, what: object
) -> Names:
    """Return the causes that leave the same capture in the place of one of two faults."""
    kind, struck = mine
    causes = {kind.cause, *kind.also, *struck.also}
    for each in rivals_of(kind):
        if each.cause not in causes:
            shown = _together(both, *setting, *order(each.script))
            if shown is not None and shown[3] == what:
                causes |= {each.cause, *each.also}
    return frozenset(causes)
