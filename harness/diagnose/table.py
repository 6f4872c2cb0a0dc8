"""The register of causes, and the rules that suspect them.

Theory of operation.  `causes.toml` holds the causes and explains its own fields; this file only
reads and checks it.  `parse_causes` is pure and takes text; `TABLE` is the register that is
shipped.  A mistake in the register is ours, so it raises and names the cause.
"""

import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Final

from emulator.wire.clauses import clauses
from harness.diagnose.cause import Cause, Suspicion, Where
from harness.diagnose.scene import Scene
from harness.faults.catalogue import faults

_TEXTS: Final = ("name", "where", "sentence", "tells", "experiment")
_NEEDED: Final = frozenset({"name", "where", "sentence", "tells", "remedy"})
_FIELDS: Final = frozenset(
    {*_TEXTS, "remedy", "faults", "harmless", "explains", "brings"},
)


@dataclass(frozen=True, slots=True)
class Table:
    """The causes that a diagnosis knows of."""

    causes: tuple[Cause, ...]
    """Of two that are suspected as strongly, the one that stands here first is told first."""

    def without(self, *names: str) -> "Table":
        """Return the table without some causes, as if nobody had thought of them."""
        return Table(tuple(each for each in self.causes if each.name not in names))

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
    rows = document.pop("cause", [])
    if document:
        raise ValueError(f"a register has no {', '.join(sorted(document))}")
    found: dict[str, Cause] = {}
    for number, row in enumerate(rows, start=1):
        cause = _cause(row, number, steps, groups)
        if cause.name in found:
            raise ValueError(f"cause {cause.name!r} is there twice")
        found[cause.name] = cause
    for cause in found.values():
        if unknown := set(cause.brings) - set(found):
            raise ValueError(f"cause {cause.name!r} brings {', '.join(sorted(unknown))}: not there")
    return Table(tuple(found.values()))


def _cause(
    row: Mapping[str, Any], number: int, steps: Mapping[str, str], groups: Mapping[str, list[str]]
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
    if strange := [each for each in explains if each not in clauses()]:
        raise ValueError(f"{where} explains {', '.join(strange)}: no such clause")
    return Cause(
        name=row["name"],
        where=Where(row["where"]),
        sentence=row["sentence"],
        tells=row["tells"],
        remedy=tuple(_step(each, steps, where) for each in row["remedy"]),
        experiment=_rehearsed(row.get("experiment", ""), where),
        faults=tuple(row.get("faults", ())),
        explains=frozenset(explains),
        brings=tuple(row.get("brings", ())),
        is_harmless=row.get("harmless", False),
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
Rule = Callable[[Scene], Iterator[Suspicion]]
"""Looks at a scene and yields what it suspects; knows of no other rule."""


def all_rules() -> tuple[Rule, ...]:
    """Return every rule; those of content import numpy, so they are looked up late."""
    from harness.diagnose.rules_answers import ANSWER_RULES
    from harness.diagnose.rules_file import FILE_RULES
    from harness.diagnose.rules_unit import UNIT_RULES
    from harness.diagnose.rules_way import WAY_RULES

    return (*WAY_RULES, *ANSWER_RULES, *UNIT_RULES, *FILE_RULES)
