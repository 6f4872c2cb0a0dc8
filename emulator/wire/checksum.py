"""The checksum of a data packet: XOR of offsets 1 to 124 (PKT-05; M1 p. 37)."""

from dryload.emulator.wire.constants import FAMILY, PACKET_SUB_ID
from dryload.emulator.wire.messages import DataPacket


def checksum(packet: DataPacket) -> int:
    """Return the checksum that a data packet should carry."""
    front = FAMILY ^ packet.device_id ^ PACKET_SUB_ID ^ packet.packet_number
    return (front ^ xor_of(packet.data)) & 0x7F


def xor_of(data: bytes) -> int:
    """Return the XOR of bytes, 128 at most.

    They are folded as one long integer, half upon half: seven operations instead of one a byte.
    """
    folded = int.from_bytes(data, "big")
    folded ^= folded >> 512
    folded ^= folded >> 256
    folded ^= folded >> 128
    folded ^= folded >> 64
    folded ^= folded >> 32
    folded ^= folded >> 16
    folded ^= folded >> 8
    return folded & 0xFF
