"""What `dryload replay` is asked for: its arguments and options, each declared as a field."""

from functools import cached_property
from typing import TYPE_CHECKING, Annotated

from msgspec import Struct

from dryload.harness.cli.options import (
    EMULATED,
    PATIENCE_S,
    PLAYED,
    PORT,
    AsJson,
    Capture,
    Disturb,
    Hear,
    Initialise,
    Operator,
    Overwrite,
    Pace,
    Patience,
    answer_ns_of,
    argument,
    flag,
    switch_off,
    value,
)
from dryload.harness.cli.target import Target, target_of
from dryload.harness.files.opening import NamedFiles, named, shown
from dryload.harness.files.problem import Problem

if TYPE_CHECKING:
    from dryload.harness.plan.rehearsed import Bench, Chosen


class ReplayRequest(Struct, frozen=True, kw_only=True, dict=True):
    """What is asked for: each field is an argument or an option of the command."""

    files: Annotated[
        list[str],
        argument(
            "FILE",
            "Dumps, folders, backups or a plan; a capture is played verbatim.",
            group=PLAYED,
        ),
    ]
    to: Annotated[
        str | None,
        value("TARGET", "unit:NAME, unit:FILE.toml, midi:PORT or tcp:HOST:PORT.", group=PLAYED),
    ] = None
    number: Annotated[
        int | None, value("N", "Give the samples the numbers N, N+1 and so on.", group=PLAYED)
    ] = None
    device_id: Annotated[
        int | None, value("N", "Address the dumps to this device ID, 0 to 127.", group=PLAYED)
    ] = None
    replace: Annotated[
        bool,
        flag(
            "--replace", "Let dumps with the same sample number replace each other.", group=PLAYED
        ),
    ] = False
    anyway: Annotated[bool, flag("--anyway", "Send broken or altered dumps too.", group=PLAYED)] = (
        False
    )
    read_back: Annotated[
        bool,
        switch_off("--no-read-back", "Do not read the samples back for comparison.", group=PLAYED),
    ] = True
    banks: Annotated[
        int | None,
        value("N", "Start with N newly fitted banks, not yet initialised.", group=EMULATED),
    ] = None
    initialise: Initialise = False
    operator: Operator = "8"
    disturb: Disturb = None
    hear: Hear = None
    pace: Pace = True
    patience: Patience = PATIENCE_S
    resume: Annotated[
        bool, flag("--resume", "Continue the last replay to this target.", group=PORT)
    ] = False
    journal: Annotated[
        str | None, value("FILE", "Keep the progress for --resume in this file.", group=PORT)
    ] = None
    capture: Capture = None
    overwrite: Overwrite = False
    as_json: AsJson = False

    @cached_property
    def target(self) -> Target:
        """Where to; a Problem where that is no target."""
        if self.to is None:
            unit = "lantern-desk" if self.planned is None else self.planned[0].unit
            return Target(kind="unit", where=unit)
        return target_of(self.to, option="--to")

    @cached_property
    def planned(self) -> "tuple[Bench, Chosen] | None":
        """The unit and the samples of a plan; None where other files are played."""
        from dryload.harness.jobs.transfer import Settings
        from dryload.harness.plan.kept import is_evening, ready

        plans = [each for each in self.files if is_evening(each)]
        if plans and len(self.files) > 1:
            raise Problem(f"{shown(plans[0])} is a plan: it is played by itself.")
        return ready(plans[0], Settings()) if plans else None

    @cached_property
    def given(self) -> NamedFiles:
        """The files, with those of folders in place of the folders."""
        return named(self.files)

    @cached_property
    def answer_ns(self) -> int:
        """How long the unit may take to answer a request; a Problem for what is out of range."""
        return answer_ns_of(self.patience)
