"""What passes on the line of a served unit, as far as a person beside it wants to know.

The unit tells of what it did.  What it let pass (a header for another device, a message that its
filter keeps out) stands only in what came.
"""

from collections import deque
from collections.abc import Iterator
from typing import Final

from emulator.dump.capture import Direction, Passage
from emulator.unit.board import RackUnit
from emulator.wire.codec import decode
from emulator.wire.constants import FAMILY, PACKET_BYTES, PACKET_SUB_ID
from emulator.wire.messages import DumpHeader, DumpRequest, ExtendedHeader, Header
from emulator.wire.prose import counted
from emulator.wire.splitter import PieceKind, Splitter
from harness.jobs.serving_view import Passed

_LIMIT: Final = 1 << 12  # bytes that are held of a message without an end
_LONGEST: Final = 64  # bytes; every message that is of interest is shorter
_SUB_ID: Final = 3
_RECENT: Final = 48  # passages, for whoever wants to see bytes
_SHOWN: Final = 32  # bytes of each
_Heard = tuple[str, str, dict[str, object]]
"""Event, text and facts of a note."""


class Overheard:
    """Hears every passage; yields what a note is to be made of."""

    def __init__(self, unit: RackUnit) -> None:
        self._unit: Final = unit
        self._splitter: Final = Splitter(limit=_LIMIT)
        self.recent: Final[deque[Passed]] = deque(maxlen=_RECENT)
        """What passed last, the oldest first."""
        self.sent = 0
        """Data packets of the dump that the unit sends or sent last."""
        self.sends: Header | None = None
        """The header of that dump."""

    def hear(self, passage: Passage) -> Iterator[_Heard]:
        """Take bytes that have passed."""
        to_unit = passage.direction is Direction.TO_UNIT
        self.recent.append(
            Passed(passage.end_ns, to_unit, passage.data[:_SHOWN], len(passage.data))
        )
        if passage.direction is Direction.FROM_UNIT:
            yield from self._from_unit(passage.data)
            return
        for piece in self._splitter.feed(passage.data):
            if piece.kind is PieceKind.EXCLUSIVE and _is_of_interest(piece.body):
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
        if len(data) == PACKET_BYTES and data[_SUB_ID] == PACKET_SUB_ID:
            self.sent += 1
        elif _is_of_interest(data):
            message = decode(data)
            if isinstance(message, DumpHeader | ExtendedHeader):
                self.sends, self.sent = message, 0
                number = message.sample_number
                facts: dict[str, object] = {"sample_number": number, "words": words_of(message)}
                words = counted(words_of(message), "word")
                yield "request answered", f"sends sample {number}, {words}, as was asked", facts


def words_of(header: Header) -> int:
    """Return the words that a header announces, all channels together."""
    return header.length * header.channels


def _is_of_interest(body: bytes) -> bool:
    return _SUB_ID < len(body) <= _LONGEST and body[1] == FAMILY
