"""Sample words and checksum of one data packet, in plain words (WRD-01 to WRD-07, PKT-05)."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final

from emulator.wire.sizes import bytes_per_word, unused_bits
from harness.teach.fields import Said
from harness.teach.line import At, Line

_FIRST: Final = 4
"""Words that are shown before the rest is summed up."""
_DATA_MEANING: Final = "60, 40 or 30 sample words"


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """What the header says of the words of one packet."""

    bits: int
    first: int = 0
    """The number of the packet's first word, counted from 0 and over all channels."""
    real: int | None = None
    """How many of its words belong to the sample; None if all do."""
    channels: int = 1


def data_lines(
    data: bytes, start: int, at: At, words: Words | None, *, every: bool = False
) -> list[Line]:
    """Return the lines for the data bytes of a packet, which begin at byte `start` of it.

    Without `words` nobody knows how wide a word is.  Four words are shown, or `every` one.
    """
    if words is None:
        count = len(data)
        value = f"{count} data bytes; a header would say how wide their words are"
        return [_line(at(start), data, "sample words", Said(value), "PKT-01")]
    size = bytes_per_word(words.bits)
    chunks = [data[at_ : at_ + size] for at_ in range(0, len(data), size)]
    whole = len(data) // size
    real = whole if words.real is None else min(words.real, whole)
    shown = real if every or real <= _FIRST + 1 else _FIRST
    lines = [
        _line(at(start + i * size), chunks[i], _name(words, i), _said(chunks[i], words), "WRD-07")
        for i in range(shown)
    ]
    if shown < real:
        lines.append(_rest(chunks[shown:real], shown, at(start + shown * size), words))
    if filler := data[real * size : whole * size]:
        lines.append(_filler(filler, at(start + real * size)))
    if left := data[whole * size :]:
        said = Said("part of a word", f"a word of {words.bits} bits takes {size} bytes")
        lines.append(_line(at(start + whole * size), left, "left over", said, "WRD-01"))
    return lines


def said_checksum(body: bytes, found: int) -> Said:
    """Return what a checksum is worth; `body` is the packet up to it, F0 included."""
    right = reduce(xor, body[1:], 0) & 0x7F
    if found == right:
        return Said(f"{found:02X}, right")
    return Said(f"{found:02X}, wrong", f"{right:02X} would be right")


def word_of(chunk: bytes, bits: int) -> tuple[int, bool]:
    """Return the signed word in `chunk`, and whether bits below its significant ones are set."""
    value = 0
    for byte in chunk:
        value = value << 7 | byte & 0x7F
    unused = unused_bits(bits)
    return (value >> unused) - (1 << bits - 1), bool(value & (1 << unused) - 1)


def _name(words: Words, index: int) -> str:
    number = words.first + index
    if words.channels == 1:
        return f"word {number:,}"
    return f"frame {number // words.channels:,}, channel {number % words.channels + 1}"


def _said(chunk: bytes, words: Words) -> Said:
    if any(byte > 0x7F for byte in chunk):
        return Said("no word", "a status byte stands in it")
    value, stray = word_of(chunk, words.bits)
    full = 1 << words.bits - 1
    share = f"{100 * value / full:+.1f} % of full scale" if value else "silence"
    problem = f"bits below the {words.bits} significant ones are set (WRD-05)" if stray else ""
    return Said(f"{value:,}, {share}", problem)


def _rest(chunks: Sequence[bytes], index: int, offset: int, words: Words) -> Line:
    clean = [chunk for chunk in chunks if max(chunk) < 0x80]
    values = [word_of(chunk, words.bits) for chunk in clean]
    problems = []
    if stray := sum(stray for _, stray in values):
        problems.append(f"{stray} with bits below the {words.bits} significant ones (WRD-05)")
    if torn := len(chunks) - len(clean):
        problems.append(f"{torn} with a status byte in it")
    numbers = [value for value, _ in values] or [0]
    said = Said(
        f"{len(chunks)} more words, from {min(numbers):,} to {max(numbers):,}", ", ".join(problems)
    )
    return _line(offset, b"".join(chunks), f"to {_name(words, index + len(chunks) - 1)}", said)


def _filler(filler: bytes, offset: int) -> Line:
    bytes_ = f"{len(filler)} byte" if len(filler) == 1 else f"{len(filler)} bytes"
    said = Said(f"{bytes_} behind the last word", "it must be 00" if any(filler) else "")
    return _line(offset, filler, "filler", said, "PKT-08")


def _line(offset: int, raw: bytes, field: str, said: Said, clause: str = "WRD-07") -> Line:
    return Line(
        offset=offset,
        raw=raw,
        field=field,
        value=said.value,
        clause=clause,
        meaning=_DATA_MEANING,
        problem=said.problem,
    )
