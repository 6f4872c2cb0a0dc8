"""What happened at a served unit, told so that a flood of it stays readable and small.

The unit tells of what it did.  What it let pass (a header for another device, a message that its
filter keeps out) stands only in what came on the line (`Overheard`).
"""

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from dryload.emulator.dump.capture import Direction, Passage
from dryload.emulator.dump.events import EventKind
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.keeper import Receipt
from dryload.emulator.wire.codec import decode, kind_of
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    Header,
)
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.splitter import PieceKind, Splitter
from dryload.harness.jobs.front_panel import Note, PassedBytes

_KEPT: Final = 64
_A_SECOND: Final = 20  # notes of one event that are told in a second
_OFTEN: Final = {"peer": 200}  # who comes and goes is worth knowing each time
_SECOND_NS: Final = 1_000_000_000

Teller = Callable[[Note], None]
"""Hears of every note when it is made."""
_LIMIT: Final = 1 << 12  # bytes that are held of a message without an end
_OPENINGS: Final = (DumpHeader, ExtendedHeader, DumpRequest)
_RECENT: Final = 48  # passages, for whoever wants to see bytes
_SHOWN: Final = 32  # bytes of each
_Heard = tuple[str, str, dict[str, object]]
"""Event, text and facts of a note."""
EVENTS: Final = {
    EventKind.REFUSED: ("refused", "a dump is refused: {detail}"),
    EventKind.FAULTY: (
        "faulty",
        "packet {packet} was not taken: its checksum or its form is wrong",
    ),
    EventKind.JUMPED: ("jumped", "packet {packet} came with another number than was expected"),
    EventKind.REPEATED: ("repeated", "a packet came again after {packet} were stored"),
    EventKind.OVERRUN: ("overrun", "the unit's input buffer was full: {detail}"),
    EventKind.CANCELLED: ("cancelled", "the sender cancelled the dump"),
}
"""Event and text of what the unit reports."""


class ServeNotes:
    """Keeps the last notes and tells each; of one event at most 20 in a second."""

    def __init__(self, teller: Teller | None) -> None:
        self.recent: Final[deque[Note]] = deque(maxlen=_KEPT)
        self._teller: Final = teller
        self._counts: Final[dict[str, tuple[int, int]]] = {}  # event: (its second began, told)
        self._left_out: Final[dict[str, int]] = {}

    def add(self, time_ns: int, event: str, text: str, facts: Mapping[str, object]) -> None:
        """Tell of one thing; what is left out is counted, and the next one says how many."""
        began_ns, told = self._counts.get(event, (time_ns, 0))
        if time_ns - began_ns >= _SECOND_NS:
            began_ns, told = time_ns, 0
        self._counts[event] = (began_ns, told + 1)
        if told >= _OFTEN.get(event, _A_SECOND):
            self._left_out[event] = self._left_out.get(event, 0) + 1
            return
        all_facts = dict(facts)
        if left_out := self._left_out.pop(event, 0):
            all_facts["left_out"] = left_out
            text = f"{text} ({left_out:,} more like this before it)"
        note = Note(time_ns=time_ns, event=event, text=text, facts=all_facts)
        self.recent.append(note)
        if self._teller is not None:
            self._teller(note)


class Overheard:
    """Hears every passage; yields what a note is to be made of."""

    def __init__(self, unit: RackUnit) -> None:
        self._unit: Final = unit
        self._splitter: Final = Splitter(limit=_LIMIT)
        self.recent: Final[deque[PassedBytes]] = deque(maxlen=_RECENT)
        """What passed last, the oldest first."""
        self.sent = 0
        """Data packets of the dump that the unit sends or sent last."""
        self.sends: Header | None = None
        """The header of that dump."""

    def hear(self, passage: Passage) -> Iterator[_Heard]:
        """Take bytes that have passed."""
        to_unit = passage.direction is Direction.TO_UNIT
        self.recent.append(
            PassedBytes(passage.end_ns, to_unit, passage.data[:_SHOWN], len(passage.data))
        )
        if passage.direction is Direction.FROM_UNIT:
            yield from self._from_unit(passage.data)
            return
        for piece in self._splitter.feed(passage.data):
            if piece.kind is PieceKind.EXCLUSIVE and kind_of(piece.body) in _OPENINGS:
                yield from self._to_unit(piece.body)

    def _to_unit(self, body: bytes) -> Iterator[_Heard]:
        message = decode(body)
        if not isinstance(message, DumpHeader | ExtendedHeader | DumpRequest):
            return
        what = "a request for" if isinstance(message, DumpRequest) else "a header of"
        what = f"{what} sample {message.sample_number}"
        panel = self._unit.panel
        facts: dict[str, object] = {
            "device_id": message.device_id,
            "sample_number": message.sample_number,
        }
        if not panel.powered:
            yield "not heard", f"{what} came, and the unit is switched off", facts
        elif not panel.receive_exclusive:
            yield "not heard", f"{what} came, and the receive filter kept it out", facts
        elif not self._unit.obeys(message.device_id):
            own = f"and this unit is device {panel.device_id}"
            yield "not heard", f"{what} came for device {message.device_id}, {own}", facts

    def _from_unit(self, data: bytes) -> Iterator[_Heard]:
        kind = kind_of(data)
        if kind is DataPacket:
            self.sent += 1
        elif kind in _OPENINGS:
            message = decode(data)
            if isinstance(message, DumpHeader | ExtendedHeader):
                self.sends, self.sent = message, 0
                number = message.sample_number
                words = message.length * message.channels
                text = f"sends sample {number}, {counted(words, 'word')}, on request"
                yield "request answered", text, {"sample_number": number, "words": words}


def end_of(receipt: Receipt) -> tuple[str, str]:
    """Return event and text of a dump that has ended."""
    what, changes = f"sample {receipt.sample_number}", "; ".join(receipt.changes)
    where = f"slot {receipt.slot} holds {counted(receipt.words, 'word')}"
    if not receipt.kept:
        return "refused" if receipt.whole else "incomplete", f"{what}: nothing kept, {changes}"
    if not receipt.whole:
        return "incomplete", f"{what} ended early: {where}; {changes}"
    if receipt.changes:
        return "loaded with changes", f"{what}: {where}; {changes}"
    return "loaded", f"{what}: {where}"
