"""A rehearsal: the emulated unit of a profile on a simulated line, and a replay over it."""

from collections.abc import Callable, Sequence

from emulator.dump.capture import Direction
from emulator.dump.events import Event
from emulator.line.disturbance import AppliedFault, Disturbance
from emulator.line.link import Link
from emulator.line.simulate import SimulatedLine
from emulator.line.trouble import Trouble, TroubledUnit
from emulator.unit.board import RackUnit
from emulator.unit.possible import Profile
from harness.jobs.replay import Progress, Replay
from harness.jobs.transfer import Settings


class Rehearsal:
    """An emulated unit, the line to it and the replay that plays dumps over that line.

    `link` is the interface between the host and the line; None: one that does nothing.
    `troubles` happen inside the unit.  `host_side` keeps in the capture what the host sent, and not
    what of it arrived.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        settings: Settings | None = None,
        disturbances: Sequence[Disturbance] = (),
        troubles: Sequence[Trouble] = (),
        link: Link | None = None,
        host_side: bool = False,
        progress: Progress | None = None,
        wants_stop: Callable[[], bool] | None = None,
    ) -> None:
        self.unit = RackUnit(profile)
        self._troubled = TroubledUnit(self.unit, troubles) if troubles else None
        self.line = SimulatedLine(
            self._troubled or self.unit,
            disturbances=disturbances,
            link=link,
            host_side=host_side,
            listener=self._hear,
        )
        self.replay = Replay(
            self.line,
            emulated=self.unit,
            settings=settings,
            progress=progress,
            wants_stop=wants_stop,
        )

    @property
    def struck(self) -> list[AppliedFault]:
        """What the disturbances did so far, on the line and in the unit, by the time of it."""
        inside = () if self._troubled is None else self._troubled.struck
        return sorted((*self.line.struck, *inside), key=lambda each: each.at_ns)

    def _hear(self, direction: Direction, events: Sequence[Event]) -> None:
        self.replay.hear(events)
