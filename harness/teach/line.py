"""One line of an explanation, and the explanation of one message."""

from dataclasses import dataclass


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
