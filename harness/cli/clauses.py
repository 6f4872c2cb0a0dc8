"""`dryload clauses`: the clauses of the standard, one statement each."""

from collections.abc import Callable
from typing import Annotated

from dryload.emulator.wire.clauses import FAMILIES, Judged, Level, clause
from dryload.emulator.wire.clauses import clauses as register
from dryload.harness.cli.options import AsJson, argument, value
from dryload.harness.cli.terminal import show, width
from dryload.harness.files.problem import Problem
from dryload.harness.report import clauses as report


def clauses(
    ids: Annotated[
        list[str] | None, argument("ID", "Clauses to describe in full, such as PKT-05.")
    ] = None,
    family: Annotated[
        str | None, value("NAME", "List only this family: FRM, HDR, PKT, HSK, ...")
    ] = None,
    level: Annotated[
        str | None, value("LEVEL", "List only these: must, should or information.")
    ] = None,
    judged: Annotated[
        str | None,
        value(
            "EVIDENCE",
            "List only what can be judged from: file, one direction, both directions, source.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the clauses of the standard, or describe some in full."""
    wanted_family = _one_of(family, list(FAMILIES), "family", str.upper)
    wanted_level = _one_of(level, [str(each) for each in Level], "level", str.lower)
    wanted_evidence = _one_of(judged, [str(each) for each in Judged], "evidence", str.lower)
    try:
        named = [clause(each.strip().upper()) for each in ids or ()]
    except KeyError as unknown:
        what, _, do = str(unknown.args[0]).partition(": ")
        raise Problem(
            f"{what}.", do=do[0].upper() + do[1:] + ("" if do.endswith("?") else ".")
        ) from unknown
    found = [
        each
        for each in named or register().values()
        if wanted_family in (None, each.family)
        and wanted_level in (None, str(each.level))
        and (wanted_evidence is None or wanted_evidence in map(str, each.judged))
    ]
    if not found:
        raise Problem("no clause matches all of that.", do="Leave out a condition.")
    lines = report.detail_text if named else report.list_text
    show(lines(found, width()), report.document(found), as_json=as_json)


def _one_of(
    given: str | None, legal: list[str], what: str, spelled: Callable[[str], str]
) -> str | None:
    """Return `given` in its usual spelling; a Problem that lists the legal values otherwise."""
    if given is None or spelled(given) in legal:
        return None if given is None else spelled(given)
    raise Problem(f"there is no {what} {given!r}.", do=f"There are: {', '.join(legal)}.")
