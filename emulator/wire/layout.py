"""Where each byte of each message stands: the only table of offsets in the project.

Decoding, encoding, the bulk paths and the explanations all read these construct layouts. A field's
documentation is "CLAUSE: meaning"; its name is the field's name in `emulator.wire.messages`.
"""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import msgspec
from construct import (
    Adapter,
    Byte,
    Bytes,
    Const,
    Construct,
    GreedyBytes,
    IfThenElse,
    Peek,
    Prefixed,
    Renamed,
    Struct,
)

from dryload.emulator.wire.constants import PACKET_DATA_BYTES
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    ExtendedLoopPoints,
    ExtendedLoopPointsRequest,
    Handshake,
    IdentityReply,
    IdentityRequest,
    LoopPoints,
    LoopPointsRequest,
    Message,
    SampleName,
    SampleNameRequest,
)
from dryload.emulator.wire.sevenbit import from_groups, to_groups


class Groups(Adapter):  # type: ignore[misc]  # construct ships no type information
    """An integer of `count` 7-bit groups, low group first (HDR-12)."""

    def __init__(self, count: int) -> None:
        super().__init__(Bytes(count))

    def _decode(self, obj: bytes, context: Any, path: Any) -> int:
        return from_groups(obj)

    def _encode(self, obj: int, context: Any, path: Any) -> bytes:
        return to_groups(obj, self.subcon.sizeof())


def _field(name: str, kind: Construct, note: str) -> Construct:
    return name / kind * note


def _message(*fields: Construct) -> Struct:
    return Struct(
        _field("start", Const(b"\xf0"), "FRM-01: System Exclusive starts"),
        _field("family", Const(b"\x7e"), "FRM-06: Universal Non-Real-Time"),
        _field("device_id", Byte, "DEV-01: device ID; 7F addresses every device"),
        *fields,
        _field("end", Const(b"\xf7"), "FRM-01: System Exclusive ends"),
    )


def _sub(*ids: int) -> tuple[Construct, ...]:
    names = ("sub_id", "sub_id_2")
    return tuple(
        _field(name, Const(bytes([value])), "FRM-09: says which message this is")
        for name, value in zip(names, ids, strict=False)
    )


_NUMBER = _field("sample_number", Groups(2), "HDR-02: sample number, low group first")
_LOOP_NUMBER = _field("loop_number", Groups(2), "LOP-04: loop number; 7F 7F means all loops")
_BITS = _field("bits", Byte, "HDR-03: significant bits of a word, 8 to 28")


def _loop_message(sub_id: int, point_groups: int, type_clause: str, order_clause: str) -> Struct:
    return _message(
        *_sub(0x05, sub_id),
        _NUMBER,
        _LOOP_NUMBER,
        _field("loop_type", Byte, f"{type_clause}: loop type"),
        _field("loop_start", Groups(point_groups), f"{order_clause}: first word of the loop"),
        _field("loop_end", Groups(point_groups), f"{order_clause}: last word of the loop"),
    )


def _long_maker(context: Any) -> bool:
    first = context.maker_first if context._parsing else next(iter(context.maker), None)
    return bool(first == 0)


LAYOUTS: Final[Mapping[type[Message], Struct]] = {
    Handshake: _message(
        _field("kind", Byte, "HSK-01: 7F ACK, 7E NAK, 7D CANCEL, 7C WAIT, 7B EOF"),
        _field("packet_number", Byte, "HSK-02: packet that is answered"),
    ),
    DumpHeader: _message(
        *_sub(0x01),
        _NUMBER,
        _BITS,
        _field("period_ns", Groups(3), "HDR-04: sample period in nanoseconds, low group first"),
        _field("length", Groups(3), "HDR-06: length in words, low group first"),
        _field("loop_start", Groups(3), "HDR-09: first word of the sustain loop"),
        _field("loop_end", Groups(3), "HDR-09: last word of the sustain loop"),
        _field("loop_type", Byte, "HDR-08: 00 forward, 01 backward and forward, 7F no loop"),
    ),
    ExtendedHeader: _message(
        *_sub(0x05, 0x05),
        _NUMBER,
        _BITS,
        _field("rate_hz", Groups(4), "EXT-02: sample rate, whole hertz, low group first"),
        _field("rate_fraction", Groups(4), "EXT-02: sample rate, fraction in 1/2**28 Hz"),
        _field("length", Groups(5), "EXT-03: length in frames, low group first"),
        _field("loop_start", Groups(5), "EXT-03: first frame of the loop"),
        _field("loop_end", Groups(5), "EXT-03: last frame of the loop"),
        _field("loop_type", Byte, "EXT-04: one of ten loop types"),
        _field("channels", Byte, "EXT-05: channels, 1 to 127"),
    ),
    DataPacket: _message(
        *_sub(0x02),
        _field("packet_number", Byte, "PKT-03: running packet number, 7F wraps to 00"),
        _field("data", Bytes(PACKET_DATA_BYTES), "PKT-01: 60, 40 or 30 sample words"),
        _field("checksum", Byte, "PKT-05: XOR of everything from 7E to the last data byte"),
    ),
    DumpRequest: _message(*_sub(0x03), _NUMBER),
    LoopPoints: _loop_message(0x01, 3, "LOP-06", "HDR-12"),
    LoopPointsRequest: _message(*_sub(0x05, 0x02), _NUMBER, _LOOP_NUMBER),
    ExtendedLoopPoints: _loop_message(0x06, 5, "EXT-04", "EXT-03"),
    ExtendedLoopPointsRequest: _message(*_sub(0x05, 0x07), _NUMBER, _LOOP_NUMBER),
    SampleName: _message(
        *_sub(0x05, 0x03),
        _NUMBER,
        _field("language", Prefixed(Byte, GreedyBytes), "NAM-01: tag length, then language tag"),
        _field("name", Prefixed(Byte, GreedyBytes), "NAM-02: name length, then name"),
    ),
    SampleNameRequest: _message(*_sub(0x05, 0x04), _NUMBER),
    IdentityRequest: _message(*_sub(0x06, 0x01)),
    IdentityReply: _message(
        *_sub(0x06, 0x02),
        _field("maker_first", Peek(Byte), "IDN-02: looked at, not taken"),
        _field(
            "maker",
            IfThenElse(_long_maker, Bytes(3), Bytes(1)),
            "IDN-02: maker ID; three bytes when the first is 00",
        ),
        _field("family_code", Groups(2), "IDN-02: family, low group first"),
        _field("member", Groups(2), "IDN-02: member, low group first"),
        _field("revision", Bytes(4), "IDN-01: revision, in the maker's own form"),
    ),
}

SUB_IDS: Final[Mapping[tuple[int, ...], type[Message]]] = {
    **{(kind,): Handshake for kind in range(0x7B, 0x80)},
    (0x01,): DumpHeader,
    (0x02,): DataPacket,
    (0x03,): DumpRequest,
    (0x05, 0x01): LoopPoints,
    (0x05, 0x02): LoopPointsRequest,
    (0x05, 0x03): SampleName,
    (0x05, 0x04): SampleNameRequest,
    (0x05, 0x05): ExtendedHeader,
    (0x05, 0x06): ExtendedLoopPoints,
    (0x05, 0x07): ExtendedLoopPointsRequest,
    (0x06, 0x01): IdentityRequest,
    (0x06, 0x02): IdentityReply,
}
"""Which message the bytes at offset 3 (and 4, where the first is 05 or 06) announce."""


class Span(NamedTuple):
    """One field of a message of fixed size: bytes `start` up to, not including, `stop`."""

    name: str
    start: int
    stop: int
    clause: str
    meaning: str
    number: bool  # an integer, as opposed to plain bytes


class FixedLayout(msgspec.Struct, frozen=True, kw_only=True):
    """The spans of a message of fixed size, in order, and its whole length in bytes."""

    spans: tuple[Span, ...]
    size: int

    def span(self, name: str) -> slice:
        """Return where the field `name` stands; KeyError if the message has no such field."""
        for span in self.spans:
            if span.name == name:
                return slice(span.start, span.stop)
        raise KeyError(name)


def note_of(field: Construct) -> tuple[str, str]:
    """Return clause and meaning of a field of a layout."""
    clause, _, meaning = str(field.docs).partition(": ")
    return clause, meaning


def _is_number(field: Construct) -> bool:
    while isinstance(field, Renamed):
        field = field.subcon
    return isinstance(field, Groups) or field is Byte


def _fixed(layout: Struct) -> FixedLayout:
    spans = []
    offset = 0
    for field in layout.subcons:
        size = field.sizeof()
        is_number = _is_number(field)
        spans.append(Span(field.name, offset, offset + size, *note_of(field), is_number))
        offset += size
    return FixedLayout(spans=tuple(spans), size=offset)


VARIABLE: Final = (SampleName, IdentityReply)
FIXED: Final[Mapping[type[Message], FixedLayout]] = {
    kind: _fixed(layout) for kind, layout in LAYOUTS.items() if kind not in VARIABLE
}
