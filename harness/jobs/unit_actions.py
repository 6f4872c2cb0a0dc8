"""What a person can do at the front panel of a served unit, as values and as words.

confirm | initialise | device-id N | filter on|off | power on|off
protect N | unprotect N | delete N | quit
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from emulator.unit.board import RackUnit


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
