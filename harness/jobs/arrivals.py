"""How long the rest of a dump will still take to come, from how long its packets took so far."""

from typing import Final

from emulator.wire.constants import BYTE_NS
from emulator.wire.layout import FIXED
from emulator.wire.messages import DataPacket, Handshake

_PACKET_NS: Final = BYTE_NS * (FIXED[DataPacket].size + FIXED[Handshake].size)
_MEMORY: Final = 0.98  # of an estimate, a packet: the last fifty or so count


class Arrivals:
    """Told how many packets of a dump have come, says how long the others will take.

    Until some have come, the cable alone is the estimate: 127 bytes and a handshake a packet.
    """

    def __init__(self) -> None:
        self._each_ns = float(_PACKET_NS)
        self._packets = 0
        self._since_ns: int | None = None

    def take(self, packets: int, wanted: int, now_ns: int) -> int | None:
        """Return what is left in nanoseconds; None while the header is not there (`wanted` 0)."""
        if not wanted:
            self._packets, self._since_ns = 0, None
            return None
        if self._since_ns is None or packets < self._packets:  # it has begun, once more
            self._packets, self._since_ns = packets, now_ns
        elif (came := packets - self._packets) > 0:
            keep = _MEMORY**came
            took_ns = (now_ns - self._since_ns) / came
            self._each_ns = keep * self._each_ns + (1 - keep) * took_ns
            self._packets, self._since_ns = packets, now_ns
        return round(max(wanted - packets, 0) * self._each_ns)
