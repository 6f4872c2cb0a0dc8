"""Messages told to nobody over a disturbed line, each in a slot of its own, taken apart again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from dryload.emulator.line.disturbance import AppliedFault, Disturbance, Effect
from dryload.emulator.line.link import Link
from dryload.emulator.line.placement import Placement
from dryload.emulator.line.simulate import SimulatedLine
from tests import oracle
from tests.line.players import BYTE_NS, FROM, TO, Player, bytewise

SLOT_NS = 200_000_000  # far more than a packet's 40.64 ms: no message pushes another
HEADER = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=480)
PACKETS = [
    oracle.packet(number=n, data=bytes((7 * n + 11 * i + i // 5) % 128 for i in range(120)))
    for n in range(12)
]
DUMP = [HEADER, *PACKETS]
REPLIES = [oracle.handshake(kind="ACK", packet_number=n) for n in (0, *range(12))]
Timed = list[tuple[int, int]]


class Does(NamedTuple):
    """An effect with its settings."""

    effect: Effect
    settings: Mapping[str, Any]

    def at(self, where: Placement, said: str = "it") -> Disturbance:
        return Disturbance(effect=self.effect, settings=self.settings, where=where, said=said)


def does(effect: Effect, **settings: object) -> Does:
    return Does(effect, settings)


class Told:
    """What came: `slots` are the bytes of each message, with their instants from its beginning."""

    def __init__(
        self,
        *placed: Disturbance,
        there: Sequence[bytes] = DUMP,
        back: Sequence[bytes] = (),
        slot_ns: int = SLOT_NS,
        link: Link | None = None,
    ) -> None:
        host = Player(*((n * slot_ns, message) for n, message in enumerate(there)))
        # an answer begins half a slot after its message
        unit = Player(*((n * slot_ns + slot_ns // 2, message) for n, message in enumerate(back)))
        self.line = SimulatedLine(unit, disturbances=placed, link=link)
        self.line.connect(host)
        self.line.run(lambda: host.is_over and unit.is_over)
        self.there = bytewise(self.line.capture, TO)
        self.back = bytewise(self.line.capture, FROM)
        self.slots = _slots(self.there, len(there), slot_ns, 0)
        self.answers = _slots(self.back, len(back), slot_ns, slot_ns // 2)

    @property
    def struck(self) -> list[AppliedFault]:
        return list(self.line.struck)


def _slots(came: Timed, count: int, slot_ns: int, begin_ns: int) -> list[Timed]:
    slots: list[Timed] = [[] for _ in range(max(count, 1))]  # an echo comes unasked
    for at_ns, byte in came:
        which, from_ns = divmod(at_ns - 1 - begin_ns, slot_ns)
        slots[min(which, len(slots) - 1)].append((from_ns + 1, byte))
    return slots[:count]


def plain(message: bytes) -> Timed:
    """A message that nothing happened to: a byte every 320 us (M1 p. 1)."""
    return [((at + 1) * BYTE_NS, byte) for at, byte in enumerate(message)]


def bytes_of(timed: Timed) -> bytes:
    return bytes(byte for _, byte in timed)


def times_of(timed: Timed) -> list[int]:
    return [at_ns for at_ns, _ in timed]
