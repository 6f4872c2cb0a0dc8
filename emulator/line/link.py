"""Sizes and habits of hosts: what an interface between a host and the cable does, as frozen data.

A disturbance happens to one message; a link does the same thing to everything that passes.  To the
unit it acts before the cable, towards the host behind it.  What a link has counted so far lives
with the line that runs (`link_stages`), never in the value.
"""

import re
from collections.abc import Mapping
from enum import Enum, auto
from typing import Final

from msgspec import Struct
from msgspec.structs import force_setattr

from dryload.emulator.dump.capture import Direction


class Habit(Enum):
    """What kind of thing a link does."""

    USB = auto()
    USB_LOST_ENDS = auto()
    AT_MOST = auto()
    EVERY = auto()
    SPLITS = auto()
    JOINS = auto()
    ECHO = auto()
    NO_EXCLUSIVE = auto()


_BOTH: Final = (Direction.TO_UNIT, Direction.FROM_UNIT)
_NUMBER: Final = "N"


class _HabitWords(Struct, frozen=True, kw_only=True):
    """What is known of a habit: its name with N for the number, and words about it."""

    form: str
    does: str
    shows: str
    directions: tuple[Direction, ...] = _BOTH
    """Where it is at work unless something else is asked for."""
    possible: tuple[Direction, ...] = _BOTH
    usual: int = 0
    """The number that an example has, 0 where there is none."""
    least: int = 1


_KINDS: Final[Mapping[Habit, _HabitWords]] = {
    Habit.USB: _HabitWords(
        form="usb",
        does="Packs messages into USB-MIDI events and back; a message begins, or towards the host "
        "ends, on a whole millisecond.",
        shows="Everything passes; real-time bytes stand between events only.",
    ),
    Habit.USB_LOST_ENDS: _HabitWords(
        form="usb-lost-ends",
        does="As usb, and swallows events that carry a single byte: the F7 of a message of 3k+1 "
        "bytes is gone.",
        shows="Headers and answers arrive; packets and requests never end.",
    ),
    Habit.AT_MOST: _HabitWords(
        form="at-most-N",
        does="Passes the first N bytes of a System Exclusive message; the rest vanishes.",
        shows="What is longer than N bytes never arrives whole.",
        usual=64,
    ),
    Habit.EVERY: _HabitWords(
        form="every-Nth",
        does="Loses every Nth byte of the stream, wherever it falls.",
        shows="Single packets pass, and in a long dump packets at regular distances are damaged.",
        directions=(Direction.TO_UNIT,),
        usual=256,
        least=2,
    ),
    Habit.SPLITS: _HabitWords(
        form="splits-N",
        does="Passes a message in pieces of N bytes with a pause of 1 ms between them.",
        shows="Nothing is lost; everything takes longer, and with small pieces answers are late.",
        usual=32,
    ),
    Habit.JOINS: _HabitWords(
        form="joins",
        does="Hands over to the host every 10 ms what has arrived: several short messages come in "
        "one piece.",
        shows="Nothing is lost and answers come late.",
        directions=(Direction.FROM_UNIT,),
        possible=(Direction.FROM_UNIT,),
    ),
    Habit.ECHO: _HabitWords(
        form="echo",
        does="Sends back to the host whatever the host sends.",
        shows="The sender hears its own messages between the answers.",
        directions=(Direction.TO_UNIT,),
        possible=(Direction.TO_UNIT,),
    ),
    Habit.NO_EXCLUSIVE: _HabitWords(
        form="no-exclusive",
        does="Filters System Exclusive messages out; short messages pass.",
        shows="Notes arrive and dumps do not; nobody answers.",
    ),
}


class Link(Struct, frozen=True, kw_only=True):
    """One habit of an interface; ValueError where there is no such thing."""

    habit: Habit
    number: int = 0
    """What N in the name stands for: bytes; 0 where the name has none."""
    directions: tuple[Direction, ...] = ()
    """Where it is at work; () becomes what is usual for the habit."""

    def __post_init__(self) -> None:
        """Refuse what no interface can do."""
        kind = _KINDS[self.habit]
        if not kind.usual and self.number:
            raise ValueError(f"{kind.form} has no number")
        if kind.usual and self.number < kind.least:
            raise ValueError(f"{kind.form}: N must be {kind.least} or more, not {self.number}")
        for direction in self.directions:
            if direction not in kind.possible:
                raise ValueError(f"{kind.form} is never at work {direction.value}")
        if not self.directions:
            force_setattr(self, "directions", kind.directions)


_ENDINGS: Final = {
    "-to-unit": (Direction.TO_UNIT,),
    "-from-unit": (Direction.FROM_UNIT,),
    "-both-ways": _BOTH,
}
_PATTERNS: Final = {
    habit: re.compile(
        re.escape(kind.form)
        .replace("Nth", r"([0-9]{1,6})(?:st|nd|rd|th)")
        .replace("\\-N", r"\-([0-9]{1,6})")
    )
    for habit, kind in _KINDS.items()
}


def link_named(text: str) -> Link:
    """Return the link of a name such as "usb", "at-most-64" or "every-256th-from-unit".

    An ending -to-unit, -from-unit or -both-ways says where it is at work.  ValueError, with the
    names there are, where there is none like that.
    """
    name = text.strip().lower()
    directions: tuple[Direction, ...] = ()
    for ending, meant in _ENDINGS.items():
        if name.endswith(ending):
            name, directions = name.removesuffix(ending), meant
    for habit, pattern in _PATTERNS.items():
        if found := pattern.fullmatch(name):
            return Link(habit=habit, number=int((*found.groups(), 0)[0]), directions=directions)
    for habit, kind in _KINDS.items():
        if kind.usual and name == kind.form.partition(f"-{_NUMBER}")[0]:
            return Link(habit=habit, number=kind.usual, directions=directions)
    names = ", ".join(kind.form for kind in _KINDS.values())
    raise ValueError(
        f'there is no link "{text}"; there are {names} (N is a number), and -to-unit, -from-unit '
        "or -both-ways may follow"
    )


def link_lines() -> list[tuple[str, str]]:
    """Return name and sentences of every habit, for a help text; N stands for a number."""
    return [(kind.form, f"{kind.does} {kind.shows}") for kind in _KINDS.values()]
