"""Play one side of a capture verbatim to a unit, and see whether the unit answers alike.

Theory of operation.  Everything that went to the unit goes again, each message at its recorded
instant, whatever the unit says; so this shows what the unit does with just these bytes at just
these times, and nothing of how a sender would have acted on the answers.

In virtual time that is exact, and so is the comparison.  Where a port comes in, now or when it was
recorded, times scatter by milliseconds that are nobody's doing: a message waits for what had come
before it (`emulator.dump.script`), and what each side said is compared, in its order.  Times are
only told, and so are messages that had to go before all of that had come.

To an emulated unit there may be an operator who presses confirm as a dump header goes out, as in a
rehearsal.  When the recording is over the unit may finish what it has begun; of a unit that is not
ours, until what was recorded has come, or until it has been silent for long.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.script import Cue, Script, cues_of, heard_in, waiting_cues_of
from dryload.emulator.line.link import Link
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.ports.lateness import Lateness
from dryload.emulator.ports.port import PortError
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.possible import Profile
from dryload.emulator.wire.codec import kind_of
from dryload.emulator.wire.constants import FIRST_REALTIME
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.harness.files.capture_file import CaptureFile
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import Recorded
from dryload.harness.jobs.line import MINUTE_NS, Line, late_findings, never
from dryload.harness.jobs.operator import Operator
from dryload.harness.judge.conversation import ConversationComparison, MessageChange, compare
from dryload.harness.judge.finding import Finding

_SLICE_NS: Final = 10_000_000_000
_SILENCE_NS: Final = 3_000_000_000
_EXTRA_NS: Final = 200_000_000  # for what comes beyond what was recorded
_LOST: Final = (EventKind.REFUSED, EventKind.ABANDONED)


class PlayedCapture(Struct, frozen=True, kw_only=True, eq=False):
    """What came of playing one capture."""

    file: CaptureFile
    sent: int
    """Messages that went to the unit."""
    headers: int
    """Dump headers among them."""
    passed: Capture
    """What passed this time."""
    comparison: ConversationComparison | None
    """Recorded against now; None where nothing is known of what came from the unit."""
    kept: int | None
    """Dumps that the unit took to their end; None where it is not ours."""
    has_lost: bool
    """Whether a unit of ours refused a dump or gave one up."""
    follows: bool
    """Whether messages waited for what had come before them, and times were not compared."""
    overdue: int
    """Messages that went, although not all that had come before them then had come."""
    findings: tuple[Finding, ...]
    """What our own side did wrong."""
    stopped: bool
    """Whether the user interrupted it."""
    failed: PortError | None
    """What ended it, where the port failed."""

    @property
    def is_well(self) -> bool:
        """Whether the unit answered as recorded, or, with no answers known, took every dump.

        With a unit that is not ours and no answers known, whether there was no dump to be taken.
        """
        if self.stopped or self.failed is not None:
            return False
        if self.comparison is not None:
            return self.comparison.same
        return not self.has_lost and (bool(self.kept) or not self.headers)


class Playback:
    """Plays captures one after another over a line to a unit that is not ours.

    `lateness` is what a line in real time says of itself.  After a PortError (`failed`) nothing
    more can be played.
    """

    def __init__(
        self,
        line: Line,
        *,
        lateness: Lateness | None = None,
        wants_stop: Callable[[], bool] = never,
    ) -> None:
        self._line: Final = line
        self._lateness: Final = lateness
        self._wants_stop: Final = wants_stop
        self._kinds: Counter[EventKind] | None = None  # what the unit reports, if it is ours
        self.failed: PortError | None = None

    def play(self, file: CaptureFile) -> PlayedCapture:
        """Play what went to the unit in a capture; a Problem where nothing did."""
        recorded, follows = file.recorded, self.follows(file.recorded)
        cues = _cues(file, follows=follows)
        script = Script(cues, tells=self._sends)
        if self._kinds is not None:
            self._kinds.clear()
        late = None if self._lateness is None else replace(self._lateness)
        first, end_ns = len(self._line.capture.passages), None
        try:
            self._line.connect(script)
            start_ns, first = self._line.now_ns, len(self._line.capture.passages)
            script.start(start_ns)
            end_ns = self._run(script, recorded, start_ns)
        except PortError as problem:
            self.failed = problem
        passages = self._line.capture.passages[first:]
        if end_ns is not None:  # clock and active sensing go on for ever
            passages = [
                passage
                for passage in passages
                if passage.end_ns <= end_ns or passage.data[0] < FIRST_REALTIME
            ]
        passed = Capture(passages)
        findings: tuple[Finding, ...] = ()
        if late is not None and self._lateness is not None:
            # a message that is due is no limit: what comes about then is in no doubt
            findings = late_findings(late, replace(self._lateness, doubtful=late.doubtful))
        return PlayedCapture(
            file=file,
            sent=len(cues),
            headers=sum(_is_header(cue.data) for cue in cues),
            passed=passed,
            comparison=_compared(recorded, passed, follows=follows),
            kept=None if self._kinds is None else self._kinds[EventKind.DONE],
            has_lost=self._kinds is not None and any(map(self._kinds.get, _LOST)),
            follows=follows,
            overdue=script.overdue,
            findings=findings,
            stopped=self._wants_stop(),
            failed=self.failed,
        )

    def follows(self, recorded: Recorded) -> bool:
        """Whether messages wait for what had come before them."""
        return True

    def _sends(self, data: bytes) -> None:
        """Take note of a message whose turn it is."""

    def _run(self, script: Script, recorded: Recorded, start_ns: int) -> int | None:
        """Play to the end; return when the recording was over, None where that is not known."""
        self._line.run(lambda: self._wants_stop() or self._is_done(script, recorded))
        return None

    def _is_done(self, script: Script, recorded: Recorded) -> bool:
        if not script.is_over:
            return False
        quiet_ns = self._line.now_ns - script.last_ns
        knows = Direction.FROM_UNIT in recorded.directions
        has_all = knows and script.heard >= heard_in(recorded.capture.passages)
        return quiet_ns >= (_EXTRA_NS if has_all else _SILENCE_NS)


class RehearsedPlayback(Playback):
    """Plays captures to an emulated unit on a simulated line.

    `link` is the interface between the host and the line; None: one that does nothing.  `operator`
    is whether somebody presses confirm.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        operator: bool = True,
        link: Link | None = None,
        wants_stop: Callable[[], bool] = never,
    ) -> None:
        self.unit: Final = RackUnit(profile)
        self.line: Final = SimulatedLine(self.unit, link=link, listener=self._hear)
        super().__init__(self.line, wants_stop=wants_stop)
        self._kinds = Counter()
        self.operator: Final = Operator(self.unit, self.line, 0 if operator else None)

    def follows(self, recorded: Recorded) -> bool:
        """Whether messages wait for what had come before them."""
        return recorded.is_from_port

    def _sends(self, data: bytes) -> None:
        if _is_header(data):
            self.line.at(self.line.now_ns, lambda _: self.operator.confirm())

    def _run(self, script: Script, recorded: Recorded, start_ns: int) -> int:
        unit, line = self.unit, self.line
        if self.follows(recorded):
            line.run(lambda: script.is_over or self._wants_stop())
        end_ns = start_ns + lasting_ns(recorded) + script.shift_ns
        while line.now_ns < end_ns and not self._wants_stop():
            line.advance(min(end_ns - line.now_ns, _SLICE_NS))
        while not (script.is_over or self._wants_stop()):  # the wire may have been behind
            line.run(lambda: script.is_over, until_ns=line.now_ns + _SLICE_NS)
        line.run(
            lambda: self._wants_stop() or not (unit.is_receiving or unit.is_sending),
            until_ns=line.now_ns + MINUTE_NS,
        )
        self.operator.confirm()
        return end_ns

    def _hear(self, direction: Direction, events: Sequence[Event]) -> None:
        if direction is Direction.FROM_UNIT and self._kinds is not None:
            self._kinds.update(event.kind for event in events)


def lasting_ns(recorded: Recorded) -> int:
    """Return how long a capture takes from its beginning on."""
    return max(each.end_ns for each in recorded.capture.passages) - recorded.start_ns


def _cues(file: CaptureFile, *, follows: bool) -> list[Cue]:
    recorded = file.recorded
    capture, origin_ns = recorded.capture, recorded.start_ns
    if follows:
        cues = waiting_cues_of(capture, origin_ns=origin_ns, rounded_ns=recorded.rounded_ns)
    else:
        cues = cues_of(capture, Direction.TO_UNIT, origin_ns=origin_ns)
    if not cues:
        raise Problem(
            f"{shown(file.name)} holds nothing that went to the unit, so there is nothing to play."
        )
    return cues


def _is_header(data: bytes) -> bool:
    return kind_of(data) in (DumpHeader, ExtendedHeader)


def _compared(
    recorded: Recorded, passed: Capture, *, follows: bool
) -> ConversationComparison | None:
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
    own = tuple(each for each in comparison.differences if each.kind is not MessageChange.ORDER)
    return replace(comparison, differences=own)
