"""`dryload replay`: play dumps to a unit, read them back, compare, report."""

from collections.abc import Iterator

import click

from dryload.harness.cli.options import EMULATED, PORT
from dryload.harness.cli.replay_request import ReplayRequest
from dryload.harness.files.problem import Problem


def replay(asked: ReplayRequest) -> None:
    """Play dumps to a unit, read them back, compare and report.
    The unit is emulated (unit:lantern-desk) unless --to names another one. With a port,
    this is the real transfer: samples in the unit that have the same numbers are replaced.
    """
    from dryload.harness.cli.live import play_live
    from dryload.harness.cli.rehearsing import rehearse

    for option in _given(EMULATED if asked.target.is_live else PORT):
        place = "an emulated unit (unit:)" if asked.target.is_live else "a port (midi: or tcp:)"
        raise Problem(f"{option} is for {place}, and --to is {asked.target.given}.")
    (play_live if asked.target.is_live else rehearse)(asked)


def _given(group: str) -> Iterator[str]:
    """Yield the names of those options of a group that stand on the command line."""
    ctx = click.get_current_context()
    for each in ctx.command.params:
        source = ctx.get_parameter_source(str(each.name))
        is_given = source is not None and source.name == "COMMANDLINE"
        if is_given and getattr(each, "group", None) == group:
            yield [*each.opts, *each.secondary_opts][0]
