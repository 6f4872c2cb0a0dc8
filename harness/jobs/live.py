"""A live replay: dumps to whatever is at a port, in real time, with nothing known of its insides.

Theory of operation.  It is the replay of a rehearsal over the real driver.  What is sent is chosen
in `selection`, and in which order and how far in `playthrough`, as for a rehearsal.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from emulator.dump.capture import Direction
from emulator.dump.events import Event
from emulator.ports.pacer import Pacer
from emulator.ports.port import Port
from emulator.ports.real import RealLine, Recorder
from emulator.wire.constants import BYTE_NS
from harness.files.recorded import Recorded
from harness.jobs.dumps import Dump
from harness.jobs.glance import Standing
from harness.jobs.line import never
from harness.jobs.outcome import Outcome
from harness.jobs.passed import judged, recorded_of
from harness.jobs.playlist import Played
from harness.jobs.replay import Progress, Replay, Sent
from harness.jobs.sources import source_of
from harness.jobs.transfer import Settings

if TYPE_CHECKING:
    from harness.diagnose.diagnose import Diagnosis


class LiveReplay:
    """The host's end of a port, and the replay that plays dumps over it.

    What passed is forgotten when the next dump begins; `recorder` is told of all of it.
    """

    def __init__(
        self,
        port: Port,
        *,
        paced: bool = True,
        settings: Settings | None = None,
        progress: Progress | None = None,
        wants_stop: Callable[[], bool] = never,
        recorder: Recorder | None = None,
    ) -> None:
        self.line: Final = RealLine(
            port,
            pacer=Pacer(byte_ns=BYTE_NS if paced else 0),
            listener=self._hear,
            recorder=recorder,
        )
        self.replay: Final = Replay(
            self.line,
            lateness=self.line.lateness,
            settings=settings,
            progress=progress,
            wants_stop=wants_stop,
        )
        self.clock: Final = port.clock
        self._start_ns: Final = port.clock.now_ns()

    def play(self, dump: Dump) -> Played:
        """Play one dump, read it back and compare; what did not go well is diagnosed."""
        return self.conclude(self.send(dump))

    def glance(self, dump: Dump) -> Standing:
        """Ask for the beginning of a dump that the unit was sent another time."""
        standing = self.replay.glance(dump)
        self.line.capture.passages.clear()
        return standing

    def send(self, dump: Dump) -> Sent:
        """Send one dump."""
        self.line.capture.passages.clear()
        sent = self.replay.send(dump)
        return replace(sent, passages=tuple(self.line.capture.passages))

    def conclude(self, sent: Sent) -> Played:
        """Read back what was sent and compare; judge what passed, and say why it did not go well.

        It may have been sent over another port that has failed since.
        """
        self.line.capture.passages.clear()
        transfer = self.replay.conclude(sent)
        passages = (*sent.passages, *self.line.capture.passages)
        recorded = recorded_of(passages, self._start_ns, sent.late_ns)
        if not transfer.stopped:
            more = judged(recorded, transfer.dump)
            transfer = replace(transfer, findings=(*transfer.findings, *more))
        diagnosis = None
        # What was answered to its end and not read back did not go wrong for all that is known.
        is_wrong = not transfer.is_well and not (
            sent.outcome is Outcome.LOADED and transfer.verified is None
        )
        is_told = transfer.stopped or transfer.is_rigs_fault
        if is_wrong and not (is_told or self.replay.failed):
            diagnosis = self._diagnosed(transfer.dump, recorded)
        return Played(transfer=transfer, diagnosis=diagnosis)

    def _diagnosed(self, dump: Dump, recorded: Recorded) -> "Diagnosis":
        from harness.diagnose.diagnose import diagnose

        return diagnose(recorded, [source_of(dump)])

    def _hear(self, direction: Direction, events: Sequence[Event]) -> None:
        self.replay.hear(events)
