"""An endpoint that plays one side of a capture verbatim, and how a capture becomes its cues.

Theory of operation.  Every message has the instant at which it began when it was recorded, and it
is ready at that instant again, counted from `start`; where the wire is not free then, it goes as
soon as it is.  A message that came with a gap inside goes in parts, each at its own instant.
Nothing is sent again, and nothing that arrives changes what is sent or in which order.

In virtual time that is exact.  A real port scatters: an answer comes a little later than it was
recorded, and a message that stood right behind it would run into it.  So a cue may say how much had
come before it then (`waiting_cues_of`), and that has to have come now too.  It waits for that as
long as those bytes need on the line and a little more, then it goes all the same; and whatever
comes later in the recording moves by as much.  The little is 200 ms as long as the unit is heard,
ten times the reply limit: either computer may be late.  Once it was in vain it is the reply limit
of 20 ms (M1 p. 39), until something comes again.
"""

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import accumulate
from typing import Final, NamedTuple

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.dump.events import Event
from dryload.emulator.dump.passed import passed
from dryload.emulator.wire.constants import BYTE_NS, FIRST_REALTIME

REPLY_LIMIT_NS: Final = 20_000_000
"""M1 p. 39: who hears nothing for so long goes on."""
PATIENCE_NS: Final = 10 * REPLY_LIMIT_NS
"""How much longer than it needs on the line an answer is waited for; our choice."""
_SLACK_NS: Final = 2_000_000  # by so much a port may bring a message early
_REALTIME: Final = bytes(range(FIRST_REALTIME, 0x100))


class Cue(NamedTuple):
    """Bytes, when they are to be sent, and what has to have come before them."""

    at_ns: int
    """Counted from the start of the script."""
    data: bytes
    heard: int = 0
    """How many bytes had come from the other side, clock and the like not counted."""
    after_ns: int = 0
    """How long after the last of these."""
    gap_ns: int = 0
    """How long after the end of what was sent before."""


def cues_of(
    capture: Capture, direction: Direction = Direction.TO_UNIT, *, origin_ns: int = 0
) -> list[Cue]:
    """Return what went one way as cues that wait for nothing.

    `origin_ns` is when the recording began.
    """
    return list(_in_order(_cues(capture, direction, origin_ns)))


def waiting_cues_of(capture: Capture, *, origin_ns: int = 0, rounded_ns: int = 0) -> list[Cue]:
    """Return what went to the unit as cues that wait for what had come from it before them.

    `rounded_ns` is what the times of the capture were rounded to.
    """
    paced = not is_faster_than_a_line(capture)
    answers = sorted(
        (passage.end_ns, length)
        for passage in capture.passages
        if passage.direction is Direction.FROM_UNIT and (length := plain_length(passage.data))
    )
    ends = [end_ns for end_ns, _ in answers]
    heard = [0, *accumulate(length for _, length in answers)]
    cues: list[Cue] = []
    at_ns = end_ns = origin_ns
    for each in passed(capture, Direction.TO_UNIT):
        for run in each.runs:
            lasts_ns = len(run.data) * BYTE_NS
            at_ns = max(at_ns, run.start_ns if paced else run.start_ns + lasts_ns)
            known = bisect_right(ends, at_ns + rounded_ns)
            cues.append(
                Cue(
                    at_ns=at_ns - origin_ns,
                    data=run.data,
                    heard=heard[known],
                    after_ns=max(at_ns - ends[known - 1], 0) if known else 0,
                    gap_ns=max(at_ns - end_ns, 0),
                )
            )
            end_ns = at_ns + lasts_ns if paced else at_ns
    return cues


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


class Script:
    """Sends each cue at its instant after `start`, or when what came before it then has come.

    `tells` is told of the bytes of each when it is its turn.  ValueError for cues that go back in
    time.
    """

    def __init__(
        self, cues: Iterable[Cue], *, tells: Callable[[bytes], object] | None = None
    ) -> None:
        self._later: Final = deque(cue for cue in cues if cue.data)
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
        instants = [0, *(cue.at_ns for cue in self._later)]
        if instants != list(accumulate(instants, max)):
            raise ValueError("the cues of a script go back in time")

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
            raise ValueError("a script is started once")
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


def _cues(capture: Capture, direction: Direction, origin_ns: int) -> Iterator[Cue]:
    for each in passed(capture, direction):
        for run in each.runs:
            yield Cue(run.start_ns - origin_ns, run.data)


def _in_order(cues: Iterable[Cue]) -> Iterator[Cue]:
    """Yield cues none of which comes before the start or before the one in front of it."""
    at_ns = 0
    for cue in cues:
        at_ns = max(at_ns, cue.at_ns)
        yield Cue(at_ns, cue.data)
