"""What `dryload profiles` says."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import fields

from dryload.emulator.dump.switches import QUESTIONS
from dryload.emulator.unit.memory import banks_in_a_row
from dryload.emulator.unit.possible import Profile
from dryload.emulator.wire.prose import counted
from dryload.harness.report.document import Document
from dryload.harness.report.profile_words import OPEN, TITLES, sentence
from dryload.harness.report.table import Column, table

SCHEMA: Final = "dryload/profiles/1"
_MOOT: Final[Mapping[str, Callable[[Profile], bool]]] = {
    "identity": lambda profile: not profile.knows.identity,
    "words.others_to": lambda profile: profile.words.others == "refuse",
    "panel.unconfirmed": lambda profile: profile.panel.confirm == "never",
}
"""Sections and keys that mean nothing in some units."""


class ProfileTrait(Struct, frozen=True, kw_only=True):
    """One key of a profile, its value and what that means."""

    key: str
    value: Any
    says: str
    open: str | None
    """The clause, if the standard leaves the choice open."""
    question: str | None
    """What the standard leaves open; None for what differs between units anyway."""


def list_text(profiles: Sequence[Profile], default: str, width: int | None = None) -> list[str]:
    """Return one line for each profile."""
    columns = (Column("unit"), Column("memory"), Column("what it is", folds=True))
    rows = [
        (
            profile.name,
            f"{counted(_words(profile), 'word')}, {counted(profile.slots.count, 'slot')}",
            profile.unit.description + (" (the default)" if profile.name == default else ""),
        )
        for profile in profiles
    ]
    return [
        *table(columns, rows, width),
        "",
        "dryload profiles NAME describes one of them in full.",
    ]


def one_text(profile: Profile) -> list[str]:
    """Return everything about a unit."""
    lines = [profile.name, *([profile.unit.description] if profile.unit.description else [])]
    worth_saying = (trait for trait in _traits(profile) if trait.says)
    for section, traits in groupby(worth_saying, key=lambda trait: trait.key.partition(".")[0]):
        lines += ["", TITLES[section]]
        lines += [f"  {each.says}" + (f"  [{each.open}]" if each.open else "") for each in traits]
    return [*lines, "", "[ID] is the clause of a choice that the standard leaves open."]


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
    about = {"name": profile.name, "description": profile.unit.description}
    return {"schema": SCHEMA, **about, "traits": list(_traits(profile))}


def _traits(profile: Profile) -> Iterator[ProfileTrait]:
    """Yield all keys of a profile, section by section."""
    for section in fields(profile):
        values = getattr(profile, section.name)
        for each in fields(values):
            key, value = f"{section.name}.{each.name}", getattr(values, each.name)
            is_moot = any(it in _MOOT and _MOOT[it](profile) for it in (section.name, key))
            is_switch = section.name in ("habits", "sending")
            clause, question = QUESTIONS.get(each.name, (None, None)) if is_switch else (None, None)
            yield ProfileTrait(
                key=key,
                value=value,
                says="" if is_moot else sentence(key, value),
                open=OPEN.get(key, clause),
                question=question,
            )


def _words(profile: Profile) -> int:
    """Return the words of all banks that are of use."""
    memory = profile.memory
    return banks_in_a_row(memory.fitted) * memory.bank_words - memory.start_word
