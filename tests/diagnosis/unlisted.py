"""Faults that no list has, and healthy captures as odd: how the diagnosis does without a row.

Theory of operation.  The kinds were written from the published text (M1 pp. 35-39) without a look
at the table of causes, each with its label: causes whose sentence would be true of the capture.
Most have no row, so to say that nothing is decided does no harm.  Wrong are a sure answer outside
the label, and "nothing is wrong".  In a healthy capture every cause is wrong.

One half (`unlisted_seen`) may be looked at while rules are written.  The other (`unlisted_unseen`)
is diagnosed to print a figure and never to look at a run: tests build its captures, no more.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Final

from msgspec import Struct

from tests.diagnosis.injector_kinds import (
    CLEAN,
    NOTHING,
    Case,
    Kind,
    Names,
    View,
    play_of,
    registered,
    seen_in,
)
from tests.diagnosis.injector_play import Play


class Label(Struct, frozen=True):
    """What is right for a case, in what arrived and at the host."""

    line: Names
    host: Names
    packet: int | None = None


def names(*each: str) -> Names:
    """Causes of which each is right."""
    return frozenset(each)


def told(line: Names, host: Names | None = None, packet: int | None = None) -> Label:
    """Return a label; without `host` both views show the same."""
    return Label(line, line if host is None else host, packet)


Script = Callable[[Play], Label]
NOT_WRONG: Final = names(NOTHING)
"""Among other causes: it may as well be nothing."""
NO_ROW: Final = names("(no cause that anybody listed)")
"""The label of a fault of which no sentence of any cause would be true."""
FINE: Final = told(CLEAN)
NUMBERED: Final = names("packets numbered wrongly")
ALTERED: Final = names("bytes altered on the way")
ADDED: Final = names("bytes added on the way")
LOST: Final = names("bytes lost on the way")
UNSEEN: Final = ALTERED | names("damage that no receiver can see")
NOTE: Final = names("another sender on the cable", "bytes added on the way")
WRONG_SUMS: Final = names("checksums wrong in the dump")
OTHER_SOUND: Final = names("sent other than the source")
# At the host a packet left whole and NAK came: no byte there says what happened between.
REJECTED: Final = names(
    "bytes altered on the way",
    "bytes lost on the way",
    "bytes added on the way",
    "bytes lost on the way",
    "another sender on the cable",
    "answers altered on the way back",
    "unit rejects good packets",
    "real-time bytes taken for data",
)
# The same packet again and again: it may also be one that never passes.
REJECTED_OFTEN: Final = REJECTED | names(
    "unit rejects good packets",
    "bytes lost on the way",
    "device ID rewritten on the way",
    "stuck data bit",
    "bytes lost on the way",
)
# At the host a packet left and nothing came: it, or its answer, or a cable for a time.
UNANSWERED: Final = names(
    "messages lost on the way",
    "answers lost on the way back",
    "cable out",
    "bytes lost on the way",
    "bytes altered on the way",
    "bytes added on the way",
    "bytes lost on the way",
    "bytes lost on the way",
    "another sender on the cable",
    "unit fell silent",
)
# The packet arrived and its answer did not.
ANSWER_LOST: Final = names("answers lost on the way back", "cable out")
# Packets arrive, and from some packet on no answer comes.
SILENT_NOW: Final = ANSWER_LOST | names(
    "unit fell silent", "unit hears and does not answer packets"
)
SILENT_NOW_HOST: Final = SILENT_NOW | UNANSWERED
# Nothing ever comes back.
SILENT: Final = names(
    "nothing comes back",
    "other device ID",
    "exclusive messages filtered out",
    "unit hears and does not answer packets",
    "answers lost on the way back",
)
SILENT_HOST: Final = SILENT | names(
    "messages lost on the way", "cable out", "header spoiled on the way"
)
# The source and the header that arrived differ, and the header looks right in itself.
HEADER_ALTERED: Final = names(
    "header spoiled on the way", "bytes altered on the way", "damage that no receiver can see"
)
_SALT: Final = 7_919


class Half(Struct):
    """The kinds of one module."""

    name: str
    faults: list[Kind] = []
    odd: list[Kind] = []

    def fault(self, name: str, **how: object) -> Callable[[Script], Script]:
        """Register a script as a kind of fault."""
        return registered(self.faults, name, **how)  # type: ignore[return-value]

    def healthy(self, name: str, **how: object) -> Callable[[Script], Script]:
        """Register a script as a kind in which nothing is wrong."""
        return registered(self.odd, name, **how)  # type: ignore[return-value]

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """All kinds."""
        return (*self.faults, *self.odd)


def case_of(kind: Kind, number: int, seed: int) -> Case:
    """Return one capture of a kind, the same at all times."""
    play = play_of(kind, Random(f"{seed * _SALT + number} {kind.name}"))
    view = play.rng.choice(kind.views)
    label: Label = kind.script(play)  # type: ignore[assignment]  # these scripts have labels
    accepted = label.host if view is View.HOST else label.line
    return Case(
        kind=kind.name,
        number=number,
        view=view,
        recorded=seen_in(view, play.tape),
        sources=play.sources,
        own=NOTHING if accepted == CLEAN else min(accepted - CLEAN),
        accepted=accepted,
        packet=label.packet,
    )
