"""Two captures compared as conversations: who said what, and when.

Theory of operation.  The messages of each direction are laid against each other; what has no equal
stands against whatever is in its place.  A message is later if it is late by more than what was
said before it, and by more than what its own side said before; so one delay is told once, and not
again for everything that comes after it.  Single real-time bytes (clock, active sensing) keep a
time of their own, each direction for itself.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum
from functools import cached_property

from msgspec import Struct

from dryload.emulator.dump.capture import Capture, Direction
from dryload.harness.judge.edit_script import edit_script
from dryload.harness.judge.timed_messages import TimedMessage, timed_messages


class MessageChange(StrEnum):
    """How a message of B differs from its counterpart in A."""

    OTHER = "other bytes"
    REALTIME = "other real-time bytes inside"
    MISSING = "missing"
    EXTRA = "extra"
    LATER = "later"
    EARLIER = "earlier"
    GAPS = "other gaps inside"
    ORDER = "other order"


class MessageDifference(Struct, frozen=True, kw_only=True):
    """One message that is not what it was; one of the two is None where it has no counterpart."""

    kind: MessageChange
    a: TimedMessage | None
    b: TimedMessage | None
    by_ns: int = 0
    """How much later it comes in B, as against what comes before it, or how much longer the gaps
    inside it are."""

    @property
    def said(self) -> TimedMessage:
        """The message in A, or in B if it is only there."""
        found = self.a or self.b
        assert found is not None
        return found


class ConversationComparison(Struct, frozen=True, kw_only=True, eq=False, dict=True):
    """What two conversations have in common, and where they part."""

    a: tuple[TimedMessage, ...]
    b: tuple[TimedMessage, ...]
    directions: tuple[Direction, ...]
    timed: bool
    """Whether times were compared."""
    tolerance_ns: int
    differences: tuple[MessageDifference, ...]
    """In the order of A; the first is the first in time."""

    @property
    def same(self) -> bool:
        """Whether both say the same at the same instants, as far as that was compared."""
        return not self.differences

    @cached_property
    def kinds(self) -> dict[MessageChange, int]:
        """How many differences there are of each kind."""
        counts = Counter(each.kind for each in self.differences)
        return {kind: counts[kind] for kind in MessageChange if counts[kind]}

    @property
    def lasting_ns(self) -> tuple[int, int]:
        """How long each takes, from the first message to the end of the last."""
        return _lasting(self.a), _lasting(self.b)


def compare(
    a: Capture,
    b: Capture,
    *,
    directions: Iterable[Direction] = Direction,
    timed: bool = True,
    tolerance_ns: int = 0,
) -> ConversationComparison:
    """Compare what passed in `directions`; a message may be late or early by the tolerance.

    ValueError for a tolerance below 0.  Without times, the order of the two directions counts.
    """
    if tolerance_ns < 0:
        raise ValueError(f"no tolerance is {tolerance_ns} ns")
    chosen = tuple(directions)
    said_a, said_b = timed_messages(a, chosen), timed_messages(b, chosen)
    pairs = [
        pair
        for direction in chosen
        for realtime in (False, True)
        for pair in _pairs(_of(said_a, direction, realtime), _of(said_b, direction, realtime))
    ]
    differences = [each for one, other in pairs if (each := _content(one, other)) is not None]
    both = [(one, other) for one, other in pairs if one is not None and other is not None]
    if timed:
        differences += _late(both, tolerance_ns)
        differences += _gaps(both, tolerance_ns)
    else:
        differences += _order([pair for pair in both if not pair[0].is_realtime])
    # Up to the first difference both are alike, so the lesser place tells which that is.
    differences.sort(key=lambda each: (each.said.place, each.a is not None))
    return ConversationComparison(
        a=tuple(said_a),
        b=tuple(said_b),
        directions=chosen,
        timed=timed,
        tolerance_ns=tolerance_ns,
        differences=tuple(differences),
    )


def _of(
    messages: Sequence[TimedMessage], direction: Direction, realtime: bool
) -> list[TimedMessage]:
    return [
        each for each in messages if each.direction is direction and each.is_realtime is realtime
    ]


def _pairs(
    a: Sequence[TimedMessage], b: Sequence[TimedMessage]
) -> Iterator[tuple[TimedMessage | None, TimedMessage | None]]:
    bodies_a, bodies_b = ([each.piece.body for each in side] for side in (a, b))
    for one, other in edit_script(bodies_a, bodies_b):
        yield None if one is None else a[one], None if other is None else b[other]


def _content(one: TimedMessage | None, other: TimedMessage | None) -> MessageDifference | None:
    if one is None or other is None:
        return MessageDifference(
            kind=MessageChange.EXTRA if one is None else MessageChange.MISSING, a=one, b=other
        )
    if one.piece.body != other.piece.body:
        return MessageDifference(kind=MessageChange.OTHER, a=one, b=other)
    if one.piece.raw != other.piece.raw:
        return MessageDifference(kind=MessageChange.REALTIME, a=one, b=other)
    return None


def _late(
    pairs: Sequence[tuple[TimedMessage, TimedMessage]], tolerance_ns: int
) -> Iterator[MessageDifference]:
    """Yield what is later or earlier than what comes before it of its kind."""
    # What both have first is at the same time in both, by definition.
    first = min(pairs, key=lambda pair: (pair[0].is_realtime, pair[0].place), default=None)
    base_ns = 0 if first is None else first[1].start_ns - first[0].start_ns
    late_ns: dict[tuple[bool, Direction | None], int] = {}  # how late B was at the end of the last
    for one, other in sorted(pairs, key=lambda pair: pair[0].place):
        own = one.is_realtime, one.direction
        chains = (own,) if one.is_realtime else (own, (False, None))
        steps = [other.start_ns - one.start_ns - late_ns.get(each, base_ns) for each in chains]
        by_ns = min(steps, key=abs)
        late_ns |= dict.fromkeys(chains, other.end_ns - one.end_ns)
        if abs(by_ns) > tolerance_ns:
            kind = MessageChange.LATER if by_ns > 0 else MessageChange.EARLIER
            yield MessageDifference(kind=kind, a=one, b=other, by_ns=by_ns)


def _gaps(
    pairs: Sequence[tuple[TimedMessage, TimedMessage]], tolerance_ns: int
) -> Iterator[MessageDifference]:
    for one, other in pairs:
        by_ns = other.gaps_ns - one.gaps_ns
        if abs(by_ns) > tolerance_ns:
            yield MessageDifference(kind=MessageChange.GAPS, a=one, b=other, by_ns=by_ns)


def _order(pairs: Sequence[tuple[TimedMessage, TimedMessage]]) -> Iterator[MessageDifference]:
    """Yield what comes in B before something that it follows in A."""
    latest = -1
    for one, other in sorted(pairs, key=lambda pair: pair[0].place):
        if other.place < latest:
            yield MessageDifference(kind=MessageChange.ORDER, a=one, b=other)
        latest = max(latest, other.place)


def _lasting(messages: Sequence[TimedMessage]) -> int:
    ends = [each.end_ns for each in messages if not each.is_realtime]
    return max(ends, default=0)
