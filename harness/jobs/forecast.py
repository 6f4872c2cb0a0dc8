"""How long a replay will still take, from how long it took so far.

Theory of operation.  What is left is counted in packets, those of reading back included.  Until
some have passed the cable alone is the estimate: 127 bytes and a handshake a packet.  After that a
packet is taken to need what the last ones needed on average, in that direction; times in which the
unit had asked to wait do not count as packets' time, and while it waits there is no estimate.
"""

from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Final, NamedTuple

from emulator.wire.constants import BYTE_NS
from emulator.wire.layout import FIXED
from emulator.wire.messages import DataPacket, Handshake

if TYPE_CHECKING:
    from harness.jobs.playlist import Dump

_PACKET_NS: Final = BYTE_NS * (FIXED[DataPacket].size + FIXED[Handshake].size)
_MEMORY: Final = 0.98  # of an estimate, a packet: the last fifty or so count


class Doing(StrEnum):
    """What a replay is doing with a dump."""

    SENDING = "sending"
    WAITING = "the unit asked to wait"
    READING = "reading back"


class Step(NamedTuple):
    """Where a replay is."""

    dump: "Dump"
    doing: Doing
    packet: int
    """How many packets are through."""
    packets: int
    """How many there are."""
    now_ns: int


class Forecast:
    """Told of steps, says what is left; `dumps` are those that will be played."""

    def __init__(self, dumps: Sequence["Dump"], *, reads_back: bool) -> None:
        self._packets = [len(dump.outgoing.packets) for dump in dumps]
        self._reads_back = reads_back
        self._at = -1
        self._last: Step | None = None
        self._each_ns = {Doing.SENDING: float(_PACKET_NS), Doing.READING: float(_PACKET_NS)}

    @property
    def number(self) -> int:
        """Which dump is being played, counted from 1."""
        return self._at + 1

    def take(self, step: Step) -> int | None:
        """Return how long it will still take in nanoseconds; None where nobody can know."""
        last, self._last = self._last, step
        if last is None or step.dump is not last.dump:
            self._at += 1
        elif last.doing is step.doing is not Doing.WAITING and step.packet > last.packet:
            self._learn(step.doing, step.packet - last.packet, step.now_ns - last.now_ns)
        elif step.doing is not Doing.WAITING and step.packet == last.packet:
            # its time belongs to the packet that is on its way
            self._last = step._replace(now_ns=last.now_ns) if step.doing is last.doing else step
        if step.doing is Doing.WAITING:
            return None
        return round(self._left_ns(step))

    def _learn(self, doing: Doing, packets: int, took_ns: int) -> None:
        keep = _MEMORY**packets
        self._each_ns[doing] = keep * self._each_ns[doing] + (1 - keep) * took_ns / packets

    def _left_ns(self, step: Step) -> float:
        here = max(step.packets - step.packet, 0)
        later = sum(self._packets[self._at + 1 :])
        back = 0
        if self._reads_back:
            back = later + (step.packets if step.doing is Doing.SENDING else here)
        sent = later + (here if step.doing is Doing.SENDING else 0)
        return sent * self._each_ns[Doing.SENDING] + back * self._each_ns[Doing.READING]
