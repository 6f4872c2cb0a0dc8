"""Whoever stands at an emulated unit: presses confirm, and sees what its memory holds."""

from typing import Final

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.keeper import Receipt
from dryload.emulator.wire.messages import Header
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.line import MINUTE_NS, Line
from dryload.harness.jobs.outcome import MemoryOutcome
from dryload.harness.judge.difference import compare_samples


class Operator:
    """Stands at a unit; a walk to press confirm takes `walk_ns`, None: nobody walks."""

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
        self.confirm()
        return self._walk_ns

    def confirm(self) -> None:
        """Confirm a dump if the unit waits for that."""
        if self._walk_ns is not None and self._unit.panel.awaiting_confirm is not None:
            self._unit.confirm(self._line.now_ns)
            self.visits += 1

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
