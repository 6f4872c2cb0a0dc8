"""What an endpoint reports of itself, as values."""

from enum import Enum, auto
from typing import Final, NamedTuple

WAITED_FOR: Final = "waited for"
WAITED_FOR_LAST: Final = "waited for, the last"
OVERDUE: Final = "overdue"
DOUBTFUL: Final = "doubtful"
"""Details of events of a sender that waits longer for a unit that has answered before."""

NUMBERS_BY: Final = "numbers its ACKs by"
NUMBERS_ALWAYS: Final = "numbers its ACKs always"
NUMBERS_FREELY: Final = "numbers its ACKs freely"
TWICE: Final = "says its ACKs twice"
TAKES: Final = "takes"
"""How the detail of LEARNT begins: a distance, a number, or nanoseconds follow."""


class EventKind(Enum):
    """What happened; the comment says whose event it is."""

    __hash__ = object.__hash__  # members of an Enum hash by name otherwise, in slow steps

    # sender
    ANSWERED = auto()  # a reply was taken for the message in question: ACK; OVERDUE: too late
    REJECTED = auto()  # a reply was taken for the message in question: NAK
    SILENCE = auto()  # the limit passed without a reply; WAITED_FOR: the longer one; DOUBTFUL:
    # what came may have been for a message before
    HELD = auto()  # WAIT: nothing may be sent until told
    IGNORED = auto()  # a reply that answers nothing we wait for
    FELL_BACK = auto()  # no answer to the extended header: the standard one follows
    LEARNT = auto()  # at the end: a habit of the unit; the detail says which
    # receiver
    OPENED = auto()  # a header was accepted
    REFUSED = auto()  # a header was refused
    FAULTY = auto()  # a packet was not taken: wrong checksum or wrong form
    JUMPED = auto()  # a packet came with an unexpected number
    REPEATED = auto()  # a packet came again
    ABANDONED = auto()  # a dump was begun and will not end
    OVERRUN = auto()  # bytes were lost in a full input buffer
    # both
    DONE = auto()
    CANCELLED = auto()  # the other side sent CANCEL
    GAVE_UP = auto()  # this side ended it
    UNEXPECTED = auto()  # a cue that the table has no row for in this state
    # requester
    NO_ANSWER = auto()


class Event(NamedTuple):
    """One thing that happened at `now_ns`."""

    kind: EventKind
    now_ns: int
    packet: int | None = None
    """Which data packet of its dump, counted from 0 and never wrapping; None for the header."""
    detail: str = ""
