"""Play one side of a capture verbatim to an emulated unit, and see whether the unit answers alike.

Theory of operation.  Everything that went to the unit goes again, each message at its recorded
instant, whatever the unit says; so this shows what the unit does with just these bytes at just
these times, and nothing of how a sender would have acted on the answers.  The operator, where there
is one, presses confirm as a dump header goes out, as in a rehearsal.  When the recording is over
the unit may finish what it has begun.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from emulator.dump.capture import Capture, Direction
from emulator.dump.events import Event, EventKind
from emulator.dump.script import Cue, Script, cues_of
from emulator.line.simulate import SimulatedLine
from emulator.unit.board import RackUnit
from emulator.unit.possible import Profile
from emulator.wire.codec import kind_of
from emulator.wire.constants import FIRST_REALTIME
from emulator.wire.messages import DumpHeader, ExtendedHeader
from harness.files.capture_file import CaptureFile
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.judge.conversation import Comparison, compare

_SLICE_NS: Final = 10_000_000_000
_FINISHING_NS: Final = 60_000_000_000
_HEADERS: Final = (DumpHeader, ExtendedHeader)
_LOST: Final = (EventKind.REFUSED, EventKind.ABANDONED)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verbatim:
    """What came of one capture."""

    file: CaptureFile
    sent: int
    """Messages that went to the unit."""
    headers: int
    """Dump headers among them."""
    passed: Capture
    """What passed this time."""
    start_ns: int
    """When it began."""
    comparison: Comparison | None
    """Recorded against now; None where nothing is known of what came from the unit."""
    events: tuple[Event, ...]
    """What the unit reported."""
    stopped: bool = False
    """Whether the user interrupted it."""

    @property
    def kept(self) -> int:
        """Dumps that the unit took to their end."""
        return sum(event.kind is EventKind.DONE for event in self.events)

    @property
    def is_well(self) -> bool:
        """Whether the unit answered as recorded, or, with no answers known, took every dump."""
        if self.stopped:
            return False
        if self.comparison is not None:
            return self.comparison.same
        lost = any(event.kind in _LOST for event in self.events)
        return not lost and (self.kept > 0 or not self.headers)


class VerbatimRehearsal:
    """An emulated unit on a simulated line, to which captures are played one after another."""

    def __init__(
        self,
        profile: Profile,
        *,
        operator: bool = True,
        wants_stop: Callable[[], bool] | None = None,
    ) -> None:
        self.unit: Final = RackUnit(profile)
        self.line: Final = SimulatedLine(self.unit, listener=self._hear)
        self._operator: Final = operator
        self._wants_stop: Final = wants_stop or _never
        self._events: list[Event] = []
        self.visits = 0
        """How often somebody had to walk to the unit."""

    def play(self, file: CaptureFile) -> Verbatim:
        """Play what went to the unit in a capture; a Problem where nothing did."""
        recorded = file.recorded
        cues = cues_of(recorded.capture, Direction.TO_UNIT, origin_ns=recorded.start_ns)
        if not cues:
            raise Problem(
                f"{shown(file.name)} holds nothing that went to the unit, so there is nothing to "
                "play."
            )
        self._events = []
        start_ns, first = self.line.now_ns, len(self.line.capture.passages)
        last_ns = max(passage.end_ns for passage in recorded.capture.passages)
        end_ns = start_ns + last_ns - recorded.start_ns
        script = Script(cues)
        self.line.connect(script)
        script.start(start_ns)
        headers = [start_ns + cue.at_ns for cue in cues if _is_header(cue)]
        for instant_ns in headers:
            self._run_until(instant_ns)
            self._confirm()
        self._run_until(end_ns)
        self._finish(script)
        passed = Capture(
            [
                passage
                for passage in self.line.capture.passages[first:]
                if passage.end_ns <= end_ns or passage.data[0] < FIRST_REALTIME
            ]
        )
        comparison = None
        if Direction.FROM_UNIT in recorded.directions:
            comparison = compare(
                recorded.capture,
                passed,
                timed=recorded.is_timed,
                tolerance_ns=2 * recorded.rounded_ns,  # what is played is rounded, and so is A
            )
        return Verbatim(
            file=file,
            sent=len(cues),
            headers=len(headers),
            passed=passed,
            start_ns=start_ns,
            comparison=comparison,
            events=tuple(self._events),
            stopped=self._wants_stop(),
        )

    def _run_until(self, instant_ns: int) -> None:
        while self.line.now_ns < instant_ns and not self._wants_stop():
            self.line.advance(min(instant_ns - self.line.now_ns, _SLICE_NS))

    def _finish(self, script: Script) -> None:
        unit = self.unit
        while not (script.is_over or self._wants_stop()):  # the wire may have been behind
            self.line.run(lambda: script.is_over, until_ns=self.line.now_ns + _SLICE_NS)
        self.line.run(
            lambda: self._wants_stop() or not (unit.is_receiving or unit.is_sending),
            until_ns=self.line.now_ns + _FINISHING_NS,
        )
        self._confirm()

    def _confirm(self) -> None:
        if self._operator and self.unit.panel.awaiting_confirm is not None:
            self.unit.confirm(self.line.now_ns)
            self.visits += 1

    def _hear(self, direction: Direction, events: Sequence[Event]) -> None:
        if direction is Direction.FROM_UNIT:
            self._events += events


def _is_header(cue: Cue) -> bool:
    return kind_of(cue.data) in _HEADERS


def _never() -> bool:
    return False
