"""The sender: plays one dump to whatever is at the other end of the line."""

from collections.abc import Callable, Mapping, Sequence
from enum import Enum, auto
from functools import partial
from itertools import repeat
from typing import Final

from dryload.emulator.dump.events import (
    DOUBTFUL,
    OVERDUE,
    WAITED_FOR,
    WAITED_FOR_LAST,
    Event,
    EventKind,
)
from dryload.emulator.dump.machine import Machine
from dryload.emulator.dump.outgoing import Outgoing, packets_announced
from dryload.emulator.dump.replies import Limits, Match, Meaning, ReplyMatcher
from dryload.emulator.dump.sender_table import (
    Condition,
    Judgement,
    SenderCue,
    SenderDo,
    SenderState,
    sender_cues,
    sender_table,
)
from dryload.emulator.dump.steady import SteadyAnswers, SteadySender
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.wire.codec import Decoded, decode, device_of, handshake, is_between, kind_of
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import DataPacket, ExtendedHeader, Handshake, HandshakeKind
from dryload.emulator.wire.splitter import PieceKind, Splitter


class SenderEnd(Enum):
    """Why a sender stopped."""

    SENT = auto()  # everything left, and nobody objected
    CANCELLED = auto()  # the unit sent CANCEL
    REJECTED = auto()  # one message was rejected too often
    SILENT = auto()  # no answer where one is needed to go on
    CONFUSED = auto()  # a reply or message that allows no going on
    STOPPED = auto()  # the user interrupted


_NUMBER: Final[int] = FIXED[DataPacket].span("packet_number").start


# Members used for every packet: reading one from its class costs more than comparing it.
_ASKING: Final = frozenset(
    {
        *(SenderState.HEADER, SenderState.PACKET),
        *(SenderState.HEADER_HELD, SenderState.PACKET_HELD),
    }
)
_ACK_KIND: Final = HandshakeKind.ACK
_ANSWER: Final = Match.ANSWER
_EXCLUSIVE: Final = PieceKind.EXCLUSIVE
_ANSWERED: Final = EventKind.ANSWERED
_PACKET: Final = SenderState.PACKET
_event: Final = partial(tuple.__new__, Event)  # as Event._make, and without a step in between

_LAST_TRIES: Final = 2
_SILENT_TRIES: Final = 8  # four seconds: a busy interface may carry nothing for one or two
_HEADER_TRIES: Final = 2  # "resend the header once": the standard is silent
_PLAIN_CUES: Final = {
    HandshakeKind.WAIT: SenderCue.WAIT,
    HandshakeKind.CANCEL: SenderCue.CANCEL,
    HandshakeKind.EOF: SenderCue.EOF,
}
_SENT_AGAIN: Final = (SenderCue.SILENCE_AGAIN, SenderCue.SILENCE_DEAD)
_REASONS: Final = {
    SenderCue.NAK: SenderEnd.REJECTED,
    SenderCue.NAK_AGAIN: SenderEnd.REJECTED,
    SenderCue.SILENCE: SenderEnd.SILENT,
    SenderCue.SILENCE_LAST: SenderEnd.SILENT,
    SenderCue.SILENCE_DEAD: SenderEnd.SILENT,
    SenderCue.SILENCE_STRANDED: SenderEnd.SILENT,
    SenderCue.STOP: SenderEnd.STOPPED,
    SenderCue.CANCEL: SenderEnd.CANCELLED,
}


class Sender(Machine[SenderState, SenderCue, SenderDo], SteadySender, actions=SenderDo):
    """An endpoint that sends `outgoing` once `start` is called.

    `packet` is the data packet in question, counted from 0, None while it is the header; `end` says
    why it stopped, None while it runs.
    """

    def __init__(
        self,
        outgoing: Outgoing,
        *,
        switches: SenderSwitches | None = None,
        limits: Limits | None = None,
    ) -> None:
        self._switches = switches or SenderSwitches()
        super().__init__(sender_table(self._switches), SenderState.IDLE)
        self._outgoing = outgoing
        self._header = outgoing.header
        self._device_id = outgoing.device_id
        self._cues = sender_cues(self._switches)
        self._replies = ReplyMatcher(
            limits or Limits(),
            called_for=packets_announced(outgoing.header),
            patient=self._switches.after_silence == "again",
            strict=self._switches.wrong_ack == "cancel",
        )
        self._splitter = Splitter(limit=1 << 16)
        # what events tell of: the cue that is met, the number in the reply that made it, and what
        # the last silence meant
        self._cue = SenderCue.START
        self._reply_number: int | None = None
        self._meaning = Meaning.SILENT
        self.packet: int | None = None
        self.end: SenderEnd | None = None
        self.resent = 0
        """Messages sent again because they were rejected or not answered."""
        self._answer_cue = self._cue_of(_ANSWER)  # looked up once a packet: nearly all are answered

    def start(self, now_ns: int) -> None:
        """Queue the header."""
        self._meet(SenderCue.START, now_ns)

    def stop(self, now_ns: int) -> None:
        """End the dump at once and tell the unit (HSK-19)."""
        self._meet(SenderCue.STOP, now_ns)

    def bytes_to_send(self) -> bytes:
        """Return one whole message to send now, b"" for none."""
        if not self._ready:
            return b""
        message = self._ready.popleft()
        if not self._ready:
            self._replies.is_out = True
        return message

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Take bytes from the unit."""
        for piece in self._splitter.feed(data):
            if piece.kind is _EXCLUSIVE:
                self.take(decode(piece.body), now_ns)
        return self.take_events()

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Start the limit for the reply: it counts from the end of the wire (TIM-05)."""
        if not self._ready and self.state in _ASKING:
            self._replies.left(now_ns)
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        """Act on the limit that has passed: go on, wait on, or send again."""
        limit_ns = self._replies.limit_ns
        if limit_ns is not None and now_ns >= limit_ns:
            meaning = self._replies.overdue(now_ns)
            if meaning is not Meaning.WAIT_ON:
                self._meaning = meaning
                self._meet(self._cue_of(meaning), now_ns)
        return self.take_events()

    def next_deadline_ns(self) -> int | None:
        """Return when silence will count as an answer."""
        return self._replies.limit_ns

    def steady_packets(self, limit: int, now_ns: int) -> Sequence[bytes]:
        """Return the packet on the wire and up to `limit` that will follow, without the last."""
        packet = self.packet
        if packet is None or self.state is not _PACKET or self._ready or not self._splitter.is_free:
            return ()
        packets = self._outgoing.packets
        return packets[packet : min(packet + limit + 1, len(packets) - 1)]

    def is_answered_steadily(self, answers: SteadyAnswers, taken_ns: int) -> bool:
        """Whether each of these answers, `taken_ns` after its packet left, calls for the next."""
        first = answers.first
        return (
            first.kind is _ACK_KIND
            and is_between(first.device_id, self._device_id)
            and self._replies.is_steady(first.packet_number, taken_ns)
        )

    def skip_sent(
        self, count: int, now_ns: int, *, period_ns: int, taken_ns: int
    ) -> Sequence[Event]:
        """Be as after so many more answers, the last at `now_ns`; return what it reports."""
        assert self.packet is not None
        first, packet = self.packet, self.packet + count
        self.packet = packet
        self._replies.skip(
            count,
            self._number_of(packet),
            self._number_of(packet - 1),
            left_ns=now_ns - taken_ns,
            taken_ns=taken_ns,
        )
        self._cue = self._answer_cue
        self._reply_number = self._replies.last_number
        answered_ns = range(now_ns - (count - 1) * period_ns, now_ns + 1, period_ns)
        rows = zip(repeat(_ANSWERED), answered_ns, range(first, packet), repeat(""))
        return list(map(_event, rows))

    def take(self, message: Decoded, now_ns: int) -> None:
        """Take one decoded message from the unit."""
        if isinstance(message, Handshake):
            if is_between(message.device_id, self._device_id):
                kind, number = message.kind, message.packet_number
                cue = (
                    self._ack_cue(number, now_ns) if kind is _ACK_KIND else self._reply_cue(message)
                )
                self._meet(cue, now_ns, number)
        elif is_between(device_of(message), self._device_id):
            self._meet(SenderCue.MESSAGE, now_ns)

    def _meet(self, cue: SenderCue, now_ns: int, reply_number: int | None = None) -> None:
        self._cue = cue
        self._reply_number = reply_number
        self._step(cue, now_ns)

    def _reply_cue(self, reply: Handshake) -> SenderCue:
        if reply.kind is not HandshakeKind.NAK:
            return _PLAIN_CUES[reply.kind]
        if self.state in _ASKING and self._replies.nak(reply.packet_number) is _ANSWER:
            return self._cue_of(Meaning.REJECTED)
        return SenderCue.NAK_OTHER

    def _ack_cue(self, number: int, now_ns: int) -> SenderCue:
        if self.state not in _ASKING:
            return SenderCue.ACK_OTHER
        match = self._replies.ack(number, now_ns)
        return self._answer_cue if match is _ANSWER else self._cue_of(match)

    def _cue_of(self, judgement: Judgement) -> SenderCue:
        """Return what a judgement of the matcher comes to in this situation."""
        return next(
            cue
            for conditions, cue in self._cues[judgement]
            if all(_IS_GIVEN[condition](self) for condition in conditions)
        )

    @property
    def _is_end(self) -> bool:
        """Whether the message in question is the last one that is sent, or that is called for."""
        return self._is_last or self._replies.is_last_called_for

    @property
    def _is_rejected_often(self) -> bool:
        limit = _HEADER_TRIES if self.packet is None else self._switches.resend_limit
        return 0 < limit <= self._replies.copies

    @property
    def _is_last(self) -> bool:
        """Whether nothing is left to send after the message in question."""
        return len(self._outgoing.packets) == (0 if self.packet is None else self.packet + 1)

    # actions

    def _send_header(self, now_ns: int) -> None:
        self._replies.send(None, 0)
        self._ready.append(self._header)

    def _send_next(self, now_ns: int) -> None:
        self.packet = packet = 0 if self.packet is None else self.packet + 1
        packets = self._outgoing.packets
        body = packets[packet]
        if packet + 1 >= len(packets):
            self._answer_cue = self._cue_of(_ANSWER)
        self._replies.send(packet, self._number_of(packet))
        self._ready.append(body)

    def _number_of(self, packet: int) -> int:
        """Return the number that a packet bears, however broken it is."""
        body = self._outgoing.packets[packet]
        return body[_NUMBER] & 0x7F if len(body) > _NUMBER else packet & 0x7F

    def _send_again(self, now_ns: int) -> None:
        self.resent += 1
        self._replies.send_again()
        self._send_withheld(now_ns)

    def _send_withheld(self, now_ns: int) -> None:
        packet = self.packet
        self._ready.append(self._header if packet is None else self._outgoing.packets[packet])

    def _send_cancel(self, now_ns: int) -> None:
        self._ready.clear()  # nothing that has not begun may follow (HSK-11)
        self._handshake(HandshakeKind.CANCEL, now_ns)

    def _handshake(self, kind: HandshakeKind, now_ns: int) -> None:
        message = handshake(kind, device_id=self._device_id, packet_number=self._replies.number)
        self._ready.append(message)

    def _send_after(self, now_ns: int) -> None:
        if self._switches.sends_eof:
            self._handshake(HandshakeKind.EOF, now_ns)
        for message in self._outgoing.after:
            self._ready.append(message)

    def _fall_back(self, now_ns: int) -> None:
        assert self._outgoing.fallback is not None
        self._header = self._outgoing.fallback
        self._note(EventKind.FELL_BACK, now_ns)

    def _count_anew(self, now_ns: int) -> None:
        self._replies.count_anew(now_ns)

    def _go_on(self, now_ns: int) -> None:
        self._replies.went_on()

    def _note_answer(self, now_ns: int) -> None:
        replies = self._replies
        detail = OVERDUE if replies.is_overdue else ""
        replies.answered(now_ns)
        self._events.append(Event(_ANSWERED, now_ns, self.packet, detail))

    def _note_rejection(self, now_ns: int) -> None:
        self._replies.rejected(now_ns)
        self._note(EventKind.REJECTED, now_ns, self.packet)

    def _note_silence(self, now_ns: int) -> None:
        detail = ""
        if self._meaning is Meaning.DOUBTFUL:
            detail = DOUBTFUL
        elif self._is_last and self._meaning is Meaning.LOST:
            detail = WAITED_FOR_LAST
        elif self._cue in _SENT_AGAIN:
            detail = WAITED_FOR
        self._note(EventKind.SILENCE, now_ns, self.packet, detail)

    def _note_held(self, now_ns: int) -> None:
        self._replies.hold(now_ns)
        self._ready.clear()  # what has not begun stays here until the WAIT ends (HSK-09)
        self._note(EventKind.HELD, now_ns, self.packet)

    def _note_ignored(self, now_ns: int) -> None:
        number = "" if self._reply_number is None else f" {self._reply_number}"
        self._note(EventKind.IGNORED, now_ns, self.packet, f"{self._cue.name}{number}")

    def _note_done(self, now_ns: int) -> None:
        self._end(now_ns)
        self.end = SenderEnd.SENT
        self._note(EventKind.DONE, now_ns, self.packet)

    def _note_cancelled(self, now_ns: int) -> None:
        self._end(now_ns)
        self.end = SenderEnd.CANCELLED
        self._ready.clear()  # no further message may begin (HSK-11)
        self._note(EventKind.CANCELLED, now_ns, self.packet)

    def _give_up(self, now_ns: int) -> None:
        self._end(now_ns)
        self.end = _REASONS.get(self._cue, SenderEnd.CONFUSED)
        self._note(EventKind.GAVE_UP, now_ns, self.packet, self.end.name)

    def _end(self, now_ns: int) -> None:
        """Stop all limits, and say what was learnt of the unit."""
        self._replies.limit_ns = None
        for habit in self._replies.habits():
            self._note(EventKind.LEARNT, now_ns, None, habit)


_IS_GIVEN: Final[Mapping[Condition, Callable[[Sender], bool]]] = {
    Condition.NOTHING_LEFT: lambda sender: sender._is_last,
    Condition.REJECTED_OFTEN: lambda sender: sender._is_rejected_often,
    # Some units do not answer the last packet (HSK-13): it is sent once more, to be sure.
    Condition.TRIES_LEFT: lambda sender: (
        sender._replies.copies < (_LAST_TRIES if sender._is_end else _SILENT_TRIES)
    ),
    Condition.IN_MIDST: lambda sender: not sender._is_end,
    Condition.HAS_SHOWN: lambda sender: sender._replies.has_shown,
    Condition.EXTENDED: lambda sender: (
        sender.packet is None and kind_of(sender._header) is ExtendedHeader
    ),
    Condition.FALLBACK: lambda sender: sender._outgoing.fallback is not None,
}
