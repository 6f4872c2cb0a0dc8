"""What the judge says of one dump."""

from dataclasses import dataclass, field

from emulator.wire.constants import BYTE_NS, HEADER_LIMIT_NS, PACKET_LIMIT_NS
from emulator.wire.layout import FIXED
from emulator.wire.messages import Handshake, Header
from harness.judge.dump import DumpContents
from harness.judge.finding import Finding, Verdict, worst_of
from harness.judge.plan import rate_of

_REPLY_BYTES = FIXED[Handshake].size


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DumpVerdict:
    """One dump of a stream, or what stands before the first one, and all that was found in it."""

    contents: DumpContents = field(repr=False)
    """What it holds."""
    findings: tuple[Finding, ...]

    @property
    def offset(self) -> int:
        """Where it begins in the stream."""
        return self.contents.section.offset

    @property
    def size(self) -> int:
        """Bytes of the stream up to the next header."""
        return self.contents.section.size

    @property
    def has_header(self) -> bool:
        """Whether a header stands here, whole or damaged."""
        return self.contents.section.opening is not None

    @property
    def header(self) -> Header | None:
        """What it says; None where it is damaged or missing."""
        return self.contents.header

    @property
    def planned(self) -> int | None:
        """Packets that the header calls for; None where it doesn't say."""
        return None if self.contents.plan is None else self.contents.plan.packets

    @property
    def packets(self) -> int:
        """Whole packets, repeats and surplus ones counted."""
        return self.contents.section.packets

    @property
    def realtime(self) -> int:
        """Real-time bytes, which are no part of any message (FRM-03)."""
        return sum(tally.count for tally in self.contents.section.realtime.values())

    @property
    def is_dump(self) -> bool:
        """Whether a header or a packet is there at all."""
        return self.has_header or self.packets > 0

    @property
    def worst(self) -> Verdict | None:
        """The gravest verdict among the findings, None if there is no finding."""
        return worst_of(self.findings)

    @property
    def is_broken(self) -> bool:
        """Whether a must of the standard is violated."""
        return self.worst is Verdict.BROKEN

    @property
    def seconds(self) -> float | None:
        """How long the sound lasts by its header."""
        rate = rate_of(self.header) if self.header is not None else None
        if self.header is None or rate is None:
            return None
        return float(self.header.length / rate)

    @property
    def line_ns(self) -> int:
        """How long the bytes take on a five-pin cable, one behind the other (M1 p. 1)."""
        return self.size * BYTE_NS

    @property
    def answered_ns(self) -> int:
        """How long they take if header and packets are answered at once, a reply being 6 bytes."""
        replies = self.packets + (1 if self.has_header else 0)
        return self.line_ns + replies * _REPLY_BYTES * BYTE_NS

    @property
    def silent_ns(self) -> int:
        """How long they take to a unit that never answers, by the standard's pauses (M1 p. 39)."""
        pauses = HEADER_LIMIT_NS if self.has_header else 0
        return self.line_ns + pauses + self.packets * PACKET_LIMIT_NS
