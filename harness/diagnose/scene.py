"""Everything that a rule may look at: a capture that has been followed, dump by dump."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from emulator.dump.capture import Direction
from emulator.wire.codec import encode
from emulator.wire.constants import PACKET_BYTES
from emulator.wire.messages import (
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    Handshake,
    HandshakeKind,
    Header,
    IdentityReply,
)
from harness.files.recorded import Recorded, TakenAt
from harness.judge.dialogue.exchanges import OTHER, DumpExchange, Exchange, Reply
from harness.judge.dialogue.heard import TimePrecision
from harness.judge.dialogue.judge import (
    DumpSeen,
    Ended,
    Followed,
    Verdicts,
    follow_capture,
    judge_followed,
)
from harness.judge.finding import Finding, Place
from harness.judge.timed_messages import TimedMessage


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Source:
    """A dump that was to be sent, message by message."""

    name: str
    """File and, of several, which dump of it."""
    header: Header
    packets: tuple[bytes, ...]
    """As they stand in the file: one may be missing, torn or there twice."""

    @property
    def header_bytes(self) -> bytes:
        """The header as it goes out."""
        return encode(self.header)

    def whole(self, place: int) -> bytes | None:
        """Return the packet at a place; None where the file has none there, or not all of it."""
        packet = self.packets[place] if 0 <= place < len(self.packets) else b""
        return packet if len(packet) == PACKET_BYTES else None


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A capture, what the judge says of it, and what was to be sent if that is known."""

    followed: Followed
    verdicts: Verdicts
    sources: tuple[Source, ...] = ()

    @property
    def recorded(self) -> Recorded:
        """The capture itself."""
        return self.followed.recorded

    @property
    def sight(self) -> TimePrecision:
        """How fine its times are."""
        return self.followed.sight

    @property
    def both(self) -> bool:
        """Whether both directions were listened to."""
        return self.followed.both

    @property
    def is_timed(self) -> bool:
        """Whether its times are known."""
        return self.recorded.is_timed

    @cached_property
    def dumps(self) -> tuple["DumpScene", ...]:
        """Every dump, whichever way it went, in order."""
        talks = zip(self.followed.course.talks, self.verdicts.dumps, strict=True)
        return tuple(
            DumpScene(scene=self, index=index, talk=talk, seen=seen)
            for index, (talk, seen) in enumerate(talks)
        )

    @cached_property
    def sent(self) -> tuple["DumpScene", ...]:
        """The dumps that went to the unit."""
        return tuple(each for each in self.dumps if each.talk.direction is Direction.TO_UNIT)

    @cached_property
    def returned(self) -> tuple["DumpScene", ...]:
        """The dumps that the unit sent."""
        return tuple(each for each in self.dumps if each.talk.direction is Direction.FROM_UNIT)

    @cached_property
    def asked(self) -> tuple[TimedMessage, ...]:
        """The dump requests to the unit, in order."""
        return tuple(
            each.heard
            for each in self.followed.course.asked
            if isinstance(each.message, DumpRequest) and each.heard.direction is Direction.TO_UNIT
        )

    def shows_damage(self, direction: Direction) -> bool | None:
        """Whether bytes of a direction are kept as they arrived; None where that is not known."""
        match self.recorded.taken_at:
            case TakenAt.LINE:
                return True
            case TakenAt.HOST:
                return direction is Direction.FROM_UNIT
            case TakenAt.UNIT:
                return direction is Direction.TO_UNIT
        return None

    def spoke(self, direction: Direction) -> Iterator[TimedMessage]:
        """Yield everything that one side said, in order, echoes included."""
        return (each for each in self.followed.heard if each.direction is direction)

    def place(self, heard: TimedMessage | None, exchange: Exchange | None = None) -> Place:
        """Return where something is, as findings have it."""
        packet = None if exchange is None else exchange.place
        return Place(
            byte=None if heard is None else heard.piece.offset,
            packet=packet,
            packet_number=None if packet is None or exchange is None else exchange.number % 128,
            time_ns=heard.end_ns if heard is not None and self.is_timed else None,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class DumpScene:
    """One dump of a capture, whichever way it went."""

    scene: Scene
    index: int
    """Which dump of the capture, from 0 on."""
    talk: DumpExchange
    seen: DumpSeen

    @property
    def header(self) -> Header | None:
        """The header; None where it is damaged or missing."""
        return self.talk.header

    @property
    def planned(self) -> int | None:
        """How many packets the header calls for."""
        return self.talk.planned

    @property
    def ended(self) -> Ended:
        """How it ended."""
        return self.seen.ended

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the judge says of it."""
        return self.seen.findings

    @property
    def headers(self) -> list[TimedMessage]:
        """Each sending of the header."""
        first = self.talk.exchanges[0]
        return first.sendings if first.place is None else []

    @property
    def header_replies(self) -> list[Reply]:
        """What was said to the header."""
        first = self.talk.exchanges[0]
        return first.replies if first.place is None else []

    @cached_property
    def packets(self) -> tuple[Exchange, ...]:
        """The packets, each with its sendings and replies."""
        return tuple(each for each in self.talk.exchanges if each.place is not None)

    def replies(self, kind: HandshakeKind) -> list[Reply]:
        """Return the replies of one kind, in order."""
        return [each for each in self.talk.replies if each.kind is kind]

    @cached_property
    def damaged(self) -> tuple[tuple[Exchange, TimedMessage], ...]:
        """The sendings of packets that have not their form or their checksum, in order."""
        return tuple(
            (exchange, sending)
            for exchange, sending in self.talk.sent
            if exchange.place is not None and not sending.is_sound
        )

    @cached_property
    def sound(self) -> tuple[Exchange, ...]:
        """The packets that have their form and their checksum in one sending at least."""
        return tuple(each for each in self.packets if each.best.is_sound)

    @cached_property
    def has_mended(self) -> bool:
        """Whether a packet came damaged in one sending and right in another."""
        return any(not heard.is_sound for each in self.sound for heard in each.sendings)

    @cached_property
    def source(self) -> Source | None:
        """The dump that was to be sent, if it was given: by sample number, or the only one."""
        sources = self.scene.sources
        if len(sources) == 1:
            return sources[0]
        number = None if self.header is None else self.header.sample_number
        return next((each for each in sources if each.header.sample_number == number), None)

    @cached_property
    def returned(self) -> "DumpScene | None":
        """The same sample as the unit sent it back later, if it did."""
        if self.header is None or self.talk.direction is Direction.FROM_UNIT:
            return None
        number = self.header.sample_number
        for other in self.scene.dumps[self.index + 1 :]:
            if other.header is None or other.header.sample_number != number:
                continue
            if other.talk.direction is Direction.TO_UNIT:
                return None
            return other
        return None

    @property
    def is_last(self) -> bool:
        """Whether nothing of any dump came after it."""
        return self.index == len(self.scene.dumps) - 1

    def place(self, heard: TimedMessage | None, exchange: Exchange | None = None) -> Place:
        """Return where something is."""
        return self.scene.place(heard, exchange)


def scene_of(recorded: Recorded, sources: Sequence[Source] = ()) -> Scene:
    """Return a capture as rules look at it."""
    followed = follow_capture(recorded)
    return Scene(followed=followed, verdicts=judge_followed(followed), sources=tuple(sources))


def unit_spoke_exclusive(scene: Scene) -> bool:
    """Whether anything of the standard came from the unit, so that the way back passes it."""
    return any(
        isinstance(each.message, Handshake | IdentityReply | DumpHeader | ExtendedHeader)
        for each in scene.spoke(Direction.FROM_UNIT)
    )


__all__ = ["OTHER", "DumpScene", "Scene", "Source", "scene_of", "unit_spoke_exclusive"]
