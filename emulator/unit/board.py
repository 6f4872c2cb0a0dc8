"""The rack unit: the board that owns the parts and sits at the end of a MIDI cable."""

from collections import deque
from collections.abc import Sequence
from typing import Final

from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.machine import earlier
from dryload.emulator.dump.outgoing import outgoing
from dryload.emulator.dump.receiver import Pace, Receiver
from dryload.emulator.dump.receiver_table import ReceiverState
from dryload.emulator.dump.sender import Sender
from dryload.emulator.dump.steady import SteadyAnswers, SteadyReceiver, SteadySender
from dryload.emulator.dump.storage import Accept, Refuse
from dryload.emulator.unit.answers import Answers
from dryload.emulator.unit.cells import cells_of
from dryload.emulator.unit.intake import Intake
from dryload.emulator.unit.keeper import Keeper
from dryload.emulator.unit.memory import Memory
from dryload.emulator.unit.panel import FrontPanel
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.pulse import pulse_of
from dryload.emulator.unit.slots import Slot, Slots
from dryload.emulator.wire.codec import Decoded, Foreign, Malformed, decode, handshake
from dryload.emulator.wire.constants import ALL_CALL, FAMILY
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpRequest,
    ExtendedHeader,
    Handshake,
    HandshakeKind,
)
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.splitter import Piece, PieceKind

_EXCLUSIVE: Final = PieceKind.EXCLUSIVE
_MOST_WAITING: Final = 1 << 15
"""Messages that may wait to go out; more than all loops of a sample, and less than a flood."""


class RackUnit(SteadySender, SteadyReceiver):
    """An endpoint: the unit that a profile describes.

    Its parts are there to be looked at (`memory`, `slots`, `keeper`) and its front panel to be
    used; confirm is pressed here, since a header that is held has to be looked at again.
    """

    def __init__(self, profile: Profile) -> None:
        self.profile: Final = profile
        cells = cells_of(profile.memory, profile.words)
        self.memory: Final = Memory(profile.memory, cells)
        self.slots: Final = Slots(profile.slots, cells)
        self.panel: Final = FrontPanel(profile, self.memory, self.slots)
        self.keeper: Final = Keeper(profile, self.memory, self.slots, self.panel)
        self.panel.interrupt = self._interrupt
        self._answers: Final = Answers(profile, self.slots)
        self._pulse: Final = pulse_of(profile.habits)
        self._leaky: Final = cells if cells is not None and cells.are_leaky else None
        self._intake = Intake(profile.input)
        self._receiver = self._new_receiver()
        self._sender: Sender | None = None
        self._sender_spoke = False  # the message on the wire is the sender's
        self._out: deque[bytes] = deque()
        self._echoes: Final = profile.habits.echo
        self._echo: deque[bytes] = deque()  # copies of the input that still have to go out
        self._events: list[Event] = []

    @property
    def is_receiving(self) -> bool:
        """Whether a dump has begun and not ended."""
        return self.keeper.is_busy

    @property
    def is_sending(self) -> bool:
        """Whether it sends a sample that was asked for."""
        return self._sender is not None

    @property
    def packets_stored(self) -> int:
        """Data packets stored of the dump that runs or ran last."""
        return self._receiver.stored

    def obeys(self, device_id: int) -> bool:
        """Whether a message with this device ID is for the unit (DEV-01, DEV-02)."""
        if device_id == self.panel.device_id:
            return True
        return device_id == ALL_CALL and self.profile.unit.all_call

    def confirm(self, now_ns: int) -> bool:
        """Press confirm: a header that is being held is looked at again; False if nothing waits."""
        done = self.panel.confirm(now_ns)
        if self._receiver.state is ReceiverState.HELD:
            decision = self.keeper.reconsider(now_ns)
            if isinstance(decision, Accept | Refuse):
                self._receiver.release(decision, now_ns)
        return done

    # the endpoint

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Take bytes from the input."""
        if not self.panel.powered:
            return ()
        if self._echoes and len(self._echo) < _MOST_WAITING:
            self._echo.append(data)
        intake, receiver = self._intake, self._receiver
        busy = receiver.busy_until_ns > now_ns
        if not busy and (piece := intake.single(data)) is not None:
            self._take_piece(piece, now_ns)
            return self._take_events()
        lost = intake.take(data, now_ns, receiver.busy_until_ns)
        if lost:
            detail = f"{counted(lost, 'byte')} lost"
            self._events.append(Event(EventKind.OVERRUN, now_ns, None, detail))
        if not busy:
            self._work(now_ns)
        return self._take_events()

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Learn that a message has left the output."""
        if self._sender is not None and self._sender_spoke:
            self._sender_spoke = False
            self._sender.message_left(now_ns)
            self._look_at_sender()
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        """Send replies that are due, work on what has waited, give up what has fallen silent."""
        self._receiver.act_on_deadline(now_ns)
        if self._intake.waiting and self._receiver.busy_until_ns <= now_ns:
            self._work(now_ns)
        if self._sender is not None:
            self._sender.handle_deadline(now_ns)
            self._look_at_sender()
        if self._pulse is not None:
            self._pulse.beat(now_ns)
        if self._leaky is not None:
            self._leaky.pass_time(now_ns)
        return self._take_events()

    def next_deadline_ns(self) -> int | None:
        """Return when something is due: a reply, waiting input, an idle limit, a pulse, a leak."""
        earliest = self._receiver.next_deadline_ns()
        if self._intake.waiting:
            earliest = earlier(earliest, self._receiver.busy_until_ns)
        if self._sender is not None:
            earliest = earlier(earliest, self._sender.next_deadline_ns())
        if self._pulse is not None and self.panel.powered:
            earliest = earlier(earliest, self._pulse.next_ns)
        if self._leaky is not None:
            earliest = earlier(earliest, self._leaky.next_ns)
        return earliest

    def bytes_to_send(self) -> bytes:
        """Return one whole message to send now, b"" for none."""
        if not self.panel.powered:
            return b""
        message = self._receiver.bytes_to_send()
        if message or not (self._out or self._sender or self._echo or self._pulse):
            return message
        if self._out:
            return self._out.popleft()
        if self._sender is not None and (message := self._sender.bytes_to_send()):
            self._sender_spoke = True
            return message
        if self._echo and not self._receiver.has_more_to_send:
            return self._echo.popleft()  # a copy of a packet would make its answer late
        return b"" if self._pulse is None else self._pulse.bytes_to_send()

    # many packets at once

    def steady_packets(self, limit: int, now_ns: int) -> Sequence[bytes]:
        """Return the packet on the wire and up to `limit` to follow, () where that is open."""
        receiver = self._receiver
        is_sending = self._sender is not None and self._sender_spoke and self._is_undisturbed
        if not is_sending or receiver.busy_until_ns > now_ns or receiver.has_more_to_send:
            return ()
        if receiver.next_deadline_ns() is not None:
            return ()
        assert self._sender is not None
        return self._sender.steady_packets(limit, now_ns)

    def is_answered_steadily(self, answers: SteadyAnswers, taken_ns: int) -> bool:
        """Whether each of these answers, `taken_ns` after its packet left, calls for the next."""
        assert self._sender is not None
        is_heard = self.obeys(answers.first.device_id)
        return is_heard and self._sender.is_answered_steadily(answers, taken_ns)

    def skip_sent(
        self, count: int, now_ns: int, *, period_ns: int, taken_ns: int
    ) -> Sequence[Event]:
        """Be as after so many more answers, the last at `now_ns`; a unit reports none of it."""
        assert self._sender is not None
        self._sender.skip_sent(count, now_ns, period_ns=period_ns, taken_ns=taken_ns)
        return ()

    def steady_answers(self, packets: Sequence[bytes]) -> SteadyAnswers | None:
        """Return how the first of these will be answered, None where that is open."""
        if self._sender is not None or not self._is_undisturbed:
            return None
        is_heard = self.obeys(_device_of_body(packets[0]))
        return self._receiver.steady_answers(packets) if is_heard else None

    def skip_taken(self, packets: Sequence[bytes], last_ns: int) -> None:
        """Be as after having taken and answered all of these, the last at `last_ns`."""
        self._receiver.skip_taken(packets, last_ns)

    @property
    def _is_undisturbed(self) -> bool:
        """Whether it looks at the next message at once and nothing but its answer goes out."""
        return (
            self.panel.powered
            and self.panel.receive_exclusive
            and not (self._pulse or self._out or self._echo or self._events)
            and not self._echoes
            and self._leaky is None
            and self._intake.is_free
        )

    # inside

    def _work(self, now_ns: int) -> None:
        """Work on pieces until there are none or one keeps the unit busy."""
        intake, receiver = self._intake, self._receiver
        while intake.waiting:
            piece = intake.next_piece(now_ns)
            self._take_piece(piece, now_ns)
            if receiver.busy_until_ns > now_ns:
                return

    def _take_piece(self, piece: Piece, now_ns: int) -> None:
        if not self.panel.receive_exclusive:
            return
        if piece.kind is _EXCLUSIVE:
            message = decode(piece.body)
            if isinstance(message, DataPacket):  # the short way for nearly everything that comes
                if self.obeys(message.device_id):
                    self._receiver.take_packet(message, now_ns)
            elif self.obeys(_device_of(message)):
                self._take(message, now_ns)
        elif piece.kind is PieceKind.CUT and self.obeys(_device_of_body(piece.body)):
            self._receiver.take_fragment(piece.body, now_ns)

    def _take(self, message: Decoded, now_ns: int) -> None:
        if self._sender is not None:
            self._sender.take(message, now_ns)  # during WAIT any message may end its dump (HSK-22)
            self._look_at_sender()
            if isinstance(message, Handshake):
                return
        if isinstance(message, DumpRequest):
            self._take_request(message, now_ns)
        elif isinstance(message, ExtendedHeader) and not self.profile.knows.extended:
            return
        elif (replies := self._answers.to(message, self.panel.device_id)) is not None:
            self._out.extend(replies[: max(_MOST_WAITING - len(self._out), 0)])
        else:
            self._receiver.device_id = self.panel.device_id
            self._receiver.take(message, now_ns)
            if self._receiver.state is not ReceiverState.HELD:
                self.keeper.held = None  # whoever waited has cancelled

    def _take_request(self, request: DumpRequest, now_ns: int) -> None:
        if not self.profile.knows.requests or self._sender is not None or self.is_receiving:
            return  # REQ-04: one thing at a time
        slot = self.slots.addressed(request.sample_number)
        if slot is None or slot.written is None:
            self._decline(request, self.profile.habits.empty_request)
        elif slot.protected and self.profile.habits.protected_request != "answer":
            self._decline(request, self.profile.habits.protected_request)
        else:
            self._send_sample(slot, now_ns)

    def _decline(self, request: DumpRequest, habit: str) -> None:
        habits = self.profile.habits
        if habit == "cancel" and habits.answers and len(self._out) < _MOST_WAITING:
            own = habits.reply_id == "own"  # DEV-03
            device_id = self.panel.device_id if own else request.device_id
            self._out.append(handshake(HandshakeKind.CANCEL, device_id=device_id, packet_number=0))

    def _send_sample(self, slot: Slot, now_ns: int) -> None:
        if self.memory.cells is not None:
            self.memory.cells.begin_reading()
        assert slot.sample is not None
        dump = outgoing(slot.sample, number=slot.sample_number, device_id=self.panel.device_id)
        # Loops and name go out when they are asked for.
        self._sender = Sender(dump.without_after(), switches=self.profile.sending)
        self._sender.start(now_ns)

    def _look_at_sender(self) -> None:
        sender = self._sender
        if sender is None:
            return
        sender.take_events()  # they are nobody's: the unit reports of what it receives
        if sender.end is not None and not sender.has_more_to_send:
            self._sender = None

    def _interrupt(self, now_ns: int) -> None:
        """Whatever runs ends: somebody is at the memory or at the switch."""
        self._events += self._receiver.take_events()
        if self.is_receiving:
            stored = self._receiver.stored
            self._events.append(Event(EventKind.ABANDONED, now_ns, stored, "at the front panel"))
        self.keeper.interrupt(now_ns)
        self._receiver = self._new_receiver()
        self._intake = Intake(self.profile.input)
        self._sender = None
        self._out.clear()
        self._echo.clear()

    def _new_receiver(self) -> Receiver:
        return Receiver(
            self.keeper,
            device_id=self.panel.device_id,
            switches=self.profile.habits,
            pace=Pace(
                header_ns=self.profile.input.store_header_ns,
                packet_ns=self.profile.input.store_packet_ns,
            ),
        )

    def _take_events(self) -> Sequence[Event]:
        events = self._receiver.take_events()
        if self._events:
            events = (*self._events, *events)
            self._events = []
        return events


def _device_of(message: Decoded) -> int:
    if isinstance(message, Foreign | Malformed):
        return _device_of_body(message.body)
    return message.device_id


def _device_of_body(body: bytes) -> int:
    """Return the device ID of a message of the family, -1 where it has none."""
    return body[2] if len(body) > 2 and body[1] == FAMILY else -1
