"""The front panel of a served unit: what a person sees there, and what a person can do.

What is seen is plain values, taken at one instant.  What is done is a line of words:

confirm | initialise | device-id N | filter on|off | power on|off
protect N | unprotect N | delete N | quit
"""

from collections.abc import Mapping
from typing import Final, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.panel import MapLine
from dryload.emulator.unit.slots import Slot

QUIT: Final = "quit"
"""The one action that ends serving, and does nothing to the unit."""


class Note(Struct, frozen=True, kw_only=True):
    """One thing that happened, as a short line for people."""

    time_ns: int
    """Since serving began."""
    event: str
    """As in the lines for programs: "loaded", "refused", "late" and so on."""
    text: str
    facts: Mapping[str, object] = {}
    """The same as numbers and words, for programs."""


class Coming(NamedTuple):
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


class View(Struct, frozen=True, kw_only=True):
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
    slots: tuple[Slot, ...]
    """Copies of those that hold a sample."""
    edges: tuple[int, ...]
    """The words at which a usable bank begins, and last the end of the memory."""
    banks_fitted: tuple[int, ...]
    """Places with a bank in them, from 1."""
    capacity: int
    """Words that are laid out for samples; 0 until the memory is initialised."""
    free: int
    """Words in all holes."""
    largest_free: int
    memory_map: tuple[MapLine, ...]
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
        slots=tuple(map(replace, unit.slots.used())),
        edges=memory.edges,
        banks_fitted=memory.fitted,
        capacity=memory.capacity,
        free=memory.total_free,
        largest_free=memory.largest_free,
        memory_map=panel.memory_map(),
    )


_NUMBERED: Final = ("device-id", "protect", "unprotect", "delete")
_SWITCHED: Final = ("filter", "power")
_ACTIONS: Final = ("confirm", "initialise", *_NUMBERED, *_SWITCHED, QUIT)
_SWITCH: Final = {"on": 1, "off": 0}
_LONGEST: Final = 80  # signs of a wrong line that are repeated


def action_of(line: str) -> tuple[str, int]:
    """Return the action that a line asks for, and its number, 1 for on, or 0.

    ValueError says what is wrong with the line.
    """
    words = line.split()
    shown = "".join(sign if sign.isprintable() else "?" for sign in " ".join(words)[:_LONGEST])
    action, rest = words[0] if words else "", words[1:]
    if action not in _ACTIONS:
        raise ValueError(f"{shown!r}: there is no such action; there are {', '.join(_ACTIONS)}")
    if action in _NUMBERED:
        if len(rest) != 1 or not (rest[0].isascii() and rest[0].isdigit() and len(rest[0]) < 6):
            raise ValueError(f"{shown!r}: {action} wants a number, as in {action} 5")
        return action, int(rest[0])
    if action in _SWITCHED:
        if len(rest) != 1 or rest[0] not in _SWITCH:
            raise ValueError(f"{shown!r}: say {action} on or {action} off")
        return action, _SWITCH[rest[0]]
    if rest:
        raise ValueError(f"{shown!r}: {action} stands alone")
    return action, 0


def perform(unit: RackUnit, action: str, value: int, now_ns: int) -> str:
    """Do it at the unit's panel; return what to say of it in plain words.

    ValueError says why it cannot be done; nothing has changed then.
    """
    panel, title = unit.panel, ""
    if not panel.powered and action != "power":
        raise ValueError("the unit is switched off")
    if action in ("protect", "unprotect", "delete"):
        title = unit.slots[value].title
    match action:
        case "confirm":
            said = f"slot {panel.awaiting_confirm} confirmed at the panel"
            if not unit.confirm(now_ns):
                raise ValueError("nothing waits to be confirmed")
        case "initialise":
            panel.initialise(now_ns)
            said = f"memory initialised at the panel: {panel.line}"
        case "device-id":
            panel.set_device_id(value, now_ns)
            said = f"device ID set to {value} at the panel"
        case "filter":
            panel.set_receive_filter(bool(value), now_ns)
            said = f"System Exclusive is {'let in' if value else 'kept out'} from now on"
        case "power":
            switched = f"switched {'on' if value else 'off'}"
            if bool(value) == panel.powered:
                raise ValueError(f"the unit is {switched} already")
            (panel.power_on if value else panel.power_off)(now_ns)
            said = f"unit {switched}"
        case "delete":
            if not panel.delete(value, now_ns):
                is_protected = unit.slots[value].protected
                raise ValueError(f"{title} is {'protected' if is_protected else 'empty'}")
            said = f"{title} deleted at the panel"
        case _:
            panel.protect(value, action == "protect", now_ns)
            said = f"{title} is {'' if action == 'protect' else 'no longer '}protected"
    return said
