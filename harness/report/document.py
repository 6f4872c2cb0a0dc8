"""Results for programs: every JSON document is written here.

A document is a mapping of stable keys to values of any room.  msgspec writes structs by their
fields, enumerations by their values and tuples as lists, so nothing is converted by hand.  The
text is ASCII: a file name need not be UTF-8, and a terminal need not know every sign.
"""

import json
from collections.abc import Mapping
from typing import Any

import msgspec

Document = Mapping[str, Any]


def written(document: object, *, indent: int | None = 2) -> str:
    """Return a document as JSON; on one line where `indent` is None."""
    return json.dumps(msgspec.to_builtins(document, enc_hook=_plain), indent=indent)


def written_as_line(document: object) -> str:
    """Return a document as JSON on one line, several times sooner where it is ASCII."""
    try:
        line = msgspec.json.format(_ENCODER.encode(document), indent=0)
    except UnicodeEncodeError:  # a file name that is not UTF-8
        return written(document, indent=None)
    return line.decode("ascii") if line.isascii() else written(document, indent=None)


def fields_of(value: Any, *names: str) -> dict[str, Any]:
    """Return fields of a value, to be written beside others in a document.

    Without names they are all that there are.
    """
    return {name: getattr(value, name) for name in names or value.__struct_fields__}


def target_document(given: str) -> Document:
    """Return what `--to` or `--from` named, as in tcp:HOST:PORT."""
    kind, _, name = given.partition(":")
    return {"kind": kind, "name": name, "given": given}


def _plain(value: object) -> object:
    """Return the form in JSON of a value that msgspec does not know."""
    from fractions import Fraction

    from dryload.emulator.ports.port import PortError

    if isinstance(value, Fraction):
        return float(value)
    if isinstance(value, PortError):
        return {"what": value.what, "do": value.do}
    raise TypeError(f"{type(value).__name__} is no part of a document")


_ENCODER = msgspec.json.Encoder(enc_hook=_plain)
