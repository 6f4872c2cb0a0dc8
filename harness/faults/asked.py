"""What was asked for: what a fault does, as it was asked for, and all that was asked together."""

import tomllib
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple, TypeVar

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line import effects, trouble
from dryload.emulator.line.disturbance import AppliedFault, Disturbance
from dryload.emulator.line.link import Link, link_named
from dryload.emulator.line.placement import Placement, Scope
from dryload.emulator.line.trouble import Trouble
from dryload.emulator.unit.memory_faults import memory_fault
from dryload.emulator.unit.possible import Profile
from dryload.harness.faults.catalogue import Fault, Parameter
from dryload.harness.faults.grammar import THINGS, nearest_form

_OF_ANSWERS: Final = {
    Scope.PACKETS: Scope.REPLIES,
    Scope.HEADER: Scope.HEADER_REPLY,
}
_NO_PLACE: Final = frozenset({"seed", "byte", "directions"})
_TIMES: Final = frozenset({"from_ns", "until_ns", "times", "directions"})
_COUNTS: Final = frozenset({"every", "chance", "times", "again"})
_UNITS: Final[Mapping[str, Callable[[int], str]]] = {
    "N": "{:,}".format,
    "P": lambda millionths: f"{millionths / 10_000:g}",
    "TIME": lambda ns: f"{ns:,} ns" if ns < 1_000_000 else f"{ns / 1_000_000_000:g} s",
}
"""Slots that have ranges, and how what stands in them is put."""
_T = TypeVar("_T", bound=Struct)


class Trait(NamedTuple):
    """Another value for something that lasts: a key of a profile, or a setting of a replay."""

    section: str
    field: str
    value: object


class Asked(Struct, frozen=True, kw_only=True):
    """One fault as it was asked for."""

    said: str
    fault: Fault
    means: Disturbance | Link | tuple[Trait, ...]
    situation: str = ""
    """The everyday situation that it belongs to, "" where it was asked for by itself."""


class Disturbances(Struct, frozen=True):
    """Everything that was asked for; ValueError where it cannot be had together."""

    asked: tuple[Asked, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what no line has."""
        said = [each.said for each in self.asked]
        if twice := next((text for text in said if said.count(text) > 1), ""):
            raise ValueError(f'"{twice}" is asked for twice')
        if len([each for each in self.asked if isinstance(each.means, Link)]) > 1:
            raise ValueError("there is one interface between the host and the cable, not two links")

    @property
    def placed(self) -> tuple[Disturbance, ...]:
        """What has a place, on the line or in the unit."""
        return tuple(each.means for each in self.asked if isinstance(each.means, Disturbance))

    @property
    def link(self) -> Link | None:
        """What stands between the host and the cable."""
        return next((each.means for each in self.asked if isinstance(each.means, Link)), None)

    def unit(self, profile: Profile) -> Profile:
        """Return the unit with the traits that were asked for; ProfileError where none is so."""
        changed = _changed(profile, [each for each in self.asked if each.fault.unit])
        more = [each for one in self.asked if one.fault.memory for each in _traits(one)]
        if not more:
            return changed
        faults = (*changed.memory.faults, *(str(each.value) for each in more))
        return replace(changed, memory=replace(changed.memory, faults=faults))

    def settings(self, settings: _T) -> _T:
        """Return settings of a replay, a struct of structs, with what was asked for."""
        return _changed(settings, [each for each in self.asked if each.fault.sender])


def _changed(whole: _T, asked: Sequence[Asked]) -> _T:
    sections: dict[str, dict[str, object]] = {}
    for section, name, value in (trait for each in asked for trait in _traits(each)):
        sections.setdefault(section, {})[name] = value
    changed = {name: replace(getattr(whole, name), **values) for name, values in sections.items()}
    return replace(whole, **changed) if changed else whole


def _traits(asked: Asked) -> tuple[Trait, ...]:
    return asked.means if isinstance(asked.means, tuple) else ()


def struck_by(asked: Asked, struck: Sequence[AppliedFault]) -> list[AppliedFault]:
    """Return what one of the faults did."""
    return [each for each in struck if each.said == asked.said]


# From words to what is done


def meaning(
    fault: Fault,
    slots: Mapping[str, Any],
    said: Mapping[str, Any],
    where: Mapping[str, Any],
    words: str,
) -> Disturbance | Link | tuple[Trait, ...]:
    """Return what a fault does; ValueError says what is wrong with how it was asked for.

    `slots` are what stood in the slots of its form, `said` its parameters, `where` what was said
    of a placement, and `words` all of it; of a memory only the fault and what follows it.
    """
    if fault.memory:
        memory_fault(words)
        return (Trait("memory", "faults", words),)
    if fault.link:
        return link_named(slots[fault.link])
    if fault.unit:
        filled = ((slots.get(key, key), slots.get(str(v), v)) for key, v in fault.unit.items())
        return tuple(_habit(key, value) for key, value in filled)
    if fault.sender:
        parts = ((part, each) for part, fields in fault.sender.items() for each in fields.items())
        return tuple(Trait(section, name, value) for section, (name, value) in parts)
    settings = {**fault.settings, **_parameters(fault, said)}
    placed = _placed(fault, where)
    if fault.trouble:
        effect = getattr(trouble, fault.trouble)
        return Trouble(effect=effect, settings=settings, where=Placement(**placed), said=words)
    if fault.effect == "unplug":
        placed |= _plug(fault, where, settings.pop("for_ns", None))
    effect = getattr(effects, fault.effect)
    return Disturbance(effect=effect, settings=settings, where=Placement(**placed), said=words)


def _parameters(fault: Fault, said: Mapping[str, Any]) -> dict[str, Any]:
    found = {}
    for name, each in fault.parameters.items():
        value = said.get(name, each.default)
        if value is not None:
            _check(fault, each, value)
            found[name] = value
        elif each.needed:
            raise ValueError(f'say "{each.phrase}" as well, as in: {fault.example}')
    return found


def _check(fault: Fault, parameter: Parameter, value: Any) -> None:
    """Refuse what is out of range, in the words and units in which it was said."""
    least, most = parameter.range or (value, value)
    if least <= value <= most:
        return
    forms = [parameter.phrase] if parameter.phrase else fault.forms
    form, slot = next((form, slot) for form in forms for slot in _UNITS if slot in form.split())
    low, high, told = (_UNITS[slot](each) for each in (least, most, value))
    raise ValueError(f'"{form}": {slot} must be {low} to {high}, not {told}')


def _placed(fault: Fault, where: Mapping[str, Any]) -> dict[str, Any]:
    """Return where a fault strikes, what was not said of it filled in."""
    if not fault.usual and where.keys() <= _NO_PLACE:
        raise ValueError(
            f'"{fault.name}": say where, as in: in packet 7, every 5th packet, packets 3 to 9, '
            "with chance 1 in 50, at 2 s"
        )
    placed = {"target": THINGS.get(fault.usual, Scope.PACKETS), **where}
    if fault.usual == "replies":
        placed["target"] = _OF_ANSWERS.get(placed["target"], placed["target"])
        placed.setdefault("directions", (Direction.FROM_UNIT,))
    if fault.trouble:
        by_time = "target" not in where and not where.keys().isdisjoint({"from_ns", "until_ns"})
        if by_time and fault.trouble != "stores_wrong":  # only packets are stored
            placed["target"] = Scope.MESSAGES
        if where.keys().isdisjoint(_COUNTS):
            placed["times"] = 1
    return placed


def _plug(fault: Fault, where: Mapping[str, Any], for_ns: int | None) -> dict[str, Any]:
    """Return what is special about the place of a plug: it is out for a time, not for messages."""
    if where.keys() - _TIMES:
        raise ValueError(f"a plug has a time and no message, as in: {fault.example}")
    until_ns = where.get("until_ns") if for_ns is None else where.get("from_ns", 0) + for_ns
    return {"until_ns": until_ns, "times": None, "by_arrival": True}


def _habit(key: str, value: Any) -> Trait:
    """Return another value for a key of a profile, text as it would stand in the file."""
    import msgspec

    from dryload.emulator.unit.schema import keys_of, sections

    section, _, name = key.rpartition(".")
    found = [
        (each, keys_of(kind)[name])
        for each, kind in sections().items()
        if section in ("", each) and name in keys_of(kind)
    ]
    if len(found) != 1:
        known = sorted({name for kind in sections().values() for name in keys_of(kind)})
        near = nearest_form(name, known)
        perhaps = f"did you mean {near}?" if near else "dryload profiles tells what there is."
        if found:
            perhaps = "say which: " + " or ".join(f"{each}.{name}" for each, _ in found) + "."
        raise ValueError(f"there is no key {key} of a profile: {perhaps}")
    where, legal = found[0]
    try:
        return Trait(where, legal.field, legal.read(_read(value)))
    except msgspec.ValidationError as wrong:
        raise ValueError(f"{where}.{name} must be {legal.legal}, not {value}") from wrong


def _read(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        return tomllib.loads(f"x = {value}")["x"]
    except (tomllib.TOMLDecodeError, RecursionError):
        return value.strip("\"'")
