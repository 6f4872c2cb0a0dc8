"""The passes of a proof: what is written and read, in which order, and how long that takes.

Theory of operation.  The test samples double in length, so that they begin where address lines
change and the likeliest faults show early; the first of them is looked at again after each, because
a fault of an address line spoils what was written before.  In every pass all samples are written
before the first is read: an address that reaches another's word looks right until that word is
written.  Each word also lies for `HOLD_NS` before it is read, so that one that fades shows.

The usual passes are the code and its complement.  A third one has each bit change both ways.  A
split pass writes every second sample and reads the others before these are written: only there a
write can be seen that disturbs a sample which is not being written.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum
from typing import Final, NamedTuple

from msgspec import Struct

from dryload.emulator.wire.constants import BYTE_NS, MAX_21_BIT
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import DataPacket, DumpHeader, Handshake
from dryload.emulator.wire.sizes import packets_for

HOLD_NS: Final = 360_000_000_000
"""How long every word lies before it is read; our choice."""
FIRST: Final = 4_096
"""Words of the first test sample, where the memory is large enough: units give out memory in
blocks, and those are no longer (common practice)."""
LONGEST: Final = 1 << 20
"""Words of the longest, as long as there are numbers enough."""
SHORTEST: Final = 32
GLANCE: Final = 8
"""Packets of a look."""
_PACKET_NS: Final = BYTE_NS * (FIXED[DataPacket].size + FIXED[Handshake].size)
_ALONE_NS: Final = BYTE_NS * FIXED[DataPacket].size  # no cable is faster
_LEAD_NS: Final = BYTE_NS * (FIXED[DumpHeader].size + FIXED[Handshake].size)


class Part(Struct, frozen=True, kw_only=True):
    """One test sample."""

    number: int
    """Its sample number."""
    start: int
    """Its first word, counted in the test."""
    words: int

    @property
    def end(self) -> int:
        """The first word behind it."""
        return self.start + self.words


class Pass(Struct, frozen=True, kw_only=True):
    """One pass through the whole memory."""

    which: int = 0
    inverted: bool = False
    split: bool = False


USUAL: Final = (Pass(), Pass(inverted=True))
OVERNIGHT: Final = (*USUAL, Pass(), Pass(inverted=True, split=True), Pass(which=1, split=True))
QUICK: Final = (Pass(),)
"""Where there are only minutes: it can find a fault, and proves nothing."""


class Act(StrEnum):
    """What is done with a test sample."""

    WRITE = "writing"
    LOOK = "looking at"
    """Only its first packets."""
    HOLD = "waiting before reading"
    READ = "reading"
    WRITE_AGAIN = "writing once more"
    READ_AGAIN = "reading once more"


class PassStep(NamedTuple):
    """One step of a pass."""

    act: Act
    part: Part


def stages(each: Pass, parts: Sequence[Part]) -> Iterator[PassStep]:
    """Yield the steps of a pass; every part is read after the last write."""
    if each.split:
        yield from (PassStep(Act.WRITE, part) for part in parts[::2])
        yield from (PassStep(Act.READ, part) for part in parts[1::2])
        yield from (PassStep(Act.WRITE, part) for part in parts[1::2])
    else:
        for part in parts:
            yield PassStep(Act.WRITE, part)
            yield from looks(part, parts[0])
    yield from (PassStep(Act.READ, part) for part in parts)


def looks(part: Part, first: Part) -> Iterator[PassStep]:
    """Yield the looks after a part was written."""
    yield PassStep(Act.LOOK, part)
    if part is not first:
        yield PassStep(Act.LOOK, first)


def doubling(room: int | None, *, given: int = 0, left: int = MAX_21_BIT) -> int:
    """Return how long the next test sample is to be, `given` words being written already.

    `room` is what there is in all; None: that is not known.  So many sample numbers are `left`.
    """
    first = FIRST
    while room is not None and first > SHORTEST and 8 * first > room:
        first //= 2
    wanted = min(max(given, first), LONGEST)
    if room is None:  # the last one shows where the memory ends, and none of the others ends there
        more = first if given < 4 * first else 3 * first
        return min(given + more, LONGEST) if left > 1 else LONGEST
    quarter, rest = max(room // 4 // first, 1) * first, room - given
    each = -(-rest // max(left, 1))
    return min(max(min(wanted, quarter), -(-each // first) * first), rest, MAX_21_BIT)


def planned(room: int, numbers: int = MAX_21_BIT) -> list[Part]:
    """Return the test samples for so many words, numbered from 0."""
    parts, given = list[Part](), 0
    while given < room and len(parts) < numbers:
        words = doubling(room, given=given, left=numbers - len(parts))
        parts.append(Part(number=len(parts), start=given, words=words))
        given += words
    return parts


class StepPace(Struct, kw_only=True):
    """How long a transfer takes: a lead, and so much a packet; learnt from two of them."""

    lead_ns: float = _LEAD_NS
    each_ns: float = _PACKET_NS
    seen: tuple[int, int] | None = None
    """Packets and time of the first one that was timed."""

    def learn(self, packets: int, took_ns: int) -> None:
        """Take one transfer into account."""
        if self.seen is not None and self.seen[0] != packets:
            before, before_ns = self.seen
            self.each_ns = max((took_ns - before_ns) / (packets - before), _ALONE_NS)
            self.lead_ns = max(took_ns - packets * self.each_ns, 0)
        elif self.seen is None:
            self.lead_ns = max(took_ns - packets * self.each_ns, 0)
        if self.seen is None or packets < self.seen[0]:
            self.seen = packets, took_ns

    def of(self, packets: int) -> float:
        """Return what a transfer of so many packets takes."""
        return self.lead_ns + packets * self.each_ns


class Paces(Struct, kw_only=True):
    """What writing, reading and looking take on this unit."""

    write: StepPace
    read: StepPace
    look: StepPace
    freeing_ns: float = 0
    """What it takes to give back the old words first, where the unit wants that."""

    def of(
        self,
        steps: Iterable[PassStep],
        width: int,
        *,
        is_first: bool = False,
        lain: Mapping[int, int] | None = None,
    ) -> int:
        """Return what steps take in nanoseconds.

        Nothing is there to be given back if it `is_first`; `lain` says how long samples have lain.
        """
        total = 0.0
        written = {number: -float(ns) for number, ns in (lain or {}).items()}
        for act, part in steps:
            packets = packets_for(part.words, width)
            if act is Act.WRITE:
                total += self.write.of(packets) + (0 if is_first else self.freeing_ns)
                written[part.number] = total
            elif act is Act.READ:
                if part.number in written:
                    total = max(total, written[part.number] + HOLD_NS)
                total += self.read.of(packets)
            else:
                total += self.look.of(min(packets, GLANCE))
        return round(total)
