"""The requester as a table: it asks for a sample, receives it, then asks for its loops and name.

The dump in the middle is a receiver's work (`receiver_table`); here its end is one cue. The
standard sets no limit for the answer to a request (TIM-11): the limit is the harness's patience.
"""

from enum import auto
from typing import Final

from dryload.emulator.dump.machine import Member, Row


class RequesterState(Member):
    """Where a requester is."""

    IDLE = auto()
    ASKED = auto()
    HELD = auto()  # the unit has asked to wait
    RECEIVING = auto()
    ASKED_MORE = auto()
    DONE = auto()
    FAILED = auto()


class RequesterCue(Member):
    """What a requester can meet."""

    START = auto()
    STOP = auto()
    HEADER = auto()
    WAIT = auto()
    CANCEL = auto()
    WHOLE = auto()  # the receiver has the whole dump
    WHOLE_LAST = auto()  # and nothing more is to be asked
    BROKEN = auto()  # the receiver gave the dump up
    MORE = auto()  # loop points or a name
    QUIET = auto()
    QUIET_LAST = auto()


class RequesterDo(Member):
    """What a requester does."""

    ASK = auto()
    ASK_MORE = auto()
    WAIT_ON = auto()
    CANCEL = auto()
    NOTE_DONE = auto()
    NOTE_DECLINED = auto()
    NOTE_FAILED = auto()
    NOTE_NO_ANSWER = auto()


RequesterRow = Row[RequesterState, RequesterDo]
RequesterTable = dict[tuple[RequesterState, RequesterCue], RequesterRow]

_S, _C, _D = RequesterState, RequesterCue, RequesterDo
_FAILED: Final = RequesterRow((_D.NOTE_FAILED,), _S.FAILED, "REQ-03", "no sample to be had")
_DECLINED: Final = RequesterRow(
    (_D.NOTE_DECLINED, _D.NOTE_FAILED), _S.FAILED, "REQ-03", "no such sample"
)
_STOPPED: Final = RequesterRow((_D.CANCEL, _D.NOTE_FAILED), _S.FAILED, "HSK-19", "tell the unit")


def _stay(state: RequesterState, clause: str) -> RequesterRow:
    return RequesterRow((), state, clause, "ignore")


REQUESTER: Final[RequesterTable] = {
    (_S.IDLE, _C.START): RequesterRow((_D.ASK,), _S.ASKED, "REQ-01", "send the request"),
    (_S.IDLE, _C.STOP): _FAILED,
    (_S.ASKED, _C.MORE): _stay(_S.ASKED, "FRM-09"),
    (_S.HELD, _C.MORE): _stay(_S.HELD, "FRM-09"),
    (_S.ASKED, _C.QUIET): RequesterRow(
        (_D.NOTE_NO_ANSWER,), _S.FAILED, "REQ-03", "no answer: nothing there, or not heard"
    ),
    (_S.ASKED, _C.QUIET_LAST): RequesterRow(
        (_D.NOTE_NO_ANSWER,), _S.FAILED, "REQ-03", "no answer: nothing there, or not heard"
    ),
    # before the answer, whether the unit has asked to wait or not
    **{
        (state, cue): row
        for state in (_S.ASKED, _S.HELD)
        for cue, row in {
            _C.HEADER: RequesterRow((), _S.RECEIVING, "REQ-02", "receive the dump"),
            _C.WAIT: RequesterRow((), _S.HELD, "HSK-09", "wait as long as the unit asks for"),
            _C.CANCEL: _DECLINED,
            _C.STOP: _STOPPED,
        }.items()
    },
    (_S.RECEIVING, _C.WHOLE): RequesterRow(
        (_D.ASK_MORE,), _S.ASKED_MORE, "LOP-04", "ask for loops and name"
    ),
    (_S.RECEIVING, _C.WHOLE_LAST): RequesterRow((_D.NOTE_DONE,), _S.DONE, "STA-02", "done"),
    (_S.RECEIVING, _C.BROKEN): _FAILED,
    (_S.RECEIVING, _C.STOP): _STOPPED,
    (_S.ASKED_MORE, _C.MORE): RequesterRow((_D.WAIT_ON,), _S.ASKED_MORE, "LOP-05", "keep it"),
    (_S.ASKED_MORE, _C.QUIET): RequesterRow(
        (_D.ASK_MORE,), _S.ASKED_MORE, "LOP-05", "that was all: ask the next question"
    ),
    (_S.ASKED_MORE, _C.QUIET_LAST): RequesterRow((_D.NOTE_DONE,), _S.DONE, "LOP-05", "done"),
    (_S.ASKED_MORE, _C.STOP): RequesterRow((_D.NOTE_DONE,), _S.DONE, "HSK-19", "the dump is here"),
    **{
        (_S.ASKED_MORE, cue): _stay(_S.ASKED_MORE, "FRM-09")
        for cue in (_C.HEADER, _C.WAIT, _C.CANCEL)
    },
    **{
        (state, cue): _stay(state, "FRM-09")
        for state in (_S.DONE, _S.FAILED, _S.IDLE)
        for cue in (_C.HEADER, _C.WAIT, _C.CANCEL, _C.MORE)
    },
    **{(state, _C.STOP): _stay(state, "HSK-19") for state in (_S.DONE, _S.FAILED)},
    **{(_S.RECEIVING, cue): _stay(_S.RECEIVING, "FRM-09") for cue in (_C.WAIT, _C.MORE)},
}

REQUESTER_UNEXPECTED: Final[frozenset[tuple[RequesterState, RequesterCue]]] = frozenset(
    {(state, _C.START) for state in RequesterState if state is not _S.IDLE}
    # the receiver runs only while receiving, and then takes headers and CANCEL itself
    | {
        (state, cue)
        for state in RequesterState
        if state is not _S.RECEIVING
        for cue in (_C.WHOLE, _C.WHOLE_LAST, _C.BROKEN)
    }
    | {(_S.RECEIVING, cue) for cue in (_C.HEADER, _C.CANCEL, _C.QUIET, _C.QUIET_LAST)}
    # no limit runs when nothing was asked, or the unit has asked to wait
    | {
        (state, cue)
        for state in (_S.IDLE, _S.HELD, _S.DONE, _S.FAILED)
        for cue in (_C.QUIET, _C.QUIET_LAST)
    }
)
