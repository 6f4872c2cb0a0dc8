"""The register of causes, and the rules that suspect them.

Theory of operation.  `causes.toml` holds the causes and explains its own fields; this file only
reads and checks it.  `parse_causes` is pure and takes text; `TABLE` is the register that is
shipped.  A mistake in the register is ours, so it raises and names the cause.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.wire.clauses import clauses
from dryload.harness.diagnose.cause import Cause, CauseRow, Strength, Want, Where
from dryload.harness.diagnose.sign import CONTEXT, FINDING
from dryload.harness.faults.catalogue import faults

_OF_ROW: Final = ("sign", "clause", "strength", "with", "unless", "because")
_OF_FINDING: Final = ("verdict", "who", "packet", "inside", "proved", "reason")
_AT_LEAST: Final = "at least "
_VALIDATE: Final = "@validate"
_Texts = Mapping[str, Any]


class SignKind(Struct, frozen=True, kw_only=True):
    """What a kind of sign means."""

    means: str
    values: tuple[str, ...] = ()
    """Names of the values that tell one of its kind from another."""
    harmless: bool = False
    """Whether nothing is wrong where no cause explains it."""


class Table(Struct, frozen=True, kw_only=True):
    """The causes that a diagnosis knows of."""

    causes: tuple[Cause, ...]
    """Of two that are suspected as strongly, the one that stands here first is told first."""
    signs: Mapping[str, SignKind]
    """Every kind of sign that there is beside findings, by its name."""
    odd: frozenset[str] = frozenset()
    """Clauses of which a finding that is only noted needs a cause all the same."""
    usual: frozenset[str] = frozenset()
    """Clauses of which a finding that is held against the rig needs none."""

    def without(self, *names: str) -> "Table":
        """Return the table without some causes, as if nobody had thought of them."""
        return replace(self, causes=tuple(e for e in self.causes if e.name not in names))

    def named(self, name: str) -> Cause:
        """Return the cause of this name; KeyError where there is none."""
        for each in self.causes:
            if each.name == name:
                return each
        raise KeyError(f"no cause is called {name!r}")


def parse_causes(text: str) -> Table:
    """Read a register from TOML text; a ValueError names the cause that is wrong."""
    document = tomllib.loads(text)
    signs = {
        name: SignKind(**{**row, "values": tuple(row.get("values", ()))})
        for name, row in document.get("signs", {}).items()
    }
    found: dict[str, Cause] = {}
    for number, row in enumerate(document.get("cause", []), start=1):
        where = f"cause {row['name']!r}" if "name" in row else f"cause number {number}"
        try:
            cause = _cause(row, document, signs)
        except (KeyError, TypeError, ValueError) as wrong:
            raise ValueError(f"{where}: {wrong}") from wrong
        if cause.name in found:
            raise ValueError(f"{where} is there twice")
        found[cause.name] = cause
    odd, usual = (frozenset(document.get(name, ())) for name in ("odd", "usual"))
    return Table(causes=tuple(found.values()), signs=signs, odd=odd, usual=usual)


def _cause(row: _Texts, document: _Texts, signs: Mapping[str, SignKind]) -> Cause:
    steps, groups = document.get("steps", {}), document.get("groups", {})
    where, is_harmless = Where(row["where"]), row.get("harmless", False)
    explains = [one for each in row.get("explains", []) for one in _opened(each, groups)]
    if strange := [each for each in explains if each not in (*clauses(), *signs)]:
        raise ValueError(f"it explains {', '.join(strange)}: no clause and no sign")
    usual = _VALIDATE if where is Where.FILE and not is_harmless else ""
    experiment = _opened(row.get("experiment", usual), steps)[0]
    rest = {name: value for name, value in row.items() if name != "harmless"}
    made = {
        "where": where,
        "remedy": tuple(_opened(each, steps)[0] for each in row["remedy"]),
        "experiment": "".join(_rehearsed(experiment)),
        "rows": tuple(
            _row(each, at, signs) for at, each in enumerate(row.get("rows", ()), start=1)
        ),
        "explains": frozenset(explains),
        "is_harmless": is_harmless,
    }
    return Cause(**{**rest, **made})


def _row(row: _Texts, at: int, signs: Mapping[str, SignKind]) -> CauseRow:
    try:
        return CauseRow(
            sign=_want(row, signs),
            beside=tuple(_want(each, signs) for each in row.get("with", ())),
            unless=tuple(_want(each, signs) for each in row.get("unless", ())),
            strength=Strength[row["strength"].upper()],
            because=row.get("because", ""),
        )
    except (KeyError, ValueError) as wrong:
        raise ValueError(f"row {at}: {wrong}") from wrong


def _want(row: _Texts, signs: Mapping[str, SignKind]) -> Want:
    """Return what is asked of a sign: a value, one of several, or "at least 3"."""
    asked = {name: value for name, value in row.items() if name not in _OF_ROW}
    if "clause" in row:
        names = _several(row["clause"])
        known: tuple[str, ...] = _OF_FINDING
        if strange := [each for each in names if each not in clauses()]:
            raise ValueError(f"there is no clause {', '.join(map(str, strange))}")
    else:
        names = _several(row["sign"])
        known = tuple(value for each in names for value in signs[each].values)
    if strange := sorted(asked.keys() - {*known, *CONTEXT}):
        raise ValueError(f"a {names[0] if 'sign' in row else FINDING} has no {', '.join(strange)}")
    large = {
        name: int(value.removeprefix(_AT_LEAST))
        for name, value in asked.items()
        if isinstance(value, str) and value.startswith(_AT_LEAST)
    }
    values = {name: _several(value) for name, value in asked.items() if name not in large}
    return Want(names=names, values=values, at_least=large)


def _several(value: Any) -> tuple[Any, ...]:
    return tuple(value) if isinstance(value, list) else (value,)


def _opened(name: str, shared: Mapping[str, Any]) -> tuple[str, ...]:
    """Return what a name stands for: "@words" for what several share, else itself."""
    if not name.startswith("@"):
        return (name,)
    if name[1:] not in shared:
        raise ValueError(f"it names {name}, which is not there")
    return _several(shared[name[1:]])


def _rehearsed(text: str) -> Iterator[str]:
    """Yield the parts of a text, "{name}" as the command that rehearses a fault."""
    commands = _commands()
    for part in re.split(r"(\{[^}]*\})", text):
        if part.startswith("{") and part[1:-1] not in commands:
            raise ValueError(f"it rehearses {part[1:-1]!r}: no such fault")
        yield commands[part[1:-1]] if part.startswith("{") else part


@cache
def _commands() -> Mapping[str, str]:
    return {fault.name: fault.command for fault in faults()}


TABLE: Final = parse_causes(
    files("dryload.harness.diagnose").joinpath("causes.toml").read_text(encoding="utf-8")
)
