"""The register of what can be wrong with a memory: what is said of it, and what to do."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Final

from msgspec import Struct

_STEP: Final = "@"


class KnownFault(Struct, frozen=True, kw_only=True):
    """One entry of faults.toml, which says what its keys mean."""

    sentence: str
    tells: str
    called: str
    """In a few words; "" where no other entry has it as an alternative."""
    alternatives: tuple[str, ...]
    do: tuple[str, ...]


@cache
def known_faults() -> Mapping[str, KnownFault]:
    """Return every entry by its name; ValueError where one names what is not there."""
    text = files("dryload.harness.prove").joinpath("faults.toml").read_text("utf-8")
    tables = tomllib.loads(text)
    steps = tables.pop("steps")
    for name, table in tables.items():
        for each in table["alternatives"]:
            if "called" not in tables.get(each, {}):
                raise ValueError(f"faults.toml: {name}: {each} is not there, or is called nothing")
        for step in table["do"]:
            if step.startswith(_STEP) and step[1:] not in steps:
                raise ValueError(f"faults.toml: {name}: there is no step {step}")
    return {
        name: KnownFault(
            sentence=table["sentence"],
            tells=table["tells"],
            called=table.get("called", ""),
            alternatives=tuple(table["alternatives"]),
            do=tuple(steps[each[1:]] if each.startswith(_STEP) else each for each in table["do"]),
        )
        for name, table in tables.items()
    }
