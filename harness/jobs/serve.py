"""The emulated unit as a device: behind a port, with a memory that lives in a file.

Theory of operation.  The line runs in slices of 50 ms; between two of them there is time for
everything that is not the line's: what somebody did at the panel, the image, what is told.  Nothing
here waits for a disk, a terminal or a reader, and nothing grows with what a peer sends.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction, Passage
from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import Port
from dryload.emulator.ports.real import RealLine, Recorder
from dryload.emulator.ports.tcp import TcpServer
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.keeper import Receipt
from dryload.emulator.wire.constants import BYTE_NS
from dryload.emulator.wire.messages import Header
from dryload.emulator.wire.prose import counted
from dryload.harness.files.image_file import ImageFile
from dryload.harness.jobs.front_panel import QUIT, Coming, View, action_of, perform, view_of
from dryload.harness.jobs.image_keeper import ImageKeeper, Written
from dryload.harness.jobs.serve_notes import EVENTS, Overheard, ServeNotes, Teller, end_of
from dryload.harness.judge.plan import plan_of

_SLICE_NS: Final = 50_000_000
_LEAVE_NS: Final = 500_000_000  # until the message on its way has left, at the end
_SECOND_NS: Final = 1_000_000_000
_ACTIONS: Final = 256  # that may wait


class Serving:
    """A unit behind `port`; `unit` may be prepared until `run`.

    `image` is where its battery keeps the memory; `operator_ns` is how long somebody takes to press
    confirm, None for nobody.  `teller` hears of every note, `recorder` of everything that passes.
    """

    def __init__(
        self,
        port: Port,
        unit: RackUnit,
        *,
        shown_port: str,
        byte_ns: int = BYTE_NS,
        image: ImageFile | None = None,
        operator_ns: int | None = None,
        teller: Teller | None = None,
        recorder: Recorder | None = None,
    ) -> None:
        self.unit: Final = unit
        self.line: Final = RealLine(
            port,
            sends=Direction.FROM_UNIT,
            pacer=Pacer(byte_ns=byte_ns),
            emulates_line=True,
            listener=self._hear,
            recorder=self._record,
            keeps_capture=False,
        )
        self._port: Final = port
        self._shown_port: Final = shown_port
        self._start_ns: Final = self.line.now_ns
        self._image: Final = image
        self._images: Final = (
            None if image is None else ImageKeeper(image, unit, port.clock, self._image_ended)
        )
        self._operator_ns: Final = operator_ns
        self._recorder: Final = recorder
        self._notes: Final = ServeNotes(teller)
        self._overheard: Final = Overheard(unit)
        self._actions: Final[deque[str]] = deque()
        self._quits = False
        self._receipt: Receipt | None = unit.keeper.receipt
        self._header: Header | None = None  # of the dump that arrives
        self._held: Header | None = None
        self._was_sending = False
        self._awaits_since_ns: int | None = None
        self._progress_ns = 0
        self._told_packets = 0
        self._late_ns = -_SECOND_NS
        self._told_missed = 0
        self._told_lost = 0
        self._peer = ""
        self._came = 0
        self._turned_away = 0
        self._written: Written | None = None
        self._image_problem = ""

    @property
    def time_ns(self) -> int:
        """How long it has been served."""
        return self.line.now_ns - self._start_ns

    def tell(self, event: str, text: str, facts: Mapping[str, object] | None = None) -> None:
        """Add a note of one's own."""
        self._notes.add(self.time_ns, event, text, facts or {})

    def post(self, action: str) -> bool:
        """Have something done at the panel soon.

        May be called from any thread.  False where too many wait: then it is not taken.
        """
        if len(self._actions) >= _ACTIONS:
            return False
        self._actions.append(action)
        return True

    def run(self, wants_end: Callable[[], bool], tick: Callable[[], None] | None = None) -> None:
        """Serve until `wants_end` or somebody quits; `tick` is called some twenty times a second.

        PortError where the port fails; `finish` is to be called in any case.
        """
        if self._images is not None:
            self._images.want_write()
        self.line.connect(self.unit)
        while not (self._quits or wants_end()):
            self.line.advance(_SLICE_NS)
            self._look()
            if tick is not None:
                tick()
        self.line.run(lambda: True, until_ns=self.line.now_ns + _LEAVE_NS)

    def finish(self) -> None:
        """End as by the unit's switch: a running dump ends, and the image is written.

        A Problem where it cannot be written.
        """
        if self.unit.is_receiving:
            self.unit.panel.interrupt(self.line.now_ns)
            self._look_at_receipt()
        if self._images is not None:
            self._images.finish()

    def view(self) -> View:
        """Return what there is to be seen now."""
        unit = self.unit
        written = self._written
        lateness = self.line.lateness
        return replace(
            view_of(unit),
            state=self._state(),
            arriving=self._arriving() if unit.is_receiving else None,
            sending=self._sending() if unit.is_sending else None,
            port=self._shown_port,
            time_ns=self.time_ns,
            peer=self._port.peer if isinstance(self._port, TcpServer) else None,
            turned_away=self._turned_away,
            worst_late_ns=lateness.worst_ns,
            missed=lateness.missed,
            lost_bytes=lateness.lost_bytes,
            image="" if self._image is None else self._image.path,
            image_written_ns=None if written is None else written.at_ns - self._start_ns,
            image_problem=self._image_problem,
            notes=tuple(self._notes.recent),
            passed=tuple(
                each._replace(end_ns=each.end_ns - self._start_ns)
                for each in self._overheard.recent
            ),
        )

    # what the line tells

    def _record(self, passage: Passage) -> None:
        self._look_at_peer()  # who is there is told before what came from them
        if self._recorder is not None:
            self._recorder(passage)
        for event, text, facts in self._overheard.hear(passage):
            self._notes.add(passage.end_ns - self._start_ns, event, text, facts)

    def _hear(self, direction: Direction, events: Sequence[Event]) -> None:
        for event in events:
            self._hear_one(event, event.now_ns - self._start_ns)
        self._look_at_receipt()
        if self._images is not None and not self.unit.is_receiving:
            self._images.look(self.line.now_ns)

    def _hear_one(self, event: Event, time_ns: int) -> None:
        if event.kind is EventKind.OPENED:
            self._opened(time_ns)
        elif event.kind in EVENTS:
            name, text = EVENTS[event.kind]
            facts = {} if event.packet is None else {"packet": event.packet}
            said = text.format(packet=event.packet, detail=event.detail)
            self._notes.add(time_ns, name, said, facts)

    def _opened(self, time_ns: int) -> None:
        header = self._header = self.unit.keeper.begun
        self._told_packets = 0
        self._progress_ns = time_ns
        if header is None:
            self._notes.add(time_ns, "header", "a dump begins", {})
            return
        slot = self.unit.slots.addressed(header.sample_number)
        place = "" if slot is None else f", for {slot.title}"
        words = header.length * header.channels
        facts: dict[str, object] = {
            "sample_number": header.sample_number,
            "words": words,
            "bits": header.bits,
            "channels": header.channels,
            "slot": None if slot is None else slot.number,
            "packets": _coming(header, 0).expected,
        }
        text = f"sample {header.sample_number} arrives: {counted(words, 'word')}"
        self._notes.add(time_ns, "header", f"{text} of {header.bits} bits{place}", facts)

    # what is done between two slices

    def _look(self) -> None:
        now_ns = self.line.now_ns
        while self._actions:
            self._act(self._actions.popleft())
        self._operate(now_ns)
        self._look_at_receipt()
        self._look_at_hold()
        self._look_at_progress()
        self._look_at_sending()
        if isinstance(self._port, TcpServer):
            self._port.look_at_door()
        self._look_at_peer()
        self._look_at_lateness()
        if self._images is not None:
            self._images.look(now_ns)

    def _act(self, line: str) -> None:
        try:
            action, value = action_of(line)
        except ValueError as problem:
            self.tell("mistake", f"{problem}", {"action": line})
            return
        if action == QUIT:
            self._quits = True
            return
        line = " ".join(line.split())
        try:
            text = perform(self.unit, action, value, self.line.now_ns)
        except ValueError as problem:
            self.tell("mistake", f"{line}: {problem}", {"action": line})
        else:
            self.tell("action", text, {"action": line})

    def _operate(self, now_ns: int) -> None:
        """Press confirm for the operator who takes so long."""
        if self.unit.panel.awaiting_confirm is None or not self.unit.panel.powered:
            self._awaits_since_ns = None
            return
        if self._awaits_since_ns is None:
            self._awaits_since_ns = now_ns
            slot = self.unit.slots[self.unit.panel.awaiting_confirm]
            text = f"{slot.title} waits for confirm at the panel"
            self.tell("to confirm", text, {"slot": slot.number})
        if self._operator_ns is not None and now_ns - self._awaits_since_ns >= self._operator_ns:
            self._act("confirm")
            self._awaits_since_ns = None

    def _look_at_receipt(self) -> None:
        receipt = self.unit.keeper.receipt
        if receipt is None or receipt is self._receipt:
            return
        self._receipt = receipt
        told = ("sample_number", "slot", "words", "announced", "kept", "changes")
        self.tell(*end_of(receipt), {each: getattr(receipt, each) for each in told})

    def _look_at_hold(self) -> None:
        held = self.unit.keeper.held
        if held is not None and held is not self._held:
            text = f"sample {held.sample_number} has to wait: {self.unit.panel.line}"
            self.tell("waiting", text, {"sample_number": held.sample_number})
        self._held = held

    def _look_at_progress(self) -> None:
        stored, time_ns = self.unit.packets_stored, self.time_ns
        if not self.unit.is_receiving or time_ns - self._progress_ns < _SECOND_NS:
            return
        if stored > self._told_packets:
            self._progress_ns, self._told_packets = time_ns, stored
            coming = self._arriving()
            of = "" if coming.expected is None else f" of {coming.expected:,}"
            text = f"sample {coming.sample_number}: {stored:,}{of} packets"
            self.tell("progress", text, coming._asdict())

    def _look_at_sending(self) -> None:
        is_sending = self.unit.is_sending
        if self._was_sending and not is_sending and (header := self._overheard.sends) is not None:
            packets, planned = self._overheard.sent, self._sending().expected
            of = "" if packets == planned else f" of {planned:,}"
            text = f"sample {header.sample_number}: {packets:,}{of} packets sent"
            self.tell("sent", text, {"sample_number": header.sample_number, "packets": packets})
        self._was_sending = is_sending

    def _look_at_peer(self) -> None:
        port = self._port
        if not isinstance(port, TcpServer):
            return
        if port.came != self._came or port.peer != self._peer:
            if self._peer:
                gone = f"{self._peer} has disconnected: {port.last_end}"
                self.tell("peer", gone, {"peer": ""})
            if port.came != self._came:  # it may have come and gone since
                self.tell("peer", f"{port.last_peer} is connected", {"peer": port.last_peer})
                if not port.peer:
                    gone = f"{port.last_peer} has disconnected: {port.last_end}"
                    self.tell("peer", gone, {"peer": ""})
            self._peer, self._came = port.peer, port.came
        if port.turned_away > self._turned_away:
            self._turned_away = port.turned_away
            text = "somebody else wanted to connect: one at a time"
            self.tell("turned away", text, {"turned_away": port.turned_away})

    def _look_at_lateness(self) -> None:
        late, time_ns = self.line.lateness, self.time_ns
        missed, lost = late.missed - self._told_missed, late.lost_bytes - self._told_lost
        if not (missed or lost) or time_ns - self._late_ns < _SECOND_NS:
            return
        self._late_ns, self._told_missed, self._told_lost = time_ns, late.missed, late.lost_bytes
        worst = f"{late.worst_ns / 1e6:.1f} ms"
        text = f"this computer was late {counted(missed, 'time')}, at worst {worst}"
        if lost:
            text += f", and {counted(lost, 'byte')} were lost because more came than can be held"
        facts = {"missed": missed, "worst_ns": late.worst_ns, "lost_bytes": lost}
        self.tell("late", text, facts)

    def _image_ended(self, written: Written) -> None:
        self._image_problem = written.problem
        if written.problem:
            self.tell("image not written", written.problem)
        else:
            self._written = written
            self.tell("image written", "the memory is on the disk", {"bytes": written.bytes})

    # what there is to be seen

    def _state(self) -> str:
        unit = self.unit
        if not unit.panel.powered:
            return "switched off"
        if unit.is_receiving:
            return f"receiving sample {self._arriving().sample_number}"
        if unit.is_sending:
            return f"sending sample {self._sending().sample_number}"
        if not unit.memory.capacity:
            return "takes nothing: the memory has to be initialised"
        if unit.panel.awaiting_confirm is not None:
            held = unit.keeper.held
            waits = "" if held is None else f", and sample {held.sample_number} has to wait"
            return f"slot {unit.panel.awaiting_confirm} waits for confirm{waits}"
        return "idle"

    def _arriving(self) -> Coming:
        return _coming(self._header, self.unit.packets_stored)

    def _sending(self) -> Coming:
        return _coming(self._overheard.sends, self._overheard.sent)


def _coming(header: Header | None, packets: int) -> Coming:
    plan = plan_of(header)
    return Coming(
        sample_number=-1 if header is None else header.sample_number,
        packets=packets,
        expected=None if plan is None else plan.packets,
    )
