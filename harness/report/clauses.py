"""What `dryload clauses` says."""

from collections.abc import Sequence
from typing import Final

from dryload.emulator.wire.clauses import Clause
from dryload.emulator.wire.prose import counted
from dryload.harness.report.document import Document, fields_of
from dryload.harness.report.table import apart, folded

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
        lines += folded(f"{begin}{clause.level}: {clause.statement}", width, _INDENT)
    return [*lines, "", f"{counted(len(found), 'clause')}."]


def detail_text(found: Sequence[Clause], width: int | None) -> list[str]:
    """Return everything about each clause."""
    return apart(_details(clause, width) for clause in found)


def document(found: Sequence[Clause]) -> Document:
    """Return clauses for programs."""
    clauses = [
        {**fields_of(clause), "family": clause.family, "family_name": clause.family_name}
        for clause in found
    ]
    return {"schema": SCHEMA, "clauses": clauses}


def _details(clause: Clause, width: int | None) -> list[str]:
    rows = (
        ("says", clause.statement),
        ("level", f"{clause.level}; it rests on: {clause.basis}"),
        ("source", clause.source),
        ("judged by", ", ".join(clause.judged)),
        ("how", clause.check),
    )
    lines = [f"{clause.id}, {clause.family_name.lower()}"]
    for name, value in rows:
        lines += folded(f"  {name:<10}{value}", width, _INDENT + 2)
    return lines
