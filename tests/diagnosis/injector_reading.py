"""What really stands in a case of the second injector: read with the plain codec, not its own."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from itertools import pairwise

from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.harness.files.recorded import Recorded
from tests import oracle

MS = 1_000_000
BYTE_NS = 320_000  # M1 p. 1
HANDSHAKES = {value: name for name, value in oracle.HANDSHAKES.items()}


class Message(Struct, frozen=True):
    """An exclusive message, whole or torn, without real-time bytes."""

    to_unit: bool
    body: bytes
    raw: bytes
    start_ns: int
    end_ns: int

    @property
    def kind(self) -> str:
        """A word for what it is or was to be."""
        if len(self.body) < 4 or self.body[:2] != b"\xf0\x7e":
            return "?"
        if self.body[3] in HANDSHAKES:
            return HANDSHAKES[self.body[3]] if len(self.body) == 6 else "?"
        if self.body[3] == 5 and len(self.body) > 4:
            return {3: "name", 5: "header"}.get(self.body[4], "more")
        return {1: "header", 2: "packet", 3: "request", 6: "identity"}.get(self.body[3], "?")

    @property
    def is_sound(self) -> bool:
        """Whether a packet has its length and its checksum, a header its length."""
        if self.body[-1:] != b"\xf7":
            return False
        if self.kind == "packet":
            return len(self.body) == 127 and oracle.checksum(self.body) == self.body[125]
        return self.kind != "header" or len(self.body) in (21, 34)


class Reading(Struct, frozen=True, dict=True):
    """One view of a case."""

    recorded: Recorded

    @cached_property
    def messages(self) -> list[Message]:
        """All messages by their ends."""
        found = [*self._of(Direction.TO_UNIT), *self._of(Direction.FROM_UNIT)]
        return sorted(found, key=lambda each: each.end_ns)

    def _of(self, direction: Direction) -> Iterator[Message]:
        ends: list[int] = []
        for passage in self.recorded.capture.passages:
            if passage.direction is direction:
                size = len(passage.data)
                ends += [passage.end_ns - (size - 1 - at) * BYTE_NS for at in range(size)]
        for at, raw in oracle.split(self.recorded.capture.bytes_of(direction)):
            body = oracle.strip_realtime(raw)
            to_unit = direction is Direction.TO_UNIT
            yield Message(to_unit, body, raw, ends[at] - BYTE_NS, ends[at + len(raw) - 1])

    def those(self, *kinds: str, to_unit: bool = True) -> list[Message]:
        """Messages of some kinds that went one way."""
        return [each for each in self.messages if each.to_unit is to_unit and each.kind in kinds]

    @property
    def packets(self) -> list[Message]:
        """Packets to the unit."""
        return self.those("packet")

    @property
    def answers(self) -> list[Message]:
        """Handshakes of the unit."""
        return self.those("ACK", "NAK", "CANCEL", "WAIT", to_unit=False)

    @property
    def damaged(self) -> list[Message]:
        """Packets to the unit that have not their form or sum."""
        return [each for each in self.packets if not each.is_sound]

    @property
    def unanswered(self) -> list[Message]:
        """Packets behind which the next message goes out without any answer between."""
        said = [each for each in self.messages if each.to_unit or each in self.answers]
        return [one for one, other in pairwise(said) if one.kind == "packet" and other.to_unit] + [
            each for each in said[-1:] if each.kind == "packet"
        ]
