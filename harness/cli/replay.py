"""`dryload replay`: play dumps to a unit, read them back, compare, report."""

from dryload.harness.cli.options import check_place
from dryload.harness.cli.replay_request import ReplayRequest


def replay(asked: ReplayRequest) -> None:
    """Play dumps to a unit, read them back, compare and report.
    The unit is emulated (unit:lantern-desk) unless --to names another one. With a port,
    this is the real transfer: samples in the unit that have the same numbers are replaced.
    """
    from dryload.harness.cli.live import play_live
    from dryload.harness.cli.rehearsing import rehearse

    check_place(asked.target)
    (play_live if asked.target.is_live else rehearse)(asked)
