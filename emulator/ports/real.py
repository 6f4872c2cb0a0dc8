"""The real driver: one endpoint and a port, in the time of the port's clock.

Theory of operation.  Everything has an absolute instant: bytes when they came, our own message when
the last of it left, a deadline when it was asked for.  What is due is told in the order of these
instants and with them, not with the time at which this process got round to it; so lateness never
adds up.  At one instant arrivals come first, then `message_left`, then deadlines, as on the
simulated line.  Before a deadline is believed the port is drained.  Bytes that may have come before
it count before it.  How late this process was is kept: a limit that we missed ourselves is a matter
of the rig.

While this process was stopped (a key that suspends it, a frozen container), silence is no evidence
about the other end, which may have been stopped with it.  So for limits time stands still then: one
that fell due while we were away comes as long after we are back as it would have come after we
left.

Where a message begins.  On a line behind an interface (the usual case) it is handed over when its
turn comes, and has left when the pacer says so.  With `emulates_line` there is nothing behind the
port, as with an emulated unit on a virtual port: then this is the line.  What comes has passed over
it before it is told of, and what goes is handed over when its last byte would be out.
"""

from collections.abc import Callable, Sequence
from typing import Final

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.dump.endpoint import Endpoint
from dryload.emulator.dump.events import Event
from dryload.emulator.line.simulate import NEVER, Listener, Silent
from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.inlet import Allowance, Inlet
from dryload.emulator.ports.lateness import STALL_NS, TOLERANCE_NS, Lateness
from dryload.emulator.ports.outlet import Outlet
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import Port, PortError
from dryload.emulator.wire.constants import END

Recorder = Callable[[Passage], None]
"""Hears of everything that passes, when it has."""

_LONGEST_PAUSE_NS: Final = 50_000_000  # so that a key that is pressed is seen


class RealLine:
    """Puts an endpoint behind a port; the same face as the simulated line.

    `sends` is the direction of the endpoint's messages: FROM_UNIT where it is the unit.  What the
    port received before is dropped.  `keeps_capture` False keeps nothing, for a unit that runs for
    ever; `recorder` is told all the same.
    """

    def __init__(
        self,
        port: Port,
        *,
        sends: Direction = Direction.TO_UNIT,
        pacer: Pacer | None = None,
        emulates_line: bool = False,
        listener: Listener | None = None,
        recorder: Recorder | None = None,
        keeps_capture: bool = True,
    ) -> None:
        self.capture: Final = Capture()
        self.lateness: Final = Lateness()
        self._clock: Final = port.clock
        pacer = pacer or Pacer()
        self._emulates: Final = emulates_line and pacer.byte_ns > 0
        self._outlet: Final = Outlet(port, pacer, at_end=self._emulates, lateness=self.lateness)
        self._sends: Final = sends
        to_us = Direction.FROM_UNIT if sends is Direction.TO_UNIT else Direction.TO_UNIT
        self._hears: Final = to_us
        byte_ns = pacer.byte_ns if self._emulates else 0
        is_host = sends is Direction.TO_UNIT
        self._allowance: Final = Allowance(port.name, port.clock.now_ns()) if is_host else None
        self._inlet: Final = Inlet(
            port, to_us, byte_ns=byte_ns, lateness=self.lateness, allowance=self._allowance
        )
        self._attention: Final = Attention(port.clock.now_ns(), byte_ns=pacer.byte_ns)
        self._listener: Final = listener
        self._recorder: Final = recorder
        self._keeps: Final = keeps_capture
        self._endpoint: Endpoint = Silent()
        self._told_ns = 0  # the latest instant that was told
        self._gone_ns = self._back_ns = 0  # when this process was stopped last

    @property
    def now_ns(self) -> int:
        """Return the time."""
        return self._clock.now_ns()

    def connect(self, endpoint: Endpoint) -> None:
        """Put `endpoint` at this end; PortError where the port has gone.

        It is not told of what has come before, nor of a message of another one that is on its way.
        """
        self._inlet.fill(0)
        for arrival in self._inlet.due(self._clock.now_ns()):
            self._told_ns = max(arrival.at_ns, self._told_ns)
            self._enter(self._hears, self._told_ns, arrival.data)
        self._endpoint = endpoint
        self._outlet.is_awaited = False

    def run(self, is_over: Callable[[], bool], *, until_ns: int | None = None) -> bool:
        """Run until `is_over` and our last message has left; False when `until_ns` came first.

        `is_over` is asked whenever something happened, at least every 50 ms.  PortError where the
        port fails; the capture then ends with the message that was on its way, as it does where the
        user ends the program at once.
        """
        wakes_ns = self._clock.now_ns()
        try:
            while True:
                now_ns = self._clock.now_ns()  # what is due later than the draining waits
                if now_ns - wakes_ns > STALL_NS:
                    self._gone_ns, self._back_ns = wakes_ns, now_ns
                    self.lateness.stalled(wakes_ns, now_ns)
                self._inlet.fill(0)
                self._happen(now_ns)
                if not self._outlet.is_busy and is_over():
                    return True
                if until_ns is not None and now_ns >= until_ns:
                    return False
                pause_ns = self._pause_ns(until_ns)
                wakes_ns = now_ns + pause_ns
                self._attention.line_is_busy = self._outlet.is_busy or self._inlet.next_ns != NEVER
                self._inlet.fill(pause_ns, self._attention)
        except PortError:
            for arrival in self._inlet.due(self._clock.now_ns()):  # what it gave before it went
                self._told_ns = max(arrival.at_ns, self._told_ns)
                self._hear(arrival.data)
            self._enter_own(max(self._outlet.left_ns, self._told_ns))
            raise
        except KeyboardInterrupt:  # the user would not wait for the message to leave
            self._enter_own(max(self._outlet.left_ns, self._told_ns))
            raise

    def advance(self, by_ns: int) -> None:
        """Let time pass; whatever is due in it happens.  ValueError for less than nothing."""
        if by_ns < 0:
            raise ValueError(f"time cannot pass by {by_ns} ns")
        self.run(lambda: False, until_ns=self._clock.now_ns() + by_ns)

    def _happen(self, now_ns: int) -> None:
        """Let everything happen that is due by `now_ns`, in order, and send what is ready."""
        ready_ns = now_ns
        while (due_ns := self._due_ns()) <= now_ns:
            ready_ns = self._told_ns = max(due_ns, self._told_ns)
            self._happen_at(ready_ns, now_ns)
            if self._emulates:
                self._outlet.take(self._endpoint, ready_ns)
        self._outlet.take(self._endpoint, ready_ns)

    def _happen_at(self, instant_ns: int, now_ns: int) -> None:
        for arrival in self._inlet.due(instant_ns):
            self._hear(arrival.data)
        self._outlet.hand_over(instant_ns, now_ns)
        if self._outlet.left_ns <= instant_ns:
            self._leave(instant_ns, now_ns)
        if self._deadline_ns() <= instant_ns:
            for arrival in self._inlet.doubtful(instant_ns):
                self._hear(arrival.data)
        if self._deadline_ns() <= instant_ns:  # no arrival has lifted it
            self.lateness.note(instant_ns, now_ns)
            self._report(self._endpoint.handle_deadline(self._as_of(instant_ns)))

    def _leave(self, instant_ns: int, now_ns: int) -> None:
        self.lateness.note(instant_ns, now_ns)
        awaited = self._outlet.is_awaited
        self._outlet.leave()
        self._attention.left(instant_ns)
        if self._allowance is not None:
            self._allowance.earn()
        self._enter_own(instant_ns)
        if awaited:
            self._report(self._endpoint.message_left(instant_ns))

    def _hear(self, data: bytes) -> None:
        if END in data:  # an answer stands behind what it answers, whatever the pacer says
            early_ns = self._outlet.left_ns - self._told_ns
            if self._outlet.is_awaited and early_ns > TOLERANCE_NS and not self._emulates:
                self.lateness.early += 1
            self._attention.heard(self._told_ns)
            self._enter_own(self._told_ns)
        self._enter(self._hears, self._told_ns, data)
        self._report(self._endpoint.receive_bytes(data, self._told_ns))

    def _due_ns(self) -> int:
        """Return when something happens next."""
        return min(self._inlet.next_ns, self._outlet.next_ns, self._deadline_ns())

    def _deadline_ns(self) -> int:
        deadline_ns = self._endpoint.next_deadline_ns()
        if deadline_ns is None:
            return NEVER
        if self._gone_ns <= deadline_ns <= self._back_ns:
            return self._back_ns + deadline_ns - self._gone_ns
        return deadline_ns

    def _as_of(self, instant_ns: int) -> int:
        """Return the time to tell with a limit: its own, where it fell due while we were away.

        What else the endpoint waits for is not due then.
        """
        due_ns = self._endpoint.next_deadline_ns()
        if due_ns is None or not self._gone_ns <= due_ns <= self._back_ns:
            return instant_ns
        return due_ns

    def _pause_ns(self, until_ns: int | None) -> int:
        now_ns = self._clock.now_ns()
        wake_ns = min(self._due_ns(), now_ns + _LONGEST_PAUSE_NS)
        if until_ns is not None:
            wake_ns = min(wake_ns, until_ns)
        return max(wake_ns - now_ns, 0)

    def _enter_own(self, instant_ns: int) -> None:
        """Enter our message, if that has not been done."""
        if message := self._outlet.to_enter():
            self._enter(self._sends, instant_ns, message)

    def _enter(self, direction: Direction, instant_ns: int, data: bytes) -> None:
        passage = Passage(direction, instant_ns, data)
        if self._keeps:
            self.capture.passages.append(passage)
        if self._recorder is not None:
            self._recorder(passage)

    def _report(self, events: Sequence[Event]) -> None:
        if events and self._listener is not None:
            self._listener(self._sends, events)
