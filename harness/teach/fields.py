"""What the fields of a message are called, and what their values mean in plain words.

Theory of operation.  The layouts (`emulator.wire.layout`) say where a field is and which clause
defines it; this file says what its value means.  Each field has a function from the value and the
fields before it to a text, which includes what is wrong with the value.
"""

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, Final

from dryload.emulator.wire.constants import (
    ALL_CALL,
    ALL_LOOPS,
    EXTENDED_LOOP_TYPES,
    LOOP_TYPES,
    MAX_BITS,
    MAX_CHANNELS,
    MIN_BITS,
)
from dryload.emulator.wire.messages import (
    TITLES,
    ExtendedHeader,
    ExtendedLoopPoints,
    HandshakeKind,
    Message,
)
from dryload.emulator.wire.prose import counted, duration, hertz
from dryload.emulator.wire.sizes import bytes_per_word, packets_for, words_per_packet
from dryload.harness.teach.explained import FieldText

_NS: Final = 1_000_000_000
_FRACTION: Final = 1 << 28  # EXT-02, CA-019 p. 2

Values = Mapping[str, Any]
"""The fields before the one that is explained, by name."""

_LABELS: Final[Mapping[str, str]] = {
    "start": "begin",
    "device_id": "device ID",
    "sub_id": "sub-ID",
    "sub_id_2": "second sub-ID",
    "kind": "handshake",
    "bits": "significant bits",
    "period_ns": "sample period",
    "rate_hz": "sample rate",
    "rate_fraction": "fraction of it",
    "data": "sample words",
    "language": "language tag",
    "maker": "maker ID",
    "family_code": "unit family",
    "member": "family member",
}
"""What a field of a layout is called, where that is not its name."""

_GROUPS: Final = {0x05: "extension of the sample dump", 0x06: "general information"}  # M1 p. 35
_HANDSHAKES: Final = {
    HandshakeKind.ACK: "ACK: the last one is good, send the next",
    HandshakeKind.NAK: "NAK: the last one is bad, send it again",
    HandshakeKind.CANCEL: "CANCEL: stop the dump",
    HandshakeKind.WAIT: "WAIT: send nothing until told",
    HandshakeKind.EOF: "EOF: the last packet has been sent; a sample dump does not use it",
}


def label_of(field: str) -> str:
    """Return what a field of a layout is called."""
    return _LABELS.get(field, field.replace("_", " "))


def field_text(kind: type[Message], field: str, value: Any, before: Values) -> FieldText:
    """Return what a field's value means; `before` holds the fields in front of it."""
    if field in ("sub_id", "sub_id_2"):
        return FieldText(_GROUPS.get(value[0], TITLES[kind]) if field == "sub_id" else TITLES[kind])
    if field == "loop_type":
        return _loop_type(kind, value)
    if field == "length":
        return FieldText(_length(kind, value, before))
    explain = _TEXTS.get(field)
    return FieldText(f"{value:,}") if explain is None else explain(value, before)


def _bits(value: int, before: Values) -> FieldText:
    if not MIN_BITS <= value <= MAX_BITS:
        return FieldText(f"{value}", f"the standard allows {MIN_BITS} to {MAX_BITS}")
    size, per_packet = bytes_per_word(value), words_per_packet(value)
    return FieldText(f"{value}: a word takes {size} bytes, a packet holds {per_packet} words")


def _period(value: int, before: Values) -> FieldText:
    if not value:
        return FieldText("0 ns", "that is not a rate")
    return FieldText(f"{value:,} ns, that is {hertz(Fraction(_NS, value))}")


def _fraction(value: int, before: Values) -> FieldText:
    rate = before.get("rate_hz", 0) + Fraction(value, _FRACTION)
    if not rate:
        return FieldText("none", "0 Hz is not a rate")
    if not value:
        return FieldText(f"none: {hertz(rate)}")
    return FieldText(f"{value:,} / 2**28: {hertz(rate)} in all")


def _length(kind: type[Message], value: int, before: Values) -> str:
    if kind is ExtendedHeader:
        return counted(value, "frame")
    bits, period_ns = before.get("bits", 0), before.get("period_ns", 0)
    said = counted(value, "word")
    if not MIN_BITS <= bits <= MAX_BITS:
        return said
    said = f"{said} in {counted(packets_for(value, bits), 'packet')}"
    return f"{said}, {duration(value * period_ns)} of sound" if period_ns else said


def _loop_number(value: int, before: Values) -> FieldText:
    if value == ALL_LOOPS:
        return FieldText(f"{value:,}: all loops")
    return FieldText(f"{value:,}" if value else "0: the sustain loop of the header")


def _loop_type(kind: type[Message], value: int) -> FieldText:
    extended = kind in (ExtendedHeader, ExtendedLoopPoints)
    types = EXTENDED_LOOP_TYPES if extended else LOOP_TYPES
    if value in types:
        return FieldText(types[value])
    legal = "one of ten from 00 to 7F" if extended else "00, 01 or 7F"
    return FieldText("undefined", f"it must be {legal}")


def _loop_end(value: int, before: Values) -> FieldText:
    words = f"word {value:,}"
    start, length = before.get("loop_start", 0), before.get("length")
    if value < start:
        return FieldText(words, "it is before the loop start")
    if not value and not start:
        return FieldText(words)
    if length is not None and value >= length:
        return FieldText(words, f"the sample ends with word {length - 1:,}")
    return FieldText(f"{words}, which is played too")


def _channels(value: int, before: Values) -> FieldText:
    if not 1 <= value <= MAX_CHANNELS:
        return FieldText(f"{value}", f"the standard allows 1 to {MAX_CHANNELS}")
    names = {1: "mono", 2: "stereo, left and right in turn"}
    layout = names.get(value, "one word of each in turn")
    words = counted(before.get("length", 0) * value, "word")
    return FieldText(f"{value}: {layout}, {words} in all")


def _text(value: bytes, before: Values) -> FieldText:
    if not value:
        return FieldText("none")
    letters = "".join(chr(byte) if 0x20 <= byte < 0x7F else "?" for byte in value)
    is_plain = letters.encode() == value
    text = f'"{letters}", {counted(len(value), "letter")}'
    return FieldText(text, "" if is_plain else "not all of it is plain letters")


def _maker(value: bytes, before: Values) -> FieldText:
    if value == b"\x7d":
        return FieldText("7D: not for sale, for study and rehearsal")
    return FieldText(f"{value.hex(' ').upper()}: {counted(len(value), 'byte')}")


_TEXTS: Final[Mapping[str, Callable[[Any, Values], FieldText]]] = {
    "start": lambda value, before: FieldText("System Exclusive begins"),
    "family": lambda value, before: FieldText("Universal Non-Real-Time"),
    "end": lambda value, before: FieldText("System Exclusive ends"),
    "device_id": lambda value, before: FieldText(
        "127: every device" if value == ALL_CALL else f"{value}"
    ),
    "kind": lambda value, before: FieldText(_HANDSHAKES[HandshakeKind(value)]),
    "bits": _bits,
    "period_ns": _period,
    "rate_hz": lambda value, before: FieldText(f"{value:,} Hz"),
    "rate_fraction": _fraction,
    "loop_number": _loop_number,
    "loop_start": lambda value, before: FieldText(f"word {value:,}"),
    "loop_end": _loop_end,
    "channels": _channels,
    "name": _text,
    "language": lambda value, before: _text(value, before) if value else FieldText("none: English"),
    "maker": _maker,
    "revision": lambda value, before: FieldText(" ".join(str(byte) for byte in value)),
}
"""Texts that do not depend on the message; a field without one is a plain number."""
