"""One line of an explanation, and the explanation of one message."""

from collections.abc import Callable
from dataclasses import dataclass

from emulator.wire.splitter import Piece

At = Callable[[int], int]
"""From a byte of a message without real-time bytes to its place in the stream."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A field: where it stands, its bytes, what they say and which clause is behind it."""

    offset: int
    raw: bytes
    field: str
    value: str
    clause: str
    meaning: str = ""
    """What the field is for, by its layout."""
    problem: str = ""
    """What is wrong with it, "" where nothing is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """A message, or what is left of one, line by line."""

    title: str
    offset: int
    size: int
    lines: tuple[Line, ...]
    problems: tuple[str, ...] = ()
    """What is wrong with it as a whole."""


def places_of(piece: Piece) -> At:
    """Return the way from bytes of a piece's body to places in the stream."""
    if not piece.realtime:
        return lambda index: piece.offset + index
    inside = {offset for offset, _ in piece.realtime}
    end = piece.offset + len(piece.raw)
    places = [place for place in range(piece.offset, end) if place not in inside]
    return lambda index: places[index]
