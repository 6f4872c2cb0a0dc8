"""What `dryload profiles` says."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

from emulator.dump.switches import QUESTIONS
from emulator.unit.possible import Profile
from emulator.wire.prose import counted
from harness.report.document import Document
from harness.report.profile_words import OPEN, TITLES, sentence
from harness.report.table import Column, table

SCHEMA: Final = "dryload/profiles/1"
_MOOT: Final[Mapping[str, Callable[[Profile], bool]]] = {
    "identity": lambda profile: not profile.knows.identity,
    "words.others_to": lambda profile: profile.words.others == "refuse",
    "panel.unconfirmed": lambda profile: profile.panel.confirm == "never",
}
"""Sections and keys that mean nothing in some units."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileTrait:
    """One key of a profile: its value, what that means, and the clause where the choice is free."""

    key: str
    value: Any
    says: str
    open_clause: str | None
    question: str | None
    """What the standard leaves open; None where it is the usual business of units to differ."""


def list_text(profiles: Sequence[Profile], default: str, width: int | None = None) -> list[str]:
    """Return one line a profile."""
    rows = [(profile.name, _size(profile), _described(profile, default)) for profile in profiles]
    return [
        *table((Column("unit"), Column("memory"), Column("what it is", folds=True)), rows, width),
        "",
        "dryload profiles NAME tells everything about one of them.",
    ]


def one_text(profile: Profile) -> list[str]:
    """Return everything that a unit is and does."""
    lines = [profile.name, *([profile.unit.description] if profile.unit.description else [])]
    for section, traits in _sections(profile):
        said = [trait for trait in traits if trait.says]
        if said:
            lines += ["", TITLES[section], *_lines(said)]
    return [*lines, "", "[ID] marks a choice that the standard leaves open, and the clause."]


def list_document(profiles: Sequence[Profile], default: str) -> Document:
    """Return the list for programs."""
    return {
        "schema": SCHEMA,
        "profiles": [
            {
                "name": profile.name,
                "description": profile.unit.description,
                "default": profile.name == default,
                "words": _words(profile),
                "slots": profile.slots.count,
            }
            for profile in profiles
        ],
    }


def one_document(profile: Profile) -> Document:
    """Return one unit for programs."""
    return {
        "schema": SCHEMA,
        "name": profile.name,
        "description": profile.unit.description,
        "traits": [
            {
                "key": trait.key,
                "value": trait.value,
                "says": trait.says,
                "open": trait.open_clause,
                "question": trait.question,
            }
            for _, traits in _sections(profile)
            for trait in traits
        ],
    }


def _sections(profile: Profile) -> Iterator[tuple[str, list[ProfileTrait]]]:
    for section in fields(profile):
        values = getattr(profile, section.name)
        yield (
            section.name,
            [
                _trait(profile, section.name, each.name, getattr(values, each.name))
                for each in fields(values)
            ],
        )


def _trait(profile: Profile, section: str, name: str, value: Any) -> ProfileTrait:
    key = f"{section}.{name}"
    moot = any(each in _MOOT and _MOOT[each](profile) for each in (section, key))
    clause, question = None, None
    if section in ("habits", "sending") and name in QUESTIONS:
        clause, question = QUESTIONS[name]
    return ProfileTrait(
        key=key,
        value=value,
        says="" if moot else sentence(key, value),
        open_clause=OPEN.get(key, clause),
        question=question,
    )


def _lines(traits: Sequence[ProfileTrait]) -> list[str]:
    return [
        f"  {trait.says}" + (f"  [{trait.open_clause}]" if trait.open_clause else "")
        for trait in traits
    ]


def _words(profile: Profile) -> int:
    """Return the words of all banks that are of use."""
    usable = 0
    for place in range(1, profile.memory.places + 1):
        if place not in profile.memory.fitted:
            break
        usable += 1
    return usable * profile.memory.bank_words


def _size(profile: Profile) -> str:
    return f"{counted(_words(profile), 'word')}, {counted(profile.slots.count, 'slot')}"


def _described(profile: Profile, default: str) -> str:
    return profile.unit.description + (" (the default)" if profile.name == default else "")
