"""`dryload disturbances`: what can go wrong in a rehearsal, and how to ask for it."""

from typing import Annotated

from dryload.harness.cli.options import AsJson, argument


def disturbances(
    names: Annotated[
        list[str] | None,
        argument(
            "NAME", 'Faults or everyday situations to describe in full, such as "flip a bit".'
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the faults that --disturb can cause in a rehearsal.

    For example: dryload replay FILE --disturb "flip a bit in packet 7". --disturb may be repeated.
    The same words and the same seed always have the same effect, byte for byte.
    """
    from difflib import get_close_matches

    from dryload.harness.cli.terminal import show, width
    from dryload.harness.faults.catalogue import Fault, Situation, faults, situations
    from dryload.harness.files.opening import shown
    from dryload.harness.files.problem import Problem
    from dryload.harness.report import disturbances as report

    everything: list[Fault | Situation] = [*faults(), *situations()]
    known = {each.name.lower(): each for each in everything}
    found: list[Fault | Situation] = []
    for name in names or ():
        wanted = " ".join(name.lower().split())
        if wanted not in known:
            near = get_close_matches(wanted, known, n=1)
            raise Problem(
                f"there is no disturbance or situation {shown(name)}.",
                do=f"Did you mean {known[near[0]].name}?"
                if near
                else "dryload disturbances lists them.",
            )
        found.append(known[wanted])
    lines = report.detail_text(found, width()) if found else report.list_text(width())
    show(lines, report.document(found or everything), as_json=as_json)
