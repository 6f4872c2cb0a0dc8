"""Checksums: the XOR of offsets 1 to 124 of a data packet (M1 p. 37); computed independently."""

from __future__ import annotations

from msgspec import Struct


class ChecksumVector(Struct, frozen=True, kw_only=True):
    """One packet: ID, running number, data bytes before the 00 filler, checksum."""

    name: str
    device_id: int
    number: int
    data: bytes
    checksum: int


def _vector(name: str, device_id: int, number: int, data: bytes, checksum: int) -> ChecksumVector:
    return ChecksumVector(
        name=name, device_id=device_id, number=number, data=data, checksum=checksum
    )


_SILENT_14 = bytes.fromhex("40 00")  # one word of silence of 8-14 bits (M1 p. 39)
_SILENT_21 = bytes.fromhex("40 00 00")  # of 15-21 bits
_SILENT_28 = bytes.fromhex("40 00 00 00")  # of 22-28 bits

CHECKSUMS: tuple[ChecksumVector, ...] = (
    _vector("empty, packet 00", 0x00, 0x00, b"", 0x7C),  # 7E ^ 00 ^ 02 ^ 00
    _vector("empty, packet 01", 0x00, 0x01, b"", 0x7D),
    _vector("empty, packet 02", 0x00, 0x02, b"", 0x7E),
    _vector("empty, packet 7F", 0x00, 0x7F, b"", 0x03),
    _vector("empty, packet 7F, ID 10", 0x10, 0x7F, b"", 0x13),
    # An even number of 40s cancels out.
    _vector("60 words of silence, 8-14 bit", 0x00, 0x00, _SILENT_14 * 60, 0x7C),
    _vector("40 words of silence, 15-21 bit", 0x00, 0x00, _SILENT_21 * 40, 0x7C),
    _vector("30 words of silence, 22-28 bit", 0x00, 0x00, _SILENT_28 * 30, 0x7C),
    # An odd number leaves one 40 over.
    _vector("39 words of silence, 16 bit, 3 filler bytes", 0x00, 0x00, _SILENT_21 * 39, 0x3C),
    _vector(
        "16-bit words 0, +full, -full, +1, -1, then filler",
        0x00,
        0x00,
        bytes.fromhex(
            "40 00 00"  # 0
            "7F 7F 60"  # +32767
            "00 00 00"  # -32768
            "40 00 20"  # +1
            "3F 7F 60"  # -1
        ),
        0x1C,
    ),
)

# What a peer with a wrong idea of the range would send for packet 0 of dump V1 sent with ID 10h.
# With number 00 the last two XOR ranges agree; only another packet can split them.
WRONG_RANGE_ID = 0x10
WRONG_RANGES: dict[str, int] = {
    "right": 0x5F,  # 7E, ID, 02, number, data
    "with F0": 0x2F,  # F0 included, masked to 7 bits
    "from the device ID": 0x21,  # without 7E
    "from the sub-ID": 0x31,  # without 7E and ID
    "from the number": 0x33,  # number and data
    "data only": 0x33,  # the 120 data bytes
    "arithmetic sum": 0x29,  # sum of the right range, low 7 bits
    "negative sum of data": 0x67,  # minus the sum of the 120 data bytes, low 7 bits
}
