"""The sender as two tables (M1 p. 39): what happened makes a cue, and a cue in a state says what
is done and where it leads.

Theory of operation.  The matcher (`replies`) judges what the unit says, and its silence.  What that
comes to depends on the situation as well: whether anything is left to be sent, how often it has
been sent already, what else could be tried.  `sender_cues` says it, condition by condition: of the
rows for a judgement the first one counts of which all conditions are given.  `ACK` is an ACK that
answers the message in question, `ACK_LAST` the same when nothing remains to be sent, `ACK_OTHER`
one with a number that answers nothing.

`sender_table` then says everything about the order of things, and the machine (`sender`) carries it
out: it decides nothing, and none of its fields chooses a row but by a condition that stands here.
Pairs that cannot happen stand in SENDER_UNEXPECTED, and a test holds both together against all
pairs there are.  Where the standard is silent, a switch (see `switches`) exchanges rows.
"""

from enum import auto
from functools import lru_cache
from typing import Final

from dryload.emulator.dump.machine import Member, Row
from dryload.emulator.dump.replies import Match, Meaning
from dryload.emulator.dump.switches import SenderSwitches


class SenderState(Member):
    """Where a sender is."""

    IDLE = auto()
    HEADER = auto()
    PACKET = auto()
    HEADER_HELD = auto()
    PACKET_HELD = auto()
    DONE = auto()
    ABORTED = auto()


class SenderCue(Member):
    """What a sender can meet."""

    START = auto()
    STOP = auto()  # the user interrupts
    ACK = auto()
    ACK_LAST = auto()
    ACK_EARLY = auto()  # came before the message in question can have been answered
    ACK_LATE = auto()  # one more answer to the message before the one in question
    ACK_UNSETTLED = auto()  # an answer, and copies of the same message may still have theirs
    ACK_RESUMES = auto()  # ends a WAIT that came before the message in question could leave
    ACK_BEFORE = auto()  # ends a WAIT and answers a packet before once more
    ACK_OTHER = auto()  # a number that answers nothing
    ACK_OTHER_LAST = auto()
    NAK = auto()
    NAK_AGAIN = auto()  # the limit of resends is reached
    NAK_OTHER = auto()
    WAIT = auto()
    CANCEL = auto()
    EOF = auto()
    MESSAGE = auto()  # any other message to this device ID
    SILENCE = auto()
    SILENCE_LAST = auto()
    SILENCE_AGAIN = auto()  # of a unit that answered packets before
    SILENCE_DEAD = auto()  # the same, and the limit of resends is reached
    SILENCE_EXTENDED = auto()  # after an extended header, a standard one is at hand
    SILENCE_STRANDED = auto()  # after an extended header, no standard one can say the same


class Condition(Member):
    """What of the situation decides, beside the judgement, which cue it is."""

    NOTHING_LEFT = auto()  # no message follows the one in question
    REJECTED_OFTEN = auto()  # it has gone out as often as it may be rejected (HSK-17)
    TRIES_LEFT = auto()  # it may go out once more without an answer
    IN_MIDST = auto()  # more is called for after it
    HAS_SHOWN = auto()  # the unit has answered packets in a row until now
    EXTENDED = auto()  # it is an extended header
    FALLBACK = auto()  # a standard header that says the same is at hand (EXT-09)


class SenderDo(Member):
    """What a sender does."""

    SEND_HEADER = auto()
    SEND_NEXT = auto()
    SEND_AGAIN = auto()
    SEND_WITHHELD = auto()
    SEND_CANCEL = auto()
    SEND_AFTER = auto()
    FALL_BACK = auto()
    COUNT_ANEW = auto()
    GO_ON = auto()
    NOTE_ANSWER = auto()
    NOTE_REJECTION = auto()
    NOTE_SILENCE = auto()
    NOTE_HELD = auto()
    NOTE_IGNORED = auto()
    NOTE_DONE = auto()
    NOTE_CANCELLED = auto()
    GIVE_UP = auto()


SenderRow = Row[SenderState, SenderDo]
SenderTable = dict[tuple[SenderState, SenderCue], SenderRow]
Judgement = Match | Meaning
CueTable = dict[Judgement, tuple[tuple[frozenset[Condition], SenderCue], ...]]

_S, _C, _D = SenderState, SenderCue, SenderDo
_WAITING: Final = (_S.HEADER, _S.PACKET, _S.HEADER_HELD, _S.PACKET_HELD)
_OVER: Final = (_S.DONE, _S.ABORTED)

_ACK_HEADER = SenderRow(
    (_D.NOTE_ANSWER, _D.SEND_NEXT), _S.PACKET, "PKT-13", "closed loop: send packet 0"
)
_ACK_EMPTY = SenderRow(
    (_D.NOTE_ANSWER, _D.SEND_AFTER, _D.NOTE_DONE), _S.DONE, "HDR-15", "no words: done"
)
_ACK_PACKET = SenderRow((_D.NOTE_ANSWER, _D.SEND_NEXT), _S.PACKET, "HSK-02", "send the next packet")
_ACK_END = SenderRow(
    (_D.NOTE_ANSWER, _D.SEND_AFTER, _D.NOTE_DONE), _S.DONE, "STA-02", "all packets sent: done"
)
_RESEND = SenderRow(
    (_D.NOTE_REJECTION, _D.SEND_AGAIN), _S.PACKET, "HSK-07", "send the same packet again"
)
_RESEND_HEADER = SenderRow(
    (_D.NOTE_REJECTION, _D.SEND_AGAIN), _S.HEADER, "HSK-07", "send the header again"
)
_TOO_OFTEN = SenderRow(
    (_D.NOTE_REJECTION, _D.SEND_CANCEL, _D.GIVE_UP), _S.ABORTED, "HSK-17", "rejected too often"
)
_UNSETTLED = SenderRow(
    (_D.COUNT_ANEW,), _S.PACKET, "HSK-14", "wait until every copy can have been answered"
)
_CANCELLED = SenderRow((_D.NOTE_CANCELLED,), _S.ABORTED, "HSK-11", "stop at once")
_STOPPED = SenderRow((_D.SEND_CANCEL, _D.GIVE_UP), _S.ABORTED, "HSK-19", "tell the unit and stop")
_DISTURBED = SenderRow((_D.GIVE_UP,), _S.ABORTED, "HSK-22", "illegal message during WAIT: abort")


def _ignore(state: SenderState, clause: str) -> SenderRow:
    return SenderRow((_D.NOTE_IGNORED,), state, clause, "ignore")


def _hold(state: SenderState) -> SenderRow:
    return SenderRow((_D.NOTE_HELD,), state, "HSK-09", "send nothing until told")


def _resume(state: SenderState) -> SenderRow:
    return SenderRow((_D.NOTE_ANSWER, _D.SEND_WITHHELD), state, "HSK-10", "send what was held back")


_SENDER: Final[SenderTable] = {
    (_S.IDLE, _C.START): SenderRow((_D.SEND_HEADER,), _S.HEADER, "HDR-01", "send the header"),
    # after the header: any packet number will do (HSK-04)
    (_S.HEADER, _C.ACK): _ACK_HEADER,
    (_S.HEADER, _C.ACK_LAST): _ACK_EMPTY,
    (_S.HEADER, _C.ACK_LATE): _ignore(_S.HEADER, "TIM-10"),
    (_S.HEADER, _C.NAK): _RESEND_HEADER,
    (_S.HEADER, _C.NAK_AGAIN): _TOO_OFTEN,
    (_S.HEADER, _C.NAK_OTHER): _ignore(_S.HEADER, "HSK-08"),
    (_S.HEADER, _C.WAIT): _hold(_S.HEADER_HELD),
    (_S.HEADER, _C.SILENCE): SenderRow(
        (_D.NOTE_SILENCE, _D.SEND_NEXT), _S.PACKET, "TIM-01", "open loop: send packet 0"
    ),
    (_S.HEADER, _C.SILENCE_LAST): SenderRow(
        (_D.NOTE_SILENCE, _D.SEND_AFTER, _D.NOTE_DONE), _S.DONE, "HDR-15", "no words: done"
    ),
    (_S.HEADER, _C.SILENCE_EXTENDED): SenderRow(
        (_D.NOTE_SILENCE, _D.FALL_BACK, _D.SEND_HEADER),
        _S.HEADER,
        "EXT-09",
        "fall back to the standard header",
    ),
    (_S.HEADER, _C.SILENCE_STRANDED): SenderRow(
        (_D.NOTE_SILENCE, _D.GIVE_UP), _S.ABORTED, "EXT-09", "no header the unit understands"
    ),
    # after a packet
    (_S.PACKET, _C.ACK): _ACK_PACKET,
    (_S.PACKET, _C.ACK_LAST): _ACK_END,
    (_S.PACKET, _C.ACK_EARLY): _ignore(_S.PACKET, "TIM-05"),
    (_S.PACKET, _C.ACK_LATE): _ignore(_S.PACKET, "TIM-10"),
    (_S.PACKET, _C.ACK_UNSETTLED): _UNSETTLED,
    (_S.PACKET, _C.ACK_OTHER): _ignore(_S.PACKET, "HSK-02"),
    (_S.PACKET, _C.ACK_OTHER_LAST): _ignore(_S.PACKET, "HSK-02"),
    (_S.PACKET, _C.NAK): _RESEND,
    (_S.PACKET, _C.NAK_AGAIN): _TOO_OFTEN,
    (_S.PACKET, _C.NAK_OTHER): _ignore(_S.PACKET, "HSK-08"),
    (_S.PACKET, _C.WAIT): _hold(_S.PACKET_HELD),
    (_S.PACKET, _C.SILENCE): SenderRow(
        (_D.NOTE_SILENCE, _D.GO_ON, _D.SEND_NEXT),
        _S.PACKET,
        "TIM-03",
        "open loop: send the next packet",
    ),
    (_S.PACKET, _C.SILENCE_LAST): SenderRow(
        (_D.NOTE_SILENCE, _D.SEND_AFTER, _D.NOTE_DONE), _S.DONE, "TIM-03", "all packets sent: done"
    ),
    # a unit that answered packets before has lost this one, or we its answer (HSK-15)
    (_S.PACKET, _C.SILENCE_AGAIN): SenderRow(
        (_D.NOTE_SILENCE, _D.SEND_AGAIN), _S.PACKET, "HSK-15", "send the same packet again"
    ),
    (_S.PACKET, _C.SILENCE_DEAD): SenderRow(
        (_D.NOTE_SILENCE, _D.SEND_CANCEL, _D.GIVE_UP), _S.ABORTED, "HSK-17", "it has gone: stop"
    ),
    # during WAIT: as in the state it came from, and no clock runs
    (_S.HEADER_HELD, _C.ACK): _ACK_HEADER,
    (_S.HEADER_HELD, _C.ACK_LAST): _ACK_EMPTY,
    (_S.HEADER_HELD, _C.ACK_RESUMES): _resume(_S.HEADER),
    (_S.HEADER_HELD, _C.NAK): _RESEND_HEADER,
    (_S.HEADER_HELD, _C.NAK_AGAIN): _TOO_OFTEN,
    (_S.HEADER_HELD, _C.NAK_OTHER): _ignore(_S.HEADER_HELD, "HSK-08"),
    (_S.HEADER_HELD, _C.WAIT): _hold(_S.HEADER_HELD),
    (_S.PACKET_HELD, _C.ACK): _ACK_PACKET,
    (_S.PACKET_HELD, _C.ACK_LAST): _ACK_END,
    (_S.PACKET_HELD, _C.ACK_RESUMES): _resume(_S.PACKET),
    (_S.PACKET_HELD, _C.ACK_UNSETTLED): _UNSETTLED,
    (_S.PACKET_HELD, _C.ACK_BEFORE): SenderRow(
        (_D.COUNT_ANEW,), _S.PACKET, "HSK-10", "the answer is still to come"
    ),
    (_S.PACKET_HELD, _C.NAK): _RESEND,
    (_S.PACKET_HELD, _C.NAK_AGAIN): _TOO_OFTEN,
    (_S.PACKET_HELD, _C.NAK_OTHER): _ignore(_S.PACKET_HELD, "HSK-08"),
    (_S.PACKET_HELD, _C.WAIT): _hold(_S.PACKET_HELD),
    (_S.HEADER_HELD, _C.MESSAGE): _DISTURBED,
    (_S.PACKET_HELD, _C.MESSAGE): _DISTURBED,
    **{(state, _C.MESSAGE): _ignore(state, "FRM-09") for state in (_S.HEADER, _S.PACKET)},
    **{(state, _C.CANCEL): _CANCELLED for state in _WAITING},
    **{(state, _C.STOP): _STOPPED for state in _WAITING},
    **{(state, _C.EOF): _ignore(state, "HSK-18") for state in _WAITING},
    (_S.IDLE, _C.STOP): SenderRow((_D.GIVE_UP,), _S.ABORTED, "HSK-19", "nothing was sent"),
    **{(state, _C.STOP): _ignore(state, "HSK-19") for state in _OVER},
    **{
        (state, cue): _ignore(state, "HSK-19")
        for state in (_S.IDLE, *_OVER)
        for cue in (_C.ACK_OTHER, _C.NAK_OTHER, _C.WAIT, _C.CANCEL, _C.EOF, _C.MESSAGE)
    },
}

_ANSWERS = {
    *(_C.ACK, _C.ACK_LAST, _C.ACK_EARLY, _C.ACK_LATE, _C.ACK_UNSETTLED),
    *(_C.ACK_OTHER_LAST, _C.ACK_RESUMES),
    *(_C.NAK, _C.NAK_AGAIN),
}
_SILENCES = {
    *(_C.SILENCE, _C.SILENCE_LAST, _C.SILENCE_EXTENDED, _C.SILENCE_STRANDED),
    *(_C.SILENCE_AGAIN, _C.SILENCE_DEAD),
}
SENDER_UNEXPECTED: Final[frozenset[tuple[SenderState, SenderCue]]] = frozenset(
    # it is started once
    {(state, _C.START) for state in SenderState if state is not _S.IDLE}
    # nothing was asked, so no reply answers it and no limit runs
    | {(state, cue) for state in (_S.IDLE, *_OVER) for cue in _ANSWERS | _SILENCES}
    # the answer to a header has no wrong number (HSK-04), nor has the end of a WAIT
    | {
        (state, cue)
        for state in (_S.HEADER, _S.HEADER_HELD, _S.PACKET_HELD)
        for cue in (_C.ACK_OTHER, _C.ACK_OTHER_LAST)
    }
    # during WAIT no ACK is early or late, and only then there is something to resume
    | {
        (state, cue)
        for state in (_S.HEADER_HELD, _S.PACKET_HELD)
        for cue in (_C.ACK_EARLY, _C.ACK_LATE)
    }
    | {(state, _C.ACK_UNSETTLED) for state in (_S.HEADER, _S.HEADER_HELD)}
    | {(_S.HEADER, _C.ACK_EARLY)}
    | {(state, _C.ACK_RESUMES) for state in (_S.HEADER, _S.PACKET)}
    | {(state, _C.ACK_BEFORE) for state in _S if state is not _S.PACKET_HELD}
    # no clock runs during WAIT (HSK-09)
    | {(state, cue) for state in (_S.HEADER_HELD, _S.PACKET_HELD) for cue in _SILENCES}
    # no packet was answered before the header was
    | {(_S.HEADER, _C.SILENCE_AGAIN), (_S.HEADER, _C.SILENCE_DEAD)}
    # only a header can be extended
    | {(_S.PACKET, _C.SILENCE_EXTENDED), (_S.PACKET, _C.SILENCE_STRANDED)}
)

_WRONG_ACK: Final = {
    "ignore": {},
    "accept": {
        (_S.PACKET, _C.ACK_OTHER): _ACK_PACKET,
        (_S.PACKET, _C.ACK_OTHER_LAST): _ACK_END,
    },
    "cancel": {
        (_S.PACKET, cue): SenderRow(
            (_D.SEND_CANCEL, _D.GIVE_UP), _S.ABORTED, "HSK-02", "wrong number: cancel"
        )
        for cue in (_C.ACK_OTHER, _C.ACK_OTHER_LAST)
    },
}
_HEADER_NAK: Final = {
    "resend once": {},
    "abort": {(state, _C.NAK): _TOO_OFTEN for state in (_S.HEADER, _S.HEADER_HELD)},
}
_DURING_WAIT: Final = {
    "abort": {},
    "ignore": {
        (state, _C.MESSAGE): _ignore(state, "HSK-22") for state in (_S.HEADER_HELD, _S.PACKET_HELD)
    },
}
_AFTER_SILENCE: Final = {
    "go on": {},
    "again": {},  # the matcher waits on, and judges silences that have cues of their own
    "stop": {
        (_S.PACKET, cue): SenderRow(
            (_D.NOTE_SILENCE, _D.SEND_CANCEL, _D.GIVE_UP), _S.ABORTED, "TIM-03", "no answer: stop"
        )
        for cue in (_C.SILENCE, _C.SILENCE_LAST)
    },
}


def _when(cue: SenderCue, *conditions: Condition) -> tuple[frozenset[Condition], SenderCue]:
    return frozenset(conditions), cue


_G = Condition
_ANSWERED: Final = (_when(_C.ACK_LAST, _G.NOTHING_LEFT), _when(_C.ACK))
_REJECTED: Final = (_when(_C.NAK_AGAIN, _G.REJECTED_OFTEN), _when(_C.NAK))
_OPEN_LOOP: Final = (_when(_C.SILENCE_LAST, _G.NOTHING_LEFT), _when(_C.SILENCE))
_NO_ANSWER: Final = (
    _when(_C.SILENCE_EXTENDED, _G.EXTENDED, _G.FALLBACK),
    _when(_C.SILENCE_STRANDED, _G.EXTENDED),
    *_OPEN_LOOP,
)
_LOST: Final = (
    _when(_C.SILENCE_AGAIN, _G.TRIES_LEFT),
    _when(_C.SILENCE_DEAD, _G.IN_MIDST, _G.HAS_SHOWN),
    *_OPEN_LOOP,
)
_CUES: Final[CueTable] = {
    Match.ANSWER: _ANSWERED,
    Match.EARLY: (_when(_C.ACK_EARLY),),
    Match.LATE: (_when(_C.ACK_LATE),),
    Match.OTHER: (_when(_C.ACK_OTHER_LAST, _G.NOTHING_LEFT), _when(_C.ACK_OTHER)),
    Match.UNSETTLED: (_when(_C.ACK_UNSETTLED),),
    Match.BEFORE: (_when(_C.ACK_BEFORE),),
    Match.RESUMES: (_when(_C.ACK_RESUMES),),
    Meaning.ANSWERED: _ANSWERED,
    Meaning.REJECTED: _REJECTED,
    Meaning.DOUBTFUL: _LOST,
    Meaning.LOST: _LOST,
    Meaning.SILENT: _NO_ANSWER,
}


@lru_cache(maxsize=64)
def sender_cues(switches: SenderSwitches) -> CueTable:
    """Return what each judgement comes to, under the conditions that are given.

    A sender that goes on after an extended header without an answer takes it for any other one.
    """
    if switches.extended_silence == "go on":
        return {**_CUES, Meaning.SILENT: _OPEN_LOOP}
    return _CUES


@lru_cache(maxsize=64)
def sender_table(switches: SenderSwitches) -> SenderTable:
    """Return the sender's table with the rows that `switches` exchange."""
    return {
        **_SENDER,
        **_WRONG_ACK[switches.wrong_ack],
        **_HEADER_NAK[switches.header_nak],
        **_DURING_WAIT[switches.message_during_wait],
        **_AFTER_SILENCE[switches.after_silence],
    }
