"""The messages of a dump: as bytes, made from a sample, and back to a sample."""

from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.wire.codec import decode, encode
from dryload.emulator.wire.constants import (
    ALL_LOOPS,
    EXTENDED_LOOP_TYPES,
    LOOP_OFF,
    LOOP_TYPES,
    MAX_21_BIT,
    MAX_28_BIT,
    PACKET_BYTES,
)
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    ExtendedHeader,
    ExtendedLoopPoints,
    Header,
    LoopPoints,
    SampleName,
)
from dryload.emulator.wire.packets import packet_rows
from dryload.emulator.wire.sizes import packets_for
from dryload.emulator.wire.words import DataBytes, Words, unpack_words, word_dtype

_NS: Final = 1_000_000_000
_FRACTION: Final = 1 << 28  # EXT-02

_DEVICE_ID: Final[int] = FIXED[DataPacket].span("device_id").start
_NOBODY_KNOWS: Final = 1 << 62  # packets
_SHORT: Final = 1 << 12  # bytes of words: so few are kept for a while

HeaderKind = Literal["standard", "extended", "auto"]


class Outgoing(Struct, frozen=True, kw_only=True):
    """The messages of one dump, as bytes: they are sent as they are, right or wrong."""

    header: bytes
    packets: Sequence[bytes]
    fallback: bytes | None = None
    """A standard header that says the same as an extended `header` (EXT-09)."""
    after: tuple[bytes, ...] = ()
    """Loop points and name, sent when the packets are through; no handshake belongs to them."""

    def __post_init__(self) -> None:
        """Refuse what cannot be sent at all."""
        if len(self.header) <= _DEVICE_ID:
            raise ValueError(f"a header of {len(self.header)} bytes bears no device ID")
        if self.fallback == b"" or not all(self.packets) or not all(self.after):
            raise ValueError("a message without bytes cannot be sent")

    @property
    def device_id(self) -> int:
        """The device ID of the header, which may be a broken one."""
        return self.header[_DEVICE_ID] & 0x7F

    def without_after(self) -> "Outgoing":
        """Return the dump alone: nothing follows the packets."""
        return replace(self, after=())


def standard_header(sample: Sample, *, number: int, device_id: int) -> DumpHeader:
    """Return the 21-byte header; ValueError where the sample needs the extended one (HDR-14)."""
    if (why := _needs_extended(sample)) is not None:
        raise ValueError(why)
    return _stated(sample, number, device_id)


def _stated(sample: Sample, number: int, device_id: int) -> DumpHeader:
    return DumpHeader(
        device_id=device_id,
        sample_number=number,
        bits=sample.bits,
        period_ns=sample.period_ns,
        length=sample.frames,
        loop_start=sample.sustain.start,
        loop_end=sample.sustain.end,
        loop_type=sample.sustain.loop_type,
    )


def extended_header(sample: Sample, *, number: int, device_id: int) -> ExtendedHeader:
    """Return the 34-byte header: exact rate, any length, several channels (CA-019 p. 2).

    A rate beyond what 28 bits of hertz can say is stated as the highest there is.
    """
    ticks = min(round(sample.rate * _FRACTION), (MAX_28_BIT + 1) * _FRACTION - 1)
    return ExtendedHeader(
        device_id=device_id,
        sample_number=number,
        bits=sample.bits,
        rate_hz=ticks // _FRACTION,
        rate_fraction=ticks % _FRACTION,
        length=sample.frames,
        loop_start=sample.sustain.start,
        loop_end=sample.sustain.end,
        loop_type=sample.sustain.loop_type,
        channels=sample.channels,
    )


def outgoing(
    sample: Sample, *, number: int, device_id: int, header: HeaderKind = "auto"
) -> Outgoing:
    """Return all messages of a dump; "auto" takes the standard header where it suffices (EXT-08).

    Loops and a name follow the packets as messages of their own.
    """
    why = _needs_extended(sample)
    if header == "standard" and why is not None:
        raise ValueError(why)
    standard = None if why is not None else encode(_stated(sample, number, device_id))
    if header == "extended" or standard is None:
        extended = encode(extended_header(sample, number=number, device_id=device_id))
        first, fallback = extended, standard
    else:
        first, fallback = standard, None
    return Outgoing(
        header=first,
        fallback=fallback,
        packets=packets_of(sample, device_id=device_id),
        after=_after(sample, number=number, device_id=device_id, extended=why is not None),
    )


def packets_of(sample: Sample, *, device_id: int) -> Sequence[bytes]:
    """Return the data packets of a sample."""
    if sample.words.nbytes > _SHORT:
        return _packets(sample.words, sample.bits, device_id)
    return _packets_again(sample.words.tobytes(), sample.bits, device_id)


@lru_cache(maxsize=16)
def _packets_again(words: bytes, bits: int, device_id: int) -> Sequence[bytes]:
    """Return the packets of a short sample; what was sent is soon sent back."""
    return tuple(_packets(np.frombuffer(words, word_dtype(bits)), bits, device_id))


def _packets(words: Words, bits: int, device_id: int) -> Sequence[bytes]:
    flat = packet_rows(words, bits, device_id).tobytes()
    return [flat[i : i + PACKET_BYTES] for i in range(0, len(flat), PACKET_BYTES)]


def rate_of(header: Header) -> Fraction:
    """Return the exact rate in Hz that a header states; a period of 0 counts as 1 ns (HDR-04)."""
    if isinstance(header, DumpHeader):
        return Fraction(_NS, max(header.period_ns, 1))
    return max(header.rate_hz + Fraction(header.rate_fraction, _FRACTION), Fraction(1, _FRACTION))


def sample_from(
    header: Header,
    data: DataBytes,
    more: Iterable[LoopPoints | ExtendedLoopPoints | SampleName] = (),
) -> Sample:
    """Return the sample of a dump; `data` are the data bytes of its packets, joined.

    Words beyond the length are filler and cut off (WRD-13); where words are missing, those that
    came are kept in whole frames.  ValueError where the header states no width that exists
    (HDR-03).
    """
    return sample_from_words(header, unpack_words(np.ascontiguousarray(data), header.bits), more)


def sample_from_words(
    header: Header,
    words: Words,
    more: Iterable[LoopPoints | ExtendedLoopPoints | SampleName] = (),
) -> Sample:
    """Return the sample of a dump that holds `words`; those beyond the length are cut off.

    ValueError where the header states no width that exists (HDR-03).
    """
    channels = max(header.channels, 1)
    words = words[: header.length * channels]
    words = words[: len(words) // channels * channels]
    loops: dict[int, Loop] = {}
    name = ""
    sustain = Loop(start=header.loop_start, end=header.loop_end, loop_type=header.loop_type)
    for message in more:
        if isinstance(message, SampleName):
            name = message.name.decode("ascii", "replace")
        elif message.loop_number == ALL_LOOPS:
            loops.clear()  # LOP-04; loop 0 is the sustain loop (LOP-02)
            sustain = NO_LOOP
        else:
            loops[message.loop_number] = Loop(
                start=message.loop_start, end=message.loop_end, loop_type=message.loop_type
            )
    return Sample(
        words=words,
        bits=header.bits,
        rate=rate_of(header),
        channels=channels,
        sustain=loops.pop(0, sustain),
        loops=tuple(sorted(loops.items())),
        name=name,
    )


def _needs_extended(sample: Sample) -> str | None:
    """Return why the standard header cannot describe a sample, None where it can."""
    if sample.channels > 1:
        return f"{sample.channels} channels need the extended header"
    if sample.frames > MAX_21_BIT:
        return f"{sample.frames} words need the extended header: the standard one ends at 2,097,151"
    if not 1 <= sample.period_ns <= MAX_21_BIT:
        return f"{float(sample.rate):g} Hz needs the extended header: its period does not fit"
    if sample.sustain.loop_type not in LOOP_TYPES:
        kind = EXTENDED_LOOP_TYPES.get(sample.sustain.loop_type, "of unknown type")
        return f"a loop {kind} needs the extended header"
    if max(sample.sustain.start, sample.sustain.end) > MAX_21_BIT:
        return "a loop beyond word 2,097,151 needs the extended header"
    return None


def _after(sample: Sample, *, number: int, device_id: int, extended: bool) -> tuple[bytes, ...]:
    messages = []
    for loop_number, loop in sample.loops:
        says_it = loop.loop_type in LOOP_TYPES and max(loop.start, loop.end) <= MAX_21_BIT
        kind = LoopPoints if says_it and not extended else ExtendedLoopPoints  # LOP-06
        message = kind(
            device_id=device_id,
            sample_number=number,
            loop_number=loop_number,
            loop_type=loop.loop_type,
            loop_start=loop.start,
            loop_end=loop.end,
        )
        messages.append(encode(message))
    if sample.name:
        name = SampleName(
            device_id=device_id,
            sample_number=number,
            language=b"",
            name=sample.name.encode("ascii", "replace"),
        )
        messages.append(encode(name))
    return tuple(messages)


def packets_announced(header: bytes) -> int:
    """Return how many packets a header calls for; where it makes no sense, more than there can be.

    Source: STA-02, M1 p. 39; words of all channels, EXT-06.
    """
    message = decode(header)
    if not isinstance(message, DumpHeader | ExtendedHeader):
        return _NOBODY_KNOWS
    try:
        return packets_for(message.length * message.channels, message.bits)
    except ValueError:
        return _NOBODY_KNOWS


def whole_sequence(dump: Outgoing) -> Sequence[bytes]:
    """Return all messages of a dump in the order in which they are sent."""
    return [dump.header, *dump.packets, *dump.after]


__all__ = [
    "LOOP_OFF",
    "NO_LOOP",
    "HeaderKind",
    "extended_header",
    "outgoing",
    "packets_of",
    "rate_of",
    "sample_from",
    "sample_from_words",
    "standard_header",
    "whole_sequence",
]
