"""The bytes of the MIDI Sample Dump Standard as foreign gear knows them, from the text alone.

"M1" = MIDI 1.0 Detailed Specification 4.2.1, printed pages.  Fields of messages go least
significant 7-bit group first (M1 p. 37), sample words most significant group first (M1 p. 39).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

ACK: Final = 0x7F  # handshakes: M1 p. 36
NAK: Final = 0x7E
CANCEL: Final = 0x7D
WAIT: Final = 0x7C
EOF: Final = 0x7B
HANDSHAKES: Final = (ACK, NAK, CANCEL, WAIT, EOF)
HEADER: Final = 0x01  # sub-IDs: M1 p. 37
PACKET: Final = 0x02
REQUEST: Final = 0x03
MORE: Final = 0x05
"""Loop points (M1 p. 38), names and extended headers (CA-019), which old gear does not know."""
EVERYBODY: Final = 0x7F  # M1 p. 35
PACKET_BYTES: Final = 127
DATA: Final = slice(5, 125)  # M1 p. 37
_WIDTHS: Final = (2, 1, 3, 3, 3, 3, 1)  # 7-bit groups of the header's fields, M1 p. 37


class Head(NamedTuple):
    """A dump header's fields in their order (M1 p. 37)."""

    sample: int
    bits: int
    period_ns: int
    length: int
    loop_start: int = 0
    loop_end: int = 0
    loop_type: int = 0x7F


class Cutter:
    """Cuts what arrives into exclusive messages; real-time bytes inside are none of theirs."""

    def __init__(self) -> None:
        self._open: bytearray | None = None
        self.torn = 0
        """Messages that another status byte ended (M1 p. 29)."""

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes in any portions; return the messages that are whole now."""
        whole = []
        for byte in data:
            if byte >= 0xF8:  # M1 p. 29
                continue
            if byte == 0xF7 and self._open is not None:
                whole.append(bytes(self._open) + b"\xf7")
                self._open = None
            elif byte >= 0x80:
                self.torn += self._open is not None
                self._open = bytearray([byte]) if byte == 0xF0 else None
            elif self._open is not None:
                self._open.append(byte)
        return whole


def groups(value: int, count: int) -> bytes:
    """Return a number as 7-bit groups, least significant first."""
    return bytes(value >> 7 * place & 0x7F for place in range(count))


def number(data: bytes) -> int:
    """Return the number in 7-bit groups, least significant first."""
    return sum(group << 7 * place for place, group in enumerate(data))


def said(raw: bytes, device: int) -> int | None:
    """Return the sub-ID of a sample dump message for this device; None for anything else."""
    if len(raw) < 6 or raw[1] != 0x7E or raw[2] not in (device, EVERYBODY):
        return None
    return raw[3]


def checksum(packet: bytes) -> int:
    """XOR of offsets 1 to 124 (M1 p. 37)."""
    total = 0
    for byte in packet[1:125]:
        total ^= byte
    return total


def size_of(bits: int) -> int:
    """Bytes a word: 2 to 14 bits, 3 to 21, 4 to 28 (M1 p. 39)."""
    return (bits + 6) // 7


def head_of(raw: bytes) -> Head | None:
    """Read a dump header; None where it is none of 21 bytes with 8 to 28 bits (M1 p. 37)."""
    if len(raw) != 21:
        return None
    fields, at = [], 4
    for width in _WIDTHS:
        fields.append(number(raw[at : at + width]))
        at += width
    head = Head(*fields)
    return head if 8 <= head.bits <= 28 else None


def header(head: Head, device: int) -> bytes:
    """Return the 21 bytes of a dump header (M1 p. 37)."""
    fields = b"".join(groups(value, width) for value, width in zip(head, _WIDTHS, strict=True))
    return bytes([0xF0, 0x7E, device, HEADER]) + fields + b"\xf7"


def packets(words: Iterable[int], bits: int, device: int) -> list[bytes]:
    """Return the data packets of signed words, the last one filled up with 00 (M1 p. 39)."""
    data, size = bytearray(), size_of(bits)
    for word in words:
        left = (word + (1 << bits - 1)) << 7 * size - bits  # offset binary, left justified
        data += groups(left, size)[::-1]
    made = []
    for count, at in enumerate(range(0, len(data), 120)):
        body = bytes(data[at : at + 120]).ljust(120, b"\0")
        packet = bytes([0xF0, 0x7E, device, PACKET, count & 0x7F]) + body
        made.append(packet + bytes([checksum(packet), 0xF7]))
    return made


def words_in(packet: bytes, bits: int) -> list[int]:
    """Return all signed words that a packet has room for, filler included."""
    data, size = packet[DATA], size_of(bits)
    found = []
    for at in range(0, 120, size):
        left = number(data[at : at + size][::-1])
        found.append((left >> 7 * size - bits) - (1 << bits - 1))
    return found


def is_sound(packet: bytes) -> bool:
    """Whether a packet has its length and its checksum is right."""
    return len(packet) == PACKET_BYTES and packet[125] == checksum(packet)


def handshake(kind: int, count: int, device: int) -> bytes:
    """Return ACK, NAK, CANCEL, WAIT or EOF (M1 p. 36)."""
    return bytes([0xF0, 0x7E, device, kind, count & 0x7F, 0xF7])


def request(sample: int, device: int) -> bytes:
    """Return a dump request of 7 bytes (M1 p. 37)."""
    return bytes([0xF0, 0x7E, device, REQUEST]) + groups(sample, 2) + b"\xf7"


def ramp(factor: int, length: int, bits: int) -> list[int]:
    """Return words that need not be typed: `factor` times their place, wrapped."""
    return [factor * at % (1 << bits) - (1 << bits - 1) for at in range(length)]


def narrowed(words: Sequence[int], bits: int, to: int) -> list[int]:
    """Return what a unit of fewer bits keeps of each word: the top ones."""
    return [word >> bits - to for word in words] if to < bits else list(words)
