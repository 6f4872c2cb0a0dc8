"""TOML to a profile: every mistake in the file at once, each with its key and what is legal there.

Theory of operation.  The fields of the classes in `emulator.unit.traits` are the keys; msgspec
converts one value at a time to the field's type, strictly, so that each mistake is met at its key
and none hides another.
"""

import re
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from functools import cache
from typing import Annotated, Any, Final, get_type_hints

import msgspec
from msgspec import Meta, Struct
from msgspec import inspect as shapes
from msgspec.structs import fields

from dryload.emulator.unit.possible import Profile, ProfileError
from dryload.emulator.wire.prose import listed

_MS: Final = 1_000_000
_DAY_NS: Final = 86_400_000_000_000
_NS_SUFFIX: Final = "_ns"
_LONG: Final = 60  # characters of what is shown of a file, or bits of a number
_FEW: Final = 8  # entries of a list that are shown
_PART: Final = r"""(?:(?<![\w-])[\w-]++|"[^"\n]*"|'[^'\n]*')"""
_CHAIN: Final = re.compile(rf"{_PART}(?:[ \t]*\.[ \t]*{_PART}){{16,}}")
"""A dotted key of many parts; those of a profile have two.  No part begins in the middle of a word:
else a long word would be searched once for each of its characters."""


class Key(Struct, frozen=True, kw_only=True):
    """One key of a section."""

    field: str
    kind: Any
    """The type that msgspec checks a value against."""
    legal: str
    """The legal values in words."""
    required: bool
    is_time: bool
    """Whether the file says milliseconds and the field nanoseconds."""

    def read(self, value: object) -> object:
        """Return the field's value; msgspec.ValidationError where `value` is not legal."""
        read = msgspec.convert(value, self.kind)
        return round(read * _MS) if self.is_time else read


@cache
def keys_of(section: type) -> Mapping[str, Key]:
    """Return the keys of a section by their names in the file."""
    hints = get_type_hints(section, include_extras=True)
    keys = {}
    for field in fields(section):
        is_time = field.name.endswith(_NS_SUFFIX)
        kind = _milliseconds(hints[field.name]) if is_time else _counted(hints[field.name])
        keys[_written(field.name)] = Key(
            field=field.name,
            kind=kind,
            legal=_legal(shapes.type_info(kind)),
            required=field.required,
            is_time=is_time,
        )
    return keys


@cache
def sections() -> Mapping[str, type]:
    """Return the sections of a profile by name."""
    return get_type_hints(Profile)


def parse_profile(text: str, where: str) -> Profile:
    """Return the profile in TOML text; `where` begins every line of the ProfileError."""
    document = toml_document(text, where, "a profile")
    problems: list[str] = []
    _unknown(
        document, sections(), "[{}] is not a section of a profile", "the sections are", problems
    )
    values = {
        name: _read_section(name, section, document.get(name, {}), problems)
        for name, section in sections().items()
    }
    if not problems:
        try:
            return Profile(**values)
        except ProfileError as impossible:
            problems.extend(str(impossible).splitlines())
    raise ProfileError("\n".join(f"{where}: {problem}" for problem in problems))


def toml_document(text: str, where: str, kind: str) -> dict[str, Any]:
    """Return what stands in TOML text; a ProfileError, which begins with `where`, if it is none.

    `kind` is what the file should be.
    """
    too_deep = ProfileError(
        f"{where}: this is nested too deep for {kind}, which has sections and keys in them"
    )
    if _CHAIN.search(text):  # the parser's memory grows with the square of a key's parts
        raise too_deep
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise ProfileError(f"{where}: this is not TOML: {problem}") from problem
    except RecursionError:
        raise too_deep from None
    except ValueError as problem:  # Python reads no decimal number of thousands of digits
        raise ProfileError(f"{where}: a number in it has too many digits") from problem


def _read_section(name: str, section: type, table: object, problems: list[str]) -> Any:
    """Return the section's values; what is wrong with them goes to `problems`."""
    if not isinstance(table, dict):
        problems.append(f"{name} must be a section, written as [{name}] with its keys below")
        return None
    keys = keys_of(section)
    _unknown(
        table, keys, name + ".{} is not a key of a profile", f"the keys of [{name}] are", problems
    )
    values = {}
    before = len(problems)
    for written, key in keys.items():
        if written not in table:
            if key.required:
                problems.append(f"{name}.{written} is missing: it must be {key.legal}")
            continue
        try:
            values[key.field] = key.read(table[written])
        except msgspec.ValidationError:
            problems.append(f"{name}.{written} must be {key.legal}, not {_shown(table[written])}")
    return section(**values) if len(problems) == before else None


def _unknown(
    table: Mapping[str, object], known: Mapping[str, Any], complaint: str, are: str, out: list[str]
) -> None:
    for name in table:
        if name not in known:
            near = get_close_matches(_cut(name), known, n=1)
            hint = f"did you mean {near[0]}?" if near else f"{are} {listed(list(known), 'and')}"
            out.append(f"{complaint.format(_cut(name))}: {hint}")


def _written(field: str) -> str:
    return field.removesuffix(_NS_SUFFIX) + "_ms" if field.endswith(_NS_SUFFIX) else field


def _milliseconds(hint: Any) -> Any:
    """Return the type of a time in the file, with the field's limits."""
    shape = shapes.type_info(hint)
    most = shape.le if isinstance(shape, shapes.IntType) else None
    return Annotated[float, Meta(ge=0, le=(most or _DAY_NS) // _MS)]


def _counted(hint: Any) -> Any:
    """Return the type of a key; a number without limits of its own counts something."""
    return Annotated[int, Meta(ge=0)] if hint is int else hint


def _legal(shape: shapes.Type) -> str:
    """Return in words what a type allows."""
    match shape:
        case shapes.LiteralType(values=values):
            return listed([f'"{value}"' for value in values])
        case shapes.BoolType():
            return "true or false"
        case shapes.StrType():
            return "a text in quotes"
        case shapes.IntType():
            return f"a whole number{_limits(shape)}"
        case shapes.FloatType():
            return f"a number of milliseconds{_limits(shape)}"
        case shapes.VarTupleType(item_type=item):
            return f"a list in which each is {_legal(item)}"
    raise TypeError(f"no words for {shape}")


def _limits(shape: shapes.IntType | shapes.FloatType) -> str:
    return f" from {shape.ge:,} " + ("up" if shape.le is None else f"to {shape.le:,}")


def _shown(value: object) -> str:
    """Return a value as TOML writes it, near enough to be found in the file."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return f'"{_cut(value)}"' if value else "an empty text"
        case dict():
            return "a section"
        case list():
            few = ["a list" if isinstance(each, list) else _shown(each) for each in value[:_FEW]]
            return f"[{', '.join([*few, *['...'] * (len(value) > _FEW)])}]"
        case int() if value.bit_length() > _LONG:
            return "a number of very many digits"
    return str(value)


def _cut(text: str) -> str:
    return text if len(text) <= _LONG else f"{text[:_LONG]}..."
