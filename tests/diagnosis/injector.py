"""The second injector: labelled captures written from the published text alone.

Theory of operation.  It knows nothing of the project's sender, unit and line: every conversation
is bytes and times straight from M1 pp. 35-39 (MIDI 1.0 Detailed Specification 4.2.1), with at most
one fault and what a unit and a sender of the standard make of it.  The number of a case and the
seed decide everything.  Every fourth case is one in which nothing may be named.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import Final

from harness.diagnose.scene import Source
from harness.files.recorded import Recorded, TakenAt
from tests.diagnosis import (
    injector_answers,
    injector_file,
    injector_file_header,
    injector_legal,
    injector_sender,
    injector_unit,
    injector_way,
    injector_way_fields,
    injector_way_whole,
    injector_words,
)
from tests.diagnosis.injector_family import FAULTS, LEGAL, Kind, play_of

SCRIPTS: Final = (
    injector_answers,
    injector_file,
    injector_file_header,
    injector_legal,
    injector_sender,
    injector_unit,
    injector_way,
    injector_way_fields,
    injector_way_whole,
    injector_words,
)
"""Importing them fills `FAULTS` and `LEGAL`."""
FAMILIES: Final[tuple[Kind, ...]] = (*FAULTS, *LEGAL)
_QUARTER: Final = 4
_PRIME: Final = 1_000_003


@dataclass(frozen=True, slots=True, kw_only=True)
class Labelled:
    """A capture, and which answers are right."""

    recorded: Recorded
    source: tuple[Source, ...]
    accepted: frozenset[str]
    """Causes of which each is right; empty: nothing may be named; "" among others: need not be."""
    packet: int | None
    """The packet that a right answer names; None where there is none."""
    family: str
    number: int


def cases(seed: int, count: int) -> Iterator[Labelled]:
    """Yield so many cases, the same ones for the same seed."""
    for number in range(count):
        yield case_of(seed, number)


def case_of(seed: int, number: int) -> Labelled:
    """Return one case."""
    rng = Random(seed * _PRIME + number)
    return case_in(_kind_of(seed, number, rng), rng, number)


def _kind_of(seed: int, number: int, rng: Random) -> Kind:
    if number % _QUARTER == _QUARTER - 1:
        return LEGAL[0] if rng.random() < 0.3 else rng.choice(LEGAL)
    round_, place = divmod(number, _QUARTER)
    return FAULTS[(seed * 17 + round_ * (_QUARTER - 1) + place) % len(FAULTS)]


def case_in(kind: Kind, rng: Random, number: int = 0, *, view: TakenAt | None = None) -> Labelled:
    """Return a case of one family, in one of its views or in a given one."""
    play = play_of(kind, rng)
    thrown = rng.choice(kind.views)
    label = kind.script(play)
    view = thrown if view is None else view
    accepted = label.host if view is TakenAt.HOST else label.line
    return Labelled(
        recorded=play.tape.recorded(view),
        source=play.sources,
        accepted=accepted,
        packet=label.packet if accepted else None,
        family=kind.name,
        number=number,
    )
