"""An endpoint that plays one side of a capture to a line whose times are not those of then.

Theory of operation.  A real port scatters: an answer comes a little later than it was recorded, and
a message that stood right behind it would run into it.  So a message has its recorded instant, but
what had come before it then has to have come now too.  It waits for that as long as those bytes
need on the line and a little more, then it goes all the same; and whatever comes later in the
recording moves by as much.  The little is 200 ms as long as the unit is heard, ten times the reply
limit: either computer may be late.  Once it was in vain it is the reply limit of 20 ms (M1 p. 39),
until something comes again.  Otherwise nothing that arrives changes anything: the bytes and their
order are those of the recording.
"""

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Sequence
from itertools import accumulate
from typing import Final, NamedTuple

from emulator.dump.capture import Capture, Direction, Passage
from emulator.dump.events import Event
from emulator.dump.passed import passed
from emulator.wire.constants import BYTE_NS, FIRST_REALTIME

REPLY_LIMIT_NS: Final = 20_000_000
"""M1 p. 39: who hears nothing for so long goes on."""
PATIENCE_NS: Final = 10 * REPLY_LIMIT_NS
"""How much longer than it needs on the line an answer is waited for; our choice."""
_SLACK_NS: Final = 2_000_000  # by so much a port may bring a message early
_REALTIME: Final = bytes(range(FIRST_REALTIME, 0x100))


class Turn(NamedTuple):
    """Bytes to be sent, and what came before them when they were recorded."""

    at_ns: int
    """When, counted from the start."""
    data: bytes
    heard: int
    """How many bytes had come from the unit, clock and the like not counted."""
    after_ns: int
    """How long after the last of these."""
    gap_ns: int
    """How long after the end of what was sent before."""


def turns_of(capture: Capture, *, origin_ns: int = 0, rounded_ns: int = 0) -> list[Turn]:
    """Return what went to the unit; `origin_ns` is when the recording began."""
    paced = not is_faster_than_a_line(capture)
    answers = sorted(
        (passage.end_ns, length)
        for passage in capture.passages
        if passage.direction is Direction.FROM_UNIT and (length := plain_length(passage.data))
    )
    ends = [end_ns for end_ns, _ in answers]
    heard = [0, *accumulate(length for _, length in answers)]
    turns: list[Turn] = []
    at_ns = end_ns = origin_ns
    for each in passed(capture, Direction.TO_UNIT):
        for run in each.runs:
            lasts_ns = len(run.data) * BYTE_NS
            at_ns = max(at_ns, run.start_ns if paced else run.start_ns + lasts_ns)
            known = bisect_right(ends, at_ns + rounded_ns)
            turns.append(
                Turn(
                    at_ns=at_ns - origin_ns,
                    data=run.data,
                    heard=heard[known],
                    after_ns=max(at_ns - ends[known - 1], 0) if known else 0,
                    gap_ns=max(at_ns - end_ns, 0),
                )
            )
            end_ns = at_ns + lasts_ns if paced else at_ns
    return turns


def is_faster_than_a_line(capture: Capture) -> bool:
    """Whether messages followed one another to the unit faster than a line carries them."""
    free_ns: int | None = None
    for passage in capture.passages:
        if passage.direction is Direction.TO_UNIT:
            start_ns = passage.end_ns - len(passage.data) * BYTE_NS
            if free_ns is not None and start_ns < free_ns - _SLACK_NS:
                return True
            free_ns = passage.end_ns
    return False


def plain_length(data: bytes) -> int:
    """Return how many bytes there are beside real-time ones (FRM-03)."""
    return len(data.translate(None, _REALTIME))


def heard_in(passages: Sequence[Passage]) -> int:
    """Return how many bytes came from the unit, real-time ones not counted."""
    return sum(
        plain_length(passage.data)
        for passage in passages
        if passage.direction is Direction.FROM_UNIT
    )


class Following:
    """Sends each turn at its instant after `start`, or when what came before it then has come.

    `tells` is told of the bytes of each when it is its turn.
    """

    def __init__(
        self, turns: Sequence[Turn], *, tells: Callable[[bytes], object] | None = None
    ) -> None:
        self._later: Final = deque(turns)
        self._ready: Final[deque[bytes]] = deque()
        self._tells: Final = tells
        self._start_ns: int | None = None
        self._is_on_its_way = self._is_held = False
        self._is_silent = False
        self._forgiven = 0  # bytes that are not waited for any more
        self._heard_ns = self._left_ns = 0
        self.heard = 0
        """Bytes that came from the unit, real-time ones not counted."""
        self.shift_ns = 0
        """How much later than recorded it is by now."""
        self.overdue = 0
        """Messages that went before all had come that had come before them then."""

    @property
    def is_over(self) -> bool:
        """Whether the last message has been taken."""
        return not self._later and not self._ready

    @property
    def last_ns(self) -> int:
        """When a message last left or bytes last came."""
        return max(self._heard_ns, self._left_ns)

    def start(self, now_ns: int) -> None:
        """Let the recording begin at `now_ns`; ValueError the second time."""
        if self._start_ns is not None:
            raise ValueError("a recording is started once")
        self._start_ns = self._left_ns = self._heard_ns = now_ns
        self._release(now_ns)

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Count what comes."""
        if length := plain_length(data):
            self.heard += length
            self._is_silent = False
            self._heard_ns = now_ns
            self._release(now_ns)
        return ()

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Wait for answers from now on."""
        self._is_on_its_way = False
        self._left_ns = now_ns
        self._release(now_ns)
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        """Make ready what is due."""
        self._release(now_ns)
        return ()

    def next_deadline_ns(self) -> int | None:
        """Return when the next message is due, or has waited long enough."""
        if self._start_ns is None or not self._later:
            return None
        if not self._is_held:
            return self._due_ns()
        return None if self._is_on_its_way or self._ready else self._limit_ns()

    def bytes_to_send(self) -> bytes:
        """Return the next message that is due, b"" for none."""
        if not self._ready:
            return b""
        self._is_on_its_way = True
        return self._ready.popleft()

    def _due_ns(self) -> int:
        assert self._start_ns is not None
        return self._start_ns + self._later[0].at_ns + self.shift_ns

    def _missing(self) -> int:
        return self._later[0].heard - self._forgiven - self.heard

    def _limit_ns(self) -> int:
        """Return until when the first of those to come waits for what is missing."""
        since_ns = max(self._due_ns(), self._heard_ns, self._left_ns + self._later[0].gap_ns)
        more_ns = REPLY_LIMIT_NS if self._is_silent else PATIENCE_NS
        return since_ns + self._missing() * BYTE_NS + more_ns

    def _release(self, now_ns: int) -> None:
        while self._start_ns is not None and self._later and self._due_ns() <= now_ns:
            if self._missing() > 0:
                self._is_held = True
                if self._is_on_its_way or self._ready or now_ns < self._limit_ns():
                    return
                self.overdue += 1
                self._is_silent = True
                self._forgiven += self._missing()
                self.shift_ns += now_ns - self._due_ns()
            elif self._is_held:  # it has come now: what is left of the time behind it
                self._is_held = False
                behind_ns = self._heard_ns + self._later[0].after_ns
                self.shift_ns += max(behind_ns - self._due_ns(), 0)
                continue
            self._is_held = False
            data = self._later.popleft().data
            self._ready.append(data)
            if self._tells is not None:
                self._tells(data)
