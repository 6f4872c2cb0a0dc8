"""Reading out: what a unit at a port holds becomes dumps, sample by sample.

Theory of operation.  A unit can't be asked which samples it has: a number is asked for, and CANCEL
or silence says that nothing is there (REQ-03).  Silence is weak: a request may be lost, so each
number that is not answered is asked for again; the unit may be slow, so a sample that comes under a
number which was asked for before counts as the late answer to that; and it may have gone, so where
the last numbers are silent one that was answered before is asked for once more.  `all` has no end
that a unit could tell: it goes as far as was said, or else to 127, and behind that for as long as
every number is answered.

Loops and name are asked for after each sample, the loops in both forms, for each form can say what
the other can't.  No loops may mean that this sample has none, so the next one is asked again; a
unit that does not tell the name of the first sample is not asked for others.
"""

import hashlib
import re
from collections.abc import Callable, Iterator, Sequence
from enum import StrEnum
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.outgoing import whole_sequence
from dryload.emulator.ports.lateness import Lateness
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import Port, PortError
from dryload.emulator.ports.real import RealLine, Recorder
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.constants import (
    ALL_LOOPS,
    BYTE_NS,
    MAX_BITS,
    MAX_SAMPLE_NUMBER,
    MIN_BITS,
)
from dryload.emulator.wire.messages import (
    ExtendedLoopPoints,
    ExtendedLoopPointsRequest,
    Header,
    LoopPoints,
    LoopPointsRequest,
    Message,
    SampleNameRequest,
)
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.fetch import ANSWER_NS, Asker, Fetched, torn_findings
from dryload.harness.jobs.line import late_findings, never
from dryload.harness.jobs.playlist import judged_contents
from dryload.harness.judge.finding import Answerable, Finding, Verdict, finding_of
from dryload.harness.judge.plan import plan_of

USUAL_LAST: Final = 127
"""How far `all` asks, whatever the answers, if nobody says how far; our choice."""
ASKS: Final = 2
"""How often a number that is not answered is asked for."""
_LONGEST_ANSWER_NS: Final = 60_000_000_000
_WANTED: Final = re.compile(r"([0-9]{1,9})(?:-([0-9]{1,9}))?")


class Wanted(Struct, frozen=True, kw_only=True):
    """Which sample numbers are asked for, both ends counted in."""

    first: int
    last: int
    is_single: bool = False
    goes_on: bool = False
    """Whether numbers behind `last` are wanted too, for as long as the unit answers every one."""
    only: frozenset[int] = frozenset()
    """The numbers that are wanted, where not all from first to last are."""

    @property
    def count(self) -> int:
        """How many numbers are asked for in any case."""
        return len(self.only) or self.last - self.first + 1

    def after(self, number: int) -> int:
        """Return the number that is asked for next."""
        later = (each for each in self.only if each > number)
        return min(later, default=self.last + 1) if self.only else number + 1


def wanted_of(text: str, up_to: int | None = None) -> Wanted:
    """Return what `N`, `N-M` or `all` asks for; a Problem for anything else."""
    if up_to is not None and not 0 <= up_to <= MAX_SAMPLE_NUMBER:
        raise Problem(f"--up-to {up_to}: sample numbers are 0 to {MAX_SAMPLE_NUMBER}.")
    if text == "all":
        last = USUAL_LAST if up_to is None else up_to
        return Wanted(first=0, last=last, goes_on=up_to is None)
    if up_to is not None:
        raise Problem(
            "--up-to says how far all goes, and --sample is not all.",
            do=f"Give --sample all, or a range: --sample 0-{up_to}.",
        )
    found = _WANTED.fullmatch(text)
    if found is None:
        given = f" {shown(text)}" if text else ""
        raise Problem(
            f"--sample{given} is no sample number.",
            do="Give one number (4), a range (0-15) or all.",
        )
    first = int(found[1])
    last = first if found[2] is None else int(found[2])
    if max(first, last) > MAX_SAMPLE_NUMBER:
        raise Problem(f"--sample {text}: sample numbers are 0 to {MAX_SAMPLE_NUMBER}.")
    if last < first:
        raise Problem(
            f"--sample {text} runs backwards.", do=f"Give the lower number first: {last}-{first}."
        )
    return Wanted(first=first, last=last, is_single=found[2] is None)


class ReadRequest(Struct, frozen=True, kw_only=True):
    """What is to be read."""

    target: str
    device_id: int
    wanted: Wanted
    given: str
    """The value of --sample."""
    output: str
    answer_ns: int = ANSWER_NS
    """How long the unit may take to answer."""

    @property
    def is_backup(self) -> bool:
        """Whether all that the unit holds is wanted, with a list of it."""
        return self.given == "all"


class ReadResult(StrEnum):
    """What became of asking for one number."""

    READ = "read"
    BROKEN = "broken"
    """It came whole, and violates a must of the standard."""
    NOTHING = "nothing there"
    """The unit answered CANCEL."""
    SILENT = "no answer"
    """As a rule nothing is there; nothing proves it."""
    TORN = "torn"
    """It began and did not come whole."""
    STOPPED = "stopped"
    """The user or the port ended it."""


EMPTY: Final = (ReadResult.NOTHING, ReadResult.SILENT)
"""As a rule the number holds nothing."""


class Came(Struct, frozen=True, kw_only=True, eq=False):
    """What came of asking for one sample."""

    number: int
    """The number that was asked for."""
    result: ReadResult
    reason: str
    """In plain words, what there is to say of it without a full stop; "" for nothing."""
    header: Header | None
    packets: int
    """Data packets that came."""
    planned: int | None
    """Data packets that the header calls for."""
    words: int
    """Of all channels; 0 where it did not come whole."""
    name: str
    loops: int
    """Loop points that were told beside the header."""
    untold: tuple[str, ...]
    """What was asked for beside the dump and not told: "loops", "name"."""
    took_ns: int
    findings: tuple[Finding, ...]
    dump: Dump | None
    """The whole of it; None where it did not come whole, or is on disk by now."""
    file: str = ""
    """Where it was written, "" for nowhere."""
    sha256: str = ""
    """Of that file."""


NumberProgress = Callable[[int, int, int, int], None]
"""Told the number asked for, packets that came and are wanted (0: not known), and the time."""


class ReadOut:
    """Asks the unit behind a port; `failed` is what ended it, where the port failed."""

    def __init__(
        self,
        port: Port,
        asked: ReadRequest,
        *,
        paced: bool = True,
        progress: NumberProgress | None = None,
        wants_stop: Callable[[], bool] = never,
        recorder: Recorder | None = None,
    ) -> None:
        self.asked: Final = asked
        self.line: Final = RealLine(
            port,
            pacer=Pacer(byte_ns=BYTE_NS if paced else 0),
            listener=self._hear,
            recorder=recorder,
            keeps_capture=False,
        )
        self.failed: PortError | None = None
        self.tells_names: bool | None = None
        """Whether the unit tells names; None where it was not asked yet."""
        self.still_answers: bool | None = None
        """Whether it answered again behind numbers that were silent; None: that was not asked."""
        self.repeats: tuple[int, int] | None = None
        """A number behind the usual ones, and the one before it that holds the same."""
        self.took_ns = 0
        self._device_id: Final = asked.device_id
        self._asker: Final = Asker(self.line, wants_stop=wants_stop, answer_ns=asked.answer_ns)
        self._progress: Final = progress
        self._wants_stop: Final = wants_stop
        self._was_silent = False
        self._knows_extended_loops = True
        self._open: Final[dict[int, int]] = {}  # number: requests without an answer so far
        self._asked_ns: Final[dict[int, int]] = {}  # number: when it was asked for first
        self._whole: Final[dict[int, bytes]] = {}  # number of a sample that came: what it holds
        self._silent: Final[set[int]] = set()
        self._answered: int | None = None  # the last number to which there was an answer

    def read(self) -> Iterator[Came]:
        """Ask for one number after another and yield what comes.

        A sample may come for a number that had been yielded without one: its answer was late.
        """
        began_ns, number = self.line.now_ns, self.asked.wanted.first
        last = number
        while self._is_wanted(number) and not self._is_stopped():
            came = self._read_one(number)
            self.took_ns = self.line.now_ns - began_ns
            if came.number == number:
                last, number = number, self.asked.wanted.after(number)
            elif came.number in self._whole:
                continue  # the second answer to two requests
            self._take_note(came)
            yield came
        if last in self._silent and self._answered is not None and not self._is_stopped():
            self.still_answers = self._does_answer(self._answered)
        self.took_ns = self.line.now_ns - began_ns

    def rig_findings(self) -> tuple[Finding, ...]:
        """Return what our own side did wrong in all of it."""
        return late_findings(Lateness(), self.line.lateness)

    def _is_wanted(self, number: int) -> bool:
        wanted = self.asked.wanted
        if number <= wanted.last:
            return True
        return wanted.goes_on and not (
            number > MAX_SAMPLE_NUMBER or self._silent or self.repeats is not None
        )

    def _is_stopped(self) -> bool:
        return self._wants_stop() or self.failed is not None

    def _take_note(self, came: Came) -> None:
        if came.result is ReadResult.SILENT:
            self._silent.add(came.number)
            return
        if came.result is ReadResult.STOPPED:
            return
        self._silent.discard(came.number)
        self._answered = came.number
        if came.dump is None:
            return
        held = _digest(came.dump)
        if came.number > self.asked.wanted.last:  # a unit may look at the low bits of a number only
            same = (number for number, other in self._whole.items() if other == held)
            if (earlier := next(same, None)) is not None:
                self.repeats = came.number, earlier
        self._whole[came.number] = held

    def _read_one(self, number: int) -> Came:
        before_ns = self.line.now_ns
        self._asked_ns.setdefault(number, before_ns)
        self._was_silent = False
        try:
            back = self._asker.fetch(
                self._device_id,
                number,
                questions=self._questions(number),
                progress=self._told(number),
                asks_twice=True,
            )
        except PortError as problem:
            self.failed = problem
            why = f"the port failed: {problem.what.strip().rstrip('.')}"
            back = Fetched(unread=why, stopped=True)
        if back.sample is not None and self.tells_names is None and not back.stopped:
            self.tells_names = not any(isinstance(q, SampleNameRequest) for q in back.unanswered)
        self._open[number] = self._open.get(number, 0) + back.asked
        answers = back.header.sample_number if back.header is not None else number
        if not self._open.get(answers):  # it has not been asked for: the unit numbers on its own
            answers = number
        if back.header is not None or back.declined:
            self._open[answers] -= 1
        late = ""
        if answers != number:
            late_ns = before_ns - self._asked_ns[answers]
            late = f"it came when {number} was asked for, {seconds(late_ns)} later"
            longest_ns = min(2 * late_ns, _LONGEST_ANSWER_NS)
            self._asker.answer_ns = max(self._asker.answer_ns, longest_ns)
        return self._came(answers, back, took_ns=self.line.now_ns - before_ns, late=late)

    def _does_answer(self, number: int) -> bool:
        """Whether a number that was answered before is answered again."""
        try:
            seen = self._asker.glance(self._device_id, number, packets=1)
        except PortError as problem:
            self.failed = problem
            return False
        return seen.header is not None or seen.declined

    def _questions(self, number: int) -> list[Message]:
        where = {"device_id": self._device_id, "sample_number": number}
        questions: list[Message] = [LoopPointsRequest(**where, loop_number=ALL_LOOPS)]
        if self._knows_extended_loops:
            questions.append(ExtendedLoopPointsRequest(**where, loop_number=ALL_LOOPS))
        if self.tells_names is not False:
            questions.append(SampleNameRequest(**where))
        return questions

    def _told(self, number: int) -> Callable[[int, int], None] | None:
        if (progress := self._progress) is None:
            return None
        return lambda packets, of: progress(number, packets, of, self.line.now_ns)

    def _came(self, number: int, back: Fetched, *, took_ns: int, late: str) -> Came:
        header = back.header
        plan = plan_of(header)
        dump = None
        if back.sample is not None:
            dump, forms = _whole(back.data)
            if forms == {LoopPoints} and not back.stopped:
                self._knows_extended_loops = False
        findings = () if dump is None else _of_unit(dump.findings)
        if header is not None and header.sample_number != number:
            kind, came = "another sample number was sent", header.sample_number
            findings = (finding_of(kind, asked=number, came=came), *findings)
        result, reason = self._result(back, findings, late)
        return Came(
            number=number,
            result=result,
            reason=reason,
            header=header,
            packets=back.packets,
            planned=None if plan is None else plan.packets,
            words=0 if dump is None else len(dump.sample.words),
            name="" if dump is None else dump.sample.name,
            loops=0 if dump is None else len(dump.sample.loops),
            untold=_untold(back.unanswered),
            took_ns=took_ns,
            findings=(*findings, *torn_findings(back, "Reading")),
            dump=dump,
        )

    def _result(
        self, back: Fetched, findings: Sequence[Finding], late: str
    ) -> tuple[ReadResult, str]:
        if back.sample is not None:
            is_broken = any(finding.verdict is Verdict.BROKEN for finding in findings)
            return ReadResult.BROKEN if is_broken else ReadResult.READ, late or self._beside(back)
        if back.stopped:
            return ReadResult.STOPPED, back.unread
        if back.declined:
            return ReadResult.NOTHING, "the unit answered CANCEL"
        if back.header is None:
            return ReadResult.SILENT, self._silence()
        if plan_of(back.header) is None:
            return ReadResult.TORN, (
                f"its header announces words of {back.header.bits} bits, and {MIN_BITS} to "
                f"{MAX_BITS} are possible (HDR-03)"
            )
        return ReadResult.TORN, back.unread

    def _beside(self, back: Fetched) -> str:
        """Say what is missing beside the words of a sample."""
        if back.stopped:
            return "you stopped it before its loops and its name were told"
        if self.tells_names and "name" in _untold(back.unanswered):
            return "its name was asked for and not told"
        return ""

    def _silence(self) -> str:
        if not self._was_silent:
            return "it asked to wait (WAIT), and then nothing came"
        return f"no answer within {seconds(self._asker.answer_ns)}, asked {ASKS} times"

    def _hear(self, direction: Direction, events: Sequence[Event]) -> None:
        self._was_silent |= any(event.kind is EventKind.NO_ANSWER for event in events)


def seconds(ns: int) -> str:
    """Return a patience as it is given on the command line: "2 s", "0.5 s"."""
    return f"{ns / 1_000_000_000:.3g} s"


def _digest(dump: Dump) -> bytes:
    """Return what two samples have in common only if they are the same but for their numbers."""
    sample = dump.sample
    said = repr((sample.bits, sample.rate, sample.channels, sample.sustain, sample.name)).encode()
    return hashlib.sha256(said + sample.words.tobytes()).digest()


def _untold(unanswered: Sequence[Message]) -> tuple[str, ...]:
    untold = {"name" if isinstance(q, SampleNameRequest) else "loops" for q in unanswered}
    return tuple(sorted(untold))


def _whole(data: bytes) -> tuple[Dump, set[type]]:
    """Return the dump with each loop in one form only, and the forms in which there were loops.

    The standard form stays where both say the same.
    """
    dump = _dump_of(data)
    told = [(raw, decode(raw)) for raw in dump.outgoing.after]
    loops = [each for _, each in told if isinstance(each, LoopPoints | ExtendedLoopPoints)]
    standard = {_said(each) for each in loops if isinstance(each, LoopPoints)}
    extended = {_said(each) for each in loops if isinstance(each, ExtendedLoopPoints)}
    numbers = {number for number, *_ in extended}
    kept = []
    for raw, message in told:
        if isinstance(message, LoopPoints):
            is_double = message.loop_number in numbers and _said(message) not in extended
        else:
            is_double = isinstance(message, ExtendedLoopPoints) and _said(message) in standard
        if not is_double:
            kept.append(raw)
    if len(kept) < len(told):
        outgoing = replace(dump.outgoing, after=tuple(kept))
        dump = _dump_of(b"".join(whole_sequence(outgoing)))
    return dump, {type(each) for each in loops}


def _dump_of(data: bytes) -> Dump:
    file = DumpFile(name="", form=Form.RAW, data=data)
    return next(each for each in judged_contents(file) if isinstance(each, Dump))


def _said(loop: LoopPoints | ExtendedLoopPoints) -> tuple[int, int, int, int]:
    return loop.loop_number, loop.loop_type, loop.loop_start, loop.loop_end


def _of_unit(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return findings on a stream that the unit has made and sent."""
    return tuple(
        each if each.answerable is Answerable.RIG else replace(each, answerable=Answerable.UNIT)
        for each in findings
    )
