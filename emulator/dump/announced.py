"""What a header says of the packets that follow it."""

from typing import Final

from emulator.wire.codec import decode
from emulator.wire.messages import DumpHeader, ExtendedHeader
from emulator.wire.sizes import packets_for

_NOBODY_KNOWS: Final = 1 << 62


def packets_announced(header: bytes) -> int:
    """Return how many packets a header calls for; where it makes no sense, more than there can be.

    Source: STA-02, M1 p. 39; words of all channels, EXT-06.
    """
    message = decode(header)
    if not isinstance(message, DumpHeader | ExtendedHeader):
        return _NOBODY_KNOWS
    try:
        return packets_for(message.length * message.channels, message.bits)
    except ValueError:
        return _NOBODY_KNOWS
