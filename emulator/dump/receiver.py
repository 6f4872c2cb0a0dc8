"""The receiver: takes a dump and hands its packets to a storage."""

from collections.abc import Sequence
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.machine import Machine, earlier
from dryload.emulator.dump.receiver_table import (
    ReceiverCue,
    ReceiverDo,
    ReceiverState,
    receiver_table,
)
from dryload.emulator.dump.steady import SteadyAnswers
from dryload.emulator.dump.storage import Accept, Decision, Hold, Ignore, Refuse, Storage
from dryload.emulator.dump.switches import ReceiverSwitches
from dryload.emulator.wire.checksum import checksum
from dryload.emulator.wire.codec import Decoded, Malformed, decode, handshake, kind_of
from dryload.emulator.wire.constants import END, HEADER_LIMIT_NS, PACKET_NUMBERS
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    ExtendedHeader,
    Handshake,
    HandshakeKind,
    Header,
)
from dryload.emulator.wire.packets import right_packets
from dryload.emulator.wire.sizes import packets_for

_DEVICE_ID: Final[int] = FIXED[DataPacket].span("device_id").start
_NUMBER: Final[int] = FIXED[DataPacket].span("packet_number").start

# Members used for every packet: reading one from its class costs more than comparing it.
_RECEIVING: Final = ReceiverState.RECEIVING
_PACKET: Final = ReceiverCue.PACKET
_ACK: Final = HandshakeKind.ACK
_STORES: Final = (ReceiverDo.STORE, ReceiverDo.ACK)

_STRIDE: Final = 37  # odd, so that all 128 numbers come before one comes again


class Pace(Struct, frozen=True, kw_only=True):
    """How long a receiver works on a header, and on a packet that it stores, before it answers."""

    header_ns: int = 0
    packet_ns: int = 0


class Receiver(Machine[ReceiverState, ReceiverCue, ReceiverDo], actions=ReceiverDo):
    """One half of an endpoint: takes decoded messages that are meant for `device_id`.

    Until `busy_until_ns` it works on what it took last; whoever owns it keeps arriving bytes back.
    """

    def __init__(
        self,
        storage: Storage,
        *,
        device_id: int,
        switches: ReceiverSwitches | None = None,
        pace: Pace | None = None,
    ) -> None:
        self.switches: Final = switches or ReceiverSwitches()
        super().__init__(receiver_table(self.switches), ReceiverState.IDLE)
        self.device_id = device_id
        self.busy_until_ns = 0
        self._storage = storage
        self._pace = pace or Pace()
        self._decision: Decision = Accept()
        self._packet: DataPacket | None = None  # the packet in question
        self._answers_header = True  # the message in question is the header and no packet
        self._number = 0  # packet number to answer with
        self._planned = 0
        self._headers = 0  # answered with ACK so far
        self.stored = 0
        """Data packets stored of the dump that runs or ran last."""
        self._expected = 0
        self._failures = 0
        self._received_id = device_id
        self._answers_as_self = self.switches.reply_id == "own"
        self._checks_sums = self.switches.bad_checksum == "nak"
        self._idle_limit_ns: int | None = None

    def next_deadline_ns(self) -> int | None:
        """Return when a reply is due or the dump counts as given up."""
        return earlier(self._due[0][0], self._idle_limit_ns) if self._due else self._idle_limit_ns

    def act_on_deadline(self, now_ns: int) -> None:
        """Release replies that are due; give up a dump that has fallen silent."""
        self._release_due(now_ns)
        if self._idle_limit_ns is not None and now_ns >= self._idle_limit_ns:
            self._idle_limit_ns = None
            self._step(ReceiverCue.IDLE_LIMIT, now_ns)

    def take(self, message: Decoded, now_ns: int) -> None:
        """Take one message that is meant for this device."""
        if isinstance(message, DataPacket):
            self.take_packet(message, now_ns)
            return
        if isinstance(message, DumpHeader | ExtendedHeader):
            self._received_id = message.device_id
            self._take_header(message, now_ns)
        elif isinstance(message, Handshake):
            if message.kind is HandshakeKind.CANCEL:
                self._step(ReceiverCue.CANCEL, now_ns)
            elif message.kind is HandshakeKind.EOF:
                self._step(ReceiverCue.EOF, now_ns)
        elif isinstance(message, Malformed):
            self.take_fragment(message.body, now_ns)
        self._watch_idle(now_ns)

    def take_packet(self, packet: DataPacket, now_ns: int) -> None:
        """Take one data packet that is meant for this device."""
        self._received_id = packet.device_id
        self._packet = packet
        self._answers_header = False
        self._number = packet.packet_number
        self._step(self._packet_cue(packet), now_ns)
        self._watch_idle(now_ns)

    def steady_answers(self, packets: Sequence[bytes]) -> SteadyAnswers | None:
        """Return how the first of these packets will be answered, None where that is open."""
        switches = self.switches
        if (
            self.state is not _RECEIVING
            or not self.stored
            or self._failures
            or self.has_more_to_send
            or self._table[_RECEIVING, _PACKET].do != _STORES
            or not switches.answers
            or switches.packet_ack_number != "packet"
            or switches.wait_before_ack
        ):
            return None
        most = min(len(packets), self._planned - self.stored - 1)
        if most <= 0 or not self._storage.has_room(most):
            return None
        count = right_packets(packets[:most], self._expected)
        if not count:
            return None
        device_id = self.device_id if self._answers_as_self else packets[0][_DEVICE_ID]
        first = Handshake(device_id=device_id, kind=_ACK, packet_number=self._expected)
        takes_ns = self._pace.packet_ns
        within_ns = takes_ns + switches.idle_limit_ns if switches.idle_limit_ns else None
        return SteadyAnswers(count, first, takes_ns, within_ns)

    def skip_taken(self, packets: Sequence[bytes], last_ns: int) -> None:
        """Be as after having taken and answered all of these, the last at `last_ns`."""
        self._storage.extend(packets)
        last = decode(packets[-1])
        assert isinstance(last, DataPacket)
        self._packet = last
        self._received_id = last.device_id
        self._number = last.packet_number
        self._expected = (last.packet_number + 1) % PACKET_NUMBERS
        self.stored += len(packets)
        self.busy_until_ns = last_ns + self._pace.packet_ns
        self._watch_idle(last_ns)

    def take_fragment(self, body: bytes, now_ns: int) -> None:
        """Take what is left of a message: a data packet of wrong length, or one cut short."""
        if kind_of(body) is not DataPacket:
            return
        self._answers_header = False
        # What stands in the number's place may be the F7 of a message that ends too soon.
        number = body[_NUMBER] if len(body) > _NUMBER else END
        self._number = number if number < PACKET_NUMBERS else self._expected
        self._step(self._failed(ReceiverCue.PACKET_FORM), now_ns)
        self._watch_idle(now_ns)

    def release(self, decision: Accept | Refuse, now_ns: int) -> None:
        """Decide about a header that is being held; nothing happens when none is."""
        if self.state is not ReceiverState.HELD:
            return
        self._decision = decision
        self._ask_about_header()
        if isinstance(decision, Refuse):
            self._step(ReceiverCue.RELEASED_REFUSED, now_ns)
        elif self._planned:
            self._step(ReceiverCue.RELEASED, now_ns)
        else:
            self._step(ReceiverCue.RELEASED_EMPTY, now_ns)
        self._watch_idle(now_ns)

    # judging

    def _ask_about_header(self) -> None:
        """Put the header in question: packets that came meanwhile have no part in its answer."""
        self._answers_header = True
        self._number = 0

    def _take_header(self, header: Header, now_ns: int) -> None:
        if self.state is _RECEIVING:
            self._step(ReceiverCue.HEADER_IN_DUMP, now_ns)
            if self.switches.header_in_dump != "restart":
                return
        self._ask_about_header()
        self._planned = _packets_of(header)
        self._decision = self._storage.begin(header, now_ns)
        self._step(_header_cue(self._decision, self._planned), now_ns)

    def _packet_cue(self, packet: DataPacket) -> ReceiverCue:
        if self.state is not _RECEIVING:
            return _PACKET
        if self._checks_sums and packet.checksum != checksum(packet):
            return self._failed(ReceiverCue.PACKET_SUM)
        last = self.stored + 1 >= self._planned
        if packet.packet_number == self._expected:
            cue = ReceiverCue.PACKET_LAST if last else _PACKET
        elif self.stored and packet.packet_number == (self._expected - 1) % PACKET_NUMBERS:
            cue = ReceiverCue.PACKET_REPEATED_LAST if last else ReceiverCue.PACKET_REPEATED
            if self.switches.repeated_packet == "acknowledge":
                return cue
        else:
            cue = ReceiverCue.PACKET_JUMP_LAST if last else ReceiverCue.PACKET_JUMP
        return cue if self._storage.has_room() else ReceiverCue.PACKET_NO_ROOM

    def _failed(self, cue: ReceiverCue) -> ReceiverCue:
        ignored = cue is ReceiverCue.PACKET_FORM and self.switches.bad_form == "ignore"
        if self.state is not _RECEIVING or ignored:
            return cue
        limit = self.switches.nak_limit
        if limit and self._failures + 1 >= limit:
            return ReceiverCue.PACKET_SPOILT
        return cue

    def _watch_idle(self, now_ns: int) -> None:
        """Start the idle limit anew; before the first packet the sender may take 2 s more."""
        limit = self.switches.idle_limit_ns
        if self.state is not _RECEIVING or not limit:
            self._idle_limit_ns = None
            return
        start = max(now_ns, self.busy_until_ns)
        self._idle_limit_ns = start + limit + (0 if self.stored else HEADER_LIMIT_NS)

    # actions

    def _open(self, now_ns: int) -> None:
        self.stored = self._expected = self._failures = 0
        self._note(EventKind.OPENED, now_ns)

    def _store(self, now_ns: int) -> None:
        packet = self._packet
        assert packet is not None
        self._storage.append(packet, now_ns)
        self.stored += 1
        self._failures = 0
        self._expected = (packet.packet_number + 1) % PACKET_NUMBERS

    def _finish(self, now_ns: int) -> None:
        self._storage.finish(now_ns)
        self._note(EventKind.DONE, now_ns, self.stored)

    def _abandon(self, now_ns: int) -> None:
        self._storage.abandon(now_ns)
        self._note(EventKind.ABANDONED, now_ns, self.stored)

    def _ack(self, now_ns: int) -> None:
        number = self._number
        if self._answers_header:
            self._headers += 1
            number = {
                "zero": 0,
                "127": 127,
                "last": (self._planned - 1) % PACKET_NUMBERS,
                "varying": self._headers * _STRIDE,
            }[self.switches.header_ack_number]
        elif self.switches.packet_ack_number != "packet":
            number = 0 if self.switches.packet_ack_number == "zero" else number + 1
        self._reply(_ACK, number % PACKET_NUMBERS, now_ns)

    def _ack_last(self, now_ns: int) -> None:
        if self.switches.final_ack:
            self._ack(now_ns)

    def _nak(self, now_ns: int) -> None:
        # Nothing is stored, so nothing takes time: the sum is known with the last byte.
        self._say(HandshakeKind.NAK, self._number, now_ns, now_ns)

    def _cancel(self, now_ns: int) -> None:
        if self._answers_header:
            self._reply(HandshakeKind.CANCEL, self._number, now_ns)
        else:
            self._say(HandshakeKind.CANCEL, self._number, now_ns, now_ns)

    def _wait(self, now_ns: int) -> None:
        self._say(HandshakeKind.WAIT, self._number, now_ns, now_ns)

    def _reply(self, kind: HandshakeKind, number: int, now_ns: int) -> None:
        takes_ns = self._pace.header_ns if self._answers_header else self._pace.packet_ns
        self.busy_until_ns = now_ns + takes_ns
        if self.switches.wait_before_ack and kind is _ACK:
            self._say(HandshakeKind.WAIT, number, now_ns, now_ns)
        self._say(kind, number, now_ns + takes_ns, now_ns)

    def _say(self, kind: HandshakeKind, number: int, due_ns: int, now_ns: int) -> None:
        if self.switches.answers:
            device_id = self.device_id if self._answers_as_self else self._received_id
            reply = handshake(kind, device_id=device_id, packet_number=number)
            self._send_at(due_ns, now_ns, reply)

    def _note_refused(self, now_ns: int) -> None:
        reason = self._decision.reason if isinstance(self._decision, Refuse | Ignore) else ""
        self._note(EventKind.REFUSED, now_ns, detail=reason)

    def _note_faulty(self, now_ns: int) -> None:
        self._failures += 1
        self._note(EventKind.FAULTY, now_ns, self.stored)

    def _note_jump(self, now_ns: int) -> None:
        self._note(EventKind.JUMPED, now_ns, self.stored, f"number {self._number}")

    def _note_repeated(self, now_ns: int) -> None:
        self._note(EventKind.REPEATED, now_ns, self.stored)

    def _note_cancelled(self, now_ns: int) -> None:
        self._note(EventKind.CANCELLED, now_ns, self.stored)


def _packets_of(header: Header) -> int:
    """Return how many packets a header announces; 0 where its width is none (HDR-03)."""
    try:
        return packets_for(header.length * header.channels, header.bits)
    except ValueError:
        return 0


def _header_cue(decision: Decision, planned: int) -> ReceiverCue:
    if isinstance(decision, Accept):
        return ReceiverCue.HEADER if planned else ReceiverCue.HEADER_EMPTY
    if isinstance(decision, Hold):
        return ReceiverCue.HEADER_HELD
    return ReceiverCue.HEADER_REFUSED if isinstance(decision, Refuse) else ReceiverCue.HEADER_UNSEEN
