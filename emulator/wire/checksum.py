"""The checksum of a data packet: XOR of offsets 1 to 124 (PKT-05; M1 p. 37)."""

from typing import Final

from emulator.wire.constants import FAMILY, PACKET_SUB_ID
from emulator.wire.messages import DataPacket

_HALVES: Final = (512, 256, 128, 64, 32, 16, 8)


def checksum(packet: DataPacket) -> int:
    """Return the checksum that a data packet should carry.

    The bytes are folded as one long integer, half upon half: seven operations instead of 124.
    """
    folded = int.from_bytes(packet.data, "big")
    for bits in _HALVES:
        folded ^= folded >> bits
    return (FAMILY ^ packet.device_id ^ PACKET_SUB_ID ^ packet.packet_number ^ folded) & 0x7F
