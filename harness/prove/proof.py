"""The proof: passes over a unit's memory, and what they come to.

Theory of operation.  The first pass fills the memory, and so finds how much there is; the others
write the same samples anew.  What a pass shows is decided on after all of it was read: the samples
with wrong words are read a second time, and where only few words are wrong, written again, read at
once, and read once more when they have lain as long as before.  A pass that shows a fault is the
last one.  "Proved" is said only where every word of every pass came back right after the last write
of that pass.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from enum import StrEnum
from typing import Any, Final, NamedTuple

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from dryload.emulator.ports.port import PortError
from dryload.emulator.wire.prose import counted, ranged
from dryload.harness.jobs.line import never
from dryload.harness.prove.decide import ENOUGH, FEW, REWRITTEN, NamedFault, decide
from dryload.harness.prove.evidence import PassEvidence, Places
from dryload.harness.prove.passes import (
    FIRST,
    HOLD_NS,
    SHORTEST,
    USUAL,
    Act,
    Part,
    Pass,
    PassStep,
    doubling,
    looks,
    planned,
    stages,
)
from dryload.harness.prove.record import SoFar, UnitFacts
from dryload.harness.prove.tested import NotProvable, TestedUnit
from dryload.harness.prove.ways import way_of_unit
from dryload.harness.prove.words import Values, code

_NEARLY_ALL: Final = 0.95
_FEW_PACKETS: Final = 160  # words
_OTHER_CODE: Final = 2  # that no pass has
_NONE: Final = np.zeros(0, np.uint32)
_UNEXPLAINED: Final = ("unknown", "cells", "noise", "fades", "disturbed")
"""What is said of words that no line and no part of a memory explains."""
_MOST_WORDS: Final = 1 << 24
"""More memory is not filled where nothing says that there is more; our choice."""
_SPARE_IN: Final = 64
"""Where headers do not tell, one in so many words stays free for the replacing of old samples."""
_SLICE_NS: Final = 1_000_000_000


class Verdict(StrEnum):
    """What a proof comes to."""

    PROVED = "proved"
    FAULT = "fault"
    NOT_PROVED = "not proved"
    RIG = "rig"


class ProofStanding(NamedTuple):
    """Where a proof is, and what this pass has shown of the memory."""

    act: Act
    part: Part | None
    """What that is done with; None where it is done."""
    pass_number: int
    """Counted from 1."""
    passes: int
    parts: tuple[Part, ...]
    """The test samples that there are."""
    written: frozenset[int]
    """Numbers of those that this pass has written."""
    back: Mapping[int, int]
    """How many words came back of a number, from its first one on, right or wrong."""
    wrong: Places
    """The words that came back wrong, ascending."""
    words: int | None
    """Words of the memory; None while the unit is being filled and does not say."""
    now_ns: int
    ends_ns: int | None
    """When it ends, by what was announced; None while nobody can know."""

    @property
    def right(self) -> int:
        """How many words came back right."""
        ends = [(part.start, part.start + self.back.get(part.number, 0)) for part in self.parts]
        wrong = sum(int(np.ptp(np.searchsorted(self.wrong, each))) for each in ends)
        return sum(self.back.values()) - wrong


class FirstSign(Struct, frozen=True, kw_only=True):
    """The first word that came back wrong."""

    word: int
    after_ns: int
    pass_number: int
    words_seen: int
    """Of the sample that was read or looked at."""
    words_wrong: int


class Proven(Struct, kw_only=True):
    """What a proof has come to."""

    verdict: Verdict = Verdict.NOT_PROVED
    why: str = ""
    """Why nothing is proved, in plain words without a full stop; "" where that shows otherwise."""
    is_look: bool = False
    """Whether it was a look of some minutes, which proves nothing."""
    is_rig: bool = False
    """Whether that is the port's doing, or nobody is there."""
    stopped: bool = False
    passes: int = 0
    """Passes in which every word came back right."""
    wanted_passes: int = 0
    words: int = 0
    """Words that were tested in these, or in the one that showed a fault."""
    capacity: int | None = None
    """Words that the unit says there is room for; None where its answers do not tell."""
    kept_bits: int = 0
    width: int = 0
    parts: tuple[Part, ...] = ()
    numbers: tuple[int, ...] = ()
    """Sample numbers under which something of the test may be."""
    faults: tuple[NamedFault, ...] = ()
    sign: FirstSign | None = None
    damaged: int = 0
    rewritten_right: int | None = None
    """Words that were right after they were written again; None where nothing was."""
    told: bool = False
    """Whether the capacity was given with --words, and is not what the unit says."""
    keeps_old: bool = False
    spare: int = 0
    """Words that stay free for that; 0 where it is not known how many."""
    announced_ns: int | None = None
    """How long it was said to take still, at the instant when that could be said."""
    announced_at_ns: int = 0
    planned: tuple[int, ...] = ()
    """The lengths of the test samples, as they were announced."""
    total_ns: int = 0
    held_ns: int = HOLD_NS
    began_anew: str = ""
    """Why what an earlier run had written was not built on; "" where it was, or there was none."""
    battery_ns: int | None = None
    """How long the unit was without power, and had all words afterwards."""
    standing: ProofStanding | None = None
    """Where it was when it ended; None where nothing was written."""

    @property
    def room(self) -> int | None:
        """The capacity and what stays free."""
        return None if self.capacity is None else self.capacity + self.spare * (not self.told)


class ProofRequest(Struct, frozen=True, kw_only=True):
    """How a memory is to be proved."""

    passes: tuple[Pass, ...] = USUAL
    minutes_ns: int | None = None
    """For a quick look: how long it may take."""
    words: int | None = None
    """How many the memory has, by the manual."""
    battery_ns: int | None = None


class Eyes(Struct, frozen=True, kw_only=True):
    """Who watches a proof."""

    standing: Callable[[ProofStanding], None] = field(default=lambda _: None)
    unknown: Callable[[], None] = field(default=lambda: None)
    """Called where the unit does not say how much memory it has."""
    announce: Callable[[Proven], None] = field(default=lambda _: None)
    """Called once, when it can be said what is done and how long it takes."""
    sign: Callable[[FirstSign], None] = field(default=lambda _: None)
    passed: Callable[[int, Proven], None] = field(default=lambda _, __: None)
    """Called with the number of each pass that showed nothing wrong."""


class Proof:
    """Proves the memory of a unit; `record` is told of what a later run can build on, `so_far`.

    `power` switches the unit off for so many nanoseconds, or has somebody do it; False: nobody did.
    """

    def __init__(
        self,
        unit: TestedUnit,
        asked: ProofRequest,
        *,
        eyes: Eyes | None = None,
        wants_stop: Callable[[], bool] = never,
        power: Callable[[int], bool] | None = None,
        record: Callable[[Mapping[str, Any]], None] = lambda _: None,
        so_far: SoFar | None = None,
    ) -> None:
        self.proven: Final = Proven(wanted_passes=len(asked.passes))
        self._record: Final = record
        self._so_far: Final = so_far
        self._unit: Final = unit
        self._asked: Final = asked
        self._eyes: Final = eyes or Eyes()
        self._wants_stop: Final = wants_stop
        self._power: Final = power
        self._began_ns = unit.line.now_ns
        self._parts: list[Part] = []
        self._is_full = False  # no further sample has room
        self._written: dict[int, Values] = {}
        self._read: dict[int, Values] = {}
        self._again: dict[int, Values] = {}
        self._lain_ns: dict[int, int] = {}  # how long a sample had lain when it was read
        self._written_ns: dict[int, int] = {}
        self._at = 0  # the pass
        self._lines = unit.width  # data lines
        self._done: set[int] = set()  # numbers that are written in this pass
        self._wrong: Places = np.zeros(0, np.intp)  # words that came back wrong in this pass

    @property
    def _words(self) -> int:
        return self._parts[-1].end if self._parts else 0

    def run(self) -> Proven:
        """Prove it, and return what it came to; it may be stopped at any time."""
        try:
            if self._so_far is None or not self._go_on(self._so_far):
                self._get_to_know()
            done, passes = self.proven.passes, self._asked.passes
            if all(self._pass(at, passes[at]) for at in range(done, len(passes))):
                self._end()
        except NotProvable as problem:
            self.proven.stopped = self._wants_stop() and not self._unit.port_failed
            if not self.proven.stopped:
                self.proven.why, self.proven.is_rig = problem.why, problem.is_rig
            if problem.is_other:
                self.proven.sign = None  # it was none
                self._record({"wrong": None})
        except PortError as problem:
            self.proven.why, self.proven.is_rig = problem.what.rstrip("."), True
        except _Stopped:
            self.proven.stopped = True
        else:
            self._record({"ended": str(self.proven.verdict)})
        if self.proven.is_rig:
            self.proven.verdict = Verdict.RIG
        self.proven.numbers = self._unit.numbers[: len(self._parts) + (not self._is_full)]
        self.proven.damaged = self._unit.damaged
        self.proven.total_ns = self._unit.line.now_ns - self._began_ns
        return self.proven

    def _end(self) -> None:
        proven = self.proven
        room = proven.room
        free = proven.spare if proven.told else min(proven.spare, _FEW_PACKETS)
        if room is not None and proven.words < _NEARLY_ALL * room - free:
            says = "it has by --words" if proven.told else "it said there is room for"
            proven.why = (
                f"the unit took {counted(proven.words, 'word')} of {room:,} that {says}"
                "; those came back right"
            )
        elif self._asked.battery_ns is None or self._battery(self._asked.battery_ns):
            proven.verdict = Verdict.PROVED

    # getting to know

    def _get_to_know(self) -> None:
        unit, proven = self._unit, self.proven
        self._record({"unit": None})  # before anything that it holds is lost
        unit.get_to_know()
        self._lines = unit.width
        first = unit.number(0)
        assert first is not None
        proven.capacity = unit.room(first)
        if proven.capacity is not None and proven.capacity < SHORTEST:
            raise NotProvable(
                f"there is room for {proven.capacity} words only: delete samples at the unit, or "
                "initialise its memory"
            )
        proven.capacity = unit.measure(proven.capacity)
        if proven.capacity is None:
            self._eyes.unknown()
        told = self._asked.words
        if told is not None and (proven.capacity is None or proven.capacity < told):
            proven.capacity, proven.told = told, True
        proven.keeps_old = bool(unit.keeps_old)
        proven.kept_bits, proven.width = unit.kept, unit.width
        facts = UnitFacts(
            kept=unit.kept,
            width=unit.width,
            capacity=proven.capacity,
            keeps_old=unit.keeps_old,
            numbers=unit.numbers,
            told=proven.told,
            spare=unit.spare if unit.keeps_old else 0,
        )
        self._record({"unit": facts})

    def _go_on(self, so_far: SoFar) -> bool:
        """Take up what an earlier run has left, if the unit still has it."""
        unit, proven, facts = self._unit, self.proven, so_far.unit
        if facts is None or not so_far.parts:
            proven.began_anew = "nothing had been written"
            return False
        unit.kept, unit.width, unit.keeps_old = facts.kept, facts.width, facts.keeps_old
        unit.take_up(facts.numbers)
        self._lines = unit.width
        passes, at = self._asked.passes, so_far.right
        if at >= len(passes):
            proven.began_anew = "all passes had been through"
            return False
        if so_far.again:
            proven.began_anew = "it was stopped while a sample was written once more"
            return False
        unit.break_off()
        for part in so_far.parts:
            is_done = part.number in so_far.written
            self._store(passes[at if is_done or not at else at - 1], part)
            self._note_written(part)
        steps = stages(passes[at], so_far.parts)
        todo = [
            each for act, each in steps if act is Act.WRITE and each.number not in so_far.written
        ]
        for part in so_far.parts:
            if part in todo[:1]:  # it may have been on its way when it was stopped
                continue
            values = unit.look(part)
            if values is None or (values != self._written[part.number][: len(values)]).any():
                proven.began_anew = (
                    f"test sample {part.number} is not as it was written: the unit was switched "
                    "off, or somebody changed it, or its memory is at fault"
                )
                self._written.clear()
                self._done.clear()
                return False
        if so_far.wrong is not None:
            self._wrong = np.array([so_far.wrong])
        self._parts, self._done = list(so_far.parts), set(so_far.written)
        proven.capacity, proven.keeps_old = facts.capacity, bool(facts.keeps_old)
        proven.told, proven.spare, unit.spare = facts.told, facts.spare, facts.spare
        proven.kept_bits, proven.width, proven.passes = facts.kept, facts.width, at
        proven.parts, proven.words = tuple(self._parts), self._words
        self._is_full = so_far.full
        return True

    # passes

    def _pass(self, at: int, each: Pass) -> bool:
        """Carry out one pass; whether nothing was wrong in it."""
        self._at = at
        self._read.clear()
        self._again.clear()
        for act, part in stages(each, self._parts) if self._is_full else self._filling(each):
            self._check_stop()
            if act is Act.WRITE and part.number in self._done:
                continue
            if act is Act.WRITE:
                if any(self._is_bad(each, self._read) for each in self._parts):
                    break  # what came back wrong is not written over before it is judged
                self._write(each, part)
            elif act is Act.LOOK:
                self._look(part)
            else:
                self._take(part)
        self._tell(Act.READ, None)
        is_right = self._judge()
        self._done.clear()
        return is_right

    def _filling(self, each: Pass) -> Iterator[PassStep]:
        """Yield the steps of the first pass, in which the samples find their place."""
        yield from self._fill(each)
        yield from (PassStep(Act.READ, part) for part in self._parts)

    def _fill(self, each: Pass) -> Iterator[PassStep]:
        room, most, has_ended = self.proven.capacity, self._unit.longest, False
        is_known = room is not None and self._unit.keeps_old is not None
        while not self._is_full:
            part, is_cut = self._fit_next(each, most)
            has_ended = is_cut or (has_ended and not part.words)
            if not part.words:
                self._is_full = not self._parts or not self._frees_spare()
                continue
            self._parts.append(part)
            self._record({"part": part})
            self.proven.parts, self.proven.words = tuple(self._parts), self._words
            if is_cut:  # there may be other holes, and none is larger
                most = part.words
                self._is_full = bool(self._unit.keeps_old)  # which needs one for itself
            yield from looks(part, self._parts[0])
            if len(self._parts) == 1:
                self._take(part, waits=False)  # what reading takes, and an early sign
                if room is not None and is_known:
                    self._announce(each, planned(room, len(self._unit.numbers)))
        if not self._parts:
            raise NotProvable("the unit took no sample longer than a packet")
        if room is None and not has_ended:
            raise NotProvable(
                "the unit has no more sample numbers, and took all that was sent; with --words N, "
                "by its manual, no more is sent than it has room for",
                is_other=True,
            )
        self.proven.keeps_old = bool(self._unit.keeps_old)
        self.proven.spare = self._unit.spare if self._unit.keeps_old else 0
        self._record({"full": True, "keeps_old": self.proven.keeps_old})
        if not is_known:
            self._announce(each, self._parts, filled=True)

    def _fit_next(self, each: Pass, most: int) -> tuple[Part, bool]:
        """Write one more sample, of no words where there is no room; whether the unit is full."""
        room, left = self.proven.capacity, len(self._unit.numbers) - len(self._parts)
        free = None if room is None else room - self._spare(room)
        number = self._unit.number(len(self._parts))
        if free == self._words and number is not None and not self.proven.told:
            free += self._unit.more_room(number)
            self.proven.capacity = max(room or 0, free)
        wanted = min(doubling(free, given=self._words, left=left), most)
        if wanted < 1 or number is None:
            return Part(number=0, start=self._words, words=0), False
        if room is None and self._words + wanted > _MOST_WORDS:
            raise NotProvable(
                f"the unit took {counted(self._words, 'word')} and was not full, which is more "
                "memory than a unit is expected to have. If it has so much by its manual, say so "
                "with --words N",
                is_other=True,
            )
        self._check_stop()
        return self._fit(each, Part(number=number, start=self._words, words=wanted))

    def _spare(self, words: int) -> int:
        """Return how many of so many words stay free until it is known that none need to."""
        if self._unit.keeps_old is not None:
            return 0
        filler = len(self._parts) * self._unit.spare  # each sample may take more than its words
        return max(self._unit.spare, min(words // _SPARE_IN, FIRST)) + filler

    def _frees_spare(self, *more: Part) -> bool:
        """Find out whether old samples go at once, so that nothing has to stay free any more."""
        unit, spare = self._unit, self._spare(self._words)
        if unit.keeps_old is not None:
            return False
        parts = [*self._parts, *more]
        part = max(parts, key=lambda part: part.words)
        if enough := [part for part in parts if part.words >= 4 * spare]:
            part = min(enough, key=lambda part: part.words)
        self._tell(Act.WRITE_AGAIN, part)
        self._record({"again": self._at + 1})
        unit.keeps_old = False
        unit.keeps_old = not unit.write(part.number, self._written[part.number]).whole
        if not unit.keeps_old:
            unit.paces.freeing_ns = 0
        else:
            unit.spare = spare
            if self.proven.capacity is not None and not self.proven.told:
                self.proven.capacity -= spare
            if not unit.write(part.number, self._written[part.number]).whole:
                raise NotProvable(
                    "in its full memory the unit takes no sample in place of one that it has; with "
                    "--words N, by its manual, the memory is not filled to its last word"
                )
        self._note_written(part)
        return not unit.keeps_old

    def _fit(self, each: Pass, part: Part) -> tuple[Part, bool]:
        """Write a new sample, shorter where the unit has not so much room; whether it is full."""
        self._tell(Act.WRITE, part)
        fitting: tuple[int, ...] = ()
        room, filler = self.proven.capacity, (len(self._parts) + 1) * self._unit.spare
        is_last = room is not None and part.end + filler >= room
        if not is_last or self._unit.has_spare(part.number, part.words):
            wrote = self._unit.write(part.number, self._store(each, part), is_new=True)
            if wrote.whole:
                self._note_written(part)
                return part, False
            if not wrote.refused:
                raise self._broken(f"test sample {part.number} did not get through", wrote.why)
            fitting = wrote.fitting
        for fits in fitting or (self._unit.room(part.number) or 0,):
            spare = self._unit.spare if self._unit.keeps_old else self._spare(part.start + fits)
            short = self._shortened(each, part, fits - spare)
            if short.words and self._frees_spare(short):
                short = self._shortened(each, part, fits)
            if short.words:
                return short, True
        return Part(number=part.number, start=part.start, words=0), True

    def _shortened(self, each: Pass, part: Part, words: int) -> Part:
        """Write so many words of a new sample; return it, with none where the unit refuses."""
        part = Part(number=part.number, start=part.start, words=max(min(words, part.words), 0))
        if not part.words:
            return part
        self._tell(Act.WRITE, part)
        if not self._unit.write(part.number, self._store(each, part), is_new=True).whole:
            return Part(number=part.number, start=part.start, words=0)
        self._note_written(part)
        return part

    def _store(self, each: Pass, part: Part) -> Values:
        values = code(
            part.start, part.words, self._unit.kept, which=each.which, inverted=each.inverted
        )
        self._written[part.number] = values
        self._read.pop(part.number, None)
        return values

    def _note_written(self, part: Part) -> None:
        self._written_ns[part.number] = self._unit.line.now_ns
        self._done.add(part.number)

    def _write(self, each: Pass, part: Part) -> None:
        self._tell(Act.WRITE, part)
        wrote = self._unit.write(part.number, self._store(each, part))
        if not wrote.whole:
            raise self._broken(f"test sample {part.number} could not be written again", wrote.why)
        self._note_written(part)
        self._record({"written": part.number, "pass": self._at + 1})

    def _look(self, part: Part) -> None:
        values = self._unit.look(part)
        if values is not None:
            self._see(part, values)

    def _take(self, part: Part, *, waits: bool = True) -> None:
        """Read a sample, when it has lain for long enough."""
        if waits:
            self._wait_until(self._written_ns[part.number] + HOLD_NS, part)
        lain_ns = self._unit.line.now_ns - self._written_ns[part.number]
        self._lain_ns[part.number] = lain_ns
        self._tell(Act.READ, part)
        values = self._unit.values(part)
        if values is None or len(values) < part.words:
            came = 0 if values is None else len(values)
            raise self._broken(
                f"of the {part.words:,} words of test sample {part.number} {came:,} came back", ""
            )
        self._read[part.number] = values
        self._see(part, values)

    def _broken(self, what: str, why: str) -> NotProvable:
        self._unit.check_port()
        return NotProvable(f"{what}: {why.rstrip('.')}" if why else what)

    def _see(self, part: Part, values: Values) -> None:
        """Note what is wrong, and the first sign of a fault."""
        wrong = np.flatnonzero(values != self._written[part.number][: len(values)])
        if len(wrong):
            self._wrong = np.union1d(self._wrong, part.start + wrong)
        if len(wrong) and self.proven.sign is None:
            self._record({"wrong": part.start + int(wrong[0])})
            self.proven.sign = FirstSign(
                word=part.start + int(wrong[0]),
                after_ns=self._unit.line.now_ns - self._began_ns,
                pass_number=self._at + 1,
                words_seen=len(values),
                words_wrong=len(wrong),
            )
            self._eyes.sign(self.proven.sign)

    # judging

    def _judge(self) -> bool:
        """Decide on a pass; whether nothing was wrong in it."""
        bad = [part for part in self._parts if self._is_bad(part, self._read)]
        if not bad and len(self._wrong):
            self.proven.faults = (self._seen_once(),)
            self.proven.verdict = Verdict.FAULT
            return False
        if not bad:
            self._record({"right": self._at + 1})
            self.proven.passes = self._at + 1
            self._eyes.passed(self._at + 1, self.proven)
            return True
        for part in bad:
            self._check_stop()
            self._tell(Act.READ_AGAIN, part)
            if (again := self._unit.values(part)) is not None and len(again) == part.words:
                self._again[part.number] = again
        self._record({"again": self._at + 1})
        seen = self._evidence()
        is_few = int(seen.wrong.sum()) <= REWRITTEN
        seen = self._written_again(seen, bad if is_few else bad[:1])
        if is_few and seen.mended.any() and not self._are_others_right(bad):
            seen = replace(seen, others_right=False)
        self._check_stop()  # what did not come shows nothing then
        self.proven.faults = decide(seen)
        if self.proven.faults[0].kind == "unknown" and not is_few:
            self.proven.faults = decide(self._with_others(seen, bad))
        if self.proven.passes:
            self.proven.faults = tuple(map(_of_late, self.proven.faults))
        self._decided(self.proven.faults, seen)
        self._acquit(seen)
        return False

    def _decided(self, faults: Sequence[NamedFault], seen: PassEvidence) -> None:
        """Say what the faults come to, of what was seen."""
        first, lowest = faults[0], self._lines - self._unit.kept
        rows = range(lowest, lowest + len(first.lines))
        is_empty = first.level == 0 or 2 * int(seen.unsteady.sum()) > int(seen.wrong.sum())
        is_low = first.lines == tuple(rows) and is_empty and len(faults) == 1
        if first.kind == "line":
            self.proven.verdict = Verdict.RIG
        elif is_low and first.share > ENOUGH and len(rows) < self._unit.kept:
            # Nobody can tell a unit that keeps fewer bits from one whose lowest lines are dead.
            bits = self._unit.kept - len(rows)
            self.proven.why = (
                f"the lowest {counted(len(rows), 'bit')} of every word came back as "
                f"{'0' if first.level == 0 else 'noise'}; if the unit keeps {bits} bits by its "
                f"manual, prove again with --bits {bits}; if not, "
                f"{ranged('data line', rows[0], len(rows))} {'is' if len(rows) == 1 else 'are'} "
                "dead in the whole memory"
            )
            self.proven.faults = ()
        else:
            self.proven.verdict = Verdict.FAULT

    def _acquit(self, seen: PassEvidence) -> None:
        """Blame no memory for what the unit does."""
        proven = self.proven
        first = proven.faults[0] if proven.verdict is Verdict.FAULT else None
        is_explained = (
            first is not None and first.explains >= ENOUGH and first.kind not in _UNEXPLAINED
        )
        if first is not None and (why := way_of_unit(seen, is_explained=is_explained)):
            proven.verdict, proven.why, proven.faults = Verdict.NOT_PROVED, why, ()
        if proven.verdict is Verdict.NOT_PROVED:
            proven.sign = None  # it was none

    def _is_bad(self, part: Part, read: dict[int, Values]) -> bool:
        values = read.get(part.number)
        if values is None:
            return False
        return bool((values != self._written[part.number][: len(values)]).any())

    def _seen_once(self) -> NamedFault:
        """Return the fault of words that were wrong in one look, and right later."""
        return NamedFault(
            kind="noise",
            words_wrong=len(self._wrong),
            explains=1.0,
            first=int(self._wrong[0]),
            last=int(self._wrong[-1]),
            examples=tuple(map(int, self._wrong[:8])),
        )

    def _written_again(self, seen: PassEvidence, bad: Sequence[Part]) -> PassEvidence:
        """Write samples with wrong words again; return what that shows beside what was seen."""
        tried, at_once, mended = seen.tried.copy(), seen.at_once.copy(), seen.mended.copy()
        for part in bad:
            self._check_stop()
            here = slice(part.start, part.end)
            written, wrong = self._written[part.number], seen.wrong[here]
            self._tell(Act.WRITE_AGAIN, part)
            if not self._unit.write(part.number, written).whole:
                continue
            self._note_written(part)
            self._tell(Act.READ_AGAIN, part)
            first = self._unit.values(part)
            if first is None or len(first) < part.words:
                continue
            tried[here] = True
            at_once[here] = wrong & (first == written)
            if not at_once[here].any():
                continue  # what is wrong at once is wrong later
            self._wait_until(self._written_ns[part.number] + self._lain_ns[part.number], part)
            self._tell(Act.READ_AGAIN, part)
            later = self._unit.values(part)
            if later is not None and len(later) == part.words:
                mended[here] = at_once[here] & (later == written)
        self.proven.rewritten_right = int(mended.sum())
        damaged = self._unit.damaged
        return replace(seen, tried=tried, at_once=at_once, mended=mended, bad_checksums=damaged)

    def _with_others(self, seen: PassEvidence, bad: Sequence[Part]) -> PassEvidence:
        """Write other words to one sample; return what it reads then beside what was seen."""
        part = min(
            bad, key=lambda part: (seen.wrong[part.start : part.end].sum() < FEW, part.words)
        )
        self._check_stop()
        other = code(part.start, part.words, self._unit.kept, which=_OTHER_CODE)
        if not self._unit.write(part.number, other).whole:
            return seen
        values = self._unit.values(part)
        if values is None or len(values) < part.words:
            return seen
        read, asked = seen.read.copy(), np.zeros(len(seen.read), np.bool_)
        read[part.start : part.end], asked[part.start : part.end] = values, True
        return replace(seen, read_other=read, asked=asked)

    def _are_others_right(self, bad: Sequence[Part]) -> bool:
        """Whether the samples that were not written again are as they were."""
        for part in [each for each in self._parts if each not in bad]:
            self._check_stop()
            self._tell(Act.READ_AGAIN, part)
            values = self._unit.values(part)
            if values is None or not np.array_equal(values, self._written[part.number]):
                return False
        return True

    def _evidence(self) -> PassEvidence:
        """Return what was read in this pass, all of a sample or its beginning."""
        written = np.concatenate([self._written[part.number] for part in self._parts])
        read, nothing = written.copy(), np.zeros(len(written), np.bool_)
        known, weight = nothing.copy(), np.zeros(len(written), np.float32)
        for part in self._parts:
            values = self._read.get(part.number, _NONE)
            here = slice(part.start, part.start + len(values))
            read[here], known[here] = values, True
            weight[here] = part.words / max(len(values), 1)
        again = read.copy()
        for part in self._parts:
            values = self._again.get(part.number, _NONE)
            again[part.start : part.start + len(values)] = values
        return PassEvidence(
            bits=self._unit.kept,
            written=written,
            read=read,
            again=again,
            known=known,
            weight=weight,
            tried=nothing,
            at_once=nothing,
            mended=nothing,
            others_right=True,
            starts=tuple(part.start for part in self._parts),
            width=self._unit.width,
            lines=self._lines,
            bad_checksums=self._unit.damaged,
        )

    def _battery(self, off_ns: int) -> bool:
        """Have the unit switched off for a while, read it, and return whether all is right."""
        assert self._power is not None
        if not self._power(off_ns):
            self.proven.why = (
                "nobody has switched the unit off and on, so nothing is known of its battery; "
                "before that every word had come back right"
            )
            return False
        for part in self._parts:
            self._check_stop()
            self._tell(Act.READ_AGAIN, part)
            try:
                values = self._unit.values(part)
            except NotProvable as problem:
                if not problem.is_other:
                    raise
                values = None  # there is something else in its place
            if values is not None and len(values) == part.words:
                wrong = np.flatnonzero(values != self._written[part.number])
            else:
                wrong = np.arange(part.words)
            self._wrong = np.union1d(self._wrong, part.start + wrong)
        self._check_stop()
        self._tell(Act.READ, None)
        if not len(self._wrong):
            self.proven.battery_ns = off_ns
            return True
        self.proven.verdict = Verdict.FAULT
        self.proven.faults = (
            NamedFault(
                kind="battery",
                words_wrong=len(self._wrong),
                explains=1.0,
                first=int(self._wrong[0]),
                last=int(self._wrong[-1]),
                share=len(self._wrong) / self._words,
                sure=True,
            ),
        )
        return False

    # time

    def _announce(self, each: Pass, parts: Sequence[Part], *, filled: bool = False) -> None:
        """Say how long the rest takes; `filled` where all is written once."""
        unit = self._unit
        rest = [step for later in self._asked.passes[1:] for step in stages(later, parts)]
        first = list(stages(each, parts))
        if filled:
            spent_ns = unit.line.now_ns
            lain = {part.number: spent_ns - self._written_ns[part.number] for part in parts}
            reads = [step for step in first if step.act is Act.READ]
            took_ns = unit.paces.of(reads, unit.width, lain=lain)
        else:
            took_ns = unit.paces.of(first[2:], unit.width, is_first=True)
        took_ns += unit.paces.of(rest, unit.width)
        self.proven.announced_ns = took_ns
        self.proven.planned = tuple(part.words for part in parts)
        self.proven.announced_at_ns = unit.line.now_ns - self._began_ns
        self._eyes.announce(self.proven)

    def _wait_until(self, until_ns: int, part: Part) -> None:
        line = self._unit.line
        while line.now_ns < until_ns:
            self._check_stop()
            self._tell(Act.HOLD, part)
            line.advance(min(until_ns - line.now_ns, _SLICE_NS))

    def _tell(self, act: Act, part: Part | None) -> None:
        """Say where it is; `part` is None where nothing is done any more."""
        proven, passes, ends_ns = self.proven, len(self._asked.passes), None
        if proven.announced_ns is not None:
            share = (self._at + 1) / passes if len(self._wrong) else 1  # the others are not made
            ends_ns = self._began_ns + proven.announced_at_ns + round(proven.announced_ns * share)
        self.proven.standing = ProofStanding(
            act=act,
            part=part,
            pass_number=self._at + 1,
            passes=passes,
            parts=tuple(self._parts),
            written=frozenset(self._done),
            back={number: len(values) for number, values in self._read.items()},
            wrong=self._wrong,
            words=proven.capacity or (self._words if self._is_full else None),
            now_ns=self._unit.line.now_ns,
            ends_ns=ends_ns,
        )
        self._eyes.standing(self.proven.standing)

    def _check_stop(self) -> None:
        self._unit.check_port()
        if self._wants_stop():
            raise _Stopped


def _of_late(fault: NamedFault) -> NamedFault:
    """Return a fault that a pass before did not show: a line that is stuck always shows."""
    kind = "data line loose" if fault.kind == "data line stuck" else fault.kind
    return replace(fault, kind=kind, sure=fault.sure and kind == "line")


class _Stopped(Exception):  # noqa: N818  # by the user
    """The user wants it to end."""
