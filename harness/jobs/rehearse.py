"""A rehearsal: the emulated unit of a profile on a simulated line, and a replay over it."""

from collections.abc import Callable, Sequence
from typing import Final

from dryload.emulator.line.disturbance import AppliedFault, Disturbance
from dryload.emulator.line.link import Link
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.line.trouble import Trouble, TroubledUnit
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.possible import Profile
from dryload.harness.jobs.operator import Operator
from dryload.harness.jobs.transfer import Replay, Settings, StepProgress


class Rehearsal(Replay):
    """The replay that plays dumps to an emulated unit over a simulated line.

    `link` is the interface between the host and the line; None: one that does nothing.  Those of
    the `disturbances` that are troubles happen inside the unit.  `host_side` keeps in the capture
    what the host sent, and not what of it arrived.  Without `leaps` progress is told and stops are
    looked for at each packet that a unit stores, and not every ten seconds of the line.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        settings: Settings | None = None,
        disturbances: Sequence[Disturbance] = (),
        link: Link | None = None,
        host_side: bool = False,
        leaps: bool = True,
        progress: StepProgress | None = None,
        wants_stop: Callable[[], bool] | None = None,
    ) -> None:
        settings = settings or Settings()
        self.unit = RackUnit(profile)
        troubles = [each for each in disturbances if isinstance(each, Trouble)]
        self._troubled = TroubledUnit(self.unit, troubles) if troubles else None
        self.line = SimulatedLine(
            self._troubled or self.unit,
            disturbances=[each for each in disturbances if not isinstance(each, Trouble)],
            link=link,
            host_side=host_side,
            listener=lambda _, events: self.hear(events),
            leaps=leaps,
        )
        self._at_the_unit: Final = Operator(self.unit, self.line, settings.operator_ns)
        super().__init__(
            self.line,
            operator=self._at_the_unit,
            settings=settings,
            progress=progress,
            wants_stop=wants_stop,
        )

    @property
    def struck(self) -> list[AppliedFault]:
        """What the disturbances did so far, on the line and in the unit, by the time of it."""
        inside = () if self._troubled is None else self._troubled.struck
        return sorted((*self.line.struck, *inside), key=lambda each: each.at_ns)

    @property
    def visits(self) -> int:
        """How often somebody had to walk to the unit."""
        return self._at_the_unit.visits

    def finish(self) -> None:
        """After the last dump: let somebody confirm it if the unit wants that."""
        self._at_the_unit.get_ready()
