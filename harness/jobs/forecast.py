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

from dryload.emulator.wire.constants import BYTE_NS
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import DataPacket, DumpHeader, Handshake

if TYPE_CHECKING:
    from dryload.harness.jobs.dumps import Dump

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


class _PacketPace:
    """What a packet takes, told how many are through and when."""

    def __init__(self) -> None:
        self.each_ns = float(_PACKET_NS)
        self.packet = 0
        self.since_ns = 0  # when that one was through
        self._learnt = 0

    def begin(self, packet: int, now_ns: int) -> None:
        """Start counting: the time before this was not spent on packets."""
        self.packet, self.since_ns = packet, now_ns

    def pass_on(self, packet: int, now_ns: int) -> None:
        """Learn from the packets that have passed since the last look."""
        if (passed := packet - self.packet) > 0:
            seen, self._learnt = self._learnt, self._learnt + passed
            keep = min(_MEMORY**passed, seen / self._learnt)
            self.each_ns = keep * self.each_ns + (1 - keep) * (now_ns - self.since_ns) / passed
        if passed:  # fewer than before where it begins again
            self.begin(packet, now_ns)

    def wait(self, ns: int) -> None:
        """Do not count this time."""
        self.since_ns += ns


class _PhasePace(_PacketPace):
    """What a phase takes: its packets, and the lead."""

    def __init__(self) -> None:
        super().__init__()
        self.lead_ns = float(_LEAD_NS)
        self.share = 1.0
        """How many packets there were the last time for one of the dump: a unit may send back what
        it keeps in fewer, or nothing."""
        self._leads = 0

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
        self._since_ns = 0  # when this phase began

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
        is_other = last is None or step.dump is not last.dump
        if is_other or phase is not self._phase:
            if last is not None:  # between two dumps somebody may have paused
                self._close(last, last.now_ns if is_other else step.now_ns)
            self._at += is_other
            self._phase, self._since_ns = phase, step.now_ns
            self._paces[phase].begin(0, step.now_ns)
        elif last is not None and last.doing is Doing.WAITING:
            self._since_ns += step.now_ns - last.now_ns
            self._paces[phase].wait(step.now_ns - last.now_ns)
        pace = self._paces[phase]
        (pace.pass_on if pace.packet else pace.begin)(step.packet, step.now_ns)
        return None if step.doing is Doing.WAITING else round(self._left_ns(step))

    def _close(self, last: Step, now_ns: int) -> None:
        pace = self._paces[self._phase]
        passed = pace.packet + (0 < pace.packet < last.packets)  # the last one ended it
        if self._phase is Doing.READING:
            pace.share = pace.packet / max(self._dumps[self._at], 1)
        pace.learn_lead(now_ns - self._since_ns - passed * pace.each_ns)

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
        self._pace = _PacketPace()
        self._has_begun = False
        self._which: object = None

    @property
    def since_ns(self) -> int:
        """When the last packet came."""
        return self._pace.since_ns

    def take(self, packets: int, wanted: int, now_ns: int, which: object = None) -> int | None:
        """Return what is left in nanoseconds; None while the header is not there (`wanted` 0).

        Of another one than before (`which`) nothing is known yet.
        """
        if which != self._which:
            self._pace, self._has_begun, self._which = _PacketPace(), False, which
        has_begun, self._has_begun = self._has_begun, wanted > 0
        if not wanted:
            return None
        (self._pace.pass_on if has_begun else self._pace.begin)(packets, now_ns)
        return round(max(wanted - packets, 0) * self._pace.each_ns)
