"""The kinds of the injector: one fault each, its cause, and what else leaves its capture.

Theory of operation.  A kind is a script that writes a conversation on a tape with one thing wrong,
and the cause that this is.  Kinds of one *group* can leave the same capture: each case writes all
of them with the same dice, and those whose capture is equal byte for byte, instant for instant in
the view that is shown are accepted as well.  So nothing is declared to look alike: it is, or it is
not.  A case whose capture equals the one without any fault shows none, and nothing may be named.

`also` are causes whose sentence is as true of the same script: a damaged packet that is taken has
two faults, and a length that is too large says the same as packets that are missing.

Dice come in two: `rng` decides the conversation and where the fault strikes, so that all kinds of a
group agree on it; `chance` decides the fault's own details.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from enum import StrEnum
from random import Random
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Capture, Direction
from dryload.harness.diagnose.scene import Source
from dryload.harness.files.recorded import BOTH as BOTH_WAYS
from dryload.harness.files.recorded import Recorded, TakenAt, back_to_back
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_play import MS, Dump, NotTogetherError, Play
from tests.diagnosis.injector_tape import Tape

Names = frozenset[str]
NOTHING: Final = ""
"""Stands among causes for: nothing is named."""
CLEAN: Final[Names] = frozenset({NOTHING})


class View(StrEnum):
    """What of a conversation is recorded."""

    LINE = "line"
    """Both directions as they arrived, with times."""
    HOST = "host"
    """What the host sent and what arrived at it, with times."""
    UNTIMED = "no times"
    """Both directions as they arrived, in their order."""
    TO = "to the unit only"
    """What arrived at the unit, with times."""
    FILE = "a file"
    """What the host sent, without times."""


BOTH: Final = (View.LINE, View.HOST)
LINE: Final = (View.LINE,)
HOST: Final = (View.HOST,)
ARRIVED: Final = (View.LINE, View.LINE, View.UNTIMED, View.TO)
"""Views in which damaged bytes are to be seen."""
ANY: Final = (View.LINE, View.HOST, View.UNTIMED, View.FILE)
"""Views in which the dump itself is to be seen."""


SAMPLES: Final = (1, 2, 3, 17, 130, 300)


class Struck(Struct, frozen=True):
    """Where a script struck, and which causes it brought about beside its own."""

    packet: int | None = None
    also: tuple[str, ...] = ()


Script = Callable[[Play], Struck | int | None]


class Kind(Struct, frozen=True, kw_only=True):
    """A kind of case."""

    name: str
    script: Script
    cause: str = NOTHING
    also: tuple[str, ...] = ()
    """Causes that are as true of it, each because the script does that too."""
    group: str = ""
    """Kinds of one group can leave the same capture."""
    twin: bool = False
    """Whether it is there for its group alone: the same bytes by another cause."""
    faults: tuple[int, ...] = ()
    """Which of the sixty faults it stands for."""
    views: tuple[View, ...] = BOTH
    packets: tuple[int, int] = (3, 8)
    source: bool | None = None
    """Whether the source is given; None: now and then."""
    plain: bool = False
    """Whether answers bear the number of their packet and come without WAIT."""
    goes_on: bool | None = None
    bits: tuple[int, ...] = ()
    mono_id: bool = False
    """Whether the dump is for one device and not for all."""


class Case(Struct, frozen=True, kw_only=True):
    """A capture, and which answers are right."""

    kind: str
    number: int
    view: View
    recorded: Recorded
    sources: tuple[Source, ...]
    own: str
    """The cause that it is; NOTHING where nothing is to be seen."""
    accepted: Names
    """Causes of which each is right; NOTHING among others: none need be named."""
    packet: int | None
    """The packet that a right answer names; None where there is none."""

    @property
    def is_clean(self) -> bool:
        """Whether nothing may be named."""
        return self.accepted == CLEAN

    @property
    def is_open(self) -> bool:
        """Whether something is there, and may as well be nothing."""
        return NOTHING in self.accepted and not self.is_clean


FAULTS: Final[list[Kind]] = []
LEGAL: Final[list[Kind]] = []
TWINS: Final[list[Kind]] = []


def fault(name: str, cause: str, *faults: int, **how: object) -> Callable[[Script], Script]:
    """Register a script as a kind in which one thing is wrong."""
    return registered(FAULTS, name, cause=cause, faults=faults, **how)


def legal(name: str, **how: object) -> Callable[[Script], Script]:
    """Register a script as a kind in which nothing may be named."""
    return registered(LEGAL, name, **how)


def twin(name: str, cause: str, group: str) -> Callable[[Script], Script]:
    """Register a script that leaves a capture of its group in another way."""
    return registered(TWINS, name, cause=cause, group=group, twin=True)


def registered(kinds: list[Kind], name: str, **how: object) -> Callable[[Script], Script]:
    """Add a script to a list of kinds."""

    def add(script: Script) -> Script:
        made: dict[str, object] = {"name": name, "script": script, **how}
        kinds.append(Kind(**made))  # type: ignore[arg-type]  # the decorator's own keywords
        return script

    return add


def case_in(kind: Kind, seed: str, number: int = 0, *, view: View | None = None) -> Case:
    """Return a case of a kind, in one of its views or in a given one."""
    thrown = Random(f"view {seed}").choice(kind.views)
    view = thrown if view is None else view
    play, struck = played(kind, seed, kind.script)
    recorded = seen_in(view, play.tape)
    shown = shown_in(view, play)
    own = _is_plain(kind, seed, view, shown)
    accepted = {NOTHING} if own else {kind.cause, *kind.also, *struck.also}
    if not own:
        for each in rivals_of(kind):
            if each.cause in accepted:
                continue
            try:
                other, _ = played(kind, seed, each.script)
            except NotTogetherError:
                continue
            if shown_in(view, other) == shown:
                accepted |= {each.cause, *each.also}
    is_named = accepted != {NOTHING}
    return Case(
        kind=kind.name,
        number=number,
        view=view,
        recorded=recorded,
        sources=play.sources,
        own=kind.cause if is_named else NOTHING,
        accepted=frozenset(accepted),
        packet=struck.packet if is_named else None,
    )


def rivals_of(kind: Kind) -> Iterator[Kind]:
    """Yield the kinds of its group."""
    return (each for each in (*FAULTS, *TWINS) if kind.group and each.group == kind.group)


def plain_of(kind: Kind, seed: str, view: View) -> tuple[Recorded, tuple[Source, ...]]:
    """Return the recording of a case, and its source, as they are without its fault."""
    play, _ = played(kind, seed, Play.whole)
    return seen_in(view, play.tape), play.sources


def _is_plain(kind: Kind, seed: str, view: View, shown: object) -> bool:
    """Whether a capture is the one without any fault."""
    return not kind.cause or shown_in(view, played(kind, seed, Play.whole)[0]) == shown


def played(kind: Kind, seed: str, script: Script, *then: Script) -> tuple[Play, Struck]:
    """Write the conversation of a script in the setting of a kind, others behind it if wanted."""
    play = play_of(kind, Random(f"talk {seed}"))
    play.chance = Random(f"fault {seed}")
    play.then = list(then)
    struck = script(play)
    return play, struck if isinstance(struck, Struck) else Struck(struck)


def shown_in(view: View, play: Play) -> object:
    """Return what a view shows, to be compared: bytes, instants where there are any, the source."""
    recorded = seen_in(view, play.tape)
    data: object
    if recorded.is_timed:
        first_ns = min(
            (p.end_ns - len(p.data) * b.BYTE_NS for p in recorded.capture.passages), default=0
        )
        data = [(p.direction, p.end_ns - first_ns, p.data) for p in recorded.capture.passages]
    else:
        data = joined(recorded)
    return data, [(each.header, each.packets) for each in play.sources]


def joined(recorded: Recorded) -> list[tuple[Direction, bytes]]:
    """Return the bytes in their order, those of one direction that follow each other as one."""
    found: list[tuple[Direction, bytes]] = []
    for each in recorded.capture.passages:
        if found and found[-1][0] is each.direction:
            found[-1] = (each.direction, found[-1][1] + each.data)
        else:
            found.append((each.direction, each.data))
    return found


def seen_in(view: View, tape: Tape) -> Recorded:
    """Return the recording of a view."""
    taken_at = TakenAt.HOST if view in (View.HOST, View.FILE) else TakenAt.LINE
    there = tape.sent if taken_at is TakenAt.HOST else tape.arrived
    back: Sequence[object] = () if view in (View.TO, View.FILE) else tape.back
    passages = sorted((*there, *(tape.back if back else ())), key=lambda each: each.end_ns)
    directions = (Direction.TO_UNIT,) if view in (View.TO, View.FILE) else BOTH_WAYS
    is_timed = view not in (View.UNTIMED, View.FILE)
    if not is_timed:
        passages = back_to_back([(each.direction, each.data) for each in passages])
    return Recorded(
        capture=Capture(passages),
        directions=directions,
        is_timed=is_timed,
        taken_at=TakenAt.UNKNOWN if view is View.FILE else taken_at,
    )


def play_of(kind: Kind, rng: Random) -> Play:
    """Throw a dump, a sender and a unit for a kind."""
    dump = dump_of(kind, rng)
    waits = not kind.plain and rng.random() < 0.08
    numbers = "own" if kind.plain or rng.random() < 0.8 else rng.choice(("next", "zero"))
    given = rng.random() < 0.25 if kind.source is None else kind.source
    return Play(
        rng=rng,
        chance=rng,
        dump=dump,
        tape=Tape(now_ns=rng.randrange(0, 20) * MS),
        answers_ns=rng.randrange(300_000, 16 * MS),
        header_ns=rng.randrange(300_000, rng.choice((20, 20, 300)) * MS),
        thinks_ns=rng.randrange(100_000, 6 * MS),
        goes_on=rng.random() < 0.4 if kind.goes_on is None else kind.goes_on,
        numbers=numbers,
        header_number=rng.choice((0, 0, 0, 0x7F, rng.randrange(128))),
        waits=waits,
        unit=rng.randrange(0, 16) if dump.device == b.ALL_CALL else dump.device,
        sources=(dump.source(),) if given else (),
    )


def dump_of(kind: Kind, rng: Random) -> Dump:
    """Throw a dump of a smooth sound."""
    bits = rng.choice(kind.bits or (8, 10, 12, 12, 14, 16, 16, 16, 16, 18, 20, 21, 24, 24, 28))
    size = b.bytes_a_word(bits)
    per_packet = b.DATA_BYTES // size
    count = rng.randint(*kind.packets)
    short = rng.choice((0, 1, per_packet - 1, rng.randrange(per_packet), rng.randrange(per_packet)))
    length = count * per_packet - short
    how = (rng.choice(b.SHAPES), rng.choice((84, 120, 160, 200)), rng.choice((6, 8, 9)), bits)
    words = b.sound(*how)
    data = b.packed_sound(*how)
    if length > len(words):
        turns = -(-length // len(words))
        words, data = words * turns, data * turns
    device = (
        b.ALL_CALL if not kind.mono_id and rng.random() < 0.05 else rng.choice((0, 0, 1, 5, 16))
    )
    loop = (0, length - 1, rng.choice((0, 1))) if rng.random() < 0.25 and length > 80 else None
    return Dump(
        device=device,
        sample=rng.choice(SAMPLES),
        bits=bits,
        period=rng.choice(b.PERIODS),
        words=words[:length],
        data=data[: length * size],
        loop=loop or (0, 0, b.NO_LOOP),
    ).remake()
