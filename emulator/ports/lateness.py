"""How late this process was: what we missed ourselves is a matter of the rig."""

from typing import Final

from msgspec import Struct

TOLERANCE_NS: Final = 2_000_000
"""A tenth of the reply limit of 20 ms (TIM-03): later than this can change an outcome."""
STALL_NS: Final = 500_000_000
"""A process that was away for so long was stopped: a unit may have given a dump up meanwhile, some
do after two seconds of silence (our choice)."""


class Lateness(Struct):
    """What came when against when it was due: deadlines, ends of messages, handing over."""

    met: int = 0
    """Instants that were due so far."""
    missed: int = 0
    """Instants met more than TOLERANCE_NS too late."""
    total_ns: int = 0
    """All lateness together."""
    worst_ns: int = 0
    worst_at_ns: int = 0
    """When the one that was met latest was due."""
    doubtful: int = 0
    """Bytes that may have come before or after a limit: they were taken to be in time."""
    early: int = 0
    """Answers that came long before what they answer could have left a line of that pace."""
    stalls: list[tuple[int, int]] = []
    """When this process was stopped, from and to."""
    lost_bytes: int = 0
    """Bytes that were thrown away because more waited than can be held."""
    rested_until_ns: int = 0
    """Until when this process looked for nothing on purpose: what it did then is not late."""

    def note(self, due_ns: int, now_ns: int) -> None:
        """Take note of something that was due at `due_ns` and was done at `now_ns`."""
        late_ns = max(now_ns - max(due_ns, self.rested_until_ns), 0)
        self.met += 1
        self.total_ns += late_ns
        self.missed += late_ns > TOLERANCE_NS
        if late_ns > self.worst_ns:
            self.worst_ns, self.worst_at_ns = late_ns, due_ns

    def rested(self, until_ns: int) -> None:
        """Take note that this process looked for nothing before an instant, on purpose."""
        self.rested_until_ns = max(self.rested_until_ns, until_ns)

    def stalled(self, from_ns: int, to_ns: int) -> None:
        """Take note that this process was stopped."""
        self.note(from_ns, to_ns)
        self.stalls.append((from_ns, to_ns))

    def worst_since_ns(self, before: "Lateness") -> int:
        """Return by how much it was late at most since an earlier look, 0 where it was in time."""
        return self.worst_ns if self.missed > before.missed else 0

    def longest_stall_ns(self, since_ns: int) -> int:
        """Return for how long this process was stopped at most since an instant, 0 for never."""
        stalls = (to_ns - from_ns for from_ns, to_ns in self.stalls if to_ns > since_ns)
        return max(stalls, default=0)
