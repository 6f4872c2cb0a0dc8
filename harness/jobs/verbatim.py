"""Play one side of a capture verbatim to a unit, and see whether the unit answers alike.

Theory of operation.  Everything that went to the unit goes again, each message at its recorded
instant, whatever the unit says; so this shows what the unit does with just these bytes at just
these times, and nothing of how a sender would have acted on the answers.

In virtual time that is exact, and so is the comparison.  Where a port comes in, now or when it was
recorded, times scatter by milliseconds that are nobody's doing: a message waits for what had come
before it (`following`), and what each side said is compared, in its order.  Times are only told,
and so are messages that had to go before all of that had come.

To an emulated unit there may be an operator who presses confirm as a dump header goes out, as in a
rehearsal.  When the recording is over the unit may finish what it has begun; of a unit that is not
ours, until what was recorded has come, or until it has been silent for long.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from emulator.dump.capture import Capture, Direction
from emulator.dump.events import Event, EventKind
from emulator.dump.script import Cue, Script, cues_of
from emulator.line.link import Link
from emulator.line.simulate import SimulatedLine
from emulator.ports.lateness import Lateness
from emulator.ports.port import PortError
from emulator.unit.board import RackUnit
from emulator.unit.possible import Profile
from emulator.wire.codec import kind_of
from emulator.wire.constants import FIRST_REALTIME
from emulator.wire.messages import DumpHeader, ExtendedHeader
from harness.files.capture_file import CaptureFile
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.files.recorded import Recorded
from harness.jobs.following import Following, heard_in, turns_of
from harness.jobs.line import Line, never
from harness.jobs.rig import late_findings
from harness.judge.conversation import Comparison, Kind, compare
from harness.judge.finding import Finding

_SLICE_NS: Final = 10_000_000_000
_FINISHING_NS: Final = 60_000_000_000
_SILENCE_NS: Final = 3_000_000_000
_EXTRA_NS: Final = 200_000_000  # for what comes beyond what was recorded
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
    """What the unit reported, if it is ours."""
    is_emulated: bool = True
    """Whether the unit is ours, so that something is known of its insides."""
    follows: bool = False
    """Whether messages waited for what had come before them, and times were not compared."""
    overdue: int = 0
    """Messages that went, although not all that had come before them then had come."""
    findings: tuple[Finding, ...] = ()
    """What our own side did wrong."""
    stopped: bool = False
    """Whether the user interrupted it."""
    failed: PortError | None = None
    """What ended it, where the port failed."""

    @property
    def kept(self) -> int | None:
        """Dumps that the unit took to their end; None where that is not known."""
        if not self.is_emulated:
            return None
        return sum(event.kind is EventKind.DONE for event in self.events)

    @property
    def is_well(self) -> bool:
        """Whether the unit answered as recorded, or, with no answers known, took every dump.

        With a unit that is not ours and no answers known, whether there was no dump to be taken.
        """
        if self.stopped or self.failed is not None:
            return False
        if self.comparison is not None:
            return self.comparison.same
        lost = any(event.kind in _LOST for event in self.events)
        return not lost and (bool(self.kept) or not self.headers)


class VerbatimRehearsal:
    """An emulated unit on a simulated line, to which captures are played one after another.

    `link` is the interface between the host and the line; None: one that does nothing.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        operator: bool = True,
        link: Link | None = None,
        wants_stop: Callable[[], bool] | None = None,
    ) -> None:
        self.unit: Final = RackUnit(profile)
        self.line: Final = SimulatedLine(self.unit, link=link, listener=self._hear)
        self._operator: Final = operator
        self._wants_stop: Final = wants_stop or never
        self._events: list[Event] = []
        self.visits = 0
        """How often somebody had to walk to the unit."""

    def play(self, file: CaptureFile) -> Verbatim:
        """Play what went to the unit in a capture; a Problem where nothing did."""
        cues = _cues(file)
        self._events = []
        follows = file.recorded.is_from_port
        start_ns, first = self.line.now_ns, len(self.line.capture.passages)
        overdue = 0
        if follows:
            end_ns, overdue = self._follow(file.recorded)
        else:
            end_ns = self._play(file.recorded, cues)
        passed = Capture(
            [
                passage
                for passage in self.line.capture.passages[first:]
                if passage.end_ns <= end_ns or passage.data[0] < FIRST_REALTIME
            ]
        )
        return Verbatim(
            file=file,
            sent=len(cues),
            headers=sum(map(_is_header, cues)),
            passed=passed,
            start_ns=start_ns,
            comparison=_compared(file.recorded, passed, follows=follows),
            events=tuple(self._events),
            follows=follows,
            overdue=overdue,
            stopped=self._wants_stop(),
        )

    def _play(self, recorded: Recorded, cues: Sequence[Cue]) -> int:
        """Play in virtual time to the nanosecond; return when the recording was over."""
        start_ns = self.line.now_ns
        end_ns = start_ns + _last_ns(recorded)
        script = Script(cues)
        self.line.connect(script)
        script.start(start_ns)
        for cue in filter(_is_header, cues):
            self._run_until(start_ns + cue.at_ns)
            self._confirm()
        self._run_until(end_ns)
        self._finish(script)
        return end_ns

    def _follow(self, recorded: Recorded) -> tuple[int, int]:
        """Play what a port recorded; return when it was over and how many were overdue."""
        start_ns = self.line.now_ns
        script = _following(recorded, self._told)
        self.line.connect(script)
        script.start(start_ns)
        self.line.run(lambda: script.is_over or self._wants_stop())
        end_ns = start_ns + _last_ns(recorded) + script.shift_ns
        self._run_until(end_ns)
        self._finish(script)
        return end_ns, script.overdue

    def _told(self, data: bytes) -> None:
        if kind_of(data) in _HEADERS:
            self.line.at(self.line.now_ns, lambda _: self._confirm())

    def _run_until(self, instant_ns: int) -> None:
        while self.line.now_ns < instant_ns and not self._wants_stop():
            self.line.advance(min(instant_ns - self.line.now_ns, _SLICE_NS))

    def _finish(self, script: Script | Following) -> None:
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


class VerbatimPlayer:
    """Plays captures over a line to a unit that is not ours.

    `lateness` is what a line in real time says of itself.  After a PortError (`failed`) nothing
    more can be played.
    """

    def __init__(
        self,
        line: Line,
        *,
        lateness: Lateness | None = None,
        wants_stop: Callable[[], bool] | None = None,
    ) -> None:
        self._line: Final = line
        self._lateness: Final = lateness
        self._wants_stop: Final = wants_stop or never
        self.failed: PortError | None = None

    def play(self, file: CaptureFile) -> Verbatim:
        """Play what went to the unit in a capture; a Problem where nothing did."""
        recorded, cues = file.recorded, _cues(file)
        script = _following(recorded)
        late = None if self._lateness is None else replace(self._lateness)
        start_ns, first = self._line.now_ns, len(self._line.capture.passages)
        try:
            self._line.connect(script)
            start_ns, first = self._line.now_ns, len(self._line.capture.passages)
            script.start(start_ns)
            self._line.run(lambda: self._wants_stop() or self._is_done(script, recorded))
        except PortError as problem:
            self.failed = problem
        passed = Capture(self._line.capture.passages[first:])
        findings: tuple[Finding, ...] = ()
        if late is not None and self._lateness is not None:
            # a message that is due is no limit: what comes about then is in no doubt
            findings = late_findings(late, replace(self._lateness, doubtful=late.doubtful))
        return Verbatim(
            file=file,
            sent=len(cues),
            headers=sum(map(_is_header, cues)),
            passed=passed,
            start_ns=start_ns,
            comparison=_compared(recorded, passed, follows=True),
            events=(),
            is_emulated=False,
            follows=True,
            overdue=script.overdue,
            findings=findings,
            stopped=self._wants_stop(),
            failed=self.failed,
        )

    def _is_done(self, script: Following, recorded: Recorded) -> bool:
        if not script.is_over:
            return False
        quiet_ns = self._line.now_ns - script.last_ns
        knows = Direction.FROM_UNIT in recorded.directions
        has_all = knows and script.heard >= heard_in(recorded.capture.passages)
        return quiet_ns >= (_EXTRA_NS if has_all else _SILENCE_NS)


def lasting_ns(file: CaptureFile) -> int:
    """Return how long a capture takes from its beginning on."""
    return _last_ns(file.recorded)


def _cues(file: CaptureFile) -> list[Cue]:
    recorded = file.recorded
    cues = cues_of(recorded.capture, Direction.TO_UNIT, origin_ns=recorded.start_ns)
    if not cues:
        raise Problem(
            f"{shown(file.name)} holds nothing that went to the unit, so there is nothing to play."
        )
    return cues


def _following(recorded: Recorded, tells: Callable[[bytes], object] | None = None) -> Following:
    capture, rounded_ns = recorded.capture, recorded.rounded_ns
    turns = turns_of(capture, origin_ns=recorded.start_ns, rounded_ns=rounded_ns)
    return Following(turns, tells=tells)


def _compared(recorded: Recorded, passed: Capture, *, follows: bool) -> Comparison | None:
    if Direction.FROM_UNIT not in recorded.directions:
        return None
    comparison = compare(
        recorded.capture,
        passed,
        timed=recorded.is_timed and not follows,
        tolerance_ns=2 * recorded.rounded_ns,  # what is played is rounded, and so is A
    )
    if not follows:
        return comparison
    # Of two messages that crossed, or stand at one instant, either may be the first another time.
    own = tuple(each for each in comparison.differences if each.kind is not Kind.ORDER)
    return replace(comparison, differences=own)


def _last_ns(recorded: Recorded) -> int:
    return max(each.end_ns for each in recorded.capture.passages) - recorded.start_ns


def _is_header(cue: Cue) -> bool:
    return kind_of(cue.data) in _HEADERS
