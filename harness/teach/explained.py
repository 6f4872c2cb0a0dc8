"""An explanation: a line for each field of a message, and the message that they belong to.

The fields of these values are the keys of the document that `dryload explain --json` prints.
"""

from collections.abc import Callable
from typing import NamedTuple

from msgspec import Struct

from dryload.emulator.wire.splitter import Piece

At = Callable[[int], int]
"""Returns the place in the stream of a byte of a message, real-time bytes not counted."""


class FieldText(NamedTuple):
    """What the value of a field means, and what is wrong with it ("" where nothing is)."""

    value: str
    problem: str = ""


class FieldLine(Struct, frozen=True, kw_only=True):
    """A field: its place, its bytes, what they mean and which clause defines them."""

    byte: int
    bytes: str
    """In hexadecimal."""
    field: str
    value: str
    meaning: str
    """What the field is for, "" where its name says it."""
    clause: str
    problem: str | None
    """What is wrong with it."""


class Explained(Struct, frozen=True, kw_only=True):
    """A message, or what is left of one, line by line."""

    title: str
    byte: int
    size: int
    lines: tuple[FieldLine, ...]
    problems: tuple[str, ...] = ()
    """What is wrong with it as a whole."""


def field_line(
    byte: int, raw: bytes, field: str, text: FieldText, clause: str, *, meaning: str = ""
) -> FieldLine:
    """Return the line of a field that has the bytes `raw`."""
    return FieldLine(
        byte=byte,
        bytes=raw.hex(" ").upper(),
        field=field,
        value=text.value,
        meaning=meaning,
        clause=clause,
        problem=text.problem or None,
    )


def places_of(piece: Piece) -> At:
    """Return the function that turns a byte of a piece's body into its place in the stream."""
    inside = {offset for offset, _ in piece.realtime}
    end = piece.offset + len(piece.raw)
    places = [place for place in range(piece.offset, end) if place not in inside]
    return places.__getitem__
