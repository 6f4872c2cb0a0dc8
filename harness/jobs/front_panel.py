"""The front panel of a served unit: what a person sees there, and what a person can do.

What is seen is plain values, taken at one instant.  What is done is a value as well, and words:

confirm | initialise | device-id N | filter on|off | power on|off
protect N | unprotect N | delete N | quit
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, Literal, NamedTuple

from emulator.unit.board import RackUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One thing that happened, as a short line for people."""

    time_ns: int
    """Since serving began."""
    event: str
    """As in the lines for programs: "loaded", "refused", "late" and so on."""
    text: str
    facts: Mapping[str, object] = field(default_factory=dict)
    """The same as numbers and words, for programs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedSlot:
    """A slot that holds a sample."""

    number: int
    """As the panel counts, from 1."""
    sample_number: int
    """What the wire says for it."""
    name: str
    words: int
    """All channels together."""
    bits: int
    channels: int
    rate: float
    """Words a second of one channel."""
    is_protected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPiece:
    """A piece of the memory, from word `start` on."""

    start: int
    words: int
    kind: Literal["free", "sample", "arriving"]
    slot: int | None
    """Whose sample it is; None for what is free or still arriving."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coming:
    """The dump that is arriving, or the one that is being sent."""

    sample_number: int
    packets: int
    """Stored, or sent, so far."""
    expected: int | None
    """Packets that the header announced, None where that is not known."""


class PassedBytes(NamedTuple):
    """Bytes that passed on the line."""

    end_ns: int
    """By the clock of the line."""
    to_unit: bool
    data: bytes
    """The first of them."""
    length: int
    """How many they were."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """The unit and the line to it; without the line, what `view_of` takes of a unit alone."""

    profile: str
    powered: bool
    display: str
    """What the unit's own display says, "" when it is off."""
    device_id: int
    receives_exclusive: bool
    """The receive filter: False keeps System Exclusive out."""
    awaiting_confirm: int | None
    """The slot whose dump nobody has confirmed yet."""
    initialised: bool
    slot_count: int
    slots: tuple[UsedSlot, ...]
    bank_words: int
    """Words of one bank: a boundary lies at every multiple of it."""
    banks_fitted: tuple[int, ...]
    """Places with a bank in them, from 1."""
    capacity: int
    """Words that are laid out for samples; 0 until the memory is initialised."""
    free: int
    """Words in all holes."""
    largest_free: int
    memory_map: tuple[MapPiece, ...]
    """The memory from word 0 on, without gaps."""
    state: str = "idle"
    """What it does now, in plain words: "idle", "receiving sample 3" and so on."""
    arriving: Coming | None = None
    sending: Coming | None = None
    port: str = ""
    """As in "tcp:127.0.0.1:4000" or "midi:Lantern Desk"."""
    time_ns: int = 0
    """Since serving began."""
    peer: str | None = None
    """Who is connected, "" for nobody, None where a port cannot know."""
    turned_away: int = 0
    """Connections that were closed because somebody else was there."""
    worst_late_ns: int = 0
    """How late this program itself was at worst."""
    missed: int = 0
    """Instants that it met too late."""
    lost_bytes: int = 0
    """Bytes thrown away because more came than can be held."""
    image: str = ""
    """The file of the unit's memory, "" for none: then everything is gone at the end."""
    image_written_ns: int | None = None
    """When it was written last, since serving began; None for not yet."""
    image_problem: str = ""
    """Why it could not be written the last time, "" where it could."""
    notes: tuple[Note, ...] = ()
    """What happened last, the oldest first."""
    passed: tuple[PassedBytes, ...] = ()
    """The last bytes, the oldest first; `end_ns` counts since serving began."""


def view_of(unit: RackUnit) -> View:
    """Return what there is to be seen of a unit."""
    memory, panel = unit.memory, unit.panel
    return View(
        profile=unit.profile.name,
        powered=panel.powered,
        display=panel.line,
        device_id=panel.device_id,
        receives_exclusive=panel.receive_exclusive,
        awaiting_confirm=panel.awaiting_confirm,
        initialised=memory.initialised,
        slot_count=len(unit.slots),
        slots=tuple(used_slots(unit)),
        bank_words=memory.traits.bank_words,
        banks_fitted=memory.fitted,
        capacity=memory.capacity,
        free=memory.total_free,
        largest_free=memory.largest_free,
        memory_map=tuple(memory_map(unit)),
    )


def used_slots(unit: RackUnit) -> Iterator[UsedSlot]:
    """Yield the slots that hold a sample, by their numbers."""
    for slot in unit.slots.used():
        sample = slot.sample
        assert sample is not None
        yield UsedSlot(
            number=slot.number,
            sample_number=slot.sample_number,
            name=slot.name,
            words=len(sample.words),
            bits=sample.bits,
            channels=sample.channels,
            rate=float(sample.rate),
            is_protected=slot.protected,
        )


def memory_map(unit: RackUnit) -> Iterator[MapPiece]:
    """Yield the memory from word 0 on."""
    owners = {region: slot.number for slot in unit.slots.used() for region in slot.holding.regions}
    for stretch in unit.memory.stretches():
        slot = owners.get(stretch.region)
        taken: Literal["sample", "arriving"] = "arriving" if slot is None else "sample"
        yield MapPiece(
            start=stretch.region.start,
            words=stretch.region.words,
            kind="free" if stretch.is_free else taken,
            slot=slot,
        )


class ActionKind(StrEnum):
    """What is done; the value is the word for it."""

    CONFIRM = "confirm"
    INITIALISE = "initialise"
    DEVICE_ID = "device-id"
    FILTER = "filter"
    POWER = "power"
    PROTECT = "protect"
    UNPROTECT = "unprotect"
    DELETE = "delete"
    QUIT = "quit"


_NUMBERED: Final = (
    ActionKind.DEVICE_ID,
    ActionKind.PROTECT,
    ActionKind.UNPROTECT,
    ActionKind.DELETE,
)
_SWITCHED: Final = (ActionKind.FILTER, ActionKind.POWER)
_SWITCH: Final = {"on": True, "off": False}
_LONGEST: Final = 80  # signs of a wrong line that are repeated


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One thing to do."""

    kind: ActionKind
    number: int = 0
    """The slot, or the device ID."""
    on: bool = True
    """What a switch is set to: of the filter, on lets System Exclusive in."""

    def __str__(self) -> str:
        """Return the words for it."""
        if self.kind in _NUMBERED:
            return f"{self.kind} {self.number}"
        return f"{self.kind} {'on' if self.on else 'off'}" if self.kind in _SWITCHED else self.kind


def action_of(line: str) -> Action:
    """Return the action that a line asks for; ValueError says what is wrong with the line."""
    words = line.split()
    shown = "".join(sign if sign.isprintable() else "?" for sign in " ".join(words)[:_LONGEST])
    try:
        kind = ActionKind(words[0] if words else "")
    except ValueError:
        known = ", ".join(ActionKind)
        raise ValueError(f"{shown!r}: there is no such action; there are {known}") from None
    rest = words[1:]
    if kind in _NUMBERED:
        if len(rest) != 1 or not (rest[0].isascii() and rest[0].isdigit() and len(rest[0]) < 6):
            raise ValueError(f"{shown!r}: {kind} wants a number, as in {kind} 5")
        return Action(kind=kind, number=int(rest[0]))
    if kind in _SWITCHED:
        if len(rest) != 1 or rest[0] not in _SWITCH:
            raise ValueError(f"{shown!r}: say {kind} on or {kind} off")
        return Action(kind=kind, on=_SWITCH[rest[0]])
    if rest:
        raise ValueError(f"{shown!r}: {kind} stands alone")
    return Action(kind=kind)


def perform(unit: RackUnit, action: Action, now_ns: int) -> str:
    """Do it at the unit's panel; return what to say of it in plain words.

    ValueError says why it cannot be done; nothing has changed then.
    """
    if action.kind is ActionKind.QUIT:
        raise ValueError("quit is nothing that the unit does")
    if not unit.panel.powered and action.kind is not ActionKind.POWER:
        raise ValueError("the unit is switched off")
    return _DO[action.kind](unit, action, now_ns)


def _confirm(unit: RackUnit, action: Action, now_ns: int) -> str:
    slot = unit.panel.awaiting_confirm
    if not unit.confirm(now_ns):
        raise ValueError("nothing waits to be confirmed")
    return f"slot {slot} confirmed at the panel"


def _initialise(unit: RackUnit, action: Action, now_ns: int) -> str:
    unit.panel.initialise(now_ns)
    return f"memory initialised at the panel: {unit.panel.line}"


def _set_device_id(unit: RackUnit, action: Action, now_ns: int) -> str:
    unit.panel.set_device_id(action.number, now_ns)
    return f"device ID set to {action.number} at the panel"


def _set_filter(unit: RackUnit, action: Action, now_ns: int) -> str:
    unit.panel.set_receive_filter(action.on, now_ns)
    return f"System Exclusive is {'let in' if action.on else 'kept out'} from now on"


def _switch_power(unit: RackUnit, action: Action, now_ns: int) -> str:
    if action.on == unit.panel.powered:
        raise ValueError(f"the unit is switched {'on' if action.on else 'off'} already")
    if action.on:
        unit.panel.power_on(now_ns)
    else:
        unit.panel.power_off(now_ns)
    return f"unit switched {'on' if action.on else 'off'}"


def _protect(unit: RackUnit, action: Action, now_ns: int) -> str:
    is_protected = action.kind is ActionKind.PROTECT
    unit.panel.protect(action.number, is_protected, now_ns)
    return f"{unit.slots[action.number].title} is {'' if is_protected else 'no longer '}protected"


def _delete(unit: RackUnit, action: Action, now_ns: int) -> str:
    slot = unit.slots[action.number]
    title = slot.title
    if not unit.panel.delete(action.number, now_ns):
        why = "is protected" if slot.protected else "is empty"
        raise ValueError(f"{title} {why}")
    return f"{title} deleted at the panel"


_DO: Final[dict[ActionKind, Callable[[RackUnit, Action, int], str]]] = {
    ActionKind.CONFIRM: _confirm,
    ActionKind.INITIALISE: _initialise,
    ActionKind.DEVICE_ID: _set_device_id,
    ActionKind.FILTER: _set_filter,
    ActionKind.POWER: _switch_power,
    ActionKind.PROTECT: _protect,
    ActionKind.UNPROTECT: _protect,
    ActionKind.DELETE: _delete,
}
