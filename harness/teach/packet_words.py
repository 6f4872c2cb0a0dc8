"""Explanations of the sample words and the checksum of a packet (WRD-01 to WRD-07, PKT-05)."""

from collections.abc import Iterator, Sequence
from functools import reduce
from operator import xor
from typing import Final

from msgspec import Struct

from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sizes import bytes_per_word, unused_bits
from dryload.harness.teach.explained import At, FieldLine, FieldText, field_line

_FIRST: Final = 4
"""Words that are shown before the rest is summed up."""
_MEANING: Final = "60, 40 or 30 sample words"


class PacketWords(Struct, frozen=True, kw_only=True):
    """What the header says of the words of one packet."""

    bits: int
    first: int = 0
    """The number of the packet's first word, counted from 0 and over all channels."""
    real: int | None = None
    """How many of its words belong to the sample; None if all do."""
    channels: int = 1


def data_lines(
    data: bytes, start: int, at: At, words: PacketWords | None, *, every: bool = False
) -> Iterator[FieldLine]:
    """Yield the lines for the data bytes of a packet, which begin at byte `start` of it.

    Without `words` the width of a word is unknown.  Four words are shown, or `every` one.
    """
    if words is None:
        unknown = FieldText(f"{len(data)} data bytes; only a header says how wide a word is")
        yield field_line(at(start), data, "sample words", unknown, "PKT-01", meaning=_MEANING)
        return
    size = bytes_per_word(words.bits)
    chunks = [data[begin : begin + size] for begin in range(0, len(data), size)]
    whole = len(data) // size
    real = whole if words.real is None else min(words.real, whole)
    shown = real if every or real <= _FIRST + 1 else _FIRST

    def line(word: int, stop: int, field: str, text: FieldText, clause: str) -> FieldLine:
        raw = b"".join(chunks[word:stop])
        return field_line(at(start + word * size), raw, field, text, clause, meaning=_MEANING)

    for index in range(shown):
        text = _word_text(chunks[index], words)
        yield line(index, index + 1, _name(words, index), text, "WRD-07")
    if shown < real:
        field = f"to {_name(words, real - 1)}"
        yield line(shown, real, field, _rest_text(chunks[shown:real], words), "WRD-07")
    if filler := b"".join(chunks[real:whole]):
        problem = "must be 00" if any(filler) else ""
        text = FieldText(f"{counted(len(filler), 'byte')} after the last word", problem)
        yield line(real, whole, "filler", text, "PKT-08")
    if whole < len(chunks):
        text = FieldText("part of a word", f"a word of {words.bits} bits takes {size} bytes")
        yield line(whole, len(chunks), "left over", text, "WRD-01")


def checksum_text(body: bytes, found: int) -> FieldText:
    """Return whether a checksum is right; `body` is the packet before it, F0 included."""
    right = reduce(xor, body[1:], 0) & 0x7F
    if found == right:
        return FieldText(f"{found:02X}, right")
    return FieldText(f"{found:02X}, wrong", f"{right:02X} would be right")


def word_of(chunk: bytes, bits: int) -> tuple[int, bool]:
    """Return the signed word in `chunk`, and whether bits below its significant ones are set."""
    value = 0
    for byte in chunk:
        value = value << 7 | byte & 0x7F
    unused = unused_bits(bits)
    return (value >> unused) - (1 << bits - 1), bool(value & (1 << unused) - 1)


def _name(words: PacketWords, index: int) -> str:
    number = words.first + index
    if words.channels == 1:
        return f"word {number:,}"
    return f"frame {number // words.channels:,}, channel {number % words.channels + 1}"


def _word_text(chunk: bytes, words: PacketWords) -> FieldText:
    if max(chunk) > 0x7F:
        return FieldText("no word", "it contains a status byte")
    value, stray = word_of(chunk, words.bits)
    share = f"{100 * value / (1 << words.bits - 1):+.1f} % of full scale" if value else "silence"
    problem = f"bits below the {words.bits} significant ones are set (WRD-05)" if stray else ""
    return FieldText(f"{value:,}, {share}", problem)


def _rest_text(chunks: Sequence[bytes], words: PacketWords) -> FieldText:
    read = [word_of(chunk, words.bits) for chunk in chunks if max(chunk) < 0x80]
    problems = []
    if stray := sum(stray for _, stray in read):
        problems.append(f"{stray} with bits below the {words.bits} significant ones (WRD-05)")
    if torn := len(chunks) - len(read):
        problems.append(f"{torn} with a status byte in it")
    values = [value for value, _ in read] or [0]
    amount = f"{len(chunks)} more words, from {min(values):,} to {max(values):,}"
    return FieldText(amount, ", ".join(problems))
