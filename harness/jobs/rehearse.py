"""A rehearsal: the emulated unit of a profile on a simulated line, and a replay over it."""

from collections.abc import Callable, Sequence
from typing import Final

from emulator.dump.capture import Direction
from emulator.dump.events import Event
from emulator.line.disturbance import AppliedFault, Disturbance
from emulator.line.link import Link
from emulator.line.simulate import SimulatedLine
from emulator.line.trouble import Trouble, TroubledUnit
from emulator.unit.board import RackUnit
from emulator.unit.keeper import Receipt
from emulator.unit.possible import Profile
from emulator.wire.messages import Header
from harness.jobs.dumps import Dump
from harness.jobs.line import MINUTE_NS, Line
from harness.jobs.outcome import MemoryOutcome
from harness.jobs.transfer import Replay, Settings, StepProgress
from harness.judge.difference import compare_samples


class Rehearsal:
    """An emulated unit, the line to it and the replay that plays dumps over that line.

    `link` is the interface between the host and the line; None: one that does nothing.  Those of
    the `disturbances` that are troubles happen inside the unit.  `host_side` keeps in the capture
    what the host sent, and not what of it arrived.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        settings: Settings | None = None,
        disturbances: Sequence[Disturbance] = (),
        link: Link | None = None,
        host_side: bool = False,
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
            listener=self._hear,
        )
        self._operator: Final = Operator(self.unit, self.line, settings.operator_ns)
        self.replay = Replay(
            self.line,
            watcher=self._operator,
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
        return self._operator.visits

    def finish(self) -> None:
        """After the last dump: let somebody confirm it if the unit wants that."""
        self._operator.get_ready()

    def _hear(self, direction: Direction, events: Sequence[Event]) -> None:
        self.replay.hear(events)


class Operator:
    """Stands at an emulated unit; a walk to press confirm takes `walk_ns`, None: nobody walks."""

    def __init__(self, unit: RackUnit, line: Line, walk_ns: int | None) -> None:
        self._unit: Final = unit
        self._line: Final = line
        self._walk_ns: Final = walk_ns
        self._receipt: Receipt | None = None  # of the dump before
        self.visits = 0

    def get_ready(self) -> int:
        """Before a dump: confirm the last one if the unit waits; return how long that took."""
        self._receipt = self._unit.keeper.receipt
        if self._walk_ns is None or self._unit.panel.awaiting_confirm is None:
            return 0
        self._line.advance(self._walk_ns)
        self._unit.confirm(self._line.now_ns)
        self.visits += 1
        return self._walk_ns

    def let_finish(self) -> None:
        """Wait until a unit that waits for more packets gives up after its idle limit."""
        unit = self._unit
        if unit.is_receiving:
            self._line.run(lambda: not unit.is_receiving, until_ns=self._line.now_ns + MINUTE_NS)

    def memory(self, dump: Dump) -> MemoryOutcome:
        """Return what the unit has made of a dump since it was got ready."""
        receipt = self._unit.keeper.receipt
        if receipt is None or receipt is self._receipt:
            return MemoryOutcome(receipt=None, comparison=None, holds=None)
        holds = self._unit.slots[receipt.slot].sample if receipt.kept else None
        comparison = None if holds is None else compare_samples(dump.sample, holds)
        return MemoryOutcome(receipt=receipt, comparison=comparison, holds=holds)

    def other_device(self, header: Header) -> int | None:
        """Return the unit's device ID if a dump is not meant for it (DEV-01)."""
        unit = self._unit
        return None if unit.obeys(header.device_id) else unit.panel.device_id
