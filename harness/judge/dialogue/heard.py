"""What a capture lets a judge know: its messages, and how sure their times are.

Theory of operation.  A message is known by its last byte; where it began follows from the speed of
the line, 320,000 ns a byte.  Where messages of one direction came faster than any line (USB,
a network), only their ends are known.  So everything asked of times here has two sides: what is
sure, which a finding needs, and what is possible, which is enough to excuse.
What the times of a port are worth, `deliveries` says.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.wire.constants import ACTIVE_SENSING, BYTE_NS
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.judge.dialogue.deliveries import (
    STALL_NS,
    as_delivered,
    in_order,
    least_ns,
    was_busy,
)
from dryload.harness.judge.timed_messages import ScrapLimit, TimedMessage, timed_messages

MOST_SCRAPS: Final = 40_000
"""Scraps of a capture that are looked at one by one."""
PORT_NS: Final = 2_000_000
"""What the clock of a port may be wrong by (our choice)."""
_HABIT: Final = 2  # FEs that make a user of active sensing


class TimePrecision(Struct, frozen=True, kw_only=True, eq=False, dict=True):
    """How fine the times of a capture are."""

    is_timed: bool
    tolerance_ns: int
    is_paced: dict[Direction, bool]
    """Whether the messages of a direction came no faster than a line carries them."""
    last_ns: int
    """When the last byte was there, of whatever direction, scraps aside."""
    too_fast: dict[int, int] = {}
    """By how much a message came faster than a line carries it, by its place."""
    through_port: Direction | None = None
    """The direction that came in through a port: it may deliver faster than a line, and its times
    are told at the line's pace, so none of them shows that nothing was lost between two messages.
    """
    is_from_port: bool = False
    """Whether a port told when each message was delivered, which may be late."""
    scraps: int = 0
    """Scraps that nobody looked at: more than can be told of one by one."""

    def sure_before(self, one_ns: int, other_ns: int) -> bool:
        """Whether one instant surely came before another; of equal ones the arrival was first."""
        if not self.tolerance_ns:
            return one_ns <= other_ns
        return one_ns + self.tolerance_ns < other_ns

    def maybe_before(self, one_ns: int, other_ns: int) -> bool:
        """Whether one instant may have come before another, or at the same time."""
        return one_ns <= other_ns + self.tolerance_ns

    def latest_start_ns(self, one: TimedMessage) -> int:
        """Return when a message had begun at the latest, tolerance aside."""
        return one.start_ns if self.is_paced[one.direction] else one.end_ns

    def surely_began_after(self, one: TimedMessage, instant_ns: int) -> bool:
        """Whether a message surely began after an instant."""
        return self.sure_before(instant_ns, one.start_ns)

    def pause_ns(self, one: TimedMessage, other: TimedMessage) -> int:
        """Return the longest pause that there may have been between two messages."""
        return self.latest_start_ns(other) - one.end_ns + self.tolerance_ns


def hear(recorded: Recorded) -> tuple[list[TimedMessage], TimePrecision]:
    """Return the messages of a capture in the order in which they ended, and how sure their times
    are; single real-time bytes are left out.
    """
    capture = recorded.capture
    limit = ScrapLimit(MOST_SCRAPS)
    spoken = timed_messages(capture, recorded.directions, limit)
    if recorded.is_from_port:
        spoken = in_order(spoken, capture)
    heard = [each for each in spoken if not each.is_realtime]
    port_ns = max(PORT_NS, recorded.late_ns) if recorded.is_from_port else 0
    tolerance_ns = 2 * recorded.rounded_ns + port_ns
    if recorded.is_from_port and was_busy(spoken, capture, tolerance_ns):
        tolerance_ns = max(tolerance_ns, STALL_NS)
        heard = as_delivered(heard, capture)
    fast = {
        way: _too_fast([each for each in heard if each.direction is way], tolerance_ns)
        for way in Direction
    }
    sight = TimePrecision(
        is_timed=recorded.is_timed,
        tolerance_ns=tolerance_ns,
        is_paced={way: not fast[way] for way in Direction},
        last_ns=max((each.end_ns for each in spoken), default=0),
        too_fast={place: by_ns for mine in fast.values() for place, by_ns in mine.items()},
        through_port=_through_port(recorded),
        is_from_port=recorded.is_from_port,
        scraps=limit.dropped,
    )
    return heard, sight


def _through_port(recorded: Recorded) -> Direction | None:
    if not recorded.is_from_port:
        return None
    return {TakenAt.HOST: Direction.FROM_UNIT, TakenAt.UNIT: Direction.TO_UNIT}.get(
        recorded.taken_at
    )


def _too_fast(mine: Sequence[TimedMessage], tolerance_ns: int) -> dict[int, int]:
    found = {}
    for before, after in pairwise(mine):
        by_ns = least_ns(len(after.piece.raw)) - (after.end_ns - before.end_ns)
        if by_ns > tolerance_ns:
            found[after.place] = by_ns
    return found


def find_pauses(capture: Capture, direction: Direction) -> list[tuple[int, int, bool]]:
    """Return the pauses of one direction: when each began, how long it was, and if FE came before.

    Times count as the capture's own.  FE is active sensing (TIM-09); a single one may be a byte
    that was altered on the way.
    """
    found = []
    sensings, end_ns = 0, None
    for passage in capture.passages:
        if passage.direction is not direction or not passage.data:
            continue
        start_ns = passage.end_ns - len(passage.data) * BYTE_NS
        if end_ns is not None and start_ns > end_ns:
            found.append((end_ns, start_ns - end_ns, sensings >= _HABIT))
        sensings += passage.data.count(ACTIVE_SENSING)
        end_ns = passage.end_ns
    return found
