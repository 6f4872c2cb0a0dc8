"""`dryload profiles`: the emulated units there are, and what they do."""

from typing import Annotated

from dryload.harness.cli.options import AsJson, argument
from dryload.harness.cli.terminal import show, width


def profiles(
    name: Annotated[
        str | None, argument("NAME", "A unit to describe in full, or your own .toml file.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the emulated units, or describe one of them in full."""
    from dryload.emulator.unit.profile import DEFAULT_PROFILE, profile_names
    from dryload.harness.cli.own_unit import profile_of
    from dryload.harness.report import profiles as report

    if name is None:
        found = [profile_of(each) for each in profile_names()]
        lines = report.list_text(found, DEFAULT_PROFILE, width())
        document = report.list_document(found, DEFAULT_PROFILE)
    else:
        profile = profile_of(name.removeprefix("unit:"))
        lines, document = report.one_text(profile), report.one_document(profile)
    show(lines, document, as_json=as_json)
