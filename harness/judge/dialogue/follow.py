"""From messages to dumps: who sends which dump, who answers it, and what is asked beside it."""

from collections import Counter, deque
from collections.abc import Iterable
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.codec import Malformed, kind_of
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    ExtendedLoopPoints,
    ExtendedLoopPointsRequest,
    Handshake,
    IdentityReply,
    IdentityRequest,
    LoopPoints,
    LoopPointsRequest,
    SampleName,
    SampleNameRequest,
)
from dryload.emulator.wire.splitter import PieceKind
from dryload.harness.files.scan import opens_dump
from dryload.harness.judge.dialogue.exchanges import (
    ACK,
    CANCEL,
    NAK,
    OTHER,
    WAIT,
    DumpExchange,
    Exchange,
)
from dryload.harness.judge.dialogue.heard import TimePrecision
from dryload.harness.judge.dialogue.placing import place_packet, place_reply
from dryload.harness.judge.timed_messages import TimedMessage

Request = DumpRequest | LoopPointsRequest | ExtendedLoopPointsRequest | SampleNameRequest
Question = Request | IdentityRequest
_QUESTIONS: Final = (
    DumpRequest,
    LoopPointsRequest,
    ExtendedLoopPointsRequest,
    SampleNameRequest,
    IdentityRequest,
)
_ANSWERS: Final = {
    DumpRequest: (DumpHeader, ExtendedHeader),
    LoopPointsRequest: (LoopPoints, ExtendedLoopPoints),
    ExtendedLoopPointsRequest: (LoopPoints, ExtendedLoopPoints),
    SampleNameRequest: (SampleName,),
    IdentityRequest: (IdentityReply,),
}
_ADDITIONS: Final = (LoopPoints, ExtendedLoopPoints, SampleName)
_LOOPS: Final = (LoopPoints, LoopPointsRequest, ExtendedLoopPoints, ExtendedLoopPointsRequest)
_FROM_RECEIVER: Final = (ACK, NAK, WAIT)
_COPY_NS: Final = 1_000_000_000
"""A message that comes again within this time is a copy or an echo of it (our choice)."""
_ECHO_NS: Final = 30_000_000
"""An echo comes as soon as the line is free; later it is somebody's own word (our choice)."""
_GIVEN_UP_NS: Final = 4_000_000_000
"""A dump that stood still for so long is over, for whoever asks something then (our choice)."""
_NO_MORE_NS: Final = 100_000_000  # the same where nobody knows how many packets belong to it
_REMEMBERED: Final = 64  # messages of one side that may still come back as an echo


class QuestionExchange(Struct, kw_only=True, eq=False):
    """A question and whatever answered it."""

    heard: TimedMessage
    message: Question
    during: DumpExchange | None
    """The dump in the middle of which it was asked."""
    answers: list[TimedMessage] = []
    cancelled: TimedMessage | None = None


class Course(Struct, kw_only=True, eq=False):
    """Everything that a capture holds, put where it belongs."""

    talks: list[DumpExchange] = []
    asked: list[QuestionExchange] = []
    echoes: list[tuple[TimedMessage, TimedMessage]] = []
    """What came back, and what it is an echo of."""
    told: list[TimedMessage] = []
    """Loop points, names and identity replies, in order."""
    unasked: list[tuple[TimedMessage, Handshake]] = []
    """Handshakes that belong to no dump and no question."""
    loose: list[TimedMessage] = []
    """Whatever else stands outside of dumps."""


class Follower:
    """Takes messages in the order in which they ended."""

    def __init__(self, sight: TimePrecision, *, exact: bool, both: bool = True) -> None:
        self.course = Course()
        self._both = both
        self._numbers: set[int] = set()
        """Sample numbers of the headers so far."""
        self._early: dict[int, list[TimedMessage]] = {}
        """Loop points and names whose header has not come yet."""
        self._sight = sight
        self._exact = exact
        self._current: dict[Direction, DumpExchange] = {}
        self._spoken: dict[Direction, deque[TimedMessage]] = {
            way: deque(maxlen=_REMEMBERED) for way in Direction
        }
        self._recent: dict[Direction, deque[TimedMessage]] = {way: deque() for way in Direction}
        self._bodies: dict[Direction, Counter[bytes]] = {way: Counter() for way in Direction}
        """How often each body is among the recent ones: hardly any message is an echo."""

    def follow(self, messages: Iterable[TimedMessage]) -> Course:
        """Put all messages where they belong."""
        for heard in messages:
            source = self._echo_of(heard)
            self._spoken[heard.direction].append(heard)
            if source is not None:
                self.course.echoes.append((heard, source))
                continue
            recent, bodies = self._recent[heard.direction], self._bodies[heard.direction]
            recent.append(heard)
            bodies[heard.body] += 1
            if len(recent) > _REMEMBERED:
                bodies[recent.popleft().body] -= 1
            self._take(heard)
        return self.course

    def _take(self, heard: TimedMessage) -> None:
        piece, message = heard.piece, heard.message
        if opens_dump(piece):
            self._open(heard)
        elif _is_packet(heard):
            self._packet(heard)
        elif isinstance(message, Handshake):
            self._handshake(heard, message)
        elif heard.is_torn_off:
            self.course.loose.append(heard)
        else:
            self._besides(heard)

    # dumps

    def _open(self, heard: TimedMessage) -> None:
        before = self._current.get(heard.direction)
        if before is not None and self._is_same_header(before, heard):
            before.add_sending(before.exchanges[0], heard)
            return
        header = heard.message
        talk = DumpExchange(
            direction=heard.direction,
            header=header if isinstance(header, DumpHeader | ExtendedHeader) else None,
            device_id=heard.device_id,
        )
        talk.add_sending(Exchange(place=None, number=0), heard)
        if not self._both:
            self._take_early(talk)
        if before is not None:
            before.followed = talk
            self._goes_on(heard)
        self._answer(heard, _ANSWERS[DumpRequest])
        self._add(talk)

    def _take_early(self, talk: DumpExchange) -> None:
        """Take loop points and names that stand before the first header of their number.

        Where a unit was heard too they may be of a sample that it had before.
        """
        if talk.header is None:
            return
        early = self._early.pop(talk.header.sample_number, [])
        talk.besides += early
        if early:
            taken = {id(each) for each in early}
            self.course.loose = [each for each in self.course.loose if id(each) not in taken]
        self._numbers.add(talk.header.sample_number)

    def _is_same_header(self, before: DumpExchange, heard: TimedMessage) -> bool:
        """Whether a header is the one before once more: rejected, or doubled on the way."""
        first = before.exchanges[0]
        if first.place is not None or len(before.exchanges) > 1:
            return False
        last = first.last_reply
        if last is not None and last.kind is NAK and last.binds:
            return True
        soon = heard.start_ns - first.sendings[-1].end_ns < _COPY_NS
        alike = heard.body == first.sendings[-1].body
        answered = any(
            each.kind is not WAIT and each.end_ns <= heard.start_ns for each in first.replies
        )
        return alike and soon and not answered and self._sight.is_timed

    def _add(self, talk: DumpExchange) -> None:
        self._current[talk.direction] = talk
        self.course.talks.append(talk)

    def _packet(self, heard: TimedMessage) -> None:
        talk = self._current.get(heard.direction)
        if talk is None and not heard.is_whole_packet:
            self.course.loose.append(heard)  # it may as well be a damaged answer
            return
        if talk is None:
            talk = DumpExchange(direction=heard.direction, header=None, device_id=heard.device_id)
            self._add(talk)
        place_packet(talk, heard)

    # handshakes

    def _handshake(self, heard: TimedMessage, message: Handshake) -> None:
        theirs = self._current.get(OTHER[heard.direction])
        ours = self._current.get(heard.direction)
        if self._declines(heard, message):
            return
        if theirs is not None and self._follows_loop(theirs, heard):
            self.course.unasked.append((heard, message))
            return
        if theirs is not None and (ours is None or self._is_reply(theirs, ours, message)):
            place_reply(theirs, heard, message, self._sight, self._exact)
        elif ours is not None:
            ours.add_handshake(heard, message)
        else:
            self.course.unasked.append((heard, message))

    def _is_reply(self, theirs: DumpExchange, ours: DumpExchange, message: Handshake) -> bool:
        later = theirs.active_ns > ours.active_ns
        if message.kind in _FROM_RECEIVER:
            return later or not theirs.is_full
        return later

    def _follows_loop(self, theirs: DumpExchange, heard: TimedMessage) -> bool:
        """Whether a handshake comes after a loop message and the dump before it is done."""
        if not theirs.is_full or not theirs.exchanges[-1].is_answered:
            return False
        spoken = self._recent[OTHER[heard.direction]]
        before = [each for each in spoken if each.end_ns <= heard.start_ns]
        return bool(before) and isinstance(before[-1].message, _LOOPS)

    def _declines(self, heard: TimedMessage, message: Handshake) -> bool:
        """Take a CANCEL that answers a request (REQ-03)."""
        if message.kind is not CANCEL or not self.course.asked:
            return False
        asked = self.course.asked[-1]
        if asked.heard.direction is heard.direction or not isinstance(asked.message, DumpRequest):
            return False
        theirs = self._current.get(OTHER[heard.direction])
        since = asked.heard.end_ns
        if asked.answers or asked.cancelled or (theirs is not None and theirs.last_ns > since):
            return False
        asked.cancelled = heard
        return True

    # the rest

    def _besides(self, heard: TimedMessage) -> None:
        message = heard.message
        self._goes_on(heard)
        ours = self._current.get(heard.direction)
        theirs = self._current.get(OTHER[heard.direction])
        if isinstance(message, _QUESTIONS):
            running = next((each for each in (ours, theirs) if each and _runs(each, heard)), None)
            self.course.asked.append(QuestionExchange(heard=heard, message=message, during=running))
        elif message is not None and not isinstance(message, Malformed):
            self._answer(heard, (type(message),))
        if isinstance(message, LoopPoints | ExtendedLoopPoints | SampleName | IdentityReply):
            self.course.told.append(heard)
        if theirs is not None and _runs(theirs, heard) and heard.piece.kind is PieceKind.EXCLUSIVE:
            theirs.others.append(heard)
        # Of one direction, what stands behind a header is the dump's, as in a file.
        if ours is not None and (
            not self._both or _runs(ours, heard) or self._belongs(ours, heard)
        ):
            ours.besides.append(heard)
        else:
            self.course.loose.append(heard)
            if isinstance(message, _ADDITIONS) and message.sample_number not in self._numbers:
                self._early.setdefault(message.sample_number, []).append(heard)

    def _belongs(self, talk: DumpExchange, heard: TimedMessage) -> bool:
        """Whether loop points or a name belong to a dump that has been sent."""
        message = heard.message
        return (
            isinstance(message, _ADDITIONS)
            and talk.header is not None
            and message.sample_number == talk.header.sample_number
            and (not self._both or message.device_id == talk.header.device_id)
        )

    def _goes_on(self, heard: TimedMessage) -> None:
        ours = self._current.get(heard.direction)
        if ours is not None and ours.goes_on_ns is None and heard.start_ns >= ours.last_ns:
            ours.goes_on_ns = heard.start_ns

    def _answer(self, heard: TimedMessage, kinds: tuple[type, ...]) -> None:
        """Tell the youngest question that this can be an answer to."""
        for asked in reversed(self.course.asked[-_REMEMBERED:]):
            if asked.heard.direction is heard.direction:
                continue
            if set(kinds) & set(_ANSWERS[type(asked.message)]):
                is_dump = isinstance(asked.message, DumpRequest)
                if not (is_dump and asked.answers):
                    asked.answers.append(heard)
                return

    # echoes

    def _echo_of(self, heard: TimedMessage) -> TimedMessage | None:
        """Return what a message is an echo of, if it is one (HSK-21)."""
        other = OTHER[heard.direction]
        if not (heard.message and self._sight.is_timed and self._bodies[other][heard.body]):
            return None
        for source in reversed(self._recent[other]):
            age_ns = heard.start_ns - source.end_ns
            if age_ns > _COPY_NS:
                return None
            follows = self._sight.maybe_before(source.start_ns, heard.start_ns)
            if source.body == heard.body and follows and not self._had_leisure(heard, source):
                return None if self._has_reason(heard, source) else source
        return None

    def _had_leisure(self, heard: TimedMessage, source: TimedMessage) -> bool:
        """Whether the line was free for so long that an echo would have come before."""
        free_ns = source.end_ns
        for each in (*self._spoken[heard.direction], heard):
            if each.end_ns <= source.end_ns:
                continue
            idle_ns = each.start_ns - free_ns
            works = isinstance(each.message, Handshake) and heard.direction is Direction.FROM_UNIT
            if idle_ns > _ECHO_NS + self._sight.tolerance_ns and not works:
                return True
            free_ns = max(free_ns, each.end_ns)
        return False

    def _has_reason(self, heard: TimedMessage, source: TimedMessage) -> bool:
        """Whether a message can be one of its own although the other side said the same."""
        message = heard.message
        theirs = self._current.get(OTHER[heard.direction])
        ours = self._current.get(heard.direction)
        if isinstance(message, Handshake):
            if message.kind not in _FROM_RECEIVER:
                return False
            # Whoever sends the dump last begun has no use for ACK, NAK and WAIT.
            return not (ours is not None and (theirs is None or ours.active_ns > theirs.active_ns))
        if isinstance(message, DataPacket):
            if ours is None or (theirs is not None and _runs(theirs, heard)):
                return False
            last = ours.exchanges[-1].last_reply
            wanted = last is not None and last.kind is NAK
            # It may have been on its way when the dump was cancelled.
            crossed = ours.is_cancelled and heard.packet_number == ours.due_number
            return wanted or crossed or _runs(ours, heard)
        for asked in reversed(self.course.asked[-_REMEMBERED:]):
            later = asked.heard.end_ns > source.end_ns
            if not later or asked.heard.direction is heard.direction:
                continue
            if type(message) in _ANSWERS[type(asked.message)]:
                return True
        return False


def _is_packet(heard: TimedMessage) -> bool:
    piece = heard.piece
    if piece.kind not in (PieceKind.EXCLUSIVE, PieceKind.CUT):
        return False
    return kind_of(piece.body) is DataPacket


def _runs(talk: DumpExchange, heard: TimedMessage) -> bool:
    """Whether a dump is in its middle when a message comes, as far as was heard by then."""
    limit_ns = _GIVEN_UP_NS if talk.planned is not None else _NO_MORE_NS
    if talk.is_full or heard.start_ns - talk.active_ns > limit_ns:
        return False
    return not talk.is_cancelled
