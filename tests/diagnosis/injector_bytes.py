"""The second injector's messages and sounds: bytes, straight from the published text.

"M1" = MIDI 1.0 Detailed Specification 4.2.1, printed pages; "CA-019" = Confirmation of Approval.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache, reduce
from operator import xor
from typing import Final

BYTE_NS: Final = 320_000  # M1 p. 1
DATA_BYTES: Final = 120  # M1 p. 39
ALL_CALL: Final = 0x7F  # M1 p. 35
NO_LOOP: Final = 0x7F  # M1 p. 37
KINDS: Final = {"ACK": 0x7F, "NAK": 0x7E, "CANCEL": 0x7D, "WAIT": 0x7C, "EOF": 0x7B}  # M1 p. 36
LONGEST: Final = 12 * 60  # words of a sound: twelve packets of the shortest words
SHAPES: Final = ("triangle", "arches", "bell", "two waves")
PERIODS: Final = (22676, 20833, 31250, 45351, 62500, 90703)  # M1 p. 37: 44.1, 48, 32 kHz ...


def low_first(value: int, count: int) -> bytes:
    """A number, least significant 7 bits first (M1 p. 37)."""
    return bytes(value >> 7 * place & 0x7F for place in range(count))


def message(device: int, *rest: bytes) -> bytes:
    """An exclusive message of the non-real-time kind (M1 p. 35)."""
    return b"".join((b"\xf0\x7e", bytes((device,)), *rest, b"\xf7"))


def handshake(device: int, kind: str, number: int) -> bytes:
    """One of the five (M1 p. 36)."""
    return bytes((0xF0, 0x7E, device, KINDS[kind], number & 0x7F, 0xF7))


def request(device: int, sample: int) -> bytes:
    """Dump Request (M1 p. 37)."""
    return message(device, b"\x03", low_first(sample, 2))


def header(
    device: int, sample: int, bits: int, period: int, *, length: int, loop: Sequence[int]
) -> bytes:
    """Dump Header (M1 p. 37); `loop` is start, end and type."""
    groups = [low_first(each, 3) for each in (period, length, loop[0], loop[1])]
    return message(
        device, b"\x01", low_first(sample, 2), bytes((bits,)), *groups, bytes((loop[2],))
    )


def extended_header(
    device: int, sample: int, bits: int, rate: int, *, length: int, channels: int
) -> bytes:
    """Extended Dump Header without a loop (CA-019 pp. 1-3)."""
    front = (b"\x05\x05", low_first(sample, 2), bytes((bits,)), low_first(rate, 4), bytes(4))
    return message(device, *front, low_first(length, 5), bytes(10), bytes((NO_LOOP, channels)))


def name(device: int, sample: bytes, text: bytes) -> bytes:
    """Sample Name Transmission in English (CA-019 p. 4); the number as its two bytes."""
    return message(device, b"\x05\x03", sample, b"\x00", bytes((len(text),)), text)


def identity_request() -> bytes:
    """Identity Request to everybody (M1 p. 40)."""
    return message(ALL_CALL, b"\x06\x01")


def identity_reply(device: int) -> bytes:
    """Identity Reply of nobody in particular, maker 7D (M1 p. 40)."""
    return message(device, b"\x06\x02\x7d", low_first(1, 2), low_first(2, 2), bytes(4))


def checksum_of(data: bytes) -> int:
    """XOR of bytes (M1 p. 37)."""
    return reduce(xor, data, 0)


Sum = Callable[[bytes], int]
"""From the 125 bytes before the checksum to the checksum."""


def right_sum(front: bytes) -> int:
    """XOR of everything behind F0 (M1 p. 37)."""
    return reduce(xor, front) ^ 0xF0


def packet(device: int, number: int, data: bytes, total: Sum = right_sum) -> bytes:
    """Data Packet (M1 pp. 37, 39), filled up with 00."""
    front = b"".join((b"\xf0\x7e", bytes((device, 0x02, number)), data.ljust(DATA_BYTES, b"\0")))
    return front + bytes((total(front) & 0x7F, 0xF7))


def packets(device: int, data: bytes, total: Sum = right_sum) -> list[bytes]:
    """All packets, numbered from 00 on, 7F then 00 (M1 p. 39)."""
    return [
        packet(device, at // DATA_BYTES % 128, data[at : at + DATA_BYTES], total)
        for at in range(0, len(data), DATA_BYTES)
    ]


def bytes_a_word(bits: int) -> int:
    """2, 3 or 4 (M1 p. 39)."""
    return -(-bits // 7)


def pack(words: Iterable[int], bits: int) -> bytes:
    """Offset binary, to the left of its bytes, high bits first (M1 p. 39)."""
    size = bytes_a_word(bits)
    return pack_plain(((word + (1 << bits - 1)) << 7 * size - bits for word in words), size)


def pack_plain(values: Iterable[int], size: int) -> bytes:
    """Numbers in `size` bytes each, high bits first."""
    shifts = range(7 * size - 7, -1, -7)
    return bytes([value >> shift & 0x7F for value in values for shift in shifts])


@lru_cache(maxsize=512)
def sound(shape: str, length: int, loud: int, bits: int) -> tuple[int, ...]:
    """A smooth wave in whole numbers: `length` words a turn, `loud` tenths of full scale.

    It fades to two thirds, so that no two packets are alike.
    """
    top, over = ((1 << bits - 1) - 1) * loud, 3 * LONGEST * 10_000
    return tuple(
        _wave(shape, at, length) * top * (3 * LONGEST - at) // over for at in range(LONGEST)
    )


@lru_cache(maxsize=512)
def packed_sound(shape: str, length: int, loud: int, bits: int) -> bytes:
    """The same as bytes."""
    return pack(sound(shape, length, loud, bits), bits)


def _wave(shape: str, at: int, length: int) -> int:
    """One word of a wave, from -1000 to 1000."""
    phase = at % length
    if shape == "triangle":
        half = length // 2
        return 2000 * min(phase, length - phase) // half - 1000
    if shape == "two waves":
        return (2 * _arch(phase, length) + _arch(at * 3 % length, length)) // 3
    if shape == "bell":
        return (5 * _arch(phase, length) + _arch(at * 5 % length, length)) // 6
    return _arch(phase, length)


def _arch(phase: int, length: int) -> int:
    """Two parabolas, one up and one down: nearly a sine."""
    half = length // 2
    sign, place = (1, phase) if phase < half else (-1, phase - half)
    rest = length - half if sign < 0 else half
    return sign * 4000 * place * (rest - place) // (rest * rest)
