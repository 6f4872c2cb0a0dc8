"""The shape of one typed message."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct

Value = int | str | bytes


class FieldVector(Struct, frozen=True, kw_only=True):
    """One message: what it is, what its fields say, its bytes, where that is printed.

    `message` and `fields` are plain data, so that a test can hand them to whatever it tests.
    """

    name: str
    message: str
    fields: Mapping[str, Value]
    data: bytes
    source: str


def from_hex(*parts: str) -> bytes:
    """The bytes of all parts, one part a field."""
    return bytes.fromhex(" ".join(parts))
