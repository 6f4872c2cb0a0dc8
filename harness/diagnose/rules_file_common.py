"""What the rules about a dump itself share: what was surely sent, and how much that proves.

Theory of operation.  What a sender sends wrongly it sends wrongly every time.  A file of a dump
and a capture taken at the host hold what was sent; a capture of the line holds what arrived, and
then a message must have come twice alike, or be sound, or be in the source as well.
"""

from collections.abc import Callable, Iterator
from dataclasses import fields
from typing import Final
from weakref import WeakKeyDictionary

from emulator.wire.constants import BYTE_NS, PACKET_BYTES
from emulator.wire.messages import DataPacket
from harness.diagnose.against_source import is_as_source
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.scene import DumpScene, Scene, Source
from harness.files.recorded import TakenAt
from harness.judge.dialogue.exchanges import Exchange
from harness.judge.dialogue.judge import Ended, LoopMode
from harness.judge.finding import Answerable, Finding, Place
from harness.judge.stream import judge_stream

PACKET_NS: Final = PACKET_BYTES * BYTE_NS
_MOST_BYTES: Final = 32  # shown of one message
_MOST_PACKETS: Final = 4096  # whose words are looked at
_data: WeakKeyDictionary[DumpScene, bytes] = WeakKeyDictionary()
DumpRule = Callable[[DumpScene], Iterator[Suspicion]]


def for_each_sent(
    rule: DumpRule, *, by_header: bool = False
) -> Callable[[Scene], Iterator[Suspicion]]:
    """Return the rule on a scene that applies a rule to each dump sent to the unit.

    With `by_header` it goes by what the header says, and is not asked where that was altered.
    """

    def on_scene(scene: Scene) -> Iterator[Suspicion]:
        for dump in scene.sent:
            if not (by_header and is_header_altered(dump)):
                yield from rule(dump)

    return on_scene


def is_header_altered(dump: DumpScene) -> bool:
    """Whether the source shows that one bit of a field was turned over on the way."""
    source, header = source_of(dump), dump.header
    if source is None or header is None or shows_sent(dump):
        return False
    if type(source.header) is not type(header):
        return False
    pairs = [
        (getattr(source.header, each.name), getattr(header, each.name))
        for each in fields(header)
        if each.name not in ("device_id", "sample_number")
    ]
    return any((one ^ other).bit_count() == 1 for one, other in pairs)


def source_of(dump: DumpScene) -> Source | None:
    """Return what was to be sent; of several dumps only that with the number of the source."""
    source = dump.source
    if source is None or len(dump.scene.sent) <= 1 or dump.header is None:
        return source
    return source if source.header.sample_number == dump.header.sample_number else None


def is_file(scene: Scene) -> bool:
    """Whether this is a file of dumps and no recording of a talk: one way, and no times.

    Who asks for samples or cancels a dump talks to somebody.
    """
    recorded = scene.recorded
    if scene.both or scene.is_timed or recorded.taken_at is not TakenAt.UNKNOWN:
        return False
    return not scene.asked and not any(each.talk.handshakes for each in scene.sent)


def shows_sent(dump: DumpScene) -> bool:
    """Whether the bytes are those that the sender sent, whatever happened on the way."""
    return dump.scene.recorded.taken_at is TakenAt.HOST or is_file(dump.scene)


def strength(dump: DumpScene, otherwise: Strength = Strength.STRONG) -> Strength:
    """Return SURE where what was sent is to be seen, and something less where what arrived is."""
    return Strength.SURE if shows_sent(dump) else otherwise


def in_every_sending(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether a damaged packet was sent that way, by all that is known."""
    source = source_of(dump)
    if source is not None and is_as_source(exchange, source):
        return True
    if shows_sent(dump):
        return True
    if source is not None:
        return False  # the source has it right, so it went wrong later
    bodies = {each.body for each in exchange.sendings}
    # A way that spoils one packet for a time may spoil this one twice.
    is_same = len(exchange.sendings) > 1 and len(bodies) == 1
    return is_same and bool(dump.sound) and not dump.has_mended


def no_time_before(dump: DumpScene, exchange: Exchange, packets: int) -> bool:
    """Whether so many packets cannot have come before this one and been lost."""
    if not dump.scene.is_timed:
        return False
    sight, first = dump.scene.sight, exchange.sendings[0]
    place = first.place
    earlier = [heard for _, heard in dump.talk.sent if heard.place < place]
    if earlier and not earlier[-1].is_sound:
        return False  # what spoiled that one may have swallowed more
    answers = [each.end_ns for each in dump.talk.replies if each.end_ns <= first.end_ns]
    # A message with a long pause inside may be the ends of two, and all between them lost.
    whole = [heard.end_ns - heard.gaps_ns for heard in earlier[-1:]]
    torn = any(heard.gaps_ns >= PACKET_NS for heard in earlier[-1:])
    since_ns = max(whole if torn else [*whole, *answers], default=None)
    if since_ns is None:
        return False
    return sight.latest_start_ns(first) - since_ns + sight.tolerance_ns < packets * PACKET_NS


def findings_of(dump: DumpScene) -> tuple[Finding, ...]:
    """Return what the judge says of what was sent; of a file that ends early all of it."""
    if not is_file(dump.scene) or dump.ended is not Ended.CUT:
        return tuple(each for each in dump.findings if each.answerable is not Answerable.UNIT)
    messages = [*dump.headers, *(each.best for each in dump.packets)]
    data = b"".join(each.piece.raw for each in messages)
    return tuple(each for seen in judge_stream(data, keep_words=False) for each in seen.findings)


def found(dump: DumpScene, *clauses: str) -> list[Finding]:
    """Return the findings by these clauses."""
    return [each for each in findings_of(dump) if each.clause in clauses]


def is_closed(dump: DumpScene) -> bool:
    """Whether both sides went step by step, so that nothing could pass anything on the way."""
    return dump.seen.loop is LoopMode.CLOSED


def is_whole(exchange: Exchange) -> bool:
    """Whether a packet came in its right form at least once, sum aside."""
    return any(isinstance(each.message, DataPacket) for each in exchange.sendings)


def all_sound(dump: DumpScene) -> bool:
    """Whether every packet came right in one sending at least."""
    return len(dump.sound) == len(dump.packets)


def sound_data(dump: DumpScene) -> bytes:
    """Return the data bytes of the packets that are right, in order; of long dumps the first.

    Several rules ask for them, so they are put together once a dump.
    """
    data = _data.get(dump)
    if data is None:
        bodies = [each.best.body for each in dump.sound[:_MOST_PACKETS]]
        data = _data[dump] = b"".join(body[5:125] for body in bodies)
    return data


def shown(body: bytes) -> str:
    """Return bytes in hexadecimal, the middle of long messages left out."""
    if len(body) <= _MOST_BYTES:
        return body.hex(" ").upper()
    return f"{body[:12].hex(' ').upper()} ... {body[-8:].hex(' ').upper()}"


def suspect(
    dump: DumpScene,
    cause: str,
    how: Strength,
    *texts: str,
    at: Place | None = None,
    bytes_shown: str = "",
    because: str = "",
) -> Suspicion:
    """Return a suspicion about a dump; bytes go with the first sentence."""
    lines = [
        Evidence(text=text, at=at, shown=bytes_shown if not number else "")
        for number, text in enumerate(texts)
    ]
    return Suspicion(
        cause=cause,
        strength=how,
        evidence=tuple(lines),
        at=at if at is not None else header_place(dump),
        dump=dump.index,
        because=because,
    )


def header_place(dump: DumpScene) -> Place:
    """Return where a dump begins."""
    exchange = dump.talk.exchanges[0]
    return dump.place(exchange.sendings[0], exchange)


def place_of(dump: DumpScene, exchange: Exchange) -> Place:
    """Return where a packet is; where it was first sent."""
    return dump.place(exchange.sendings[0], exchange)


def times(count: int) -> str:
    """Return how often: "once", "twice", "3 times"."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


__all__ = [
    "all_sound",
    "findings_of",
    "for_each_sent",
    "found",
    "header_place",
    "in_every_sending",
    "is_closed",
    "is_file",
    "is_whole",
    "no_time_before",
    "place_of",
    "shown",
    "shows_sent",
    "sound_data",
    "source_of",
    "strength",
    "suspect",
    "times",
]
