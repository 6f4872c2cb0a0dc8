"""Reading out: what a unit at a port holds becomes dumps, sample by sample.

Theory of operation.  A unit can't be asked which samples it has: a number is asked for, and silence
or CANCEL says that nothing is there (REQ-03).  Loops and name are asked for after each sample, the
loops in both forms, for each form can say what the other can't.  No loops may mean that this sample
has none, so the next one is asked again; a name has every sample of a unit that knows names, so a
unit that does not tell the first is not asked for others.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

from emulator.dump.capture import Direction
from emulator.dump.events import Event, EventKind
from emulator.dump.outgoing import whole_sequence
from emulator.ports.lateness import Lateness
from emulator.ports.pacer import Pacer
from emulator.ports.port import Port, PortError
from emulator.ports.real import RealLine, Recorder
from emulator.wire.codec import decode
from emulator.wire.constants import ALL_LOOPS, BYTE_NS, MAX_BITS, MAX_SAMPLE_NUMBER, MIN_BITS
from emulator.wire.messages import (
    ExtendedLoopPoints,
    ExtendedLoopPointsRequest,
    Header,
    LoopPoints,
    LoopPointsRequest,
    Message,
    SampleNameRequest,
)
from harness.files.dumpfile import DumpFile, Form
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.jobs.fetch import Fetched, fetch
from harness.jobs.line import never
from harness.jobs.playlist import Dump, dumps_in
from harness.jobs.rig import late_findings, torn_findings
from harness.judge.finding import Answerable, Finding, Verdict
from harness.judge.plan import plan_of

SILENT: Final = 8
"""Numbers in a row with nothing there that end the reading of all."""
_WANTED: Final = re.compile(r"([0-9]{1,9})(?:-([0-9]{1,9}))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which sample numbers are asked for, both ends counted in."""

    first: int
    last: int
    is_all: bool = False
    """Whether it ends where nothing seems to follow any more."""
    is_single: bool = False

    @property
    def count(self) -> int | None:
        """How many numbers; None where that is not known."""
        return None if self.is_all else self.last - self.first + 1


def wanted_of(text: str) -> Wanted:
    """Return what `N`, `N-M` or `all` asks for; a Problem for anything else."""
    if text == "all":
        return Wanted(first=0, last=MAX_SAMPLE_NUMBER, is_all=True)
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


class Result(StrEnum):
    """What became of asking for one number."""

    READ = "read"
    BROKEN = "broken"
    """It came whole, and violates a must of the standard."""
    NOTHING = "nothing there"
    TORN = "torn"
    """It began and did not come whole."""
    STOPPED = "stopped"
    """The user or the port ended it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Came:
    """What came of asking for one sample."""

    number: int
    """The number that was asked for."""
    result: Result
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
    took_ns: int
    findings: tuple[Finding, ...]
    dump: Dump | None = field(repr=False)
    """The whole of it; None where it did not come whole, or is on disk by now."""
    file: str = ""
    """Where it was written, "" for nowhere."""


Progress = Callable[[int, int, int, int], None]
"""Told the number asked for, packets that came and are wanted (0: not known), and the time."""


class ReadOut:
    """Asks the unit behind a port; `failed` is what ended it, where the port failed."""

    def __init__(
        self,
        port: Port,
        *,
        device_id: int = 0,
        paced: bool = True,
        progress: Progress | None = None,
        wants_stop: Callable[[], bool] = never,
        recorder: Recorder | None = None,
        keeps_capture: bool = False,
    ) -> None:
        self.line: Final = RealLine(
            port,
            pacer=Pacer(byte_ns=BYTE_NS if paced else 0),
            listener=self._hear,
            recorder=recorder,
            keeps_capture=keeps_capture,
        )
        self.failed: PortError | None = None
        self.tells_names: bool | None = None
        """Whether the unit tells names; None where it was not asked yet."""
        self._device_id: Final = device_id
        self._progress: Final = progress
        self._wants_stop: Final = wants_stop
        self._was_silent = False
        self._knows_extended_loops = True

    def read(self, wanted: Wanted) -> Iterator[Came]:
        """Ask for one number after another and yield what comes."""
        silent = 0
        for number in range(wanted.first, wanted.last + 1):
            if self._wants_stop() or self.failed is not None:
                return
            came = self._read_one(number, asks_twice=wanted.is_single)
            yield came
            silent = silent + 1 if came.result is Result.NOTHING else 0
            if wanted.is_all and silent == SILENT:
                return

    def rig_findings(self) -> tuple[Finding, ...]:
        """Return what our own side did wrong in all of it."""
        return late_findings(Lateness(), self.line.lateness)

    def _read_one(self, number: int, *, asks_twice: bool) -> Came:
        before_ns = self.line.now_ns
        self._was_silent = False
        try:
            back = fetch(
                self.line,
                device_id=self._device_id,
                sample_number=number,
                questions=self._questions(number),
                progress=self._told(number),
                wants_stop=self._wants_stop,
                asks_twice=asks_twice,
            )
        except PortError as problem:
            self.failed = problem
            back = _cut_off(problem)
        if back.sample is not None and self.tells_names is None and not back.stopped:
            self.tells_names = not any(isinstance(q, SampleNameRequest) for q in back.unanswered)
        return self._came(number, back, took_ns=self.line.now_ns - before_ns)

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

    def _came(self, number: int, back: Fetched, *, took_ns: int) -> Came:
        header = back.header
        plan = plan_of(header)
        dump = None
        if back.sample is not None:
            dump, forms = _whole(back.data)
            if forms == {LoopPoints} and not back.stopped:
                self._knows_extended_loops = False
        findings = () if dump is None else _of_unit(dump.findings)
        if header is not None and header.sample_number != number:
            findings = (_misnumbered(number, header.sample_number), *findings)
        result, reason = self._result(back, findings)
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
            took_ns=took_ns,
            findings=(*findings, *_torn(back)),
            dump=dump,
        )

    def _result(self, back: Fetched, findings: Sequence[Finding]) -> tuple[Result, str]:
        if back.sample is not None:
            if any(finding.verdict is Verdict.BROKEN for finding in findings):
                return Result.BROKEN, ""
            early = "you stopped it before its loops and its name were told"
            return Result.READ, early if back.stopped else ""
        if back.stopped:
            return Result.STOPPED, back.unread
        if back.header is None:
            said = "no answer within 2 s" if self._was_silent else "the unit answered CANCEL"
            return Result.NOTHING, said
        if plan_of(back.header) is None:
            return Result.TORN, (
                f"its header announces words of {back.header.bits} bits, and {MIN_BITS} to "
                f"{MAX_BITS} are possible (HDR-03)"
            )
        return Result.TORN, back.unread

    def _hear(self, direction: Direction, events: Sequence[Event]) -> None:
        self._was_silent |= any(event.kind is EventKind.NO_ANSWER for event in events)


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
    return next(dumps_in(DumpFile(name="", form=Form.RAW, data=data)))


def _said(loop: LoopPoints | ExtendedLoopPoints) -> tuple[int, int, int, int]:
    return loop.loop_number, loop.loop_type, loop.loop_start, loop.loop_end


def _of_unit(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return findings on a stream that the unit has made and sent."""
    return tuple(
        each if each.answerable is Answerable.RIG else replace(each, answerable=Answerable.UNIT)
        for each in findings
    )


def _torn(back: Fetched) -> tuple[Finding, ...]:
    return tuple(
        replace(each, message=each.message.replace("Reading back", "Reading"))
        for each in torn_findings(back)
    )


def _misnumbered(asked: int, came: int) -> Finding:
    return Finding(
        clause="REQ-02",
        verdict=Verdict.BROKEN,
        answerable=Answerable.UNIT,
        message=f"The unit was asked for sample {asked} and sent one that it calls {came}.",
        expected=f"a header with the number {asked}",
        found=f"the number {came}",
        do="See on its panel which sample that is; it may count from another number.",
    )


def _cut_off(problem: PortError) -> Fetched:
    why = f"the port failed: {problem.what.strip().rstrip('.')}"
    return Fetched(header=None, packets=0, sample=None, data=b"", unread=why, stopped=True)
