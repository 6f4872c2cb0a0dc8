"""One direction of a MIDI line: 31,250 baud, byte-exact (M1 p. 1).

Theory of operation.  A message takes 320,000 ns a byte and leaves when its last byte has.  What
arrives is delivered in stretches: a stretch ends where an endpoint may have to act (at the F7 of an
exclusive message, at the status byte that cuts one short, be it the F0 of the next) and where bytes
do not follow one another without a gap.  An undisturbed message is one stretch, delivered when its
F7 is there, which no state machine that acts on whole messages can tell from a byte-by-byte
delivery.
"""

from collections import deque
from collections.abc import Sequence
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.disturbance import FaultInjector, Injection, Timed
from dryload.emulator.line.effects import echo, hold_back
from dryload.emulator.wire.constants import BYTE_NS, END, FIRST_REALTIME, START


class Cable:
    """Carries messages one way; `arrivals` are (instant of the last byte, bytes), in order.

    `injector` has the disturbances of the whole line; `back` is the cable the other way, on which
    an echo comes back.
    """

    back: "Cable | None" = None

    def __init__(
        self, direction: Direction, injector: FaultInjector | None = None, *, byte_ns: int = BYTE_NS
    ) -> None:
        self.direction: Final = direction
        self.arrivals: deque[tuple[int, bytes]] = deque()
        self.free_ns = 0
        self._byte_ns: Final = byte_ns
        self._is_open = False  # an exclusive message has begun to arrive and not ended
        self._injector: Final = injector
        self._kept: tuple[Timed, bool] | None = None  # held back; whether it joins

    def send(self, message: bytes, now_ns: int) -> int:
        """Take a message at `now_ns` or when the wire is free; return when its last byte leaves."""
        start_ns = now_ns if now_ns > self.free_ns else self.free_ns
        left_ns = start_ns + len(message) * self._byte_ns
        injections: Sequence[Injection] = ()
        if self._injector is not None:
            injections = self._injector.see(self.direction, message, start_ns, left_ns)
        if (
            not (injections or self._is_open or self._kept)
            and message[-1] == END
            and message[1:-1].isascii()  # broken ones are sent too, as they are
        ):
            self.arrivals.append((left_ns, message))
            self.free_ns = left_ns
            return left_ns
        timed = self._disturbed(self._timed(message, start_ns), injections)
        self.arrivals.extend(self._stretches(timed))
        self.free_ns = max(left_ns, timed[-1][0] if timed else 0)
        return left_ns

    def bring(self, message: bytes, start_ns: int) -> None:
        """Let a message arrive that nobody at the other end has sent, as soon as there is room."""
        timed = self._timed(message, max(start_ns, self.free_ns))
        self._arrive(timed)
        self.free_ns = timed[-1][0]

    def _arrive(self, timed: Timed) -> None:
        self.arrivals.extend(self._stretches(timed))

    def _timed(self, message: bytes, start_ns: int) -> Timed:
        byte_ns = self._byte_ns
        instants = range(start_ns + byte_ns, start_ns + (len(message) + 1) * byte_ns, byte_ns)
        return list(zip(instants, message, strict=True))

    def _disturbed(self, timed: Timed, injections: Sequence[Injection]) -> Timed:
        """Return what is left of a message, with what was held back for it.

        What counts by arrival comes last, behind everything that makes bytes later.
        """
        kept, self._kept = self._kept, None
        for injection in injections:
            if injection.where.by_arrival:
                continue
            effect, settings = injection.disturbance.effect, injection.disturbance.settings
            keeps = effect is hold_back
            if keeps and (kept or self._kept):
                continue  # one message at a time
            if not injection.act(timed):
                continue
            if keeps:
                self._kept = (timed, bool(settings.get("joins")))
                timed = []
            elif effect is echo and self.back is not None:
                self.back.bring(bytes(value for _, value in timed), injection.seen.start_ns)
        if kept is not None:
            timed = self._with_kept(timed, *kept)
        for injection in injections:
            if injection.where.by_arrival:
                injection.act(timed)
        return timed

    def _with_kept(self, timed: Timed, kept: Timed, joins: bool) -> Timed:
        """Return a message and the one held back before it, in the order in which they arrive."""
        if not timed:  # what would bring it along has vanished: it waits for the next one
            self._kept = (kept, joins)
            return timed
        first, second = (kept, timed) if joins else (timed, kept)
        by_ns = timed[0][0] - first[0][0]
        first = [(at_ns + by_ns, value) for at_ns, value in first]
        by_ns = first[-1][0] + self._byte_ns - second[0][0]
        return [*first, *((at_ns + by_ns, value) for at_ns, value in second)]

    def _stretches(self, timed: Timed) -> list[tuple[int, bytes]]:
        byte_ns, last = self._byte_ns, len(timed) - 1
        if not self._is_open and last > 0 and timed[0][1] == START and timed[-1][1] == END:
            instants, values = zip(*timed, strict=True)
            data, from_ns, end_ns = bytes(values), instants[0], instants[-1]
            even = range(from_ns, end_ns + 1, byte_ns)
            if data[1:-1].isascii() and len(even) == len(data) and instants == tuple(even):
                return [(end_ns, data)]  # a whole message without a gap, as most are
        out: list[tuple[int, bytes]] = []
        current = bytearray()
        for index, (at_ns, value) in enumerate(timed):
            current.append(value)
            acts = False
            if 0x80 <= value < FIRST_REALTIME:
                acts, self._is_open = self._is_open, value == START
            if acts or index == last or timed[index + 1][0] != at_ns + byte_ns:
                out.append((at_ns, bytes(current)))
                current.clear()
        return out
