"""Bytes to messages and back.

`decode` takes one whole System Exclusive message without the real-time bytes that may have stood in
it (FRM-03) and never raises: what is no message of the standard is `Foreign`, what claims to be one
and has the wrong length or a wrong end is `Malformed`.
"""

from collections.abc import Callable
from functools import lru_cache
from typing import Any

from construct import ConstructError
from msgspec import Struct

from dryload.emulator.wire.constants import (
    ALL_CALL,
    END,
    FAMILY,
    PACKET_BYTES,
    PACKET_DATA_BYTES,
    PACKET_NUMBERS,
    PACKET_SUB_ID,
    START,
)
from dryload.emulator.wire.layout import FIXED, LAYOUTS, SUB_IDS, Span
from dryload.emulator.wire.messages import DataPacket, Handshake, HandshakeKind, Message
from dryload.emulator.wire.sevenbit import from_groups, to_groups


class Foreign(Struct, frozen=True, kw_only=True):
    """A System Exclusive message that is none of the standard's."""

    body: bytes


class Malformed(Struct, frozen=True, kw_only=True):
    """Bytes that begin as a message of `kind` and do not have its form (FRM-05)."""

    kind: type[Message]
    body: bytes
    expected_length: int | None
    """Bytes the message should have; None where it may have several lengths."""


Decoded = Message | Foreign | Malformed

_PACKET = FIXED[DataPacket]
_SUB_ID = _PACKET.span("sub_id").start
_DEVICE_ID = _PACKET.span("device_id").start
_HANDSHAKE = FIXED[Handshake]
_REPLY_NUMBER = _HANDSHAKE.span("packet_number").start
_HANDSHAKE_KINDS = {int(kind): kind for kind in HandshakeKind}
_CLAIMS = {sub_ids[0]: kind for sub_ids, kind in SUB_IDS.items() if len(sub_ids) == 1}
_CLAIMS_OF_TWO = {bytes(sub_ids): kind for sub_ids, kind in SUB_IDS.items() if len(sub_ids) > 1}
_OPENING = bytes([START, FAMILY])
_FREQUENT = frozenset({PACKET_BYTES, _HANDSHAKE.size})
_DATA = _PACKET.span("data")
_NUMBER = _PACKET.span("packet_number").start
_CHECKSUM = _PACKET.span("checksum").start


def kind_of(body: bytes) -> type[Message] | None:
    """Return which message `body` claims to be by its first bytes, None if none of these."""
    if len(body) <= _SUB_ID or body[0] != START or body[1] != FAMILY:
        return None
    return _CLAIMS.get(body[_SUB_ID]) or _CLAIMS_OF_TWO.get(body[_SUB_ID : _SUB_ID + 2])


def device_of(message: Decoded) -> int | None:
    """Return whom a message is meant for (DEV-01), None where it does not say so."""
    if isinstance(message, Foreign | Malformed):
        body = message.body
        return body[_DEVICE_ID] if len(body) > _SUB_ID and body[1] == FAMILY else None
    return message.device_id


def is_between(device_id: int | None, own: int) -> bool:
    """Whether a message that bears an ID concerns a dump under `own`; 127 is any device (DEV-01).

    None, of a message that bears no ID, concerns nobody.
    """
    if device_id is None:
        return False
    return device_id in (own, ALL_CALL) or own == ALL_CALL


def decode(body: bytes) -> Decoded:
    """Return what one System Exclusive message means."""
    size = len(body)
    # Packets and their handshakes are nearly all of a transfer: the same layouts, without the walk.
    if size in _FREQUENT and body.startswith(_OPENING) and body[-1] == END:
        sub_id = body[_SUB_ID]
        if body[1:-1].isascii():
            if size == PACKET_BYTES:
                if sub_id == PACKET_SUB_ID:
                    return DataPacket(
                        device_id=body[_DEVICE_ID],
                        packet_number=body[_NUMBER],
                        data=body[_DATA],
                        checksum=body[_CHECKSUM],
                    )
            elif sub_id in _HANDSHAKE_KINDS:
                return Handshake(
                    device_id=body[_DEVICE_ID],
                    kind=_HANDSHAKE_KINDS[sub_id],
                    packet_number=body[_REPLY_NUMBER],
                )
    claimed = kind_of(body)
    if claimed is None:
        return Foreign(body=body)
    fixed = FIXED.get(claimed)
    if fixed is None:
        return _decode_variable(claimed, body)
    if size != fixed.size or body[-1] != END or not body[1:-1].isascii():
        return Malformed(kind=claimed, body=body, expected_length=fixed.size)
    return claimed(**{name: read(body[place]) for name, place, read in _FIELDS[claimed]})


@lru_cache(maxsize=4096)
def handshake(kind: HandshakeKind, *, device_id: int, packet_number: int) -> bytes:
    """Return the bytes of a handshake."""
    return encode(Handshake(device_id=device_id, kind=kind, packet_number=packet_number))


@lru_cache(maxsize=256)
def handshakes(kind: HandshakeKind, device_id: int) -> tuple[bytes, ...]:
    """Return the bytes of a handshake with each packet number there is, in order."""
    return tuple(
        handshake(kind, device_id=device_id, packet_number=number)
        for number in range(PACKET_NUMBERS)
    )


def _decode_variable(kind: type[Message], body: bytes) -> Message | Malformed:
    malformed = Malformed(kind=kind, body=body, expected_length=None)
    if not body[1:-1].isascii():
        return malformed
    try:
        values = LAYOUTS[kind].parse(body)
    except ConstructError:
        return malformed
    message = kind(**{name: values[name] for name in kind.__struct_fields__})
    return message if encode(message) == body else malformed


def encode(message: Message) -> bytes:
    """Return the bytes of a message; ValueError where a field does not fit its place."""
    kind = type(message)
    fixed = FIXED.get(kind)
    if isinstance(message, DataPacket) and len(message.data) == PACKET_DATA_BYTES:
        front = bytes((START, FAMILY, message.device_id, PACKET_SUB_ID, message.packet_number))
        body = front + message.data + bytes((message.checksum, END))
    else:
        body = _build(message) if fixed is None else _assembled(message)
    if not body[1:-1].isascii():
        raise ValueError(f"{message!r} has a field above 127")
    return body


def _assembled(message: Message) -> bytes:
    """Fill the fields of a message of fixed size into its constant bytes."""
    body = bytearray(_CONSTANTS[type(message)])
    for name, place, is_number in _PLACES[type(message)]:
        value, size = getattr(message, name), place.stop - place.start
        field = to_groups(value, size) if is_number else value
        if len(field) != size:
            raise ValueError(f"{message!r}: {name} does not fit in its {size} bytes")
        body[place] = field
    return bytes(body)


def _constants(kind: type[Message]) -> bytes:
    """Return a message of fixed size with all fields 0."""
    blank = {
        span.name: 0 if span.number else bytes(span.stop - span.start) for span in FIXED[kind].spans
    }
    names = kind.__struct_fields__
    body: bytes = LAYOUTS[kind].build({name: blank[name] for name in names})
    return body


def _build(message: Message) -> bytes:
    fields = {name: getattr(message, name) for name in message.__struct_fields__}
    try:
        body: bytes = LAYOUTS[type(message)].build(fields)
    except ConstructError as problem:
        raise ValueError(f"{message!r} has no bytes: {problem}") from problem
    return body


_CONSTANTS = {kind: _constants(kind) for kind in FIXED}
_PLACES = {
    kind: tuple(
        (span.name, slice(span.start, span.stop), span.number)
        for span in fixed.spans
        if span.name in kind.__struct_fields__
    )
    for kind, fixed in FIXED.items()
}


def _reader(span: Span) -> tuple[str, int | slice, Callable[[Any], Any]]:
    """Return the name of a field, what of a message it is, and what makes its value of that."""
    if span.number and span.stop - span.start == 1:
        return span.name, span.start, int
    return span.name, slice(span.start, span.stop), from_groups if span.number else bytes


_FIELDS = {
    kind: tuple(_reader(span) for span in fixed.spans if span.name in kind.__struct_fields__)
    for kind, fixed in FIXED.items()
}
