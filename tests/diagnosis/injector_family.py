"""The second injector's families: what a script of steps is asked for and what it answers.

Theory of operation.  A family is a function from a `Play` to a `Label`.  The label says for both
views which causes nobody could tell apart there; the sets here are those that several families
share, each with its reason, decided from what the standard lets both ends do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Final

from harness.files.recorded import TakenAt
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_play import MS, Dump, Play
from tests.diagnosis.injector_tape import Tape

Names = frozenset[str]
NOTHING: Final = frozenset({""})
"""Among other causes: it may as well be nothing."""
CLEAN: Final[Names] = frozenset()
BOTH: Final = (TakenAt.LINE, TakenAt.HOST)
LINE_ONLY: Final = (TakenAt.LINE,)
HOST_ONLY: Final = (TakenAt.HOST,)


def names(*each: str) -> Names:
    """Causes of which each is right."""
    return frozenset(each)


# At the host a packet left whole and NAK came: no byte there says what happened between.
REJECTED: Final = names(
    "bytes altered on the way",
    "bytes lost on the way",
    "bytes added on the way",
    "messages cut at a length",
    "another sender on the cable",
    "answers altered on the way back",
    "unit rejects good packets",
    "real-time bytes taken for data",
)
# The same packet again and again: it may also be one that never passes.
REJECTED_OFTEN: Final = REJECTED | names(
    "unit rejects one packet for ever",
    "every Nth byte lost",
    "device ID rewritten on the way",
    "stuck data bit",
    "message ends lost",
)
# At the host a packet left and nothing came: it, or its answer, or a cable for a time.
UNANSWERED: Final = names(
    "messages lost on the way",
    "answers lost on the way back",
    "cable out",
    "bytes lost on the way",
    "bytes altered on the way",
    "bytes added on the way",
    "message ends lost",
    "messages cut at a length",
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
# A number that never arrives; with the source the dump itself is out of the question.
JUMP_SOURCE: Final = names("messages lost on the way", "cable out")
JUMP: Final = JUMP_SOURCE | names("packets missing in the dump")
# NAK to a packet that arrived whole.
NAK_TO_GOOD: Final = names("answers altered on the way back", "unit rejects good packets")
# The source and the header that arrived differ, and the header looks right in itself.
HEADER_ALTERED: Final = names(
    "header spoiled on the way", "bytes altered on the way", "damage that no receiver can see"
)


@dataclass(frozen=True, slots=True)
class Label:
    """What is right for a case, by view."""

    line: Names
    host: Names
    packet: int | None = None


def told(line: Names, host: Names | None = None, packet: int | None = None) -> Label:
    """Return a label; without `host` both views show the same."""
    return Label(line, line if host is None else host, packet)


Script = Callable[[Play], Label]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A family of cases."""

    name: str
    script: Script
    faults: tuple[int, ...] = ()
    """Which of the sixty faults it stands for."""
    views: tuple[TakenAt, ...] = BOTH
    packets: tuple[int, int] = (2, 7)
    source: bool | None = None
    """Whether the source is given; None: now and then."""
    plain: bool = False
    """Whether answers bear the number of their packet and come without WAIT."""
    goes_on: bool | None = None
    bits: tuple[int, ...] = ()
    mono_id: bool = False
    """Whether the dump is for one device and not for all."""


FAULTS: Final[list[Kind]] = []
LEGAL: Final[list[Kind]] = []


def fault(name: str, *faults: int, **how: object) -> Callable[[Script], Script]:
    """Register a script as a family in which one thing is wrong."""
    return _into(FAULTS, name, faults, how)


def legal(name: str, **how: object) -> Callable[[Script], Script]:
    """Register a script as a family in which nothing may be named."""
    return _into(LEGAL, name, (), how)


def _into(
    families: list[Kind], name: str, faults: tuple[int, ...], how: dict[str, object]
) -> Callable[[Script], Script]:
    def add(script: Script) -> Script:
        made: dict[str, object] = {"name": name, "script": script, "faults": faults, **how}
        families.append(Kind(**made))  # type: ignore[arg-type]  # the decorator's own keywords
        return script

    return add


def play_of(kind: Kind, rng: Random) -> Play:
    """Throw a dump, a sender and a unit for a family."""
    dump = dump_of(kind, rng)
    waits = not kind.plain and rng.random() < 0.08
    numbers = "own" if kind.plain or rng.random() < 0.8 else rng.choice(("next", "zero"))
    given = rng.random() < 0.25 if kind.source is None else kind.source
    return Play(
        rng=rng,
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
        sample=rng.choice((1, 2, 3, 17, 130, 300)),
        bits=bits,
        period=rng.choice(b.PERIODS),
        words=words[:length],
        data=data[: length * size],
        loop=loop or (0, 0, b.NO_LOOP),
    ).remake()
