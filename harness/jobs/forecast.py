"""How long a replay, or reading one dump, will still take, from how long it took so far.

Theory of operation.  In a replay a dump is sent, then read back: two phases.  Each has packets, and
a lead: what it takes beside them, as for a header that is not answered, or a sample that is not
sent back.  Until some have passed the cable alone is the estimate: 127 bytes and a handshake a
packet, a header and a handshake as lead.  After that a packet is taken to need what the last ones
needed on average, and a lead what those before it needed.  While the unit has asked to wait there
is no estimate, and that time counts neither as packets' nor as lead.
"""

from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Final, NamedTuple

from emulator.wire.constants import BYTE_NS
from emulator.wire.layout import FIXED
from emulator.wire.messages import DataPacket, DumpHeader, Handshake

if TYPE_CHECKING:
    from harness.jobs.dumps import Dump

_PACKET_NS: Final = BYTE_NS * (FIXED[DataPacket].size + FIXED[Handshake].size)
_LEAD_NS: Final = BYTE_NS * (FIXED[DumpHeader].size + FIXED[Handshake].size)
_MEMORY: Final = 0.98  # of an estimate, a packet: the last fifty or so count


class Doing(StrEnum):
    """What a replay is doing with a dump."""

    SENDING = "sending"
    WAITING = "the unit asked to wait"
    ASKING = "asking for it back"
    READING = "reading back"


_PHASES: Final = {Doing.WAITING: Doing.SENDING, Doing.ASKING: Doing.READING}
"""The phase that a doing is part of, where it is not one itself."""


class Step(NamedTuple):
    """Where a replay is."""

    dump: "Dump"
    doing: Doing
    packet: int
    """How many packets are through."""
    packets: int
    """How many there are."""
    now_ns: int


class _PhasePace:
    """What a phase takes: a packet, and the lead."""

    def __init__(self) -> None:
        self.each_ns = float(_PACKET_NS)
        self.lead_ns = float(_LEAD_NS)
        self.share = 1.0
        """How many packets there were the last time for one of the dump: a unit may send back what
        it keeps in fewer, or nothing."""
        self._packets = self._leads = 0

    def learn_each(self, packets: int, took_ns: int) -> None:
        seen, self._packets = self._packets, self._packets + packets
        keep = min(_MEMORY**packets, seen / self._packets)
        self.each_ns = keep * self.each_ns + (1 - keep) * took_ns / packets

    def learn_lead(self, took_ns: float) -> None:
        self._leads += 1
        self.lead_ns += (max(took_ns, 0) - self.lead_ns) / min(self._leads, 2)

    def of(self, packets: int, phases: int = 1) -> float:
        """Return what whole phases take for dumps with so many packets."""
        return phases * self.lead_ns + packets * self.share * self.each_ns


class Forecast:
    """Told of steps, says what is left; `dumps` are those that will be played."""

    def __init__(self, dumps: Sequence["Dump"], *, reads_back: bool) -> None:
        self._dumps: Final = [len(dump.outgoing.packets) for dump in dumps]
        self._reads_back: Final = reads_back
        self._paces: Final = {Doing.SENDING: _PhasePace(), Doing.READING: _PhasePace()}
        self._at = -1
        self._last: Step | None = None
        self._phase = Doing.SENDING
        self._packet = 0
        self._since_ns = 0  # when this phase began
        self._mark_ns = 0  # when its last packet was through
        self._before_ns = 0.0  # what it took until the first packet began

    @property
    def whole_ns(self) -> int:
        """How long all of it takes at the pace that is known."""
        packets, dumps = sum(self._dumps), len(self._dumps)
        phases = (Doing.SENDING, Doing.READING) if self._reads_back else (Doing.SENDING,)
        return round(sum(self._paces[phase].of(packets, dumps) for phase in phases))

    @property
    def number(self) -> int:
        """Which dump is being played, counted from 1."""
        return self._at + 1

    def take(self, step: Step) -> int | None:
        """Return how long it will still take in nanoseconds; None where nobody can know."""
        last, self._last = self._last, step
        phase = _PHASES.get(step.doing, step.doing)
        if last is None or step.dump is not last.dump:
            if last is not None:
                self._close(last, last.now_ns)  # between two dumps somebody may have paused
            self._at += 1
            self._open(phase, step.now_ns)
        elif phase is not self._phase:
            self._close(last, step.now_ns)
            self._open(phase, step.now_ns)
        elif last.doing is Doing.WAITING:
            self._since_ns += step.now_ns - last.now_ns
            self._mark_ns += step.now_ns - last.now_ns
        self._advance(step.packet, step.now_ns)
        if step.doing is Doing.WAITING:
            return None
        return round(self._left_ns(step))

    def _open(self, phase: Doing, now_ns: int) -> None:
        self._phase, self._packet = phase, 0
        self._since_ns = self._mark_ns = now_ns
        self._before_ns = 0.0

    def _advance(self, packet: int, now_ns: int) -> None:
        pace, packets = self._paces[self._phase], packet - self._packet
        if packets > 0 and not self._packet:
            self._before_ns = now_ns - self._since_ns - packets * pace.each_ns
        elif packets > 0:
            pace.learn_each(packets, now_ns - self._mark_ns)
        if packets:  # fewer than before where reading begins again
            self._packet, self._mark_ns = packet, now_ns

    def _close(self, last: Step, now_ns: int) -> None:
        pace = self._paces[self._phase]
        after_ns = now_ns - self._mark_ns
        if self._packet < last.packets and self._packet:  # the last one, which ended it
            after_ns -= round(pace.each_ns)
        if self._phase is Doing.READING:
            pace.share = self._packet / max(self._dumps[self._at], 1)
        pace.learn_lead(self._before_ns + max(after_ns, 0))

    def _left_ns(self, step: Step) -> float:
        sending, reading = self._paces[Doing.SENDING], self._paces[Doing.READING]
        later = self._dumps[self._at + 1 :]
        left_ns = sending.of(sum(later), len(later))
        if self._reads_back:
            left_ns += reading.of(sum(later), len(later))
            if self._phase is Doing.SENDING:
                left_ns += reading.of(step.packets)
        pace = self._paces[self._phase]
        if self._phase is Doing.SENDING or pace.share or step.packet:
            left_ns += max(step.packets - step.packet, 0) * pace.each_ns
        if not step.packet:
            left_ns += max(pace.lead_ns - (step.now_ns - self._since_ns), 0)
        return left_ns


class Arrivals:
    """Told how many packets of a dump have come, says how long the others will take."""

    def __init__(self) -> None:
        self._pace: Final = _PhasePace()
        self._packets = 0
        self._since_ns: int | None = None

    def take(self, packets: int, wanted: int, now_ns: int) -> int | None:
        """Return what is left in nanoseconds; None while the header is not there (`wanted` 0)."""
        if not wanted:
            self._packets, self._since_ns = 0, None
            return None
        if self._since_ns is None or packets < self._packets:  # it has begun, once more
            self._packets, self._since_ns = packets, now_ns
        elif packets > self._packets:
            self._pace.learn_each(packets - self._packets, now_ns - self._since_ns)
            self._packets, self._since_ns = packets, now_ns
        return round(max(wanted - packets, 0) * self._pace.each_ns)
