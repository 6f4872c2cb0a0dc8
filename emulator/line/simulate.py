"""The simulated driver: two endpoints, two cables, virtual time in integer nanoseconds.

Theory of operation.  Time leaps from one instant at which something happens to the next: an
arrival, a message that has left, a deadline, a scheduled action.  At one instant arrivals come
first, then `message_left`, then deadlines, then actions; then whoever has a message and a free wire
sends it.  Nothing here reads a clock, so a run is the same to the byte from the same inputs.
"""

from collections.abc import Callable, Sequence
from functools import partial
from heapq import heappop, heappush
from typing import Final

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.dump.endpoint import Endpoint
from dryload.emulator.dump.events import Event
from dryload.emulator.dump.steady import SteadyReceiver, SteadySender
from dryload.emulator.line.cable import Cable
from dryload.emulator.line.disturbance import AppliedFault, Disturbance, FaultInjector
from dryload.emulator.line.leap import leap
from dryload.emulator.line.link import Link
from dryload.emulator.line.link_cable import cables

NEVER: Final = 1 << 63
_SHORT_REST, _LONG_REST = 8, 512
"""Instants, of which a packet has three, without another try after one to leap was in vain; each
time in a row twice as many."""
# As Passage._make, and without a step in between: every message comes by here.
_passage: Final = partial(tuple.__new__, Passage)

Listener = Callable[[Direction, Sequence[Event]], None]
"""Hears what endpoints report: the direction in which that endpoint sends, and its events."""


class Silent:
    """An endpoint that never sends and takes no notice: the open end of a cable."""

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Take no notice."""
        return ()

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Take no notice."""
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        """Take no notice."""
        return ()

    def next_deadline_ns(self) -> int | None:
        """Want nothing."""
        return None

    def bytes_to_send(self) -> bytes:
        """Send nothing."""
        return b""


class _Noted:
    """A host's endpoint, and a note of every message that has left it."""

    def __init__(self, endpoint: Endpoint, note: Callable[[Passage], None]) -> None:
        self._endpoint: Final = endpoint
        self._note: Final = note
        self._message = b""
        self.receive_bytes: Final = endpoint.receive_bytes
        self.handle_deadline: Final = endpoint.handle_deadline
        self.next_deadline_ns: Final = endpoint.next_deadline_ns

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Note it, and tell."""
        self.note(now_ns)
        return self._endpoint.message_left(now_ns)

    def note(self, now_ns: int) -> None:
        """Note the message that has left."""
        self._note(Passage(Direction.TO_UNIT, now_ns, self._message))

    def bytes_to_send(self) -> bytes:
        """Hand over what there is to send."""
        message = self._endpoint.bytes_to_send()
        if message:
            self._message = message
        return message


class _Side:
    """One end of the line: an endpoint, the cable on which it sends, the instants it waits for."""

    __slots__ = (
        "answers",
        "arrivals",
        "arrived",
        "cable",
        "deadline_ns",
        "endpoint",
        "hears",
        "left_ns",
        "next_ns",
        "other",
        "packets",
        "sends",
    )
    other: "_Side"

    def __init__(
        self, endpoint: Endpoint, cable: Cable, hears: Cable, arrived: Callable[[Passage], None]
    ) -> None:
        self.plug(endpoint)
        self.arrived = arrived
        self.cable = cable
        self.sends = cable.direction
        self.hears = hears.direction
        self.arrivals = hears.arrivals
        self.left_ns = NEVER
        self.deadline_ns = NEVER
        self.next_ns = NEVER

    def plug(self, endpoint: Endpoint) -> None:
        """Put an endpoint here, and learn what it can say of many packets at once."""
        self.endpoint = endpoint
        self.packets = endpoint if isinstance(endpoint, SteadySender) else None
        self.answers = endpoint if isinstance(endpoint, SteadyReceiver) else None

    def settle(self, now_ns: int) -> None:
        """Send if the wire is free, and learn when something will happen here next."""
        endpoint = self.endpoint
        if self.left_ns == NEVER and (message := endpoint.bytes_to_send()):
            self.left_ns = self.cable.send(message, now_ns)
            other = self.other  # bytes are on their way to it
            if other.arrivals and other.arrivals[0][0] < other.next_ns:
                other.next_ns = other.arrivals[0][0]
        deadline_ns = endpoint.next_deadline_ns()
        self.deadline_ns = next_ns = NEVER if deadline_ns is None else deadline_ns
        self.next_ns = next_ns if next_ns < self.left_ns else self.left_ns
        if self.arrivals and self.arrivals[0][0] < self.next_ns:
            self.next_ns = self.arrivals[0][0]


class SimulatedLine:
    """A unit on a line; `connect` puts one host endpoint after another at the other end.

    `link` is the interface between the host and the cable; None: one that does nothing.
    `host_side` keeps in the capture what the host sent, and not what of it arrived at the unit.
    `leaps` moves many packets at once while nothing disturbs (see `leap`): all comes out the same,
    but between two looks at whether a run is over there may be as much as it is given.
    """

    def __init__(
        self,
        unit: Endpoint,
        *,
        disturbances: Sequence[Disturbance] = (),
        link: Link | None = None,
        host_side: bool = False,
        listener: Listener | None = None,
        leaps: bool = False,
    ) -> None:
        self.now_ns = 0
        self.capture: Final = Capture()
        self._keep: Final = self.capture.passages.append
        self._host_side: Final = host_side
        self._listener: Final = listener or _deaf
        self._injector: Final = FaultInjector(disturbances) if disturbances else None
        self._leaps: Final = leaps and not (disturbances or link or host_side)
        self._rest, self._next_rest = 0, _SHORT_REST  # instants until the next try to leap
        to_unit, from_unit = cables(link, self._injector)
        self._host = _Side(Silent(), to_unit, from_unit, self._keep)
        self._unit = _Side(unit, from_unit, to_unit, _unkept if host_side else self._keep)
        self._host.other, self._unit.other = self._unit, self._host
        self._actions: list[tuple[int, int, Callable[[int], object]]] = []
        self._serial = 0

    @property
    def struck(self) -> Sequence[AppliedFault]:
        """What disturbances have done so far, in the order in which they did it."""
        return () if self._injector is None else self._injector.struck

    def connect(self, endpoint: Endpoint) -> None:
        """Put `endpoint` at the host's end of the line; what is on the wire goes on, untold of."""
        host = self._host
        if self._host_side:
            if isinstance(host.endpoint, _Noted) and host.left_ns != NEVER:
                self.at(host.left_ns, host.endpoint.note)  # it leaves all the same
            endpoint = _Noted(endpoint, self._keep)
        host.plug(endpoint)
        host.left_ns = NEVER

    def at(self, instant_ns: int, action: Callable[[int], object]) -> None:
        """Call `action` with the time at `instant_ns`: a hand at the front panel."""
        self._serial += 1
        heappush(self._actions, (instant_ns, self._serial, action))

    def run(self, is_over: Callable[[], bool], *, until_ns: int | None = None) -> bool:
        """Run until `is_over` and the wires are empty; False when nothing will happen any more.

        False also when `until_ns` is reached: time then stands there, or where it is if that is
        later.
        """
        host, unit = self._host, self._unit
        self._settle()
        while True:
            if self._leaps:
                if self._rest:
                    self._rest -= 1
                else:
                    self._leap(until_ns)
            if (
                host.left_ns == unit.left_ns == NEVER
                and not (host.arrivals or unit.arrivals)
                and is_over()
            ):
                return True
            instant_ns = host.next_ns if host.next_ns < unit.next_ns else unit.next_ns
            if self._actions and self._actions[0][0] < instant_ns:
                instant_ns = self._actions[0][0]
            if instant_ns == NEVER:
                return False
            if until_ns is not None and instant_ns > until_ns:
                self.now_ns = max(until_ns, self.now_ns)
                return False
            if instant_ns > self.now_ns:  # noqa: PLR1730  # every instant comes by here
                self.now_ns = instant_ns  # what was asked for the past is due now
            self._happen(self.now_ns)
            for side in (unit, host):
                if len(side.arrivals) > 1:
                    self._hear_on(side, NEVER if until_ns is None else until_ns)

    def advance(self, by_ns: int) -> None:
        """Let time pass; whatever is due in it happens.  ValueError for less than nothing."""
        if by_ns < 0:
            raise ValueError(f"time cannot pass by {by_ns} ns")
        target_ns = self.now_ns + by_ns
        self.run(lambda: False, until_ns=target_ns)
        # With nothing on the agenda the run ends early; time passes all the same.
        self.now_ns = target_ns

    def _happen(self, now_ns: int) -> None:
        """Let happen what is due at `now_ns`, in the order that the head of this file gives."""
        host, unit = self._host, self._unit
        host_due, unit_due = host.next_ns <= now_ns, unit.next_ns <= now_ns
        if host_due and host.arrivals and host.arrivals[0][0] <= now_ns:
            self._arrive(host, now_ns)
        if unit_due and unit.arrivals and unit.arrivals[0][0] <= now_ns:
            self._arrive(unit, now_ns)
        if host_due and host.left_ns <= now_ns:
            host.left_ns = NEVER
            if events := host.endpoint.message_left(now_ns):
                self._listener(host.sends, events)
        if unit_due and unit.left_ns <= now_ns:
            unit.left_ns = NEVER
            if events := unit.endpoint.message_left(now_ns):
                self._listener(unit.sends, events)
        # An arrival at this instant may have lifted a deadline: the endpoint knows.
        if host_due and host.deadline_ns <= now_ns:
            self._report(host, host.endpoint.handle_deadline(now_ns))
        if unit_due and unit.deadline_ns <= now_ns:
            self._report(unit, unit.endpoint.handle_deadline(now_ns))
        while self._actions and self._actions[0][0] <= now_ns:
            heappop(self._actions)[2](now_ns)
            host_due = unit_due = True  # whatever it did, it did to one of them
        if host_due:
            host.settle(now_ns)
        if unit_due:
            unit.settle(now_ns)

    def _arrive(self, side: _Side, now_ns: int) -> None:
        arrivals = side.arrivals
        while arrivals and arrivals[0][0] <= now_ns:
            at_ns, data = arrivals.popleft()
            side.arrived(_passage((side.hears, at_ns, data)))
            if events := side.endpoint.receive_bytes(data, at_ns):
                self._listener(side.sends, events)

    def _hear_on(self, side: _Side, until_ns: int) -> None:
        """Let bytes arrive, but for the last, as long as nothing else happens before them.

        So come those of a slow line, one by one.
        """
        arrivals, other, actions = side.arrivals, side.other, self._actions
        while len(arrivals) > 1:
            at_ns = arrivals[0][0]
            if (
                at_ns > until_ns
                or at_ns < self.now_ns
                or at_ns >= other.next_ns
                or at_ns >= side.left_ns
                or at_ns >= side.deadline_ns
                or (actions and at_ns >= actions[0][0])
            ):
                return
            self.now_ns = at_ns
            self._arrive(side, at_ns)
            side.settle(at_ns)

    def _report(self, side: _Side, events: Sequence[Event]) -> None:
        if events:
            self._listener(side.sends, events)

    def _leap(self, until_ns: int | None) -> None:
        """Move many packets at once where one is on the wire and both ends are steady."""
        sending, taking = self._host, self._unit
        if sending.left_ns == NEVER:
            sending, taking = taking, sending
        if (
            taking.left_ns != NEVER
            or sending.arrivals
            or len(taking.arrivals) != 1
            or not sending.next_ns == taking.next_ns == sending.left_ns
            or sending.packets is None
            or taking.answers is None
        ):
            return
        bound_ns = NEVER if until_ns is None else until_ns
        if self._actions:
            bound_ns = min(bound_ns, self._actions[0][0] - 1)
        left_ns, message = taking.arrivals[0]
        found = leap(
            sending.packets,
            taking.answers,
            sending.sends,
            left_ns,
            on_wire=message,
            until_ns=bound_ns,
        )
        if found is None:
            self._rest = self._next_rest
            self._next_rest = min(2 * self._next_rest, _LONG_REST)
            return
        self._next_rest = _SHORT_REST
        self.capture.passages += found.passages
        sending.left_ns = sending.cable.free_ns = left_ns + found.by_ns
        taking.arrivals[0] = (sending.left_ns, found.on_wire)
        taking.cable.free_ns = self.now_ns = found.now_ns
        if found.events:
            self._listener(sending.sends, found.events)
        taking.settle(self.now_ns)
        sending.settle(self.now_ns)

    def _settle(self) -> None:
        for side in (self._host, self._unit):
            side.settle(self.now_ns)


def _unkept(passage: Passage) -> None:
    """Keep nothing."""


def _deaf(direction: Direction, events: Sequence[Event]) -> None:
    """Listen to nothing."""
