"""Whole dumps to words and back, against a general audio library that knows the same format.

Both get the same words and the same bytes, and each round checks that both come to the same result.
The other library is fastest with integers of 32 bits, left-justified, so that is what it gets.
"""

import io
from collections.abc import Sequence

import numpy as np
import soundfile

from emulator.wire import codec
from emulator.wire.constants import FILLER, LOOP_FORWARD, PACKET_NUMBERS
from emulator.wire.layout import FIXED
from emulator.wire.messages import DumpHeader
from emulator.wire.packets import (
    CHECKSUM,
    DEVICE_ID,
    NUMBER,
    checksums,
    data_of,
    leading_packets,
    packet_rows,
)
from emulator.wire.sizes import bytes_per_word, packets_for
from emulator.wire.words import Words, unpack_checked, word_dtype
from tests.bench.measure import Row, side_by_side

LENGTH = 131_040
"""Nearly 2**17: whole packets at 60, 40 and 30 words each.

The other library reads some lengths short and fills a short last packet with what was there before.
"""
SUBTYPES = {8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}
RATE = 44_100
PERIOD_NS = 22_675  # as the other library rounds it (HDR-04)
NEEDED = 10.0
HEADER_BYTES = FIXED[DumpHeader].size


def encode(words: Words, bits: int) -> bytes:
    """Return header and packets of a dump of `words`."""
    header = DumpHeader(
        device_id=0,
        sample_number=0,
        bits=bits,
        period_ns=PERIOD_NS,
        length=words.size,
        loop_start=0,
        loop_end=0,
        loop_type=LOOP_FORWARD,
    )
    return b"".join((codec.encode(header), packet_rows(words, bits, header.device_id).data))


def decode_checked(dump: bytes) -> Words:
    """Return the words of a dump, once every clause that a file can break is seen to hold."""
    header = codec.decode(dump[:HEADER_BYTES])
    if not isinstance(header, DumpHeader):
        raise ValueError("FRM-05: no dump header")
    packets = np.frombuffer(dump, np.uint8)[HEADER_BYTES:]
    count = leading_packets(packets)
    if count != packets_for(header.length, header.bits) or count * 127 != packets.size:
        raise ValueError("HDR-07: other packets than the header announces")
    rows = packets.reshape(count, 127)
    data = data_of(rows)
    words, stray = unpack_checked(data, header.bits)
    filler = data.reshape(-1)[header.length * bytes_per_word(header.bits) :]
    checks = {
        "DEV-01: another device ID": (rows[:, DEVICE_ID] == header.device_id).all(),
        "PKT-03: numbers out of order": (rows[:, NUMBER] == _numbers(count)).all(),
        "PKT-05: wrong checksum": (rows[:, CHECKSUM] == checksums(rows, data)).all(),
        "PKT-08: filler": (filler == FILLER).all(),
        "WRD-05: unused low bits set": not stray,
    }
    faults = [fault for fault, holds in checks.items() if not holds]
    if faults:
        raise ValueError("; ".join(faults))
    return words[: header.length]


def _numbers(count: int) -> np.ndarray[tuple[int], np.dtype[np.uint32]]:
    return np.arange(count, dtype=np.uint32) & np.uint32(PACKET_NUMBERS - 1)


def random_words(bits: int) -> Words:
    """Return words over the whole range, both ends included; the same every time."""
    top = 1 << (bits - 1)
    words = np.random.default_rng(bits).integers(-top, top, LENGTH)
    words[:2] = -top, top - 1
    return words.astype(word_dtype(bits))


def run() -> list[Row]:
    """Measure every width that the other library has."""
    return [row for bits in SUBTYPES for row in _rows(bits)]


def _rows(bits: int) -> list[Row]:
    words = random_words(bits)
    justified = words.astype(np.int32) << (32 - bits)

    def other_encode() -> bytes:
        file = io.BytesIO()
        soundfile.write(file, justified, RATE, format="SDS", subtype=SUBTYPES[bits])
        return file.getvalue()

    dump = other_encode()
    _refuses_damage(dump)

    def same_bytes(results: Sequence[object]) -> None:
        if results[0] != dump or results[1] != dump:
            raise AssertionError(f"{bits} bits: the two dumps differ")

    def same_words(results: Sequence[object]) -> None:
        ours, theirs = (np.asarray(result) for result in results[:2])
        if not (np.array_equal(ours, words) and np.array_equal(theirs, justified)):
            raise AssertionError(f"{bits} bits: the words read differ")

    plain = np.frombuffer(dump, np.uint8)
    writing = side_by_side(
        [lambda: encode(words, bits), other_encode, lambda: np.copy(plain)],
        same_bytes,
        undisturbed=True,
    )
    reading = side_by_side(
        [
            lambda: decode_checked(dump),
            lambda: soundfile.read(io.BytesIO(dump), dtype="int32")[0],
            lambda: np.copy(plain),
        ],
        same_words,
        undisturbed=True,
    )
    return [
        Row(
            what=f"{what}, {bits} bits",
            ours_us=ours,
            other="soundfile",
            other_us=other,
            copy_us=copy,
            needed=NEEDED,
        )
        for what, (ours, other, copy) in (("encode", writing), ("decode and check", reading))
    ]


def _refuses_damage(dump: bytes) -> None:
    """Raise unless every kind of damage is noticed: a check that sees nothing is quick, too."""
    decode_checked(dump)
    packet = HEADER_BYTES + 127 * 1000
    for at in (0, DEVICE_ID, NUMBER, 60, CHECKSUM, 126):
        damaged = bytearray(dump)
        damaged[packet + at] ^= 0x01
        try:
            decode_checked(bytes(damaged))
        except ValueError:
            continue
        raise AssertionError(f"damage at byte {at} of a packet was not noticed")
