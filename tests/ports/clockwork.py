"""A clock that stands still until somebody sleeps, and a port whose bytes come when told to."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.port import Abilities, Arrival, PortError, Truncated

MS: Final = 1_000_000


class FakeClock:
    """Time passes by sleeping only; everybody oversleeps by `late_ns`.

    `stalls` holds (instant, duration): whoever sleeps across the instant is held up so long more.
    """

    def __init__(self, *, late_ns: int = 0, stalls: Sequence[tuple[int, int]] = ()) -> None:
        self.time_ns = 0
        self.late_ns = late_ns
        self._stalls = deque(stalls)

    def now_ns(self) -> int:
        return self.time_ns

    def sleep_ns(self, duration_ns: int) -> None:
        if duration_ns <= 0:
            return
        self.time_ns += duration_ns + self.late_ns
        while self._stalls and self._stalls[0][0] <= self.time_ns:
            self.time_ns += self._stalls.popleft()[1]


class FakePort:
    """Bytes come at given instants; what is sent is kept with the instant of the call.

    `knows` False gives bytes the instant at which they were found, as a port without times does.
    `answer` may say something to each message that is sent: (delay, bytes).
    """

    name = "fake port"

    def __init__(
        self,
        clock: FakeClock,
        *arrivals: tuple[int, bytes],
        knows: bool = True,
        holds_back: bool = False,
        latency_ns: int = 0,
        at_most: int = 1 << 30,
        answer: Callable[[bytes], Sequence[tuple[int, bytes]]] | None = None,
    ) -> None:
        self.clock: Final = clock
        self.abilities: Final = Abilities(
            truncated=Truncated.AT_ONCE,
            resolution_ns=1,
            holds_back=holds_back,
            latency_ns=latency_ns,
        )
        self.sent: list[tuple[int, bytes]] = []
        self.breaks_at_ns: int | None = None
        self.reads = 0
        self._later = deque(sorted(arrivals))
        self._knows = knows
        self._at_most = at_most
        self._answer = answer
        self._empty_ns = 0

    @property
    def waiting(self) -> int:
        """Bytes that have not been fetched, or not come."""
        return sum(len(data) for _, data in self._later)

    def add(self, at_ns: int, data: bytes) -> None:
        self._later = deque(sorted([*self._later, (at_ns, data)]))

    def send(self, message: bytes) -> None:
        self._check()
        now_ns = self.clock.now_ns()
        self.sent.append((now_ns, message))
        if self._answer is not None:
            for delay_ns, data in self._answer(message):
                self.add(now_ns + delay_ns, data)

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> list[Arrival]:
        self.reads += 1
        self._check()
        if not (found := self._take()) and timeout_ns > 0:
            next_ns = self._later[0][0] if self._later else 1 << 62
            self.clock.sleep_ns(min(timeout_ns, max(next_ns - self.clock.now_ns(), 0)))
            self._check()
            found = self._take()
        return found

    def close(self) -> None:
        self.breaks_at_ns = 0

    def _take(self) -> list[Arrival]:
        now_ns = self.clock.now_ns()
        found: list[Arrival] = []
        while self._later and self._later[0][0] <= now_ns and len(found) < self._at_most:
            at_ns, data = self._later.popleft()
            found.append(
                Arrival(at_ns, data, at_ns)
                if self._knows
                else Arrival(now_ns, data, self._empty_ns)
            )
        if not found:
            self._empty_ns = now_ns
        return found

    def _check(self) -> None:
        if self.breaks_at_ns is not None and self.clock.now_ns() >= self.breaks_at_ns:
            raise PortError("The fake port has gone.", "Mend it.")
