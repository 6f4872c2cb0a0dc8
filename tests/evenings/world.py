"""The bench in virtual time: clock, port, cable and unit, and what goes wrong at which instant."""

from __future__ import annotations

import heapq
import itertools
import os
import random
import signal
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple, NoReturn

from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.clock import Clock
from dryload.emulator.ports.port import Abilities, Arrival, PortError, Truncated
from tests.evenings import disk
from tests.evenings.plan import Evening, Hit, Run, Trouble
from tests.evenings.rack import Rack
from tests.foreign import wire

S: Final = 1_000_000_000
MS: Final = 1_000_000
NEVER: Final = 1 << 62
BYTE_NS: Final = 320_000  # ten bits at 31,250 baud (M1 p. 1)
_SWITCH_NS: Final = 200_000  # from one end of a network to the other
_LOOK_NS: Final = 4_000  # what a look at a port costs
_LATE_NS: Final = 60_000  # everybody wakes a little late
_LONGEST_S: Final = 4 * 3600.0
KILLED: Final = 137
ENDLESS: Final = 98
_NAMES: Final = {wire.ACK: "ACK", wire.NAK: "NAK", wire.CANCEL: "CANCEL", wire.WAIT: "WAIT"}


class Passed(NamedTuple):
    """A message that one end gave out."""

    at_ns: int
    to_unit: bool
    raw: bytes
    fate: str

    def told(self) -> str:
        """Say what it was."""
        kind = self.raw[3] if len(self.raw) > 4 else -1
        match kind:
            case wire.HEADER:
                what = f"header of sample {wire.number(self.raw[4:6])}"
            case wire.PACKET:
                what = f"packet {self.raw[4]}"
            case wire.REQUEST:
                what = f"request for sample {wire.number(self.raw[4:6])}"
            case _:
                what = f"{_NAMES.get(kind, self.raw.hex(' '))} {self.raw[4]}"
        way = "to unit  " if self.to_unit else "from unit"
        return f"{self.at_ns / S:10.3f} s  {way}  {what}{self.fate and f', {self.fate}'}"


@dataclass(slots=True)
class Log:
    """What really happened in one run."""

    passed: list[Passed] = field(default_factory=list)
    told: list[tuple[int, str]] = field(default_factory=list)
    """What went wrong, with its time."""
    ended: str = ""
    """"killed", "power" or "endless" where the tool did not come to its end."""
    opened: int = 0
    """How often a port was opened."""
    late_ns: int = 0
    """How long the process was held up, together."""
    struck: set[str] = field(default_factory=set)
    """The kinds of trouble that really came."""
    hits: int = 0
    """Messages that the cable lost, doubled or damaged."""


class World(Clock):
    """Everything outside the tool; `end` is told how the process has to end at once."""

    def __init__(self, evening: Evening, run: Run, rack: Rack, began_ns: int) -> None:
        self.log: Final = Log()
        self.rack: Final = rack
        self.end: Callable[[str], NoReturn] = _no_end
        self.rival: Callable[[], None] = lambda: None
        self.cable: Final = Cable(self.log, rack, evening.has_line, run.hits)
        self.port: Port | None = None
        self._evening: Final = evening
        self._began_ns: Final = began_ns
        self.time_ns = began_ns
        order = itertools.count()
        self._agenda = [
            (began_ns + round(each.at_s * S), next(order), each)
            for each in run.troubles
            if each.step is None
        ]
        heapq.heapify(self._agenda)
        self._order: Final = order
        self._is_busy = False
        self._back_ns = 0  # when the interface is plugged in again

    def now_ns(self) -> int:
        """Return the time; a process may be held up before it looks."""
        self._happen()
        return self.time_ns

    def sleep_ns(self, duration_ns: int) -> None:
        """Let time pass."""
        if duration_ns > 0:
            self.time_ns += duration_ns + _LATE_NS
            self._happen()
        if self.time_ns - self._began_ns > _LONGEST_S * S:
            self.end("endless")

    def cost(self, ns: int) -> None:
        """Let the time pass that some work takes."""
        self.time_ns += ns
        self._happen()

    def next_ns(self) -> int:
        """Return when the next thing goes wrong."""
        return self._agenda[0][0] if self._agenda else NEVER

    def open(self, name: str) -> Port:
        """Return a port to the unit; PortError where nobody answers."""
        self.cost(3 * MS)
        if self.time_ns < self._back_ns:
            raise PortError(f"{name} is not there.", "See that it is plugged in.")
        if not self.rack.is_on and self._evening.target == "tcp":
            raise PortError(f"{name} can't be reached: connection refused.", "See that it is on.")
        self.log.opened += 1
        self.cable.clear()
        self.rack.hung_up_s = None
        self.port = Port(name, self, self.cable, knows=self._evening.target == "midi")
        return self.port

    def _happen(self) -> None:
        if self._is_busy:  # what happens looks at the clock as well
            return
        self._is_busy = True
        try:
            while self._agenda and self._agenda[0][0] <= self.time_ns:
                at_ns, _, trouble = heapq.heappop(self._agenda)
                self.strike(trouble, at_ns)
        finally:
            self._is_busy = False

    def strike(self, trouble: Trouble, at_ns: int | None = None) -> None:
        """Let something go wrong, now or at its instant."""
        at_ns = self.time_ns if at_ns is None else at_ns
        kind = trouble.kind
        self.log.told.append((at_ns, f"{kind} {trouble.for_s or ''}".strip()))
        self.log.struck.add(kind)
        match kind:
            case "kill" | "power":
                self.cable.catch_up(at_ns)
                self.end(kind)
            case "ctrl-c":
                if trouble.for_s:
                    self._later(at_ns, trouble, kind)
                os.kill(os.getpid(), signal.SIGINT)
            case "late":
                self.time_ns = max(self.time_ns, at_ns) + round(trouble.for_s * S)
                self.log.late_ns += round(trouble.for_s * S)
            case "full":
                disk.fill(trouble.room)
                self._later(at_ns, trouble, "free")
            case "free":
                disk.free()
            case "unplug":
                self._back_ns = at_ns + round(trouble.for_s * S)
                if self.port is not None:
                    self.port.is_gone = "the device has gone"
            case "unit off":
                self.cable.catch_up(at_ns)
                self.rack.switch_off(at_ns / S)
                if self.port is not None and self._evening.target == "tcp":
                    self.port.is_gone = "the other side has closed the connection"
                self._later(at_ns, trouble, "unit on")
            case "unit on":
                self.cable.catch_up(at_ns)
                self.rack.switch_on()
            case "rival":
                self.rival()

    def _later(self, at_ns: int, trouble: Trouble, kind: str) -> None:
        if trouble.for_s < 1e6:
            then_ns = at_ns + round(trouble.for_s * S)
            heapq.heappush(
                self._agenda,
                (then_ns, next(self._order), Trouble(kind=kind, at_s=then_ns / S)),
            )


class Cable:
    """Carries messages both ways, with what it does to them, and has the unit take them."""

    def __init__(self, log: Log, rack: Rack, has_line: bool, hits: Sequence[Hit]) -> None:
        self._log: Final = log
        self._rack: Final = rack
        self._has_line: Final = has_line
        self._hits: Final = {(hit.to_unit, hit.message): hit for hit in hits}
        self._count = {True: 0, False: 0}
        self._free_ns = {True: 0, False: 0}
        self._there: list[tuple[int, int, bytes]] = []  # on its way to the unit
        self._order: Final = itertools.count()
        self._cutter = wire.Cutter()
        self.here: list[tuple[int, bytes]] = []
        """On its way to the host, earliest first."""

    def clear(self) -> None:
        """Forget what is on its way: another connection is made."""
        self._there.clear()
        self.here.clear()
        self._cutter = wire.Cutter()

    def send(self, raw: bytes, now_ns: int) -> None:
        """Carry a message of the host to the unit."""
        for at_ns, data in self._carry(True, raw, now_ns):
            heapq.heappush(self._there, (at_ns, next(self._order), data))

    def next_ns(self) -> int:
        """Return when something happens at either end."""
        times = [self._due_ns()]
        times += [self._there[0][0]] if self._there else []
        times += [self.here[0][0]] if self.here else []
        return min(times)

    def catch_up(self, now_ns: int) -> None:
        """Let the unit do everything that is due."""
        while True:
            due_ns = self._due_ns()
            comes_ns = self._there[0][0] if self._there else NEVER
            at_ns = min(due_ns, comes_ns)
            if at_ns > now_ns:
                return
            if comes_ns < due_ns:
                for raw in self._cutter.feed(heapq.heappop(self._there)[2]):
                    self._rack.take(raw, at_ns / S)
            for raw in self._rack.due(at_ns / S + 1e-9):  # floats round
                self.here += self._carry(False, raw, at_ns)

    def _due_ns(self) -> int:
        due_s = self._rack.due_s()
        return NEVER if due_s is None else round(due_s * S)

    def _carry(self, to_unit: bool, raw: bytes, now_ns: int) -> list[tuple[int, bytes]]:
        hit = self._hits.get((to_unit, self._count[to_unit]))
        self._count[to_unit] += 1
        fate = "" if hit is None else hit.what
        self._log.passed.append(Passed(now_ns, to_unit, raw, fate))
        self._log.hits += hit is not None
        copies = {"lost": 0, "doubled": 2}.get(fate, 1)
        if hit is not None and fate == "damaged":
            raw = _damaged(raw, hit.place)
        carried = []
        for _ in range(copies):
            takes_ns = len(raw) * BYTE_NS if self._has_line else _SWITCH_NS
            self._free_ns[to_unit] = max(self._free_ns[to_unit], now_ns) + takes_ns
            carried.append((self._free_ns[to_unit], raw))
        return carried


class Port:
    """The host's end, as the driver wants it."""

    def __init__(self, name: str, world: World, cable: Cable, *, knows: bool) -> None:
        self.name: Final = name
        self.clock: Final[Clock] = world
        self.is_gone = ""
        self.abilities: Final = Abilities(
            truncated=Truncated.WITH_THE_NEXT if knows else Truncated.AT_ONCE,
            resolution_ns=2 * MS if knows else MS,
            holds_back=not knows,
        )
        self._world: Final = world
        self._cable: Final = cable
        self._knows: Final = knows
        self._empty_ns = world.now_ns()

    def send(self, message: bytes) -> None:
        """Send one message."""
        self._world.cost(_LOOK_NS)
        self._look(self._world.now_ns())
        self._cable.send(message, self._world.now_ns())

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> Sequence[Arrival]:
        """Return what has arrived; wait for the first of it."""
        self._world.cost(_LOOK_NS)
        until_ns = self._world.now_ns() + timeout_ns
        while True:
            now_ns = self._world.now_ns()
            if found := self._take(now_ns):
                return found
            self._look(now_ns)
            self._empty_ns = now_ns
            if now_ns >= until_ns:
                return ()
            hung_up_s = self._world.rack.hung_up_s
            ends_ns = NEVER if hung_up_s is None else round(hung_up_s * S)
            next_ns = min(until_ns, self._cable.next_ns(), self._world.next_ns(), ends_ns)
            self._world.sleep_ns(max(next_ns - now_ns, 1_000))

    def close(self) -> None:
        """Hang up."""
        self.is_gone = "closed here"

    def _take(self, now_ns: int) -> list[Arrival]:
        self._cable.catch_up(now_ns)
        found = []
        while self._cable.here and self._cable.here[0][0] <= now_ns:
            at_ns, data = self._cable.here.pop(0)
            found.append(
                Arrival(at_ns, data, at_ns)
                if self._knows
                else Arrival(now_ns, data, self._empty_ns)
            )
        return found

    def _look(self, now_ns: int) -> None:
        hung_up_s = self._world.rack.hung_up_s
        if hung_up_s is not None and hung_up_s * S <= now_ns and not self.is_gone:
            self.is_gone = "the other side has closed the connection"
        if self.is_gone:
            raise PortError(f"{self.name}: {self.is_gone}.", "See whether it is still there.")


class Steps:
    """Counts the steps of work on files, and lets something go wrong at one of them."""

    _NAMES: Final = frozenset(
        ("open", "write", "flush", "truncate", "fsync", "replace", "rename", "close", "unlink")
    )

    def __init__(self, world: World, troubles: Sequence[Trouble]) -> None:
        self._world: Final = world
        self._at: Final = {each.step: each for each in troubles if each.step is not None}
        self.count = 0

    def take(self, frame: object, event: str, what: object) -> None:
        """Stand for `sys.setprofile`'s function."""
        if event != "c_call" or getattr(what, "__name__", "") not in self._NAMES:
            return
        self.count += 1
        if (trouble := self._at.pop(self.count, None)) is not None:
            self._world.strike(trouble)

    @property
    def is_needed(self) -> bool:
        """Whether something goes wrong at a step."""
        return bool(self._at)


def _damaged(raw: bytes, place: int) -> bytes:
    """Return a message with one bit of one of its data bytes turned."""
    if wire.said(raw, 0) == wire.HEADER:  # no checksum protects it: another matter
        place = 5 + place % 12
    place = 1 + place % (len(raw) - 2)
    return raw[:place] + bytes([raw[place] ^ 1]) + raw[place + 1 :]


def _no_end(how: str) -> NoReturn:
    raise AssertionError(how)


def dice_of(evening: Evening, turn: int) -> random.Random:
    """Return dice for what happens in one run."""
    return random.Random(f"{evening.seed} run {turn}")
