"""Samples and headers in words and in documents."""

from fractions import Fraction
from typing import Final

from dryload.emulator.dump.sample import Loop, Sample
from dryload.emulator.wire.constants import EXTENDED_LOOP_TYPES, LOOP_TYPES
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader, Header
from dryload.emulator.wire.prose import counted, duration, sides
from dryload.harness.files.opening import shown
from dryload.harness.files.rates import meant_hertz
from dryload.harness.judge.headers import NO_LOOP_TYPES
from dryload.harness.judge.plan import rate_of
from dryload.harness.plan.keys import key_name
from dryload.harness.report.document import Document, fields_of

_NS: Final = 1_000_000_000


def header_words(header: Header) -> str:
    """Return what a header says: "2,205 words of 14 bits, mono, 11,025 Hz, 0.20 s of sound"."""
    kind = ", extended header" if isinstance(header, ExtendedHeader) else ""
    rate = rate_of(header)
    return _amounts(words_of(header), header.bits, header.channels, rate, header.length) + kind


def sample_words(sample: Sample, rate: Fraction | None) -> str:
    """Return the same of a sample; `rate` is None where none was stated."""
    return _amounts(len(sample.words), sample.bits, sample.channels, rate, sample.frames)


def named(number: int, name: str) -> str:
    """Return which sample it is: 'sample 4 "Ship's bell"'."""
    return f'sample {number} "{shown(name)}"' if name else f"sample {number}"


def pitch_words(root: int, fine_cents: float) -> str:
    """Return a root key, and how far a sound lies above it: "60 (C4) and 12.5 cents"."""
    tuning = f" and {fine_cents:.4g} cents" if fine_cents else ""
    return f"{root} ({key_name(root)}){tuning}"


def sound(frames: int, rate: Fraction | None) -> str:
    """Return how long a sound lasts, "-" without a rate."""
    return "-" if rate is None else duration(round(frames * _NS / rate))


def words_of(header: Header) -> int:
    """Return the words of all channels (EXT-06)."""
    return header.length * max(header.channels, 1)


def loop_words(header: Header) -> str:
    """Return the place and the kind of the sustain loop, "" if there is none."""
    if header.loop_type in NO_LOOP_TYPES:
        return ""
    types = LOOP_TYPES if isinstance(header, DumpHeader) else EXTENDED_LOOP_TYPES
    kind = types.get(header.loop_type, f"of the unknown type {header.loop_type:02X}")
    return f"Loop from word {header.loop_start:,} to {header.loop_end:,}, {kind}."


def loop_place(loop: Loop) -> str:
    """Return the place and the kind of a loop that is there: "loop from word 3 to 9 (forward)"."""
    kind = EXTENDED_LOOP_TYPES[loop.loop_type]
    return f"loop from word {loop.start:,} to {loop.end:,} ({kind})"


def loop_said(loop: Loop) -> str:
    """Return first and last frame and the kind of a loop, "" if there is none."""
    if loop.loop_type in NO_LOOP_TYPES:
        return ""
    kind = EXTENDED_LOOP_TYPES.get(loop.loop_type, f"of the unknown type {loop.loop_type:02X}")
    return f"{loop.start:,} to {loop.end:,}, {kind}"


def header_kind(header: Header | None) -> str | None:
    """Return which of the two headers it is, None for none."""
    if header is None:
        return None
    return "extended" if isinstance(header, ExtendedHeader) else "standard"


def header_document(header: Header) -> Document:
    """Return what a header says, for programs."""
    rate = rate_of(header)
    return {
        "header": header_kind(header),
        **fields_of(header, "sample_number", "device_id", "bits", "channels"),
        "rate_hz": None if rate is None else rate.numerator / rate.denominator,
        "period_ns": header.period_ns if isinstance(header, DumpHeader) else None,
        "frames": header.length,
        "words": words_of(header),
        "seconds": None if rate is None else header.length * rate.denominator / rate.numerator,
        "loop": _loop_document(header.loop_type, header.loop_start, header.loop_end),
    }


def sample_document(
    sample: Sample, *, rate: Fraction | None, sounds_at: Fraction | int
) -> Document:
    """Return what a sample is, for programs; `sounds_at` is the rate in Hz by which it lasts."""
    loop = sample.sustain
    return {
        **fields_of(sample, "bits", "channels", "frames", "name"),
        "rate_hz": rate,
        "words": len(sample.words),
        "seconds": sample.frames / sounds_at,
        "loop": _loop_document(loop.loop_type, loop.start, loop.end),
    }


def _amounts(words: int, bits: int, channels: int, rate: Fraction | None, frames: int) -> str:
    said = f"{counted(words, 'word')} of {bits} bits, {sides(channels)}"
    if rate is None:
        return f"{said}, no rate"
    return f"{said}, {meant_hertz(rate)}, {sound(frames, rate)} of sound"


def _loop_document(loop_type: int, start: int, end: int) -> Document | None:
    if loop_type in NO_LOOP_TYPES:
        return None
    return {"start": start, "end": end, "type": f"{loop_type:02X}"}
