"""Lists and plans that are kept as TOML: read into a struct, or told in words what is wrong."""

import re
from typing import Final, TypeVar

import msgspec

from dryload.emulator.unit.possible import ProfileError
from dryload.emulator.unit.schema import toml_document
from dryload.harness.files import opening
from dryload.harness.files.problem import Problem

_Content = TypeVar("_Content")
_LARGEST: Final = 16 << 20
_KINDS: Final = {
    "`int`": "a whole number",
    "`float`": "a number",
    "`str`": "a text in quotes",
    "`bool`": "true or false",
    "`array`": "a list",
    "`object`": "a table",
    "`datetime`": "a date and time",
    "Object missing required field": "this key is missing:",
    "Object contains unknown field": "there is no such key:",
    "Invalid enum value": "this can't be",
    "Expected": "this must be",
    ", got": ", not",
}
_INDEX: Final = re.compile(r"\.?(\w+)\[(\d+)\]")


def read(path: str, kind: type[_Content], what: str) -> _Content:
    """Return what is in a file; a Problem where it can't be read or makes no sense.

    `what` the file should be is said as in "a plan".
    """
    name = opening.shown(path)
    with opening.open_file(path) as file:
        data = opening.read_all(file, name, _LARGEST)
    try:
        return msgspec.convert(toml_document(data.decode(), name, what), kind)
    except UnicodeDecodeError as problem:
        raise Problem(f"{name}: this is not text in UTF-8.") from problem
    except ProfileError as problem:
        raise Problem(f"{problem}.") from problem
    except msgspec.ValidationError as problem:
        raise Problem(f"{name}: {_in_words(str(problem))}.") from problem


def _in_words(said: str) -> str:
    """Return what is wrong, the place first: "[[sample]] 3: number: ..."."""
    what, _, where = said.partition(" - at `$")
    for sign, words in _KINDS.items():
        what = what.replace(sign, words)
    place = _INDEX.sub(lambda found: f".[[{found[1]}]] {int(found[2]) + 1}", where.rstrip("`"))
    return ": ".join([*filter(None, place.split(".")), what.replace("`", "")])
