"""The kinds of findings, as data: `findings.toml` holds them and explains its own fields."""

import tomllib
from functools import cache
from importlib.resources import files

from msgspec import Struct


class FindingKind(Struct, frozen=True, kw_only=True):
    """One thing that the judge can say; texts have {names} in them that whoever tells it fills."""

    clause: str
    side: str
    """Who has to mend it: "file", "sender", "receiver" or "rig"."""
    says: str
    many: str = ""
    expected: str = ""
    found: str = ""
    do: str = ""
    verdict: str | None = None


@cache
def finding_kinds() -> dict[str, FindingKind]:
    """Return every kind by its name; ValueError for a name that is there twice."""
    table = tomllib.loads(
        files("dryload.harness.judge").joinpath("findings.toml").read_text("utf-8")
    )
    rows: dict[str, dict[str, str]] = {}
    for side, clauses in table.items():
        for clause, kinds in clauses.items():
            for kind, row in kinds.items():
                if kind in rows:
                    raise ValueError(f"two kinds of findings are called {kind!r}")
                rows[kind] = {"side": side, "clause": clause, **row}
    return {kind: _kind(row, rows) for kind, row in rows.items()}


def _kind(row: dict[str, str], rows: dict[str, dict[str, str]]) -> FindingKind:
    own = dict(row)
    if (like := own.pop("like", None)) is not None:
        own = {**rows[like], **own}
    if own["side"] == "rig":
        own["verdict"] = row.get("verdict", "rig")
    return FindingKind(**own)
