"""A quick look at a memory: what shows in a few minutes, and proves nothing.

Theory of operation.  What goes wrong in fitting memory shows wherever one looks: a line, a chip, a
module, an address line.  So the memory is filled once, in words of 14 bits, of which a packet holds
half as many again; of each sample the first packets are looked at as soon as it is written, and all
of them once more when nothing is written any more, because an address line spoils what was written
before.  Where the unit keeps 16 bits, a few packets of 16 go first to the same place, for the two
lowest data lines.  With the time that is left samples are read whole, the shortest first.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from dryload.emulator.wire.prose import duration
from dryload.emulator.wire.sizes import packets_for, words_per_packet
from dryload.harness.prove.decide import decide
from dryload.harness.prove.evidence import PassEvidence
from dryload.harness.prove.passes import GLANCE, Act, Part, Pass, PassStep
from dryload.harness.prove.proof import Proof
from dryload.harness.prove.words import Values

_LOOKS: Final = 2  # at each sample: there is time for a second one where words are wrong


class QuickProof(Proof):
    """Fills the memory once and looks at it for as long as there is time."""

    _width = 0
    _short: dict[int, list[Values]]

    def _get_to_know(self) -> None:
        self._short = {}
        super()._get_to_know()
        self._width = self._unit.narrow()
        self.proven.kept_bits, self.proven.width = self._unit.kept, self._unit.width

    @property
    def _left_ns(self) -> float:
        """Return the time that is left, but for a look at every sample."""
        assert self._asked.minutes_ns is not None
        looks = _LOOKS * len(self._parts) * self._unit.paces.look.of(GLANCE)
        return self._began_ns + self._asked.minutes_ns - self._unit.line.now_ns - looks

    def _fit(self, each: Pass, part: Part) -> tuple[Part, bool]:
        """Write a new sample if there is time for it, its beginning in full width before."""
        step, pace = words_per_packet(self._unit.width), self._unit.paces.write
        room = int((self._left_ns - pace.lead_ns) / pace.each_ns) - 2 * GLANCE
        words = min(part.words, room * step)
        if words <= 0:
            return Part(number=part.number, start=part.start, words=0), True
        part = Part(number=part.number, start=part.start, words=words)
        if self._width != self._unit.width and not self._unit.keeps_old:
            self._look_short(each, part)
        fitted, is_full = super()._fit(each, part)
        return fitted, is_full or room * step == words

    def _frees_spare(self, *more: Part) -> bool:
        """Find out nothing: no sample is written a second time here."""
        return False

    def _look_short(self, each: Pass, part: Part) -> None:
        """Write the beginning of a sample in full width, and look at it."""
        unit, narrow = self._unit, self._unit.width
        unit.widen(self._width)
        words = min(part.words, GLANCE * words_per_packet(self._width))
        short = Part(number=part.number, start=part.start, words=words)
        values = self._store(each, short)
        if unit.write(part.number, values, is_new=True).whole:
            looks = [unit.look(short)]
            if looks[0] is not None and len(looks[0]) == words:
                self._see(short, looks[0])
                if len(self._wrong):
                    looks.append(unit.look(short))
                self._short[part.number] = [
                    each for each in looks if each is not None and len(each) == words
                ]
        unit.widen(narrow)

    def _filling(self, each: Pass) -> Iterator[PassStep]:
        """Yield the steps: filling, looks at all, and reading for as long as there is time."""
        yield from self._fill(each)
        self._read.clear()
        for part in self._parts:
            self._keep_look(part)
        for part in sorted(self._parts, key=lambda part: part.words):
            needs_ns = self._unit.paces.read.of(packets_for(part.words, self._unit.width))
            if needs_ns < self._left_ns:
                self._take(part, waits=False)
        return
        yield  # what was looked at needs no step

    def _keep_look(self, part: Part) -> None:
        self._check_stop()
        self._tell(Act.LOOK, part)
        values = self._unit.look(part)
        if values is not None:
            self._read[part.number] = values
            self._see(part, values)

    def _judge(self) -> bool:
        """Decide on what was seen."""
        proven = self.proven
        if len(self._wrong):
            self._name_fault()
            return False
        right = sum(len(values) for values in self._read.values())
        proven.is_look = True
        of = "" if proven.capacity is None else f" of {proven.capacity:,}"
        proven.why = (
            f"in {duration(self._unit.line.now_ns - self._began_ns)} {proven.words:,} words{of} "
            f"were written, and {right:,} read back, once; all of these were right"
        )
        return False

    def _name_fault(self) -> None:
        proven = self.proven
        for part in [each for each in self._parts if self._is_bad(each, self._read)]:
            whole = len(self._read[part.number]) == part.words
            again = self._unit.values(part) if whole else self._unit.look(part)
            if again is not None and len(again) == len(self._read[part.number]):
                self._again[part.number] = again
        self._check_stop()
        seen = self._evidence()
        faults = decide(seen)
        if (in_full := decide(self._short_evidence())) and (in_full[0].sure or not faults):
            faults, proven.kept_bits = in_full, self._width
        proven.faults = faults or (self._seen_once(),)
        self._decided(proven.faults, seen)
        self._acquit(seen)

    def _short_evidence(self) -> PassEvidence:
        """Return what was seen in full width, with nothing known beside it."""
        self._unit.widen(self._width)
        for part in self._parts:
            self._store(Pass(), part)
        self._read = {number: looks[0] for number, looks in self._short.items()}
        self._again = {number: looks[-1] for number, looks in self._short.items()}
        return self._evidence()

    def _announce(self, each: Pass, parts: Sequence[Part], *, filled: bool = False) -> None:
        """Say how long it takes."""
        self.proven.announced_ns = round(max(self._left_ns, 0))
        self.proven.announced_at_ns = self._unit.line.now_ns - self._began_ns
        self._eyes.announce(self.proven)
