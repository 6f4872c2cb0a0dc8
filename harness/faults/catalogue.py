"""The catalogue of faults: each as a value, from `faults.toml`, which explains its own fields.

A mistake in the file is ours, so it raises and names the fault.
"""

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any, Final, Literal

_SITUATIONS: Final = "situations"


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """What may be said of a fault beside its name."""

    name: str
    phrase: str = ""
    """How it is said behind the fault, "" where it stands in a form of the fault."""
    default: int | None = None
    range: Sequence[int] = ()
    """Least and most, of a time in nanoseconds."""
    needed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that can go wrong on purpose; the head of `faults.toml` says what each field is."""

    name: str
    group: str
    """Where it comes from."""
    does: str
    shows: str
    must: str
    clause: str
    everyday: str
    example: str
    forms: tuple[str, ...] = ()
    more: tuple[str, ...] = ()
    """Phrases that may follow."""
    effect: str = ""
    trouble: str = ""
    settings: Mapping[str, Any] = field(default_factory=dict)
    parameters: tuple[Parameter, ...] = ()
    unit: Mapping[str, Any] = field(default_factory=dict)
    sender: Mapping[str, Any] = field(default_factory=dict)
    link: str = ""
    usual: str = ""
    receiver: Literal["", "unharmed", "notices"] = ""
    causes: Mapping[str, str] = field(default_factory=dict)
    campaign: tuple[str, ...] = ()

    @property
    def command(self) -> str:
        """The command that rehearses it as in the example."""
        return f'dryload replay FILE --disturb "{self.example}"'

    @property
    def lasts(self) -> bool:
        """Whether it is there from beginning to end and has no place."""
        return bool(self.unit or self.sender or self.link)


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """An everyday situation: a name for several faults that happen together."""

    name: str
    tells: str
    """What one sees at the bench."""
    faults: tuple[str, ...]
    """What happens, in words for --disturb."""


@cache
def faults() -> tuple[Fault, ...]:
    """Return every fault, in the order of the file."""
    return tuple(
        _fault(group, name, entry)
        for group, entries in _document().items()
        if group != _SITUATIONS
        for name, entry in entries.items()
    )


@cache
def situations() -> tuple[Situation, ...]:
    """Return every everyday situation."""
    return tuple(
        Situation(name=name, tells=entry["tells"], faults=tuple(entry["faults"]))
        for name, entry in _document()[_SITUATIONS].items()
    )


def groups() -> Iterator[str]:
    """Yield where faults come from."""
    yield from dict.fromkeys(fault.group for fault in faults())


@cache
def _document() -> dict[str, Any]:
    return tomllib.loads(files(__package__).joinpath("faults.toml").read_text("utf-8"))


def _fault(group: str, name: str, entry: Mapping[str, Any]) -> Fault:
    try:
        parameters = tuple(
            Parameter(
                name=each, **{**said, "range": tuple(said["range"])} if "range" in said else said
            )
            for each, said in entry.get("parameters", {}).items()
        )
        phrases = dict.fromkeys(each.phrase for each in parameters if each.phrase)
        lists = {
            "forms": tuple(entry.get("forms", (name,))),
            "more": (*phrases, *entry.get("more", ())),
            "campaign": tuple(entry.get("campaign", ())),
        }
        ((clause, must),) = entry["must"].items()
        made = {**entry, **lists, "parameters": parameters, "clause": clause, "must": must}
        return Fault(name=name, group=group, **made)
    except TypeError as wrong:
        raise ValueError(f'faults.toml, "{name}": {wrong}') from wrong
