"""An endpoint that plays one side of a capture verbatim, whatever the other side does.

Theory of operation.  Every message has the instant at which it began when it was recorded, and it
is ready at that instant again, counted from `start`; where the wire is not free then, it goes as
soon as it is.  Nothing that arrives changes anything: no answer is waited for and nothing is sent
again.  A message that came with a gap inside goes in parts, each at its own instant.
"""

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate
from typing import Final, NamedTuple

from emulator.dump.capture import Capture, Direction
from emulator.dump.events import Event
from emulator.dump.passed import passed


class Cue(NamedTuple):
    """Bytes and when they are to be sent, counted from the start of the script."""

    at_ns: int
    data: bytes


def cues_of(
    capture: Capture, direction: Direction = Direction.TO_UNIT, *, origin_ns: int = 0
) -> list[Cue]:
    """Return what went one way as cues; `origin_ns` is when the recording began."""
    return list(_in_order(_cues(capture, direction, origin_ns)))


class Script:
    """Sends each cue at its instant after `start`; ValueError for cues that go back in time."""

    def __init__(self, cues: Iterable[Cue]) -> None:
        self._later: Final = deque(cue for cue in cues if cue.data)
        self._ready: Final[deque[bytes]] = deque()
        self._start_ns: int | None = None
        instants = [0, *(cue.at_ns for cue in self._later)]
        if instants != list(accumulate(instants, max)):
            raise ValueError("the cues of a script go back in time")

    @property
    def is_over(self) -> bool:
        """Whether the last message has been taken."""
        return not self._later and not self._ready

    def start(self, now_ns: int) -> None:
        """Let the first instant of the recording be `now_ns`; ValueError the second time."""
        if self._start_ns is not None:
            raise ValueError("a script is started once")
        self._start_ns = now_ns
        self._release(now_ns)

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Take no notice."""
        return ()

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Take no notice."""
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        """Make ready what is due."""
        self._release(now_ns)
        return ()

    def next_deadline_ns(self) -> int | None:
        """Return the instant of the next message."""
        if self._start_ns is None or not self._later:
            return None
        return self._start_ns + self._later[0].at_ns

    def bytes_to_send(self) -> bytes:
        """Return the next message that is due, b"" for none."""
        return self._ready.popleft() if self._ready else b""

    def _release(self, now_ns: int) -> None:
        while (due_ns := self.next_deadline_ns()) is not None and due_ns <= now_ns:
            self._ready.append(self._later.popleft().data)


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
