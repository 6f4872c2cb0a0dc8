"""The requester: asks a unit for one sample and keeps what it sends."""

from collections import deque
from collections.abc import Sequence
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.machine import Machine, earlier
from dryload.emulator.dump.receiver import Receiver
from dryload.emulator.dump.requester_table import (
    REQUESTER,
    RequesterCue,
    RequesterDo,
    RequesterState,
)
from dryload.emulator.dump.steady import SteadyAnswers, SteadyReceiver
from dryload.emulator.dump.storage import Accept, Decision, Refuse
from dryload.emulator.wire.codec import (
    Decoded,
    Foreign,
    decode,
    device_of,
    encode,
    handshake,
    is_between,
)
from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    ExtendedLoopPoints,
    Handshake,
    HandshakeKind,
    Header,
    LoopPoints,
    Message,
    SampleName,
)
from dryload.emulator.wire.splitter import PieceKind, Splitter


class Collected(Struct):
    """A storage without limits: header and packets as they came."""

    header: Header | None = None
    packets: list[DataPacket] = []
    whole: bool = False
    given_up: bool = False

    def begin(self, header: Header, now_ns: int) -> Decision:
        """Accept everything that is a dump."""
        self.header, self.packets, self.whole, self.given_up = header, [], False, False
        if MIN_BITS <= header.bits <= MAX_BITS:
            return Accept()
        self.given_up = True
        return Refuse(f"{header.bits} significant bits: the standard has {MIN_BITS} to {MAX_BITS}")

    def has_room(self, packets: int = 1) -> bool:
        """There always is."""
        return True

    def append(self, packet: DataPacket, now_ns: int) -> None:
        """Keep a packet."""
        self.packets.append(packet)

    def extend(self, packets: Sequence[bytes]) -> None:
        """Keep packets."""
        for packet in map(decode, packets):
            assert isinstance(packet, DataPacket)
            self.packets.append(packet)

    def finish(self, now_ns: int) -> None:
        """The dump is whole."""
        self.whole = True

    def abandon(self, now_ns: int) -> None:
        """The dump will not end; what came of it stays to be looked at."""
        self.given_up = True


_ANSWER_NS: Final = 2_000_000_000
_BEFORE_ANSWER: Final = (RequesterState.ASKED, RequesterState.HELD)


class Patience(Struct, frozen=True, kw_only=True):
    """How long a requester waits; the standard sets no limit (TIM-11)."""

    answer_ns: int = _ANSWER_NS
    more_ns: int = 200_000_000
    """For a question beside the dump: at least this, and twice what the first answer took."""


class Requester(
    Machine[RequesterState, RequesterCue, RequesterDo], SteadyReceiver, actions=RequesterDo
):
    """An endpoint that asks `device_id` for `sample_number` once `start` is called.

    `questions` are sent one by one after the dump; what answers them is in `more`.  Where the first
    packets are `enough` for it, it tells the unit to stop there.
    """

    def __init__(
        self,
        *,
        device_id: int,
        sample_number: int,
        questions: Sequence[Message] = (),
        patience: Patience | None = None,
        enough: int | None = None,
    ) -> None:
        super().__init__(REQUESTER, RequesterState.IDLE)
        self._device_id = device_id
        self._sample_number = sample_number
        self._questions = deque(questions)
        self._patience = patience or Patience()
        self._enough = enough
        self._splitter = Splitter(limit=1 << 16)
        self._limit_ns: int | None = None
        self._asked_ns: int | None = None  # when the request had left, None before
        self._more_ns = self._patience.more_ns
        self.declined = False
        """Whether the unit answered the request with CANCEL (REQ-03)."""
        self.collected: Final = Collected()
        self.more: list[LoopPoints | ExtendedLoopPoints | SampleName] = []
        self._receiver = Receiver(self.collected, device_id=device_id)

    @property
    def is_over(self) -> bool:
        """Whether it has what it wanted, or never will."""
        return self.state in (RequesterState.DONE, RequesterState.FAILED)

    def start(self, now_ns: int) -> None:
        """Queue the request."""
        self._meet(RequesterCue.START, now_ns)

    def stop(self, now_ns: int) -> None:
        """End it at once and tell the unit."""
        self._meet(RequesterCue.STOP, now_ns)

    def bytes_to_send(self) -> bytes:
        """Return one whole message to send now, b"" for none."""
        return self._receiver.bytes_to_send() or super().bytes_to_send()

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Take bytes from the unit."""
        for piece in self._splitter.feed(data):
            if piece.kind is PieceKind.EXCLUSIVE:
                self._take(decode(piece.body), now_ns)
            elif (
                piece.kind is PieceKind.CUT
                and self.state is RequesterState.RECEIVING
                and is_between(device_of(Foreign(body=piece.body)), self._device_id)
            ):
                self._receiver.take_fragment(piece.body, now_ns)
                self._look_at_receiver(now_ns)
        return self._all_events()

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Start the limit for the answer to a question."""
        if self._ready:
            return ()  # the question itself has not left yet
        if self.state in _BEFORE_ANSWER:
            self._asked_ns = now_ns
            if self.state is RequesterState.ASKED:  # WAIT may come before we reckon it has left
                self._limit_ns = now_ns + self._patience.answer_ns
        elif self.state is RequesterState.ASKED_MORE:
            self._limit_ns = now_ns + self._more_ns
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        """Give up waiting for what is overdue."""
        self._receiver.act_on_deadline(now_ns)
        if self.state is RequesterState.RECEIVING:
            self._look_at_receiver(now_ns)
        if self._limit_ns is not None and now_ns >= self._limit_ns:
            self._meet(RequesterCue.QUIET if self._questions else RequesterCue.QUIET_LAST, now_ns)
        return self._all_events()

    def next_deadline_ns(self) -> int | None:
        """Return when it will have waited long enough."""
        return earlier(self._limit_ns, self._receiver.next_deadline_ns())

    def steady_answers(self, packets: Sequence[bytes]) -> SteadyAnswers | None:
        """Return how the first of these will be answered, None where that is open."""
        if (
            self.state is not RequesterState.RECEIVING
            or self._ready
            or self._limit_ns is not None
            or not self._splitter.is_free
            or not is_between(device_of(decode(packets[0])), self._device_id)
        ):
            return None
        if self._enough is not None:
            packets = packets[: max(self._enough - len(self.collected.packets) - 1, 0)]
        return self._receiver.steady_answers(packets)

    def skip_taken(self, packets: Sequence[bytes], last_ns: int) -> None:
        """Be as after having taken and answered all of these, the last at `last_ns`."""
        self._receiver.skip_taken(packets, last_ns)

    def _take(self, message: Decoded, now_ns: int) -> None:
        if isinstance(message, Foreign) or not is_between(device_of(message), self._device_id):
            return
        if self.state is RequesterState.RECEIVING:
            if isinstance(message, Handshake) and message.kind is HandshakeKind.WAIT:
                self._meet(RequesterCue.WAIT, now_ns)
                return
            self._receiver.take(message, now_ns)
            self._look_at_receiver(now_ns)
        elif isinstance(message, DumpHeader | ExtendedHeader):
            before = self.state
            self._meet(RequesterCue.HEADER, now_ns)
            if before in _BEFORE_ANSWER:
                self._learn_pace(now_ns)
                self._receiver.take(message, now_ns)
                self._look_at_receiver(now_ns)
        elif isinstance(message, Handshake):
            cue = {
                HandshakeKind.WAIT: RequesterCue.WAIT,
                HandshakeKind.CANCEL: RequesterCue.CANCEL,
            }.get(message.kind)
            if cue is not None:
                self._meet(cue, now_ns)
        elif isinstance(message, LoopPoints | ExtendedLoopPoints | SampleName):
            if self.state is RequesterState.ASKED_MORE:
                self.more.append(message)
            self._meet(RequesterCue.MORE, now_ns)

    def _learn_pace(self, now_ns: int) -> None:
        """Give a unit that answers slowly more time for each question; not for a walk to it."""
        if self._asked_ns is None:
            return  # it came before we reckon that the request has left: a quick port
        took_ns = min(now_ns - self._asked_ns, _ANSWER_NS // 2)
        self._more_ns = max(self._more_ns, 2 * took_ns)

    def _look_at_receiver(self, now_ns: int) -> None:
        if self.collected.whole:
            self._meet(RequesterCue.WHOLE if self._questions else RequesterCue.WHOLE_LAST, now_ns)
        elif self.collected.given_up:
            self._meet(RequesterCue.BROKEN, now_ns)
        elif self._enough is not None and len(self.collected.packets) >= self._enough:
            self._receiver.bytes_to_send()  # CANCEL goes in place of the ACK that asks for more
            self._meet(RequesterCue.STOP, now_ns)

    def _meet(self, cue: RequesterCue, now_ns: int) -> None:
        before = self.state
        self._step(cue, now_ns)
        if self.state is not before or self._ready:
            self._limit_ns = None

    def _all_events(self) -> Sequence[Event]:
        return (*self._receiver.take_events(), *self.take_events())

    # actions

    def _ask(self, now_ns: int) -> None:
        request = DumpRequest(device_id=self._device_id, sample_number=self._sample_number)
        self._send_at(now_ns, now_ns, encode(request))

    def _ask_more(self, now_ns: int) -> None:
        self._send_at(now_ns, now_ns, encode(self._questions.popleft()))

    def _wait_on(self, now_ns: int) -> None:
        """Wait for one more answer of the same question."""
        self._limit_ns = now_ns + self._more_ns

    def _cancel(self, now_ns: int) -> None:
        cancel = handshake(HandshakeKind.CANCEL, device_id=self._device_id, packet_number=0)
        self._send_at(now_ns, now_ns, cancel)

    def _note_done(self, now_ns: int) -> None:
        self._note(EventKind.DONE, now_ns, len(self.collected.packets))

    def _note_declined(self, now_ns: int) -> None:
        self.declined = True

    def _note_failed(self, now_ns: int) -> None:
        self._note(EventKind.GAVE_UP, now_ns, len(self.collected.packets))

    def _note_no_answer(self, now_ns: int) -> None:
        self._note(EventKind.NO_ANSWER, now_ns)
