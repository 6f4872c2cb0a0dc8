"""What the vocabulary of disturbances is made of."""

from dataclasses import dataclass
from enum import StrEnum


class Group(StrEnum):
    """Where a disturbance comes from."""

    CABLE = "on the cable"
    TIME = "in time"
    NEIGHBOURS = "from neighbours"
    REPLIES = "in the replies"
    UNIT = "in the unit"
    HOST = "in the host"


class Reach(StrEnum):
    """What a disturbance is done to."""

    LINE = "line"  # to messages on the line
    REPLY = "reply"  # to answers on the line
    UNIT = "unit"  # to the unit, as a message arrives
    WHOLE = "whole"  # from beginning to end: no place can be named


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """One disturbance."""

    name: str
    forms: tuple[str, ...] = ()
    """How it is asked for; none: it is another one, used as the example shows."""
    more: tuple[str, ...] = ()
    """What may be said of it behind that, wherever it stands."""
    group: Group
    reach: Reach = Reach.LINE
    usual: str = ""
    """Where it strikes if no place is named; "": one has to be."""
    does: str
    shows: str
    """What a receiver can see of it."""
    must: str
    """What the receiver, or of an answer the sender, does by the clause."""
    clause: str
    cause: str
    """The everyday situation."""
    example: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrase:
    """One way to say where or when."""

    form: str
    does: str
