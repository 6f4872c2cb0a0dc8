"""Sample words: value and bytes, sizes, masks of legal low bits, packet counts (all M1 p. 39)."""

from __future__ import annotations

from msgspec import Struct

# (bits, value, bytes). Offset binary, left-justified, high 7 bits first (M1 p. 39). The 12-bit
# full-scale word 7F 7C is the text's own example; the others are computed independently.
WORDS: tuple[tuple[int, int, str], ...] = (
    # 8 bits: 6 unused bits at the bottom of 2 bytes
    (8, -128, "00 00"),  # full negative
    (8, -1, "3F 40"),
    (8, 0, "40 00"),  # silence
    (8, 1, "40 40"),
    (8, 127, "7F 40"),  # full positive
    # 12 bits: 2 unused bits
    (12, -2048, "00 00"),
    (12, -1, "3F 7C"),
    (12, 0, "40 00"),
    (12, 1, "40 04"),
    (12, 2047, "7F 7C"),  # printed in M1 p. 39: FFF goes out as 7F 7C
    # 14 bits: two full bytes, not three
    (14, -8192, "00 00"),
    (14, -1, "3F 7F"),
    (14, 0, "40 00"),
    (14, 1, "40 01"),
    (14, 8191, "7F 7F"),
    # 15 bits: the first width of three bytes, 6 unused bits
    (15, -16384, "00 00 00"),
    (15, -1, "3F 7F 40"),
    (15, 0, "40 00 00"),
    (15, 1, "40 00 40"),
    (15, 16383, "7F 7F 40"),
    # 16 bits: 5 unused bits
    (16, -32768, "00 00 00"),
    (16, -1, "3F 7F 60"),
    (16, 0, "40 00 00"),
    (16, 1, "40 00 20"),
    (16, 32767, "7F 7F 60"),
    # 20 bits: 1 unused bit
    (20, -524288, "00 00 00"),
    (20, -1, "3F 7F 7E"),
    (20, 0, "40 00 00"),
    (20, 1, "40 00 02"),
    (20, 524287, "7F 7F 7E"),
    # 21 bits: three full bytes, not four
    (21, -1048576, "00 00 00"),
    (21, -1, "3F 7F 7F"),
    (21, 0, "40 00 00"),
    (21, 1, "40 00 01"),
    (21, 1048575, "7F 7F 7F"),
    # 24 bits: 4 unused bits
    (24, -8388608, "00 00 00 00"),
    (24, -1, "3F 7F 7F 70"),
    (24, 0, "40 00 00 00"),
    (24, 1, "40 00 00 10"),
    (24, 8388607, "7F 7F 7F 70"),
    # 28 bits: four full bytes
    (28, -134217728, "00 00 00 00"),
    (28, -1, "3F 7F 7F 7F"),
    (28, 0, "40 00 00 00"),
    (28, 1, "40 00 00 01"),
    (28, 134217727, "7F 7F 7F 7F"),
)


class Width(Struct, frozen=True, kw_only=True):
    """One word width: bytes a word, words a packet, bits that may be set in a word's last byte."""

    bits: int
    bytes_per_word: int
    words_per_packet: int
    low_byte_mask: int


def _width(bits: int, bytes_per_word: int, words_per_packet: int, low_byte_mask: int) -> Width:
    return Width(
        bits=bits,
        bytes_per_word=bytes_per_word,
        words_per_packet=words_per_packet,
        low_byte_mask=low_byte_mask,
    )


WIDTHS: tuple[Width, ...] = (
    # 8-14 bits: 2 bytes a word, 60 words a packet
    _width(8, 2, 60, 0x40),
    _width(9, 2, 60, 0x60),
    _width(10, 2, 60, 0x70),
    _width(11, 2, 60, 0x78),
    _width(12, 2, 60, 0x7C),
    _width(13, 2, 60, 0x7E),
    _width(14, 2, 60, 0x7F),
    # 15-21 bits: 3 bytes a word, 40 words a packet
    _width(15, 3, 40, 0x40),
    _width(16, 3, 40, 0x60),
    _width(17, 3, 40, 0x70),
    _width(18, 3, 40, 0x78),
    _width(19, 3, 40, 0x7C),
    _width(20, 3, 40, 0x7E),
    _width(21, 3, 40, 0x7F),
    # 22-28 bits: 4 bytes a word, 30 words a packet
    _width(22, 4, 30, 0x40),
    _width(23, 4, 30, 0x60),
    _width(24, 4, 30, 0x70),
    _width(25, 4, 30, 0x78),
    _width(26, 4, 30, 0x7C),
    _width(27, 4, 30, 0x7E),
    _width(28, 4, 30, 0x7F),
)


class PacketCount(Struct, frozen=True, kw_only=True):
    """How many packets a length takes, the filler in the last one and that one's number."""

    bits: int
    words: int
    packets: int
    filler_bytes: int
    last_number: int


def _count(bits: int, words: int, packets: int, filler_bytes: int, last_number: int) -> PacketCount:
    return PacketCount(
        bits=bits,
        words=words,
        packets=packets,
        filler_bytes=filler_bytes,
        last_number=last_number,
    )


# Rule M1 p. 39; the numbers are computed independently.
PACKET_COUNTS: tuple[PacketCount, ...] = (
    _count(16, 1, 1, 117, 0x00),  # one word of 3 bytes
    _count(16, 40, 1, 0, 0x00),  # exactly full: no packet more
    _count(16, 41, 2, 117, 0x01),  # one word over
    _count(16, 5120, 128, 0, 0x7F),  # the last number before the wrap
    _count(16, 5160, 129, 0, 0x00),  # the number has wrapped
    _count(16, 2097151, 52429, 27, 0x4C),  # the longest standard sample: 31 words in the last one
    _count(12, 60, 1, 0, 0x00),
    _count(12, 61, 2, 118, 0x01),
)
