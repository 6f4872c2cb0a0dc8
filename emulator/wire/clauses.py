"""The register of clauses: what the standard asks, as data with an id for every statement.

Theory of operation.  `clauses.toml` holds the statements and explains its own fields; this file
only reads and checks it.  `parse_clauses` is pure and takes text, `clauses` reads the register that
is shipped and keeps it.  A mistake in the register is ours, so it raises and names the clause.
"""

import re
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from enum import StrEnum
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Final, TypeVar

from msgspec import Struct

FAMILIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "FRM": "Framing",
        "DEV": "Addressing",
        "HDR": "Header",
        "PKT": "Packets",
        "WRD": "Words",
        "HSK": "Handshakes",
        "TIM": "Time",
        "REQ": "Requests",
        "LOP": "Loop points",
        "EXT": "Extensions",
        "NAM": "Names",
        "IDN": "Identity",
        "USB": "USB-MIDI",
        "STA": "State",
    }
)
"""The three letters that begin an id, and what the family is about, in the register's order."""

_ID: Final = re.compile(r"[A-Z]{3}-[0-9]{2}")
_TEXTS: Final = ("id", "statement", "level", "basis", "source", "check")
_FIELDS: Final = frozenset({*_TEXTS, "judged"})


class Level(StrEnum):
    """How much hangs on a clause."""

    MUST = "must"
    SHOULD = "should"
    INFORMATION = "information"


class Basis(StrEnum):
    """What a clause rests on."""

    STANDARD = "standard"
    """Written in the published text."""
    INFERRED = "inferred"
    """Follows from the published text without being written."""
    FILE_DUMP = "file dump"
    """Written only for File Dump, which shares the handshakes: a guide, not a rule."""
    RECOMMENDED = "recommended"
    """Our own."""
    NONE = "none"
    """The text leaves it open; what happens is recorded."""


class Judged(StrEnum):
    """A kind of evidence that is enough by itself to judge a clause."""

    FILE = "file"
    """A dump file: bytes in order, no times."""
    ONE_DIRECTION = "one direction"
    """A recording of the side that sends the message in question."""
    BOTH_DIRECTIONS = "both directions"
    """A capture of both sides with times, often of a probe made for the purpose."""
    SOURCE = "source"
    """The dump together with the sample it was made from."""


class Clause(Struct, frozen=True, kw_only=True):
    """One testable statement of the standard."""

    id: str
    """Family and number: PKT-05."""
    statement: str
    level: Level
    basis: Basis
    source: str
    """Document and page, or "none: ..." where nothing published says it."""
    judged: tuple[Judged, ...]
    check: str
    """How it is detected, one sentence."""

    @property
    def family(self) -> str:
        """The three letters that begin the id."""
        return self.id[:3]

    @property
    def family_name(self) -> str:
        """What the family is about, in words."""
        return FAMILIES[self.family]


@cache
def clauses() -> Mapping[str, Clause]:
    """Return every clause by its id, in the order of the register."""
    text = files("dryload.emulator.wire").joinpath("clauses.toml").read_text(encoding="utf-8")
    return MappingProxyType(parse_clauses(text))


def clause(clause_id: str) -> Clause:
    """Return one clause; a KeyError for an unknown id names the ids that look like it."""
    register = clauses()
    if clause_id in register:
        return register[clause_id]
    near = get_close_matches(clause_id.strip().upper(), register, n=3)
    hint = (
        f"did you mean {', '.join(near)}?"
        if near
        else f"an id is a family and two digits, and the families are {', '.join(FAMILIES)}"
    )
    raise KeyError(f"there is no clause {clause_id}: {hint}")


def parse_clauses(text: str) -> dict[str, Clause]:
    """Read a register from TOML text; a ValueError names the clause that is wrong."""
    document = tomllib.loads(text)
    if extra := sorted(document.keys() - {"clause"}):
        raise ValueError(f"a register holds [[clause]] tables only, not {', '.join(extra)}")
    rows = document.get("clause", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise ValueError("a clause is written as a [[clause]] table, with two brackets")
    register: dict[str, Clause] = {}
    for number, row in enumerate(rows, start=1):
        found = _clause(row, number)
        if found.id in register:
            raise ValueError(f"clause {found.id} is there twice")
        register[found.id] = found
    return register


def _clause(row: Mapping[str, object], number: int) -> Clause:
    where = f"clause {row['id']}" if "id" in row else f"clause number {number} (without an id)"
    if extra := sorted(row.keys() - _FIELDS):
        raise ValueError(f"{where} has unknown fields: {', '.join(extra)}")
    if missing := sorted(_FIELDS - row.keys()):
        raise ValueError(f"{where} lacks: {', '.join(missing)}")
    texts = {name: _text(row[name], where, name) for name in _TEXTS}
    if not _ID.fullmatch(texts["id"]):
        raise ValueError(f"{where}: an id is three capitals, a hyphen and two digits")
    if texts["id"][:3] not in FAMILIES:
        raise ValueError(f"{where}: the families are {', '.join(FAMILIES)}")
    return Clause(
        id=texts["id"],
        statement=texts["statement"],
        level=_word(Level, texts["level"], where, "level"),
        basis=_word(Basis, texts["basis"], where, "basis"),
        source=texts["source"],
        judged=_judged(row["judged"], where),
        check=texts["check"],
    )


def _text(value: object, where: str, field: str) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{where}: {field} must be a text that isn't empty, not {value!r}")
    return value


def _judged(value: object, where: str) -> tuple[Judged, ...]:
    if not isinstance(value, list) or not value:
        raise ValueError(f"{where}: judged must be a list of at least one, not {value!r}")
    kinds = tuple(_word(Judged, kind, where, "judged") for kind in value)
    if len(set(kinds)) != len(kinds):
        raise ValueError(f"{where}: judged names something twice")
    return kinds


_Word = TypeVar("_Word", bound=StrEnum)


def _word(kind: type[_Word], value: object, where: str, field: str) -> _Word:
    for member in kind:
        if member.value == value:
            return member
    raise ValueError(f"{where}: {field} must be one of {', '.join(kind)}, not {value!r}")
