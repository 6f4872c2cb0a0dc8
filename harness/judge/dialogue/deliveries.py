"""What the deliveries of a port prove: which order of messages, and which times.

Theory of operation.  A port tells when a message was delivered.  A computer that is busy delivers
late, so such a time is only the latest at which the message can have ended.  A capture is believed
(PORT_NS in `heard`) until one of four things shows that the computer was busy:

- one direction catches up: bytes come closer together than they last on any line;
- one passage holds several messages, although there was time to deliver each by itself;
- a handshake, six bytes that nobody writes in parts, came in parts;
- few answers of many seem to come too late, or when the next packet has begun.

Of the times of such a capture no more is proved than that each message was on the line before it
was delivered, and at most a stall (STALL_NS) before.  So a stall is the tolerance of all its times,
and what is asked of them (a limit, a pause, what came before what) is broken only if it is broken
for every set of times that the capture allows.  What stays proved is the order of the deliveries:
no message ended before what was delivered before it, in either direction.  Within one passage only
the last byte's time is known.

A direction that catches up by more than a stall has no line at all: it is USB or a network, faster
than MIDI, and its times are as good as a port's.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.wire.constants import BYTE_NS, PACKET_LIMIT_NS
from dryload.emulator.wire.messages import DataPacket, Handshake
from dryload.emulator.wire.splitter import PieceKind
from dryload.harness.judge.timed_messages import TimedMessage

STALL_NS: Final = 300_000_000
"""How long a busy computer may hold a delivery back (our choice)."""
_PER_CENT: Final = 100  # TIM-06: the line may be 1 % faster, M1 p. 1
_FEW: Final = 4
"""Where at most one answer in so many seems late, it is rather the computer (our choice)."""


def in_order(spoken: Sequence[TimedMessage], capture: Capture) -> list[TimedMessage]:
    """Return messages in the order in which they ended, and at one instant in the capture's own.

    A fast port is asked so seldom that an answer and what follows it bear one time.
    """
    passage_of = _passages_of(capture)
    ordered = sorted(spoken, key=lambda each: (each.end_ns, passage_of(each)))
    return [replace(each, place=place) for place, each in enumerate(ordered)]


def as_delivered(spoken: Sequence[TimedMessage], capture: Capture) -> list[TimedMessage]:
    """Return the messages that a busy computer took, in the order of its deliveries.

    A pause inside one counts only as far as no delivery can have made it.
    """
    passage_of = _passages_of(capture)
    ordered = sorted(spoken, key=lambda each: (passage_of(each), each.piece.offset))
    found: list[TimedMessage] = []
    for place, each in enumerate(ordered):
        end_ns = max(each.end_ns, found[-1].end_ns) if found else each.end_ns
        gaps_ns = max(each.gaps_ns - STALL_NS, 0)
        found.append(replace(each, place=place, end_ns=end_ns, gaps_ns=gaps_ns))
    return found


def was_busy(spoken: list[TimedMessage], capture: Capture, tolerance_ns: int) -> bool:
    """Whether deliveries were late by more than a tolerance, as far as a stall explains it."""
    caught_up_ns = max(_caught_up_ns(capture, way) for way in Direction)
    if caught_up_ns > STALL_NS:
        return False
    return (
        caught_up_ns > tolerance_ns
        or _has_joined(spoken, capture, tolerance_ns)
        or _has_parts(spoken, tolerance_ns)
        or _has_few_late(spoken, tolerance_ns)
    )


def least_ns(size: int) -> int:
    """Return how long so many bytes last on the fastest line that is still one (TIM-06)."""
    return size * BYTE_NS - size * BYTE_NS // _PER_CENT


def _caught_up_ns(capture: Capture, way: Direction) -> int:
    """Return how late something of one direction was at least, by how soon more came after it."""
    late_ns = most_ns = 0
    for before_ns, end_ns, size, _ in _gaps(capture, way):
        late_ns = max(late_ns + least_ns(size) - (end_ns - before_ns), 0)
        most_ns = max(most_ns, late_ns)
    return most_ns


def _has_joined(spoken: Sequence[TimedMessage], capture: Capture, tolerance_ns: int) -> bool:
    """Whether one passage holds several messages, although there was time between them."""
    passage_of = _passages_of(capture)
    whole = (each for each in spoken if each.piece.kind is PieceKind.EXCLUSIVE)
    ended = Counter(map(passage_of, whole))
    return any(
        ended[at] > 1 and end_ns - before_ns - size * BYTE_NS > tolerance_ns
        for way in Direction
        for before_ns, end_ns, size, at in _gaps(capture, way)
    )


def _has_parts(spoken: Sequence[TimedMessage], tolerance_ns: int) -> bool:
    """Whether a handshake came in parts."""
    said = (each for each in spoken if isinstance(each.message, Handshake))
    return any(tolerance_ns < each.gaps_ns <= STALL_NS for each in said)


def _has_few_late(spoken: list[TimedMessage], tolerance_ns: int) -> bool:
    """Whether few answers to packets seem late, or later than the next packet."""
    answers = late = 0
    for before, reply, after in zip(spoken, spoken[1:], [*spoken[2:], None], strict=False):
        if not isinstance(reply.message, Handshake) or before.direction is reply.direction:
            continue
        answers += 1
        taken_ns = reply.end_ns - before.end_ns - tolerance_ns
        if _is_packet(before) and PACKET_LIMIT_NS < taken_ns <= PACKET_LIMIT_NS + STALL_NS:
            late += 1
        elif after is not None and _is_packet(after) and after.direction is before.direction:
            late += after.start_ns + tolerance_ns < reply.end_ns
    return 0 < late * _FEW <= answers


def _is_packet(heard: TimedMessage) -> bool:
    return isinstance(heard.message, DataPacket)


def _gaps(capture: Capture, way: Direction) -> Iterator[tuple[int, int, int, int]]:
    """Yield what follows something of its direction: when that ended, when it did, bytes, place."""
    before_ns = None
    for at, passage in enumerate(capture.passages):
        if passage.direction is not way or not passage.data:
            continue
        if before_ns is not None:
            yield before_ns, passage.end_ns, len(passage.data), at
        before_ns = passage.end_ns


def _passages_of(capture: Capture) -> Callable[[TimedMessage], int]:
    """Return what tells in which passage of a capture a message ended, by its index."""
    stops: dict[Direction, list[int]] = {way: [] for way in Direction}
    passages: dict[Direction, list[int]] = {way: [] for way in Direction}
    for at, passage in enumerate(capture.passages):
        before = stops[passage.direction]
        before.append((before[-1] if before else 0) + len(passage.data))
        passages[passage.direction].append(at)

    def passage_of(each: TimedMessage) -> int:
        stop = each.piece.offset + len(each.piece.raw)
        return passages[each.direction][bisect_left(stops[each.direction], stop)]

    return passage_of
