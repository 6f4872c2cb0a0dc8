"""The catalogue of faults: each as a value, from `faults.toml`, which explains its own fields.

A mistake in the file is ours, so it raises.
"""

import tomllib
from collections.abc import Callable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final, Literal

from msgspec import Struct, convert

from dryload.emulator.unit.memory_faults import ENDINGS, FORMS

_SITUATIONS: Final = "situations"
_ORDINALS: Final = ("2nd", "3rd", "4th", "5th", "7th")
_SEEDS: Final = 10_000


class Parameter(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What may be said of a fault beside its name."""

    phrase: str = ""
    """How it is said behind the fault, "" where it stands in a form of the fault."""
    default: int | None = None
    range: tuple[int, int] | None = None
    """Least and most, of a time in nanoseconds."""
    needed: bool = False


class Fault(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One thing that can go wrong on purpose; the head of `faults.toml` says what each field is."""

    name: str
    group: str
    """Where it comes from."""
    does: str
    shows: str
    must: Mapping[str, str]
    """By the clause."""
    everyday: str
    example: str
    forms: tuple[str, ...]
    more: tuple[str, ...] = ()
    effect: str = ""
    trouble: str = ""
    memory: bool = False
    settings: Mapping[str, Any] = {}
    parameters: Mapping[str, Parameter] = {}
    unit: Mapping[str, Any] = {}
    sender: Mapping[str, Mapping[str, Any]] = {}
    link: str = ""
    usual: str = ""
    receiver: Literal["", "unharmed", "notices"] = ""
    causes: Mapping[str, str] = {}
    campaign: tuple[str, ...] = ()

    @property
    def clause(self) -> str:
        """The clause that says what has to be done about it."""
        return next(iter(self.must))

    @property
    def phrases(self) -> tuple[str, ...]:
        """What may follow it."""
        said = (each.phrase for each in self.parameters.values() if each.phrase)
        return (*dict.fromkeys(said), *self.more)

    @property
    def lasts(self) -> bool:
        """Whether it is there from beginning to end and has no place."""
        return bool(self.unit or self.sender or self.link or self.memory)

    @property
    def command(self) -> str:
        """The command that rehearses it as in the example."""
        return f'dryload replay FILE --disturb "{self.example}"'


class Situation(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An everyday situation: a name for several faults that happen together."""

    name: str
    tells: str
    """What one sees at the bench."""
    faults: tuple[str, ...]
    """What happens, in words for --disturb."""
    campaign: bool = True
    """Whether campaigns draw it."""


@cache
def faults() -> tuple[Fault, ...]:
    """Return every fault, in the order of the file."""
    return tuple(
        convert({"name": name, "group": group, "forms": [name], **_memory(name), **entry}, Fault)
        for group, entries in _document().items()
        if group != _SITUATIONS
        for name, entry in entries.items()
    )


def _memory(name: str) -> dict[str, Any]:
    """Return the words of a fault of the memory, which profiles have as well."""
    if name not in FORMS:
        return {}
    forms, more = FORMS[name], ENDINGS.get(name, ())
    return {
        "memory": True,
        "forms": [form.text for form in forms],
        "more": [form.text for form in more],
    }


def filled(pattern: str, packets: int, below: Callable[[int, str], int]) -> str:
    """Return a line of `campaign` with its places filled, for a dump of so many packets.

    `below` draws a number from 0 up to a limit, for what the name says.
    """
    draws: dict[str, Callable[[], int | str]] = {
        "p": lambda: below(packets, "packet"),
        "o": lambda: _ORDINALS[below(len(_ORDINALS), "ordinal")],
        "n": lambda: 2 + below(7, "small"),
        "ms": lambda: 3 + below(97, "time"),
        "s": lambda: below(_SEEDS, "seed"),
    }
    return pattern.format(**{key: draw() for key, draw in draws.items() if f"{{{key}}}" in pattern})


@cache
def situations() -> tuple[Situation, ...]:
    """Return every everyday situation."""
    entries = _document()[_SITUATIONS].items()
    return tuple(convert({"name": name, **entry}, Situation) for name, entry in entries)


@cache
def _document() -> dict[str, Any]:
    return tomllib.loads(files("dryload.harness.faults").joinpath("faults.toml").read_text("utf-8"))
