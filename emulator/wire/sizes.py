"""How words fill packets (WRD-01 to WRD-03, HDR-07; M1 p. 39)."""

from functools import cache

from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_DATA_BYTES


@cache
def bytes_per_word(bits: int) -> int:
    """Return 2, 3 or 4: the 7-bit bytes that one word of 8..28 significant bits takes (WRD-01)."""
    if not MIN_BITS <= bits <= MAX_BITS:
        raise ValueError(f"significant bits must be {MIN_BITS} to {MAX_BITS}, not {bits}")
    return -(-bits // 7)


@cache
def words_per_packet(bits: int) -> int:
    """Return 60, 40 or 30: the words that one data packet holds (WRD-02)."""
    return PACKET_DATA_BYTES // bytes_per_word(bits)


def packets_for(words: int, bits: int) -> int:
    """Return the number of data packets for `words` words; an exact fill gets no extra (HDR-07)."""
    return -(-words // words_per_packet(bits))


def unused_bits(bits: int) -> int:
    """Return how many bits at the bottom of a word's last byte are unused, hence 0 (WRD-05)."""
    return 7 * bytes_per_word(bits) - bits
