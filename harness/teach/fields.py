"""What a field is called and what its bytes say, in plain words.

Theory of operation.  Where a field stands and which clause is behind it, the layouts know
(`emulator.wire.layout`); here is only what to say of its value.  A saying takes the value and what
the fields before it said, and gives the words; what is wrong with the value is said with it.
"""

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, Final, NamedTuple

from emulator.wire.constants import (
    ALL_CALL,
    ALL_LOOPS,
    EXTENDED_LOOP_TYPES,
    LOOP_TYPES,
    MAX_BITS,
    MAX_CHANNELS,
    MIN_BITS,
)
from emulator.wire.messages import (
    TITLES,
    ExtendedHeader,
    ExtendedLoopPoints,
    HandshakeKind,
    Message,
)
from emulator.wire.sizes import bytes_per_word, packets_for, words_per_packet

_NS: Final = 1_000_000_000
_FRACTION: Final = 1 << 28  # EXT-02, CA-019 p. 2

Values = Mapping[str, Any]


class Said(NamedTuple):
    """What a value means, and what is wrong with it ("" where nothing is)."""

    value: str
    problem: str = ""


LABELS: Final[Mapping[str, str]] = {
    "start": "begin",
    "family": "family",
    "device_id": "device ID",
    "sub_id": "sub-ID",
    "sub_id_2": "second sub-ID",
    "kind": "handshake",
    "packet_number": "packet number",
    "sample_number": "sample number",
    "bits": "significant bits",
    "period_ns": "sample period",
    "rate_hz": "sample rate",
    "rate_fraction": "fraction of it",
    "length": "length",
    "loop_number": "loop number",
    "loop_start": "loop start",
    "loop_end": "loop end",
    "loop_type": "loop type",
    "channels": "channels",
    "data": "sample words",
    "checksum": "checksum",
    "language": "language tag",
    "name": "name",
    "maker": "maker ID",
    "family_code": "unit family",
    "member": "family member",
    "revision": "revision",
    "end": "end",
}
"""What a field of a layout is called."""

_GROUPS: Final = {0x05: "extension of the sample dump", 0x06: "general information"}  # M1 p. 35
_HANDSHAKES: Final = {
    HandshakeKind.ACK: "ACK: the last one is good, send the next",
    HandshakeKind.NAK: "NAK: the last one is bad, send it again",
    HandshakeKind.CANCEL: "CANCEL: stop the dump",
    HandshakeKind.WAIT: "WAIT: send nothing until told",
    HandshakeKind.EOF: "EOF: the last packet has gone; a sample dump does without it",
}


def say(kind: type[Message], field: str, value: Any, before: Values) -> Said:
    """Return what a field's value says; `before` holds the fields in front of it."""
    if field in ("sub_id", "sub_id_2"):
        return Said(_GROUPS.get(value[0], TITLES[kind]) if field == "sub_id" else TITLES[kind])
    if field == "loop_type":
        return _loop_type(kind, value)
    if field == "loop_number":
        return Said(_loop_number(value))
    if field == "length":
        return Said(_length(kind, value, before))
    saying = _SAYINGS.get(field)
    return Said(f"{value:,}") if saying is None else saying(value, before)


def _device(value: int, before: Values) -> Said:
    return Said("127: every device" if value == ALL_CALL else f"{value}")


def _bits(value: int, before: Values) -> Said:
    if not MIN_BITS <= value <= MAX_BITS:
        return Said(f"{value}", f"the standard has {MIN_BITS} to {MAX_BITS}")
    size, per_packet = bytes_per_word(value), words_per_packet(value)
    return Said(f"{value}: a word takes {size} bytes, a packet holds {per_packet} words")


def _period(value: int, before: Values) -> Said:
    if not value:
        return Said("0 ns", "that is no rate")
    return Said(f"{value:,} ns, that is {hertz(Fraction(_NS, value))}")


def _rate(value: int, before: Values) -> Said:
    return Said(f"{value:,} Hz")


def _fraction(value: int, before: Values) -> Said:
    rate = before.get("rate_hz", 0) + Fraction(value, _FRACTION)
    if not rate:
        return Said("none", "a rate of 0 Hz is no rate")
    return Said(f"none: {hertz(rate)}" if not value else f"{value:,} / 2**28: {hertz(rate)} in all")


def _length(kind: type[Message], value: int, before: Values) -> str:
    what = "frame" if kind is ExtendedHeader else "word"
    said = _counted(value, what)
    bits = before.get("bits", 0)
    if kind is ExtendedHeader or not MIN_BITS <= bits <= MAX_BITS:
        return said
    said = f"{said} in {_counted(packets_for(value, bits), 'packet')}"
    period_ns = before.get("period_ns", 0)
    return f"{said}, {_lasting(value * period_ns)} of sound" if period_ns else said


def _loop_number(value: int) -> str:
    if value == ALL_LOOPS:
        return f"{value:,}: all loops"
    return "0: the sustain loop of the header" if not value else f"{value:,}"


def _loop_type(kind: type[Message], value: int) -> Said:
    extended = kind in (ExtendedHeader, ExtendedLoopPoints)
    types = EXTENDED_LOOP_TYPES if extended else LOOP_TYPES
    if value in types:
        return Said(types[value])
    known = "00, 01 or 7F" if not extended else "one of ten from 00 to 7F"
    return Said("no type there is", f"it must be {known}")


def _loop_start(value: int, before: Values) -> Said:
    return Said(f"word {value:,}")


def _loop_end(value: int, before: Values) -> Said:
    words = f"word {value:,}"
    start, length = before.get("loop_start", 0), before.get("length")
    if value < start:
        return Said(words, "it stands before the start")
    if length is not None and value >= length and (value or start):
        return Said(words, f"the sample ends with word {length - 1:,}")
    return Said(f"{words}, played too" if value or start else words)


def _channels(value: int, before: Values) -> Said:
    if not 1 <= value <= MAX_CHANNELS:
        return Said(f"{value}", f"the standard has 1 to {MAX_CHANNELS}")
    frames = before.get("length", 0)
    names = {1: "mono", 2: "stereo, left and right in turn"}
    said = f"{value}: {names.get(value, 'one word of each in turn')}"
    return Said(f"{said}, {_counted(frames * value, 'word')} in all")


def _kind(value: int, before: Values) -> Said:
    return Said(_HANDSHAKES[HandshakeKind(value)])


def _text(value: bytes, before: Values) -> Said:
    if not value:
        return Said("none")
    letters = "".join(chr(byte) if 0x20 <= byte < 0x7F else "?" for byte in value)
    odd = (
        "" if "?" not in letters or letters.encode() == value else "not all of it is plain letters"
    )
    return Said(f'"{letters}", {_counted(len(value), "letter")}', odd)


def _language(value: bytes, before: Values) -> Said:
    return Said("none: English") if not value else _text(value, before)


def _maker(value: bytes, before: Values) -> Said:
    if value == b"\x7d":
        return Said("7D: not for sale, for study and rehearsal")
    return Said(f"{value.hex(' ').upper()}: {_counted(len(value), 'byte')}")


def _revision(value: bytes, before: Values) -> Said:
    return Said(" ".join(str(byte) for byte in value))


_SAYINGS: Final[Mapping[str, Callable[[Any, Values], Said]]] = {
    "start": lambda value, before: Said("System Exclusive begins"),
    "family": lambda value, before: Said("Universal Non-Real-Time"),
    "end": lambda value, before: Said("System Exclusive ends"),
    "device_id": _device,
    "kind": _kind,
    "bits": _bits,
    "period_ns": _period,
    "rate_hz": _rate,
    "rate_fraction": _fraction,
    "loop_start": _loop_start,
    "loop_end": _loop_end,
    "channels": _channels,
    "name": _text,
    "language": _language,
    "maker": _maker,
    "revision": _revision,
}
"""Sayings that do not depend on the message; a field without one is a plain number."""


def hertz(rate: Fraction) -> str:
    """Return a rate in hertz, whole where it is."""
    return f"{int(rate):,} Hz" if rate.denominator == 1 else f"{float(rate):,.2f} Hz"


def _counted(count: int, thing: str) -> str:
    return f"{count:,} {thing}" if count == 1 else f"{count:,} {thing}s"


def _lasting(ns: int) -> str:
    return f"{ns / _NS:.2f} s" if ns >= _NS // 10 else f"{ns / 1_000_000:.2f} ms"
