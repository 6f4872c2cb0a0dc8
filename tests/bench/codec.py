"""Whole dumps to words and back, against a general audio library that knows the same format.

Both get the same words and the same bytes, and each round checks that both come to the same result.
The other library is fastest with integers of 32 bits, left-justified, so that is what it gets.
"""

import io
from collections.abc import Sequence

import numpy as np
import soundfile

from dryload.emulator.wire import codec
from dryload.emulator.wire.constants import LOOP_FORWARD, LOOP_OFF
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import DumpHeader
from dryload.emulator.wire.packets import CHECKSUM, DEVICE_ID, NUMBER, packet_rows
from dryload.emulator.wire.words import Words, word_dtype
from dryload.harness.judge.stream import judge_stream
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


def encode(words: Words, bits: int, loop_type: int = LOOP_FORWARD) -> bytes:
    """Return header and packets of a dump of `words`.

    The other library says forward where there is no loop (HDR-10), and it is held against that.
    """
    header = DumpHeader(
        device_id=0,
        sample_number=0,
        bits=bits,
        period_ns=PERIOD_NS,
        length=words.size,
        loop_start=0,
        loop_end=0,
        loop_type=loop_type,
    )
    return b"".join((codec.encode(header), packet_rows(words, bits, header.device_id).data))


def decode_checked(dump: bytes) -> Words:
    """Return the words of a dump, once every clause that a file can break is seen to hold."""
    (verdict,) = judge_stream(dump)
    if verdict.findings or verdict.contents.words is None:
        raise ValueError("; ".join(finding.message for finding in verdict.findings))
    return verdict.contents.words


def random_words(bits: int) -> Words:
    """Return words over the whole range, the same every time; both ends, but not side by side.

    Side by side they look like an overload that wrapped (WRD-10).
    """
    top = 1 << (bits - 1)
    words = np.random.default_rng(bits).integers(1 - top, top - 1, LENGTH)
    words[[0, LENGTH // 2]] = -top, top - 1
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

    written = other_encode()
    dump = encode(words, bits, LOOP_OFF)
    _refuses_damage(dump)

    def same_bytes(results: Sequence[object]) -> None:
        if results[0] != written or results[1] != written:
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
