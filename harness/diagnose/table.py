"""The register of causes, and the rules that suspect them.

Theory of operation.  `causes.toml` holds the causes and explains its own fields; this file only
reads and checks it.  `parse_causes` is pure and takes text; `TABLE` is the register that is
shipped.  A mistake in the register is ours, so it raises and names the cause.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any, Final

from emulator.wire.clauses import clauses
from harness.diagnose.cause import Cause, Row, Strength, Want, Where
from harness.faults.catalogue import faults

_TEXTS: Final = ("name", "where", "sentence", "tells", "experiment")
_NEEDED: Final = frozenset({"name", "where", "sentence", "tells", "remedy"})
_FIELDS: Final = frozenset(
    {*_TEXTS, "remedy", "faults", "harmless", "explains", "rows"},
)
_OF_ROW: Final = ("strength", "unless", "because")
_AT_LEAST: Final = "at least "
_STRENGTHS: Final = {each.name.lower(): each for each in Strength}


@dataclass(frozen=True, slots=True, kw_only=True)
class SignKind:
    """What a kind of sign means."""

    name: str
    means: str
    values: tuple[str, ...]
    """Names of the values that tell one of its kind from another."""
    is_harmless: bool
    """Whether nothing is wrong where no cause explains it."""


@dataclass(frozen=True, slots=True)
class Table:
    """The causes that a diagnosis knows of."""

    causes: tuple[Cause, ...]
    """Of two that are suspected as strongly, the one that stands here first is told first."""
    signs: Mapping[str, SignKind]
    """Every kind of sign that there is, by its name."""

    def without(self, *names: str) -> "Table":
        """Return the table without some causes, as if nobody had thought of them."""
        return replace(self, causes=tuple(e for e in self.causes if e.name not in names))

    def __contains__(self, name: str) -> bool:
        """Whether there is a cause of this name."""
        return any(each.name == name for each in self.causes)

    def named(self, name: str) -> Cause:
        """Return the cause of this name; KeyError where there is none."""
        for each in self.causes:
            if each.name == name:
                return each
        raise KeyError(f"no cause is called {name!r}")

    def place_of(self, name: str) -> int:
        """Return where in the table a cause stands; KeyError where there is none."""
        return self.causes.index(self.named(name))


def parse_causes(text: str) -> Table:
    """Read a register from TOML text; a ValueError names the cause that is wrong."""
    document = tomllib.loads(text)
    steps, groups = document.pop("steps", {}), document.pop("groups", {})
    signs = {
        name: SignKind(
            name=name,
            means=row["means"],
            values=tuple(row.get("values", ())),
            is_harmless=row.get("harmless", False),
        )
        for name, row in document.pop("signs", {}).items()
    }
    rows = document.pop("cause", [])
    if document:
        raise ValueError(f"a register has no {', '.join(sorted(document))}")
    found: dict[str, Cause] = {}
    for number, row in enumerate(rows, start=1):
        cause = _cause(row, number, steps, groups, signs)
        if cause.name in found:
            raise ValueError(f"cause {cause.name!r} is there twice")
        found[cause.name] = cause
    return Table(tuple(found.values()), signs)


def _cause(
    row: Mapping[str, Any],
    number: int,
    steps: Mapping[str, str],
    groups: Mapping[str, list[str]],
    signs: Mapping[str, SignKind],
) -> Cause:
    where = f"cause {row['name']!r}" if "name" in row else f"cause number {number}"
    if unknown := sorted(row.keys() - _FIELDS):
        raise ValueError(f"{where} has a field that there is not: {', '.join(unknown)}")
    if missing := sorted(_NEEDED - row.keys()):
        raise ValueError(f"{where} lacks {', '.join(missing)}")
    for name in _TEXTS:
        if not isinstance(row.get(name, ""), str):
            raise ValueError(f"{where}: {name} is no text")
    if row["where"] not in [each.value for each in Where]:
        raise ValueError(f"{where}: nothing lies {row['where']!r}")
    explains = [
        one for each in row.get("explains", []) for one in _opened(each, groups, where, [each])
    ]
    if strange := [each for each in explains if each not in (*clauses(), *signs)]:
        raise ValueError(f"{where} explains {', '.join(strange)}: no clause and no sign")
    return Cause(
        name=row["name"],
        where=Where(row["where"]),
        sentence=row["sentence"],
        tells=row["tells"],
        remedy=tuple(_step(each, steps, where) for each in row["remedy"]),
        experiment=_rehearsed(row.get("experiment", ""), where),
        rows=tuple(
            _row(each, f"{where}, row {at}", signs)
            for at, each in enumerate(row.get("rows", ()), start=1)
        ),
        faults=tuple(row.get("faults", ())),
        explains=frozenset(explains),
        is_harmless=row.get("harmless", False),
    )


def _row(row: Mapping[str, Any], where: str, signs: Mapping[str, SignKind]) -> Row:
    if row.get("strength") not in _STRENGTHS:
        raise ValueError(f"{where}: strength is one of {', '.join(_STRENGTHS)}")
    sign = {name: value for name, value in row.items() if name not in _OF_ROW}
    return Row(
        sign=_want(sign, where, signs),
        unless=tuple(_want(each, where, signs) for each in row.get("unless", ())),
        strength=_STRENGTHS[row["strength"]],
        because=row.get("because", ""),
    )


def _want(row: Mapping[str, Any], where: str, signs: Mapping[str, SignKind]) -> Want:
    """Return what is asked of a sign: a value, one of several, or "at least 3"."""
    kind = row.get("sign", "")
    if kind not in signs:
        raise ValueError(f"{where} wants the sign {kind!r}, which is not in [signs]")
    asked = {name: value for name, value in row.items() if name != "sign"}
    if strange := sorted(asked.keys() - set(signs[kind].values)):
        raise ValueError(f"{where}: a sign {kind!r} has no {', '.join(strange)}")
    large = {
        name: int(value.removeprefix(_AT_LEAST))
        for name, value in asked.items()
        if isinstance(value, str) and value.startswith(_AT_LEAST)
    }
    return Want(
        kind=kind,
        values={
            name: tuple(value) if isinstance(value, list) else (value,)
            for name, value in asked.items()
            if name not in large
        },
        at_least=large,
    )


def _opened(
    name: str, groups: Mapping[str, list[str]], where: str, otherwise: list[str]
) -> Iterable[str]:
    """Return what a name stands for: "@words" for a group, anything else for itself."""
    if not name.startswith("@"):
        return otherwise
    if name[1:] not in groups:
        raise ValueError(f"{where} names the group {name[1:]!r}, which is not there")
    return groups[name[1:]]


def _step(text: str, steps: Mapping[str, str], where: str) -> str:
    if not text.startswith("@"):
        return text
    if text[1:] not in steps:
        raise ValueError(f"{where} names the step {text[1:]!r}, which is not there")
    return steps[text[1:]]


def _rehearsed(text: str, where: str) -> str:
    """Return a text in which "{name}" is the command that rehearses a fault."""

    def command(name: re.Match[str]) -> str:
        for fault in faults():
            if fault.name == name[1]:
                return fault.command
        raise ValueError(f"{where} rehearses {name[1]!r}: no such fault")

    return re.sub(r"\{([^}]*)\}", command, text)


TABLE: Final = parse_causes(
    files("harness.diagnose").joinpath("causes.toml").read_text(encoding="utf-8")
)
