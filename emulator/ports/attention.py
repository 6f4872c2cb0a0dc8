"""How often to look for what has come, at a port that nobody can wake us from.

Theory of operation.  A port that can only be asked costs a wakeup each time.  How soon a look has
to come follows from what can be done about what it finds:

- While a message is on the line, ours or one that we are to hear, nothing that comes behind it can
  be told or answered before that has passed, and the line's driver wakes for that instant anyway.
- After it, an answer is due within 20 ms (TIM-04).  A look that comes later by a small share of
  the silence before it makes no transfer slower by more than that share.  A line with a pace is
  known no finer than a byte.
- An answer takes about as long as those before it: a packet that is read is never here before it
  has passed its line, and no server that works in periods is quicker than these.  So close looks
  begin a little before the soonest of the last few.  One that is sooner still waits for a rest to
  end, and is the soonest from then on.
- After two seconds of silence no limit of the standard runs any more: TIM-01 has the longest.

So looks come ever more rarely, and a message is what makes them frequent again.  Clock and active
sensing from a sequencer, which never end, do not.  When something came is known in any case: a port
that is asked says so itself (`arrival_times.py`).
"""

from collections import deque
from typing import Final

from dryload.emulator.ports.lateness import TOLERANCE_NS

REST_NS: Final = 8_000_000
"""Between two looks where nothing is urgent: less than half of a reply limit (our choice)."""
_LEAST_NS: Final = 150_000
_SHARE: Final = 64
_SILENCE_NS: Final = 2_000_000_000
_ANSWERS: Final = 8  # that are remembered


class Attention:
    """Tells a port how long it may leave unseen what comes; `byte_ns` is the pace of the line."""

    def __init__(self, now_ns: int, *, byte_ns: int = 0) -> None:
        self.line_is_busy = False
        """Whether a message is on the line, so that what comes has to wait."""
        self._least_ns: Final = max(byte_ns, _LEAST_NS)
        self._passed_ns = now_ns
        self._awaits_answer = False
        self._took_ns: Final[deque[int]] = deque(maxlen=_ANSWERS)

    def left(self, at_ns: int) -> None:
        """A message of ours has left: an answer may come."""
        self._passed_ns = at_ns
        self._awaits_answer = True

    def heard(self, at_ns: int) -> None:
        """A message has come: another one may."""
        if self._awaits_answer:
            self._took_ns.append(at_ns - self._passed_ns)
        self._passed_ns = at_ns
        self._awaits_answer = False

    def pause_ns(self, now_ns: int) -> int:
        """Return how long to wait from now to the next look."""
        quiet_ns = now_ns - self._passed_ns
        if self.line_is_busy or quiet_ns > _SILENCE_NS:
            return REST_NS
        if self._awaits_answer and (early_ns := self._soonest_ns() - quiet_ns) > 0:
            return min(early_ns, REST_NS)
        return min(max(quiet_ns // _SHARE, self._least_ns), TOLERANCE_NS)

    def _soonest_ns(self) -> int:
        """Return how long after a message of ours no answer is here, by the last few."""
        return min(self._took_ns, default=0) * 7 // 8
