"""`dryload disturbances`: what can go wrong in a rehearsal, and how to ask for it."""

from typing import Annotated

import typer


def disturbances(
    names: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="NAME...",
            help='Disturbances or everyday situations to tell everything about: "flip a bit".',
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """List what can be done to the line, the unit and the host in a rehearsal, with the words.

    dryload replay FILE --disturb "WHAT, WHERE AND WHEN" does it; several --disturb add up. The same
    words and the same seed do the same to the byte, every time.
    """
    import json
    from difflib import get_close_matches

    from harness.cli.terminal import width
    from harness.files.opening import shown
    from harness.files.problem import Problem
    from harness.jobs.disturb_scenes import SITUATIONS, Situation
    from harness.jobs.disturb_word import Word
    from harness.jobs.disturb_words import WORDS
    from harness.report import disturbances as report

    everything: list[Word | Situation] = [*WORDS, *SITUATIONS]
    known = {each.name.lower(): each for each in everything}
    found: list[Word | Situation] = []
    for name in names or ():
        wanted = " ".join(name.lower().split())
        if wanted not in known:
            near = get_close_matches(wanted, known, n=1)
            raise Problem(
                f"there is no disturbance and no situation {shown(name)}.",
                do=f"Did you mean {known[near[0]].name}?"
                if near
                else "dryload disturbances lists them.",
            )
        found.append(known[wanted])
    if as_json:
        typer.echo(json.dumps(report.document(found or everything), indent=2))
        return
    lines = report.detail_text(found, width()) if found else report.list_text(width())
    typer.echo("\n".join(lines))
