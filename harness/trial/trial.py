"""A trial: every probe asked, every answer judged, and what came of it clause by clause.

Theory of operation.  The probes are asked in one row, because what is tried may remember; then some
of them once more, and in other surroundings.  A fault that does not show where nothing was asked
before is no fault of the dump but of what is remembered.  Of each fault the probe that showed it
first is kept, and how many did.
"""

import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from enum import StrEnum
from typing import Final

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from dryload.emulator.unit.profile import profile_names
from dryload.emulator.wire.clauses import Judged, clauses
from dryload.harness.jobs.outcome import Transfer
from dryload.harness.judge.finding import NOWHERE, Answerable, Finding, Verdict
from dryload.harness.trial.battery import EncoderProbe, Group, battery
from dryload.harness.trial.dumps import DumpProbe
from dryload.harness.trial.evidence import played
from dryload.harness.trial.subject import LIMIT_S, Subject
from dryload.harness.trial.task import PARAMETERS, CallAnswer, CallEnding, Shape, Side, Task
from dryload.harness.trial.verdict import NOTHING_FOUND, AnswerVerdict, judged

_LONG: Final = 0.6
"""Of the limit for a call: a probe that is likely to take longer is left out (our choice)."""
_LOST: Final = 5
"""So often a process may hang or be lost before nothing more is asked (our choice)."""
_REHEARSED: Final = 200
"""Words of the longest dump that is rehearsed (our choice)."""
_ENOUGH: Final = 100
"""A habit that makes others look wrong is clear after so many probes (our choice)."""
_SHORT: Final = 5_000
"""Words of the longest probe that is asked again, or in other surroundings."""


class Conduct(StrEnum):
    """What can be wrong that no clause speaks of."""

    CRASHES = "crashes"
    HANGS = "hangs"
    MAKES_NOTHING = "makes nothing"
    CHANGES_INPUT = "changes its input"
    CHANGES_RETURNED = "changes what it returned"
    REMEMBERS = "remembers"
    NOT_REPEATABLE = "not repeatable"
    SURROUNDINGS = "depends on its surroundings"
    FORM = "depends on the form of the array"


_SAYS: Final = {
    Conduct.CRASHES: (
        "It broke down: {said}.",
        "Find out why; say no with ValueError where it can't.",
    ),
    Conduct.HANGS: ("It did not end: {said}.", "Find out what it waits for."),
    Conduct.MAKES_NOTHING: (
        "It ended as if all were well and made nothing.",
        "Say no where it can't: a program with an exit status, a function with ValueError.",
    ),
    Conduct.CHANGES_INPUT: (
        "It wrote into the words that it was given.",
        "Work on a copy: the caller's words are the caller's.",
    ),
    Conduct.CHANGES_RETURNED: (
        "What it had returned before became another thing with the next call.",
        "Return a new object each time, not a buffer that is used again.",
    ),
    Conduct.REMEMBERS: (
        "What it makes depends on what it made before: {said}",
        "Begin each call from nothing: packet number, checksum, buffers.",
    ),
    Conduct.NOT_REPEATABLE: (
        "The same once more came out otherwise: {said}",
        "Use nothing but what it is given.",
    ),
    Conduct.SURROUNDINGS: (
        "What it makes depends on its surroundings ({said}).",
        "Use nothing but what it is given.",
    ),
    Conduct.FORM: (
        "The same words came out otherwise as {form}: {said}",
        "Turn what comes into an array of one type before anything else, or refuse it.",
    ),
}


AnyProbe = EncoderProbe | DumpProbe


class TrialFault(Struct, kw_only=True, eq=False):
    """Something wrong, the probe that showed it first, and how many did."""

    finding: Finding
    probe: AnyProbe
    answer: CallAnswer
    told: tuple[str, ...] = PARAMETERS
    """What the encoder was told beside the words."""
    probes: int = 1
    last: AnyProbe | None = None
    """The last one that was counted."""
    also: dict[str, str] = field(default_factory=dict)
    """What else is wrong with the same clause, by kind."""
    surroundings: Mapping[str, str] = field(default_factory=dict)
    """In which it shows, where it depends on them."""
    smallest: Task | None = None
    """The smallest input found that shows it, None where none was looked for."""
    smallest_data: bytes = b""
    """The dump that came of it."""
    reproduced: bool | None = None
    """Whether the smallest input showed it again in a new process."""

    def count(self, probe: AnyProbe) -> None:
        """Count a probe that shows it too; each is counted once."""
        self.probes += probe is not self.last
        self.last = probe

    @property
    def keys(self) -> tuple[str, ...]:
        """What it is known by from one trial to the next."""
        kinds = (self.finding.kind, *self.also)
        return tuple(f"{self.finding.clause} {kind}".strip() for kind in kinds)


class ClauseStanding(StrEnum):
    """What a trial came to for one clause."""

    HOLDS = "holds"
    BROKEN = "broken"
    BENT = "bent"
    DECLINED = "declined"
    NOT_TRIED = "not tried"


class ClauseRow(Struct, frozen=True, kw_only=True):
    """One clause, and what came of it."""

    clause: str
    standing: ClauseStanding
    probes: int
    """Answers that could have broken it."""
    why: str = ""
    """Why it was not tried."""


class Trial(Struct, kw_only=True, eq=False):
    """What a trial came to."""

    side: Side
    parameters: tuple[str, ...]
    widths: tuple[int, ...]
    faults: list[TrialFault] = field(default_factory=list)
    """What is broken or bent; the one to mend first comes first."""
    notes: list[TrialFault] = field(default_factory=list)
    """What is no fault, but worth knowing."""
    calls: int = 0
    dumps: int = 0
    """Answers that were judged."""
    declined: dict[str, list[str]] = field(default_factory=dict)
    """What it said where it said no, by what was asked."""
    left_out: list[str] = field(default_factory=list)
    """Probes that were not asked, and why."""
    exercised: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    """Clauses of probes that were declined."""
    units: dict[str, Counter[str]] = field(default_factory=dict)
    """What emulated units made of right dumps: how often which outcome, by profile."""
    made: dict[int, bytes] = field(default_factory=dict)
    """What it made, by the place of the probe among all that could have been asked."""
    is_cut_short: bool = False
    """Whether more questions would have told no more."""
    stopped: bool = False
    took_s: float = 0.0

    @property
    def is_right(self) -> bool:
        """Whether it made something, was tried to the end, and nothing is broken."""
        broken = [each for each in self.faults if each.finding.verdict is Verdict.BROKEN]
        return self.dumps > 0 and not (broken or self.stopped)

    def rows(self) -> Iterator[ClauseRow]:
        """Yield what came of each clause that speaks of what is on trial."""
        worst: dict[str, ClauseStanding] = {}
        for fault in self.faults:
            broken = fault.finding.verdict is Verdict.BROKEN
            clause = fault.finding.clause
            if broken or clause not in worst:
                worst[clause] = ClauseStanding.BROKEN if broken else ClauseStanding.BENT
        reasons = _NOT_TRIED if self.side is Side.ENCODER else NOT_READ
        for clause in file_clauses() if self.side is Side.ENCODER else reader_clauses():
            probes = self.exercised[clause]
            if clause in worst:
                yield ClauseRow(clause=clause, standing=worst[clause], probes=probes)
            elif probes:
                yield ClauseRow(clause=clause, standing=ClauseStanding.HOLDS, probes=probes)
            elif self.refused[clause]:
                yield ClauseRow(clause=clause, standing=ClauseStanding.DECLINED, probes=0)
            else:
                why = reasons.get(clause, "nothing that it made could break it")
                if self.stopped or self.is_cut_short:
                    why = "the trial ended early"
                yield ClauseRow(clause=clause, standing=ClauseStanding.NOT_TRIED, probes=0, why=why)


_NO_EXTENDED: Final = "it made no extended header, and none was needed"
_NO_LOOPS: Final = "it made no message of loop points"
_NO_NAMES: Final = "it can't be told a name, or made no message of it"
_NOT_TRIED: Final = {
    "PKT-14": "it is about recordings that began late, not about what an encoder makes",
    "REQ-01": "an encoder makes no request",
    "WRD-11": "probes have one channel",
    **dict.fromkeys(("EXT-01", "EXT-02", "EXT-03", "EXT-04", "EXT-05", "EXT-06"), _NO_EXTENDED),
    **dict.fromkeys(("LOP-01", "LOP-06", "EXT-07"), _NO_LOOPS),
    **dict.fromkeys(("NAM-01", "NAM-02"), _NO_NAMES),
    "HDR-09": "it can't be told a loop",
    "HDR-14": "the longest sample that the standard header can say was not asked for",
    "WRD-03": "no width of whole bytes (14, 21, 28) was asked for",
}


def file_clauses() -> list[str]:
    """Return the clauses that speak of what a dump file holds, with its source beside it or not."""
    by = {Judged.FILE, Judged.SOURCE}
    return [name for name, each in clauses().items() if by & set(each.judged)]


_OF_READERS: Final = (
    *("FRM-03", "FRM-04", "FRM-09", "PKT-04", "WRD-13", "HSK-15", "LOP-02", "EXT-09"),
    *("STA-02", "STA-03"),
)
"""Clauses of what receivers do that hold for whoever reads a file too."""
_OF_WRITERS: Final = "it is about what a writer puts into a file, and a reader reads it as it is"
NOT_READ: Final = {
    **dict.fromkeys(("HDR-11", "HDR-13", "HDR-14", "WRD-09", "WRD-10"), _OF_WRITERS),
    "HDR-02": "it does not say which sample number it read",
    **dict.fromkeys(("HDR-08", "HDR-09", "HDR-10"), "it does not say which loop it read"),
    "WRD-05": "every bit of the main width's bytes is significant",
}


def reader_clauses() -> list[str]:
    """Return the clauses that whoever reads a dump file could trip over."""
    return [name for name in clauses() if name in {*file_clauses(), *_OF_READERS}]


class _Stopped(Exception):  # noqa: N818  # nothing went wrong
    """The user stopped the trial."""


class Trying:
    """One trial of an encoder, as it goes on."""

    side = Side.ENCODER

    def __init__(
        self,
        subject: Subject,
        widths: Sequence[int],
        *,
        limit_s: float = LIMIT_S,
        progress: Callable[[int, int, str], None],
        wants_stop: Callable[[], bool],
    ) -> None:
        self._limit_s: Final = limit_s
        self._lost = 0
        self.trial: Final = Trial(
            side=self.side,
            parameters=subject.parameters if self.side is Side.ENCODER else (),
            widths=tuple(widths),
        )
        self._subject: Final = subject
        self._progress: Final = progress
        self._wants_stop: Final = wants_stop
        self._faults: Final[dict[str, TrialFault]] = {}
        self._made: Final = self.trial.made
        self._slowest_s = 0.0  # for one word
        self._steps = 0
        self._of_memory: Final[set[tuple[str, str]]] = set()

    def run(self) -> Trial:
        """Ask everything; of a trial that was stopped what is known so far."""
        begun_s = time.monotonic()
        probes = self._probes()
        again = [each for each in probes[::7] if each.task.size < _SHORT]
        total = len(probes) + len(again) + len(list(_surroundings()))
        try:
            for place, probe in enumerate(probes):
                self._step(total, probe.group)
                if self._is_hopeless():
                    self.trial.is_cut_short = True
                    self.trial.left_out.append("the rest, because of what is told first")
                    break
                self._ask(place, probe)
            for probe in reversed(again):
                self._step(total, Group.REPEATS)
                self._ask_again(probes.index(probe), probe)
            self._elsewhere(_of_each_group(probes), probes, total)
        except _Stopped:
            self.trial.stopped = True
        told = sorted(self._faults.values(), key=self._place)
        self.trial.faults = [each for each in told if each.finding.verdict is not Verdict.NOTED]
        self.trial.notes = [each for each in told if each.finding.verdict is Verdict.NOTED]
        self.trial.took_s = time.monotonic() - begun_s
        return self.trial

    def _is_hopeless(self) -> bool:
        """Whether more questions would tell no more before the first fault is mended."""
        habits = [fault for kind in _HABITS if (fault := self._faults.get(kind)) is not None]
        return self._lost >= _LOST or any(each.probes > _ENOUGH for each in habits)

    def _probes(self) -> Sequence[AnyProbe]:
        """Return what is asked, in this order."""
        subject = self._subject
        return list(
            battery(subject.parameters, widths=self.trial.widths, is_command=subject.is_command)
        )

    def _judged(self, probe: AnyProbe, answer: CallAnswer) -> AnswerVerdict:
        """Judge an answer: something that was made, or a refusal."""
        assert isinstance(probe, EncoderProbe)
        if answer.ending is not CallEnding.MADE:
            return NOTHING_FOUND
        verdict = judged(probe.task, answer.data, self.trial.parameters)
        found = tuple(each for each in verdict.findings if each.clause not in probe.may_differ)
        return replace(verdict, findings=found)

    def _step(self, total: int, what: str) -> None:
        if self._wants_stop():
            raise _Stopped
        self._steps += 1
        self._progress(min(self._steps, total), total, what)

    def _ask(self, place: int, probe: AnyProbe) -> None:
        """Ask one probe and note what came of it."""
        words = probe.task.size
        if words > 10_000 and words * self._slowest_s > _LONG * self._limit_s:
            takes = words * self._slowest_s
            self.trial.left_out.append(f"{probe.what} would take some {takes:,.0f} s")
            return
        begun_s = time.monotonic()
        answer = self._subject.answer(probe.task)
        self._lost += answer.lost
        if words > 2_000 and answer.ending is CallEnding.MADE:
            self._slowest_s = max(self._slowest_s, (time.monotonic() - begun_s) / words)
        self.trial.calls += 1
        self._conduct(probe, answer)
        if answer.ending is CallEnding.MADE:
            self.trial.dumps += 1
            self._made[place] = answer.data
        verdict = self._judged(probe, answer)
        self.trial.exercised.update(verdict.exercised)
        if answer.ending is CallEnding.DECLINED and not verdict.exercised:
            self.trial.declined.setdefault(probe.group, []).append(answer.said)
            self.trial.refused.update(probe.about)
        if (
            verdict.findings
            and isinstance(probe, EncoderProbe)
            and probe.task.shape is not Shape.PLAIN
        ):
            self._form(probe, answer, verdict.findings)
            return
        for finding in verdict.findings:
            self._note(finding, probe, answer)
        if isinstance(probe, EncoderProbe) and not verdict.findings and words <= _REHEARSED:
            self._rehearse(answer)

    def _rehearse(self, answer: CallAnswer) -> None:
        """Play a right dump to the next of the emulated units."""
        if answer.ending is CallEnding.MADE:
            names = profile_names()
            name = names[sum(each.total() for each in self.trial.units.values()) % len(names)]
            transfer = played(answer.data, name)
            what = "not sent" if transfer is None else _outcome_of(transfer)
            self.trial.units.setdefault(name, Counter())[what] += 1

    def _form(self, probe: EncoderProbe, answer: CallAnswer, wrong: Sequence[Finding]) -> None:
        """Note what is wrong only because of the form in which the words came."""
        plain = Task(words=probe.task.words, bits=probe.task.bits)
        told = self._subject.answer(plain)
        same = judged(plain, told.data, self.trial.parameters).findings
        if same and same[0].kind == wrong[0].kind:
            return  # it is wrong in any form
        said = _uncapitalised(wrong[0].message)
        self._tell(Conduct.FORM, probe, answer, form=probe.task.shape.value, said=said)

    def _conduct(self, probe: AnyProbe, answer: CallAnswer) -> None:
        """Note what a call did beside making something."""
        match answer.ending:
            case CallEnding.CRASHED:
                self._tell(Conduct.CRASHES, probe, answer, said=answer.said)
            case CallEnding.HUNG:
                self._tell(Conduct.HANGS, probe, answer, said=answer.said)
            case CallEnding.NOTHING:
                self._tell(Conduct.MAKES_NOTHING, probe, answer)
        if answer.input_changed:
            self._tell(Conduct.CHANGES_INPUT, probe, answer)
        if answer.earlier_changed:
            self._tell(Conduct.CHANGES_RETURNED, probe, answer)

    def _note(self, finding: Finding, probe: AnyProbe, answer: CallAnswer) -> None:
        """Note a fault; one seen for the first time is looked at in a new process too."""
        clause, kind = finding.clause, finding.kind
        if (known := self._faults.get(clause)) is not None and kind in (
            known.finding.kind,
            *known.also,
        ):
            known.count(probe)
            return
        if (clause, kind) in self._of_memory or (
            not self._subject.is_command and not self._shows_alone(finding, probe)
        ):
            self._of_memory.add((clause, kind))
            said = _uncapitalised(finding.message)
            self._tell(Conduct.REMEMBERS, probe, answer, said=said, first=finding)
        elif known is not None:
            known.also[kind] = finding.message
            known.count(probe)
        else:
            self._faults[clause] = TrialFault(
                finding=finding, probe=probe, answer=answer, last=probe, told=self.trial.parameters
            )

    def _shows_alone(self, finding: Finding, probe: AnyProbe) -> bool:
        subject = self._subject.fresh()
        try:
            answer = subject.answer(probe.task)
        finally:
            subject.close()
        return any(
            (each.clause, each.kind) == (finding.clause, finding.kind)
            for each in self._judged(probe, answer).findings
        )

    def _ask_again(self, place: int, probe: AnyProbe) -> None:
        """Ask a probe twice more: it has to come out as before."""
        if place not in self._made:
            return
        answers = [self._subject.answer(probe.task) for _ in range(2)]
        self.trial.calls += 2
        for answer in answers:
            self._conduct(probe, answer)
        came = [each.data for each in answers]
        if came[0] != came[1]:
            said = _first_difference(came[0], came[1])
            self._tell(Conduct.NOT_REPEATABLE, probe, answers[1], said=said)
        elif came[0] != self._made[place] and Conduct.REMEMBERS not in self._faults:
            said = _first_difference(self._made[place], came[0])
            self._tell(Conduct.REMEMBERS, probe, answers[0], said=said)

    def _elsewhere(
        self, chosen: Sequence[AnyProbe], probes: Sequence[AnyProbe], total: int
    ) -> None:
        """Ask some probes in other surroundings, and say which of these make a difference."""
        if self._is_hopeless() or {Conduct.NOT_REPEATABLE, Conduct.REMEMBERS} & self._faults.keys():
            return
        for name, surroundings in _surroundings():
            subject = self._subject.fresh(surroundings)
            try:
                for probe in chosen:
                    made = self._made.get(probes.index(probe))
                    answer = subject.answer(probe.task)
                    self.trial.calls += 1
                    if made is not None and answer.data != made:
                        self._tell(Conduct.SURROUNDINGS, probe, answer, said=name)
                        self._faults[Conduct.SURROUNDINGS].surroundings = surroundings
                        return
            finally:
                subject.close()
            self._step(total, Group.REPEATS)

    def _tell(
        self,
        kind: Conduct,
        probe: AnyProbe,
        answer: CallAnswer,
        *,
        first: Finding | None = None,
        **names: str,
    ) -> None:
        if (known := self._faults.get(kind)) is not None:
            known.count(probe)
            return
        says, do = _SAYS[kind]
        finding = Finding(
            clause="" if first is None else first.clause,
            verdict=Verdict.BROKEN,
            message=says.format(**{"said": "", **names}).strip(),
            answerable=Answerable.FILE,
            at=NOWHERE if first is None else first.at,
            expected="" if first is None else first.expected,
            found="" if first is None else first.found,
            do=do,
            kind=kind.value,
        )
        self._faults[kind] = TrialFault(
            finding=finding, probe=probe, answer=answer, last=probe, told=self.trial.parameters
        )

    @staticmethod
    def _place(fault: TrialFault) -> tuple[bool, bool, int]:
        """Return what a fault is sorted by: broken, then a habit, then what most probes show."""
        is_broken = fault.finding.verdict is Verdict.BROKEN
        return not is_broken, fault.finding.kind not in _HABITS, -fault.probes


_HABITS: Final = (
    *(Conduct.REMEMBERS, Conduct.NOT_REPEATABLE, Conduct.SURROUNDINGS),
    *(Conduct.CHANGES_INPUT, Conduct.CHANGES_RETURNED),
)
"""Kinds that make others look wrong."""


def _of_each_group(probes: Sequence[AnyProbe]) -> list[AnyProbe]:
    """Return the first, the middle and the last short probe of each group."""
    groups: dict[str, list[AnyProbe]] = {}
    for probe in probes:
        if probe.task.size <= _SHORT:
            groups.setdefault(probe.group, []).append(probe)
    return [
        each
        for those in groups.values()
        for each in {id(one): one for one in (those[0], those[len(those) // 2], those[-1])}.values()
    ]


def _surroundings() -> Iterator[tuple[str, Mapping[str, str]]]:
    """Yield surroundings in which an encoder has to do the same, each with its name."""
    yield "another process", {}
    yield "the seed of Python's hashes", {"PYTHONHASHSEED": "2"}
    for name in ("de_DE.UTF-8", "tr_TR.UTF-8", "C.UTF-8", "C"):
        yield f"language {name}", {"LC_ALL": name, "LANG": name, "LANGUAGE": name}
    yield "time zone", {"TZ": "Pacific/Kiritimati"}
    yield "the clock", {"DRYLOAD_TRIAL_CLOCK": "123456789.25"}


def _first_difference(one: bytes, other: bytes) -> str:
    a, b = np.frombuffer(one, np.uint8), np.frombuffer(other, np.uint8)
    common = min(len(a), len(b))
    different = np.flatnonzero(a[:common] != b[:common])
    if not len(different):
        return f"{len(a):,} bytes, then {len(b):,}."
    at = int(different[0])
    return f"byte {at:,} was {one[at]:02X} and is {other[at]:02X}."


def _outcome_of(transfer: Transfer) -> str:
    """Return what a unit made of a dump, in a word or two."""
    verified = ", verified" if transfer.verified else ""
    return f"{transfer.outcome}{verified}"


def _uncapitalised(text: str) -> str:
    return text[:1].lower() + text[1:]
