"""The receiver as a table: state and cue to actions and next state (M1 p. 39).

Theory of operation as in `sender_table`: cues are judged already, by number, sum and word count;
pairs that cannot happen stand in RECEIVER_UNEXPECTED; a switch exchanges rows.
"""

from enum import auto
from functools import lru_cache
from typing import Final

from dryload.emulator.dump.machine import Member, Row
from dryload.emulator.dump.switches import ReceiverSwitches


class ReceiverState(Member):
    """Where a receiver is."""

    IDLE = auto()
    HELD = auto()
    RECEIVING = auto()


class ReceiverCue(Member):
    """What a receiver can meet."""

    HEADER = auto()  # and the storage accepts it
    HEADER_EMPTY = auto()  # accepted, and it announces no words
    HEADER_REFUSED = auto()
    HEADER_HELD = auto()  # somebody has to decide first
    HEADER_UNSEEN = auto()  # the unit is in no state to look at it
    HEADER_IN_DUMP = auto()  # in the middle of a dump, before anybody looks into it
    RELEASED = auto()  # decided: accept
    RELEASED_EMPTY = auto()
    RELEASED_REFUSED = auto()
    PACKET = auto()  # the expected one, sum right
    PACKET_LAST = auto()
    PACKET_JUMP = auto()  # another number, not the last one stored
    PACKET_JUMP_LAST = auto()  # the same, and it would complete the word count
    PACKET_REPEATED = auto()  # the number stored last
    PACKET_REPEATED_LAST = auto()  # the same, and storing it would complete the word count
    PACKET_SUM = auto()  # checksum wrong
    PACKET_FORM = auto()  # not 127 bytes, or cut short
    PACKET_SPOILT = auto()  # either, for the last time
    PACKET_NO_ROOM = auto()
    CANCEL = auto()
    EOF = auto()
    IDLE_LIMIT = auto()


class ReceiverDo(Member):
    """What a receiver does."""

    OPEN = auto()
    STORE = auto()
    FINISH = auto()
    ABANDON = auto()
    ACK = auto()
    ACK_LAST = auto()
    NAK = auto()
    CANCEL = auto()
    WAIT = auto()
    NOTE_REFUSED = auto()
    NOTE_FAULTY = auto()
    NOTE_JUMP = auto()
    NOTE_REPEATED = auto()
    NOTE_CANCELLED = auto()


ReceiverRow = Row[ReceiverState, ReceiverDo]
ReceiverTable = dict[tuple[ReceiverState, ReceiverCue], ReceiverRow]

_R, _Q, _A = ReceiverState, ReceiverCue, ReceiverDo
_NOTHING: Final[ReceiverRow] = ReceiverRow((), _R.IDLE, "STA-01", "ignore")


def _stay(state: ReceiverState, clause: str) -> ReceiverRow:
    return ReceiverRow((), state, clause, "ignore")


def _header_rows(state: ReceiverState) -> ReceiverTable:
    return {
        (state, _Q.HEADER): ReceiverRow((_A.OPEN, _A.ACK), _R.RECEIVING, "HDR-01", "accept"),
        (state, _Q.HEADER_EMPTY): ReceiverRow(
            (_A.OPEN, _A.FINISH, _A.ACK), _R.IDLE, "HDR-15", "accept: nothing to come"
        ),
        (state, _Q.HEADER_REFUSED): ReceiverRow(
            (_A.NOTE_REFUSED, _A.CANCEL), _R.IDLE, "HSK-12", "refuse"
        ),
        (state, _Q.HEADER_HELD): ReceiverRow((_A.WAIT,), _R.HELD, "HSK-09", "ask to wait"),
        (state, _Q.HEADER_UNSEEN): ReceiverRow((_A.NOTE_REFUSED,), _R.IDLE, "TIM-02", "no answer"),
    }


_STORE = ReceiverRow((_A.STORE, _A.ACK), _R.RECEIVING, "HSK-05", "store and acknowledge")
_STORE_LAST = ReceiverRow(
    (_A.STORE, _A.FINISH, _A.ACK_LAST), _R.IDLE, "HSK-13", "store, acknowledge: the sample is whole"
)
_REJECT = ReceiverRow((_A.NOTE_FAULTY, _A.NAK), _R.RECEIVING, "HSK-06", "ask for it again")
_CANCEL_DUMP = ReceiverRow(
    (_A.ABANDON, _A.CANCEL), _R.IDLE, "HSK-12", "cancel and wait for a new header"
)
_PACKET_CUES = (
    _Q.PACKET,
    _Q.PACKET_LAST,
    _Q.PACKET_JUMP,
    _Q.PACKET_JUMP_LAST,
    _Q.PACKET_REPEATED,
    _Q.PACKET_REPEATED_LAST,
    _Q.PACKET_SUM,
    _Q.PACKET_FORM,
    _Q.PACKET_SPOILT,
    _Q.PACKET_NO_ROOM,
)

_RECEIVER: Final[ReceiverTable] = {
    **_header_rows(_R.IDLE),
    **_header_rows(_R.HELD),
    (_R.RECEIVING, _Q.HEADER_IN_DUMP): ReceiverRow(
        (_A.ABANDON,), _R.IDLE, "STA-03", "give up the dump, look at the new header"
    ),
    (_R.HELD, _Q.RELEASED): ReceiverRow(
        (_A.OPEN, _A.ACK), _R.RECEIVING, "HSK-10", "accept after all"
    ),
    (_R.HELD, _Q.RELEASED_EMPTY): ReceiverRow(
        (_A.OPEN, _A.FINISH, _A.ACK), _R.IDLE, "HDR-15", "accept: nothing to come"
    ),
    (_R.HELD, _Q.RELEASED_REFUSED): ReceiverRow(
        (_A.NOTE_REFUSED, _A.CANCEL), _R.IDLE, "HSK-10", "refuse after all"
    ),
    # the dump itself
    (_R.RECEIVING, _Q.PACKET): _STORE,
    (_R.RECEIVING, _Q.PACKET_LAST): _STORE_LAST,
    (_R.RECEIVING, _Q.PACKET_JUMP): ReceiverRow(
        (_A.NOTE_JUMP, _A.STORE, _A.ACK), _R.RECEIVING, "HSK-16", "treat as good (M1 p. 39)"
    ),
    (_R.RECEIVING, _Q.PACKET_JUMP_LAST): ReceiverRow(
        (_A.NOTE_JUMP, _A.STORE, _A.FINISH, _A.ACK_LAST), _R.IDLE, "HSK-16", "treat as good: done"
    ),
    **{
        (_R.RECEIVING, cue): ReceiverRow(
            (_A.NOTE_REPEATED, _A.ACK), _R.RECEIVING, "HSK-15", "acknowledge, do not store again"
        )
        for cue in (_Q.PACKET_REPEATED, _Q.PACKET_REPEATED_LAST)
    },
    (_R.RECEIVING, _Q.PACKET_SUM): _REJECT,
    (_R.RECEIVING, _Q.PACKET_FORM): _REJECT,
    (_R.RECEIVING, _Q.PACKET_SPOILT): ReceiverRow(
        (_A.NOTE_FAULTY, _A.ABANDON, _A.CANCEL), _R.IDLE, "HSK-17", "failed too often: cancel"
    ),
    (_R.RECEIVING, _Q.PACKET_NO_ROOM): _CANCEL_DUMP,
    (_R.RECEIVING, _Q.CANCEL): ReceiverRow(
        (_A.NOTE_CANCELLED, _A.ABANDON), _R.IDLE, "HSK-11", "stop"
    ),
    (_R.RECEIVING, _Q.EOF): _stay(_R.RECEIVING, "HSK-18"),
    (_R.RECEIVING, _Q.IDLE_LIMIT): ReceiverRow((_A.ABANDON,), _R.IDLE, "STA-03", "given up"),
    # waiting for a decision: an open-loop sender may have gone on
    (_R.HELD, _Q.CANCEL): ReceiverRow((_A.NOTE_CANCELLED,), _R.IDLE, "HSK-11", "stop"),
    (_R.HELD, _Q.EOF): _stay(_R.HELD, "HSK-18"),
    # outside a dump nothing touches the store
    **{(_R.IDLE, cue): _NOTHING for cue in (_Q.PACKET_FORM, _Q.PACKET, _Q.CANCEL, _Q.EOF)},
    **{(_R.HELD, cue): _stay(_R.HELD, "STA-01") for cue in (_Q.PACKET_FORM, _Q.PACKET)},
}

_HEADERS = {
    _Q.HEADER,
    _Q.HEADER_EMPTY,
    _Q.HEADER_REFUSED,
    _Q.HEADER_HELD,
    _Q.HEADER_UNSEEN,
}
_RELEASES = {_Q.RELEASED, _Q.RELEASED_EMPTY, _Q.RELEASED_REFUSED}
RECEIVER_UNEXPECTED: Final[frozenset[tuple[ReceiverState, ReceiverCue]]] = frozenset(
    # nobody decides about a header that is not being held
    {(state, cue) for state in (_R.IDLE, _R.RECEIVING) for cue in _RELEASES}
    # a header in a dump is that first, and looked into when the dump is given up
    | {(_R.RECEIVING, cue) for cue in _HEADERS}
    | {(state, _Q.HEADER_IN_DUMP) for state in (_R.IDLE, _R.HELD)}
    # packets are not looked into outside a dump, and no limit runs
    | {
        (state, cue)
        for state in (_R.IDLE, _R.HELD)
        for cue in {*_PACKET_CUES, _Q.IDLE_LIMIT} - {_Q.PACKET, _Q.PACKET_FORM}
    }
)

_JUMPS = (_Q.PACKET_JUMP, _Q.PACKET_JUMP_LAST)
_NUMBER_JUMP: Final = {
    "store": {},
    "nak": {
        (_R.RECEIVING, cue): ReceiverRow(
            (_A.NOTE_JUMP, _A.NAK), _R.RECEIVING, "HSK-16", "ask for it again"
        )
        for cue in _JUMPS
    },
    "cancel": {
        (_R.RECEIVING, cue): ReceiverRow(
            (_A.NOTE_JUMP, _A.ABANDON, _A.CANCEL), _R.IDLE, "HSK-16", "cancel (File Dump manners)"
        )
        for cue in _JUMPS
    },
    "ignore": {
        (_R.RECEIVING, cue): ReceiverRow((_A.NOTE_JUMP,), _R.RECEIVING, "HSK-16", "ignore")
        for cue in _JUMPS
    },
}
_REPEATED: Final = {
    "acknowledge": {},
    "store": {
        (_R.RECEIVING, _Q.PACKET_REPEATED): ReceiverRow(
            (_A.NOTE_REPEATED, _A.STORE, _A.ACK), _R.RECEIVING, "HSK-15", "store it a second time"
        ),
        (_R.RECEIVING, _Q.PACKET_REPEATED_LAST): ReceiverRow(
            (_A.NOTE_REPEATED, _A.STORE, _A.FINISH, _A.ACK_LAST),
            _R.IDLE,
            "HSK-15",
            "store it a second time: done",
        ),
    },
}
_BAD_FORM: Final = {
    "nak": {},
    "ignore": {(_R.RECEIVING, _Q.PACKET_FORM): _stay(_R.RECEIVING, "FRM-05")},
}
_HEADER_IN_DUMP: Final = {
    "restart": {},
    "ignore": {(_R.RECEIVING, _Q.HEADER_IN_DUMP): _stay(_R.RECEIVING, "STA-03")},
    "cancel": {(_R.RECEIVING, _Q.HEADER_IN_DUMP): _CANCEL_DUMP},
}


@lru_cache(maxsize=64)
def receiver_table(switches: ReceiverSwitches) -> ReceiverTable:
    """Return the receiver's table with the rows that `switches` exchange."""
    return {
        **_RECEIVER,
        **_NUMBER_JUMP[switches.number_jump],
        **_REPEATED[switches.repeated_packet],
        **_BAD_FORM[switches.bad_form],
        **_HEADER_IN_DUMP[switches.header_in_dump],
    }
