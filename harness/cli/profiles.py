"""`dryload profiles`: the emulated units there are, and what they do."""

from typing import Annotated

from harness.cli.options import AsJson, argument
from harness.cli.terminal import show, width


def profiles(
    name: Annotated[
        str | None, argument("NAME", "A unit to describe in full, or your own .toml file.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the emulated units, or describe one of them in full."""
    from emulator.unit.profile import DEFAULT_PROFILE, ProfileError, load_profile, profile_names
    from harness.files.opening import shown_lines
    from harness.files.problem import Problem
    from harness.report import profiles as report

    try:
        if name is None:
            found = [load_profile(each) for each in profile_names()]
            lines, document = (
                report.list_text(found, DEFAULT_PROFILE, width()),
                report.list_document(found, DEFAULT_PROFILE),
            )
        else:
            profile = load_profile(name.removeprefix("unit:"))
            lines, document = report.one_text(profile), report.one_document(profile)
    except ProfileError as problem:
        raise Problem(f"{shown_lines(str(problem))}.") from problem
    show(lines, document, as_json=as_json)
