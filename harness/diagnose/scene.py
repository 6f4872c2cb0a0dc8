"""What a diagnosis looks at: a capture that has been followed and judged, dump by dump.

Theory of operation.  The judge is the only reader of bytes; what it made of a capture stands here
with what several readers of signs ask of it: which sending got which answer, what was surely sent,
what came back.  What costs time is worked out once a dump.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import fields, replace

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import BYTE_NS, PACKET_BYTES, PACKET_NUMBERS
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    HandshakeKind,
    Header,
    IdentityReply,
)
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.judge.against_source import Compared, Source, against, is_as_source
from dryload.harness.judge.damage import data_bytes
from dryload.harness.judge.dialogue.exchanges import (
    ACK,
    OTHER,
    WAIT,
    DumpExchange,
    Ended,
    Exchange,
    LoopMode,
    Reply,
)
from dryload.harness.judge.dialogue.follow import QuestionExchange
from dryload.harness.judge.dialogue.heard import TimePrecision
from dryload.harness.judge.dialogue.judge import (
    DumpSeen,
    Followed,
    Verdicts,
    follow_capture,
    judge_followed,
)
from dryload.harness.judge.finding import Answerable, Finding, Place, Verdict
from dryload.harness.judge.stream import judge_stream
from dryload.harness.judge.timed_messages import TimedMessage

if TYPE_CHECKING:
    from dryload.harness.judge.kept import Stored
    from dryload.harness.judge.misreading import WordsSeen

PACKET_NS: Final = PACKET_BYTES * BYTE_NS
GAP_NS: Final = 20_000_000
"""Pauses inside a message that may have made a receiver drop it (our choice)."""
TIME_NS: Final = 15_000_000
"""A sender that leaves less than this has not waited for an answer (our choice)."""
_DUMPED: Final = DataPacket | DumpHeader | ExtendedHeader
_MOST_PACKETS: Final = 4096  # whose words are looked at
HABIT: Final = 2  # messages answered in one manner that make it the unit's custom (our choice)


class Scene(Struct, frozen=True, kw_only=True, eq=False, dict=True):
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

    @property
    def at_host(self) -> bool:
        """Whether it was recorded at the computer, so that damage on the way does not show."""
        return self.recorded.taken_at is TakenAt.HOST

    @cached_property
    def dumps(self) -> tuple["DumpScene", ...]:
        """Every dump, whichever way it went, in order."""
        talks = zip(self.followed.course.talks, self.verdicts.dumps, strict=True)
        return tuple(
            DumpScene(scene=self, index=index, talk=talk, seen=seen)
            for index, (talk, seen) in enumerate(talks)
        )

    @cached_property
    def next_of_number(self) -> dict[int, "DumpScene"]:
        """By the index of a dump, the next one of the same sample number, whichever way it went."""
        found: dict[int, DumpScene] = {}
        last: dict[int, DumpScene] = {}
        for dump in reversed(self.dumps):
            if dump.header is not None:
                number = dump.header.sample_number
                if number in last:
                    found[dump.index] = last[number]
                last[number] = dump
        return found

    @cached_property
    def sent(self) -> tuple["DumpScene", ...]:
        """The dumps that went to the unit."""
        return tuple(each for each in self.dumps if each.talk.direction is Direction.TO_UNIT)

    @cached_property
    def returned(self) -> tuple["DumpScene", ...]:
        """The dumps that the unit sent."""
        return tuple(each for each in self.dumps if each.talk.direction is Direction.FROM_UNIT)

    @cached_property
    def questions(self) -> tuple[QuestionExchange, ...]:
        """What the unit was asked, in order."""
        return tuple(
            each for each in self.followed.course.asked if each.heard.direction is Direction.TO_UNIT
        )

    @cached_property
    def asked(self) -> tuple[TimedMessage, ...]:
        """The dump requests to the unit, in order."""
        return tuple(e.heard for e in self.questions if isinstance(e.message, DumpRequest))

    @cached_property
    def is_file(self) -> bool:
        """Whether this is a file of dumps and no recording of a talk: one way, and no times.

        Who asks for samples or cancels a dump talks to somebody.
        """
        recorded = self.recorded
        if self.both or self.is_timed or recorded.taken_at is not TakenAt.UNKNOWN:
            return False
        return not self.asked and not any(each.talk.handshakes for each in self.sent)

    @property
    def shows_sent(self) -> bool:
        """Whether the bytes are those that the sender sent, whatever happened on the way."""
        return self.at_host or self.is_file

    @property
    def shows_arrived(self) -> bool:
        """Whether what arrived at the unit is surely what is here."""
        return bool(self.shows_damage(Direction.TO_UNIT))

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

    @cached_property
    def _spoken(self) -> dict[Direction, list[TimedMessage]]:
        ways: dict[Direction, list[TimedMessage]] = {way: [] for way in Direction}
        for each in self.followed.heard:
            ways[each.direction].append(each)
        return ways

    def spoke(self, direction: Direction) -> list[TimedMessage]:
        """Return everything that one side said, in order, echoes included."""
        return self._spoken[direction]

    @cached_property
    def echoes(self) -> list[tuple[TimedMessage, TimedMessage]]:
        """What came back from the unit, and what it is an echo of.

        Without times the judge knows none: there it is what came back before anything was asked
        for.
        """
        if self.is_timed:
            unit = Direction.FROM_UNIT
            return [each for each in self.followed.course.echoes if each[0].direction is unit]
        found: list[tuple[TimedMessage, TimedMessage]] = []
        said: dict[bytes, TimedMessage] = {}
        for heard in self.followed.heard:
            if heard.direction is Direction.TO_UNIT:
                if isinstance(heard.message, DumpRequest):
                    break
                said.setdefault(heard.body, heard)
            elif isinstance(heard.message, _DUMPED) and heard.body in said:
                found.append((heard, said[heard.body]))
        return found

    @cached_property
    def own_words(self) -> list[TimedMessage]:
        """What the unit said of its own, what came back aside."""
        echoed = {id(heard) for heard, _ in self.echoes}
        return [each for each in self.spoke(Direction.FROM_UNIT) if id(each) not in echoed]

    @cached_property
    def last_words_ns(self) -> int:
        """When the unit last said more than handshakes; -1 where it never did."""
        known = DumpHeader | ExtendedHeader | IdentityReply
        words = (each.end_ns for each in self.own_words if isinstance(each.message, known))
        return max(words, default=-1)

    def place(self, heard: TimedMessage | None, exchange: Exchange | None = None) -> Place:
        """Return where something is, as findings have it."""
        packet = None if exchange is None else exchange.place
        return Place(
            byte=None if heard is None else heard.piece.offset,
            packet=packet,
            packet_number=None
            if packet is None or exchange is None
            else exchange.number % PACKET_NUMBERS,
            time_ns=heard.end_ns if heard is not None and self.is_timed else None,
        )


class DumpScene(Struct, frozen=True, kw_only=True, eq=False, dict=True):
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
    def is_closed(self) -> bool:
        """Whether both sides went step by step, so that nothing could pass anything on the way."""
        return self.seen.loop is LoopMode.CLOSED

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the judge says of it."""
        return self.seen.findings

    @cached_property
    def _of_sent(self) -> tuple[Finding, ...]:
        """What the judge says of what was sent; of a file that ends early all of it."""
        if not self.scene.is_file or self.ended is not Ended.CUT:
            return tuple(e for e in self.findings if e.answerable is not Answerable.UNIT)
        messages = [*self.headers, *(each.best for each in self.packets)]
        data = b"".join(each.piece.raw for each in messages)
        return tuple(e for seen in judge_stream(data, keep_words=False) for e in seen.findings)

    @property
    def told(self) -> tuple[Finding, ...]:
        """What the judge says of what was sent, and of what the unit answered."""
        answers = (e for e in self.findings if e.answerable is Answerable.UNIT)
        return (*self._of_sent, *answers)

    def found(self, *clauses: str) -> list[Finding]:
        """Return the findings by these clauses on what was sent."""
        return [each for each in self._of_sent if each.clause in clauses]

    def bent(self, clause: str) -> list[Finding]:
        """Return the findings by a clause that are no more than a custom."""
        mine = (each for each in self.findings if each.clause == clause)
        return [each for each in mine if each.verdict is Verdict.BENT]

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
        if not self.damaged:
            return self.packets
        return tuple(each for each in self.packets if each.best.is_sound)

    @property
    def is_all_sound(self) -> bool:
        """Whether every packet came right in one sending at least."""
        return len(self.sound) == len(self.packets)

    @cached_property
    def has_mended(self) -> bool:
        """Whether a packet came damaged in one sending and right in another."""
        return any(not heard.is_sound for each in self.sound for heard in each.sendings)

    @cached_property
    def source(self) -> Source | None:
        """The dump that was to be sent, if it was given: by sample number, or the only one."""
        sources = self.scene.sources
        number = None if self.header is None else self.header.sample_number
        if len(sources) == 1 and (len(self.scene.sent) <= 1 or number is None):
            return sources[0]
        return next((each for each in sources if each.header.sample_number == number), None)

    @cached_property
    def compared(self) -> Compared | None:
        """The dump held against its source; None without one."""
        source = self.source
        return None if source is None else against(self.header, self.packets, source)

    @cached_property
    def returned(self) -> "DumpScene | None":
        """The same sample as the unit sent it back later, if it did."""
        if self.talk.direction is Direction.FROM_UNIT:
            return None
        after = self.scene.next_of_number.get(self.index)
        return after if after and after.talk.direction is Direction.FROM_UNIT else None

    @property
    def came_back_whole(self) -> bool:
        """Whether the unit sent the whole sample back."""
        return self.returned is not None and self.returned.ended is Ended.WHOLE

    @property
    def is_last(self) -> bool:
        """Whether nothing of any dump came after it."""
        return self.index == len(self.scene.dumps) - 1

    @cached_property
    def runs(self) -> tuple[int, int] | None:
        """How many packets go on with the numbers of the dump that its header cut off, and how
        many are its own; None where there is no such dump, or its numbers explain none of them.
        """
        before = self.scene.dumps[self.index - 1] if self.index else None
        if before is None or before.ended is not Ended.REPLACED:
            return None
        its = before.packets[-1].number + 1 if before.packets else 0
        due = [0, its]  # one's own first: a dump that is begun again has the same numbers
        for each in self.packets:
            run = next(
                (at for at, next_ in enumerate(due) if next_ % PACKET_NUMBERS == each.number), None
            )
            if run is None:
                return None
            due[run] += 1
        return (due[1] - its, due[0]) if due[1] > its else None

    @property
    def is_mixed(self) -> bool:
        """Whether packets of the dump before stand between its own: two send at once."""
        return self.runs is not None and self.runs[1] > 0

    @cached_property
    def data(self) -> bytes:
        """The data bytes of the packets that are right, in order; of long dumps the first."""
        return data_bytes([each.best for each in self.sound[:_MOST_PACKETS]])

    @cached_property
    def words(self) -> "WordsSeen | None":
        """The words of these packets, filler included; None where no width is known."""
        if self.is_mixed:
            return None
        # Numpy, which the command line does without until there is something to look at.
        from dryload.harness.judge.misreading import words_seen

        return words_seen(self.data, self.header)

    @cached_property
    def spoke_later(self) -> bool:
        """Whether the unit said more than handshakes after the dump."""
        return self.scene.last_words_ns > self.talk.last_ns

    @cached_property
    def is_doubled_there(self) -> bool:
        """Whether something sends a message a second time without waiting; no sender does."""
        return self.is_sent_twice_in(self.talk.exchanges)

    def is_sent_twice_in(self, exchanges: Sequence[Exchange]) -> bool:
        """Whether one of these messages follows its own copy before an answer can have come."""
        return self.scene.is_timed and any(map(is_sent_twice, exchanges))

    @cached_property
    def has_waits(self) -> bool:
        """Whether it is the unit's custom to say WAIT before each ACK."""
        answered = [each.replies[0].kind for each in self.talk.exchanges if each.replies]
        waits = answered.count(WAIT)
        return waits >= HABIT and 2 * waits >= len(answered)

    @cached_property
    def _answers(self) -> dict[tuple[int, int], list[Reply]]:
        found: dict[tuple[int, int], list[Reply]] = {}
        for exchange in self.talk.exchanges:
            for reply in exchange.replies:
                found.setdefault((id(exchange), reply.sending), []).append(reply)
        return found

    def answers(self, exchange: Exchange, at: int) -> list[Reply]:
        """Return what was said to the `at`th sending of a message."""
        return self._answers.get((id(exchange), at), [])

    @cached_property
    def steps(self) -> list[tuple[Exchange, int, TimedMessage, TimedMessage | None]]:
        """Each sending with its exchange, which sending of it it is, and what was sent after it."""
        sent = self.talk.sent
        which: dict[int, int] = {}
        found = []
        for at, (exchange, heard) in enumerate(sent):
            turn = which[id(exchange)] = which.get(id(exchange), -1) + 1
            after = sent[at + 1][1] if at + 1 < len(sent) else None
            found.append((exchange, turn, heard, after))
        return found

    def in_every_sending(self, exchange: Exchange) -> bool:
        """Whether a damaged packet was sent that way, by all that is known."""
        if self.source is not None and is_as_source(exchange, self.source):
            return True
        if self.scene.shows_sent:
            return True
        if self.source is not None:
            return False  # the source has it right, so it went wrong later
        bodies = {each.body for each in exchange.sendings}
        # A way that spoils one packet for a time may spoil this one twice.
        is_same = len(exchange.sendings) > 1 and len(bodies) == 1
        return is_same and bool(self.sound) and not self.has_mended

    @cached_property
    def is_header_altered(self) -> bool:
        """Whether the source shows that one bit of a field was turned over on the way."""
        source, header = self.source, self.header
        if source is None or header is None or self.scene.shows_sent:
            return False
        if type(source.header) is not type(header):
            return False
        pairs = [
            (getattr(source.header, each.name), getattr(header, each.name))
            for each in fields(header)
            if each.name not in ("device_id", "sample_number")
        ]
        return any((one ^ other).bit_count() == 1 for one, other in pairs)

    def had_time_for(self, packets: int, before: Exchange) -> bool:
        """Whether so many packets can have come before this one and been lost."""
        if not self.scene.is_timed:
            return True
        sight, first = self.scene.sight, before.sendings[0]
        earlier = self.before(first)
        if earlier is not None and not earlier.is_sound:
            return True  # what spoiled that one may have swallowed more
        ends = self.reply_ends
        answered = bisect_right(ends, first.end_ns)
        answers = ends[answered - 1 : answered] if answered else []
        # A message with a long pause inside may be the ends of two, and all between them lost.
        whole = [] if earlier is None else [earlier.end_ns - earlier.gaps_ns]
        torn = earlier is not None and earlier.gaps_ns >= PACKET_NS
        since_ns = max(whole if torn else [*whole, *answers], default=None)
        if since_ns is None:
            return True
        least_ns = packets * PACKET_NS
        return sight.latest_start_ns(first) - since_ns + sight.tolerance_ns >= least_ns

    @cached_property
    def reply_ends(self) -> list[int]:
        """When each reply was there, in order."""
        return sorted(each.end_ns for each in self.talk.replies)

    @cached_property
    def stored(self) -> "Stored | None":
        """What the unit made of it, by what it sent back; None where nobody can tell."""
        return None if self.returned is None else self.stored_as(self.returned)

    def stored_as(self, back: "DumpScene") -> "Stored | None":
        """Return what the unit made of it if that is what came back."""
        # Numpy, which the command line does without until there is something to compare.
        from dryload.harness.judge.kept import stored

        if self.ended is not Ended.WHOLE or back.ended not in (Ended.WHOLE, Ended.CUT):
            return None
        return stored(self.talk, back.talk)

    @cached_property
    def is_taken(self) -> bool:
        """Whether the unit said yes to every packet; the last one needs no answer (HSK-13)."""
        said = [any(one.kind is ACK and one.binds for one in e.replies) for e in self.packets]
        return bool(said) and (said[0] or len(said) == 1) and all(said[:-1]) and any(said)

    @cached_property
    def starts(self) -> list[int]:
        """When each message of it began, in order."""
        return sorted(heard.start_ns for _, heard in self.talk.sent)

    def before(self, heard: TimedMessage) -> TimedMessage | None:
        """Return what was sent of the dump before a message."""
        at = bisect_left(self._places, heard.place)
        return self.talk.sent[at - 1][1] if at else None

    @cached_property
    def _places(self) -> list[int]:
        return [heard.place for _, heard in self.talk.sent]

    @property
    def start(self) -> Place:
        """Where it begins."""
        exchange = self.talk.exchanges[0]
        return self.place(exchange.sendings[0], exchange)

    def place(self, heard: TimedMessage | None, exchange: Exchange | None = None) -> Place:
        """Return where something is."""
        return self.scene.place(heard, exchange)

    def place_at(self, packet: int, heard: TimedMessage, exchange: Exchange) -> Place:
        """Return where something shows, under the number of the packet that it is about."""
        return replace(
            self.place(heard, exchange), packet=packet, packet_number=packet % PACKET_NUMBERS
        )


def scene_of(recorded: Recorded, sources: Sequence[Source] = ()) -> Scene:
    """Return a capture as a diagnosis looks at it."""
    followed = follow_capture(recorded)
    return Scene(followed=followed, verdicts=judge_followed(followed), sources=tuple(sources))


def named(exchange: Exchange) -> str:
    """Return what to call a header or a packet within a sentence."""
    return "the header" if exchange.place is None else f"packet {exchange.place:,}"


def is_clear(heard: TimedMessage) -> bool:
    """Whether a message is right and came in one piece; clocks and resets inside do not matter."""
    return heard.is_sound and heard.gaps_ns < GAP_NS


def is_plain(heard: TimedMessage) -> bool:
    """Whether a message is right and has nothing inside that could upset a receiver."""
    return not heard.piece.realtime and is_clear(heard)


def are_plain(exchange: Exchange) -> bool:
    """Whether a message was plain each time it was sent."""
    return all(map(is_plain, exchange.sendings))


def finals(exchange: Exchange) -> list[Reply]:
    """Return the answers other than WAIT."""
    return [each for each in exchange.replies if each.kind is not WAIT]


def waits_first(exchange: Exchange) -> bool:
    """Whether a message was answered with WAIT and then with ACK."""
    return [each.kind for each in exchange.replies[:2]] == [WAIT, ACK]


def was_told(exchange: Exchange, kind: HandshakeKind) -> bool:
    """Whether a message was answered with a handshake of a kind."""
    return any(each.kind is kind for each in exchange.replies)


def is_sent_twice(exchange: Exchange) -> bool:
    """Whether a message follows its own copy before an answer can have come."""
    return any(
        one.body == other.body and other.start_ns - one.end_ns < TIME_NS
        for one, other in pairwise(exchange.sendings)
    )


__all__ = ["OTHER", "DumpScene", "Scene", "Source", "scene_of"]
