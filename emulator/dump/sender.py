"""The sender: plays one dump to whatever is at the other end of the line."""

from collections.abc import Sequence
from typing import Final

from emulator.dump.announced import packets_announced
from emulator.dump.events import OVERDUE, WAITED_FOR, WAITED_FOR_LAST, Event, EventKind
from emulator.dump.going_out import Limits, Outgoing, SenderEnd
from emulator.dump.machine import Machine
from emulator.dump.sender_table import SenderCue, SenderDo, SenderState, sender_table
from emulator.dump.switches import SenderSwitches
from emulator.wire.codec import Decoded, decode, device_of, handshake, kind_of
from emulator.wire.constants import ALL_CALL, PACKET_NUMBERS
from emulator.wire.layout import FIXED
from emulator.wire.messages import DataPacket, ExtendedHeader, Handshake, HandshakeKind
from emulator.wire.splitter import PieceKind, Splitter

__all__ = ["Limits", "Outgoing", "Sender", "SenderEnd"]

_NUMBER: Final[int] = FIXED[DataPacket].span("packet_number").start


# Members used for every packet: reading one from its class costs more than comparing it.
_HEADER: Final = SenderState.HEADER
_PACKET: Final = SenderState.PACKET
_HEADER_HELD: Final = SenderState.HEADER_HELD
_PACKET_HELD: Final = SenderState.PACKET_HELD
_ACK: Final = SenderCue.ACK
_ACK_BEFORE: Final = SenderCue.ACK_BEFORE
_EXCLUSIVE: Final = PieceKind.EXCLUSIVE
_ANSWERED: Final = EventKind.ANSWERED

_SHOWN: Final = 2
_LAST_TRIES: Final = 2
_SILENT_TRIES: Final = 8  # four seconds: a busy interface may carry nothing for one or two
_HEADER_TRIES: Final = 2  # "resend the header once": the standard is silent
_PLAIN_CUES: Final = {
    HandshakeKind.WAIT: SenderCue.WAIT,
    HandshakeKind.CANCEL: SenderCue.CANCEL,
    HandshakeKind.EOF: SenderCue.EOF,
}
_WAITED_FOR: Final = (SenderCue.SILENCE_AGAIN, SenderCue.SILENCE_DEAD)
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


class Sender(Machine[SenderState, SenderCue, SenderDo]):
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
        super().__init__(
            sender_table(self._switches),
            {
                SenderDo.SEND_HEADER: self._send_header,
                SenderDo.SEND_NEXT: self._send_next,
                SenderDo.SEND_AGAIN: self._send_again,
                SenderDo.SEND_WITHHELD: self._send_in_question,
                SenderDo.SEND_CANCEL: self._send_cancel,
                SenderDo.SEND_AFTER: self._send_after,
                SenderDo.FALL_BACK: self._fall_back,
                SenderDo.COUNT_ANEW: self._count_anew,
                SenderDo.NOTE_ANSWER: self._note_answer,
                SenderDo.NOTE_REJECTION: self._note_rejection,
                SenderDo.NOTE_SILENCE: self._note_silence,
                SenderDo.NOTE_HELD: self._note_held,
                SenderDo.NOTE_IGNORED: self._note_ignored,
                SenderDo.NOTE_DONE: self._note_done,
                SenderDo.NOTE_CANCELLED: self._note_cancelled,
                SenderDo.GIVE_UP: self._give_up,
            },
            SenderState.IDLE,
        )
        self._outgoing = outgoing
        self._header = outgoing.header
        self._device_id = outgoing.device_id
        self._number = 0  # of the packet in question
        self._is_last = not outgoing.packets  # nothing is left to send after the one in question
        self._limits = limits or Limits()
        self._called_for = packets_announced(outgoing.header)
        self._splitter = Splitter(limit=1 << 16)
        self._handed_over = False  # the message in question has been taken by the driver
        self._deadline_ns: int | None = None
        self._again = self._switches.after_silence == "again"
        self._is_open = True  # taken for an open-loop unit: nothing answered yet, or silence
        self._in_a_row = 0  # packets answered, each under its own number
        self._heard: int | None = -1  # the packet after which something came that answers nothing
        self._overdue: int | None = -1  # the packet that is waited for beyond the limit
        self._left_ns = 0  # when the message in question left
        self._before_came_twice = False  # the packet before went out more than once
        self._is_on_its_way = False  # the message in question has begun to go out and not left
        self._held_early = False  # the WAIT came while the message in question was on its way
        self._ahead: int | None = None  # how far ahead of the packet's the last number was
        self._tries = 0  # of the message in question that failed: rejected, or not answered
        self._cue = SenderCue.START
        self._reply_number: int | None = None
        self.packet: int | None = None
        self.end: SenderEnd | None = None
        self.resent = 0
        """Messages sent again because they were rejected or not answered."""

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
        self._handed_over = self._is_on_its_way = not self._ready
        return message

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Take bytes from the unit."""
        for piece in self._splitter.feed(data):
            if piece.kind is _EXCLUSIVE:
                self.take(decode(piece.body), now_ns)
        return self.take_events()

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Start the limit for the reply: it counts from the end of the wire (TIM-05)."""
        if not self._ready:
            self._is_on_its_way = False
            if self.state is _PACKET:
                self._left_ns = now_ns
                self._deadline_ns = now_ns + self._limits.packet_ns
            elif self.state is _HEADER:
                self._deadline_ns = now_ns + self._limits.header_ns
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        """Take silence for an answer when the limit has passed."""
        if self._deadline_ns is not None and now_ns >= self._deadline_ns:
            if self._waits_on and self._overdue != self.packet:
                self._overdue = self.packet
                self._deadline_ns = self._left_ns + self._limits.again_ns
                if now_ns < self._deadline_ns:
                    return self.take_events()
            self._meet(self._silence_cue(), now_ns)
        return self.take_events()

    def next_deadline_ns(self) -> int | None:
        """Return when silence will count as an answer."""
        return self._deadline_ns

    def take(self, message: Decoded, now_ns: int) -> None:
        """Take one decoded message from the unit."""
        if isinstance(message, Handshake):
            if self._is_ours(message.device_id):
                self._meet(self._reply_cue(message), now_ns, message.packet_number)
        elif self._is_ours(device_of(message)):
            self._meet(SenderCue.MESSAGE, now_ns)

    def _meet(self, cue: SenderCue, now_ns: int, reply_number: int | None = None) -> None:
        self._cue = cue
        self._reply_number = reply_number
        before = self.state
        self._step(cue, now_ns)
        if (self.state is not before or self._ready) and cue is not _ACK_BEFORE:
            self._deadline_ns = None

    def _is_ours(self, device_id: int | None) -> bool:
        if device_id is None:
            return False
        return device_id in (self._device_id, ALL_CALL) or self._device_id == ALL_CALL

    def _reply_cue(self, reply: Handshake) -> SenderCue:
        fits = self._fits(reply.packet_number)
        if reply.kind is HandshakeKind.ACK:
            if self.state is _PACKET_HELD and self._handed_over:
                if self._answers_before(reply.packet_number):
                    return _ACK_BEFORE
                if reply.packet_number:  # some say 0 whatever the packet
                    ahead = (reply.packet_number - self._number) % PACKET_NUMBERS
                    self._ahead = ahead if ahead <= 1 else None
            if fits:
                return SenderCue.ACK_LAST if self._is_last else _ACK
            return self._other_ack_cue(reply.packet_number)
        if reply.kind is not HandshakeKind.NAK:
            return _PLAIN_CUES[reply.kind]
        if not fits:
            return SenderCue.NAK_OTHER
        limit = _HEADER_TRIES if self.packet is None else self._switches.resend_limit
        return SenderCue.NAK_AGAIN if self._is_too_often(limit) else SenderCue.NAK

    @property
    def _waits_on(self) -> bool:
        """Whether the unit has shown that it answers and has now said nothing whatever.

        One that says the wrong number has heard (HSK-02): waiting on would not help.  One that has
        all the packets its header called for owes no answer to others (STA-02).
        """
        packet = self.packet
        if not self._again or self.state is not _PACKET or packet is None:
            return False
        return packet < self._called_for and not self._is_open and self._heard != packet

    def _is_too_often(self, limit: int) -> bool:
        return limit != 0 and self._tries + 1 >= limit

    def _fits(self, number: int) -> bool:
        """Whether a reply with this number answers the message in question."""
        if not self._handed_over:
            return False
        state = self.state
        if state is _PACKET or state is _PACKET_HELD:
            return number == self._number
        # After the header any number will do (HSK-04).
        return state is _HEADER or state is _HEADER_HELD

    def _answers_before(self, number: int) -> bool:
        """Whether an ACK that ends a WAIT is one more for the packet before the one in question.

        Each copy of a packet that arrives has an answer of its own (HSK-14), also of one that the
        line has made.  It shows by the number, of a unit that counts one ahead as well; where the
        numbers have said nothing yet and we made the copy, by the WAIT: none comes for a message
        that has not left (TIM-05).
        """
        if not self.packet:
            return False
        before = self._number_of(self.packet - 1)
        if self._ahead is not None:
            return number == (before + self._ahead) % PACKET_NUMBERS
        return self._before_came_twice and (number == before or self._held_early)

    def _other_ack_cue(self, number: int) -> SenderCue:
        """Judge an ACK that does not answer the message in question."""
        held = self.state is _HEADER_HELD or self.state is _PACKET_HELD
        if self.state is not _PACKET and self.state is not _HEADER and not held:
            return SenderCue.ACK_OTHER
        if not self._handed_over:
            return SenderCue.ACK_RESUMES if held else SenderCue.ACK_LATE
        if not held and self.packet and number == self._number_of(self.packet - 1):
            return SenderCue.ACK_LATE
        return SenderCue.ACK_OTHER_LAST if self._is_last else SenderCue.ACK_OTHER

    def _silence_cue(self) -> SenderCue:
        open_loop = self._switches.extended_silence == "go on" and self._is_last
        if self.state is _HEADER and self._is_extended() and not open_loop:
            if self._outgoing.fallback is None:
                return SenderCue.SILENCE_STRANDED
            return SenderCue.SILENCE_EXTENDED
        if self._waits_on:
            # Some units do not answer the last packet (HSK-13): it is sent once more, to be sure.
            is_end = self._is_last or self.packet == self._called_for - 1
            if not self._is_too_often(_LAST_TRIES if is_end else _SILENT_TRIES):
                return SenderCue.SILENCE_AGAIN
            if not is_end and self._in_a_row >= _SHOWN:
                return SenderCue.SILENCE_DEAD
        return SenderCue.SILENCE_LAST if self._is_last else SenderCue.SILENCE

    def _is_extended(self) -> bool:
        return kind_of(self._header) is ExtendedHeader

    def _number_of(self, packet: int) -> int:
        body = self._outgoing.packets[packet]
        return body[_NUMBER] & 0x7F if len(body) > _NUMBER else packet & 0x7F

    # actions

    def _queue(self, message: bytes, now_ns: int) -> None:
        self._handed_over = False
        self._ready.append(message)

    def _send_header(self, now_ns: int) -> None:
        self._queue(self._header, now_ns)

    def _send_next(self, now_ns: int) -> None:
        self.packet = packet = 0 if self.packet is None else self.packet + 1
        self._number = self._number_of(packet)
        self._is_last = packet + 1 >= len(self._outgoing.packets)
        self._before_came_twice = self._tries > 0
        self._tries = 0
        self._queue(self._outgoing.packets[packet], now_ns)

    def _send_again(self, now_ns: int) -> None:
        self._tries += 1
        self.resent += 1
        self._send_in_question(now_ns)

    def _send_in_question(self, now_ns: int) -> None:
        if self.packet is None:
            self._send_header(now_ns)
        else:
            self._queue(self._outgoing.packets[self.packet], now_ns)

    def _send_cancel(self, now_ns: int) -> None:
        self._ready.clear()  # nothing that has not begun may follow (HSK-11)
        self._handshake(HandshakeKind.CANCEL, now_ns)

    def _handshake(self, kind: HandshakeKind, now_ns: int) -> None:
        message = handshake(kind, device_id=self._device_id, packet_number=self._number)
        self._queue(message, now_ns)

    def _send_after(self, now_ns: int) -> None:
        if self._switches.sends_eof:
            self._handshake(HandshakeKind.EOF, now_ns)
        for message in self._outgoing.after:
            self._queue(message, now_ns)

    def _fall_back(self, now_ns: int) -> None:
        assert self._outgoing.fallback is not None
        self._header = self._outgoing.fallback
        self._tries = 0
        self._note(EventKind.FELL_BACK, now_ns)

    def _count_anew(self, now_ns: int) -> None:
        self._before_came_twice = False  # it has had its second answer
        self._left_ns = now_ns
        self._deadline_ns = now_ns + self._limits.packet_ns

    def _note_answer(self, now_ns: int) -> None:
        packet = self.packet
        self._in_a_row += 1
        if self._is_open:
            if packet is None:
                self._in_a_row = 0
            self._is_open = packet is not None and self._in_a_row < _SHOWN
        if packet == self._overdue:
            self._events.append(Event(_ANSWERED, now_ns, packet, OVERDUE))
        else:
            self._events.append(Event(_ANSWERED, now_ns, packet))

    def _note_rejection(self, now_ns: int) -> None:
        self._note(EventKind.REJECTED, now_ns, self.packet)

    def _note_silence(self, now_ns: int) -> None:
        waited = self._cue in _WAITED_FOR
        self._ahead = None  # perhaps we were wrong to think so, and that is why nothing came
        if not waited:
            self._is_open, self._in_a_row = True, 0
        self._overdue = -1
        self._note(EventKind.SILENCE, now_ns, self.packet, self._waited_for() if waited else "")

    def _waited_for(self) -> str:
        return WAITED_FOR_LAST if self._is_last else WAITED_FOR

    def _note_held(self, now_ns: int) -> None:
        self._held_early = self._is_on_its_way
        self._ready.clear()  # what has not begun stays here until the WAIT ends (HSK-09)
        self._note(EventKind.HELD, now_ns, self.packet)

    def _note_ignored(self, now_ns: int) -> None:
        self._heard = self.packet
        number = "" if self._reply_number is None else f" {self._reply_number}"
        self._note(EventKind.IGNORED, now_ns, self.packet, f"{self._cue.name}{number}")

    def _note_done(self, now_ns: int) -> None:
        self.end = SenderEnd.SENT
        self._note(EventKind.DONE, now_ns, self.packet)

    def _note_cancelled(self, now_ns: int) -> None:
        self.end = SenderEnd.CANCELLED
        self._ready.clear()  # no further message may begin (HSK-11)
        self._note(EventKind.CANCELLED, now_ns, self.packet)

    def _give_up(self, now_ns: int) -> None:
        self.end = _REASONS.get(self._cue, SenderEnd.CONFUSED)
        self._note(EventKind.GAVE_UP, now_ns, self.packet, self.end.name)
