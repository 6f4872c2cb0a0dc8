"""What `dryload clauses` says."""

import textwrap
from collections.abc import Sequence
from typing import Any, Final

from emulator.wire.clauses import Clause
from emulator.wire.prose import counted

SCHEMA: Final = "dryload/clauses/1"
_INDENT: Final = 10


def list_text(found: Sequence[Clause], width: int | None) -> list[str]:
    """Return one line a clause, family by family; broken to `width` columns where there is one."""
    lines: list[str] = []
    family = ""
    for clause in found:
        if clause.family != family:
            family = clause.family
            lines += [*([""] if lines else []), f"{clause.family_name} ({family})"]
        begin = f"  {clause.id}  "
        lines += _broken(f"{begin}{clause.level}: {clause.statement}", width, _INDENT)
    return [*lines, "", f"{counted(len(found), 'clause')}."]


def detail_text(found: Sequence[Clause], width: int | None) -> list[str]:
    """Return everything about each clause."""
    lines: list[str] = []
    for clause in found:
        lines += [""] if lines else []
        lines.append(f"{clause.id}, {clause.family_name.lower()}")
        rows = (
            ("says", clause.statement),
            ("level", _level(clause)),
            ("source", clause.source),
            ("judged by", ", ".join(clause.judged)),
            ("how", clause.check),
        )
        for name, value in rows:
            lines += _broken(f"  {name:<10}{value}", width, _INDENT + 2)
    return lines


def document(found: Sequence[Clause]) -> dict[str, Any]:
    """Return clauses for programs."""
    return {"schema": SCHEMA, "clauses": [_document(clause) for clause in found]}


def _level(clause: Clause) -> str:
    return f"{clause.level}; it rests on: {clause.basis}"


def _document(clause: Clause) -> dict[str, Any]:
    return {
        "id": clause.id,
        "family": clause.family,
        "family_name": clause.family_name,
        "statement": clause.statement,
        "level": str(clause.level),
        "basis": str(clause.basis),
        "source": clause.source,
        "judged": [str(kind) for kind in clause.judged],
        "check": clause.check,
    }


def _broken(line: str, width: int | None, indent: int) -> list[str]:
    if width is None:
        return [line]
    return textwrap.wrap(
        line, max(width, 2 * indent), subsequent_indent=" " * indent, break_on_hyphens=False
    )
