"""The battery of `dryload check-encoder`, probe by probe, for tests of one's own."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from dryload.api import named
from dryload.emulator.wire.words import Words, word_dtype
from dryload.harness.files.dumpfile import load
from dryload.harness.judge.finding import Finding, Verdict
from dryload.harness.trial.battery import EncoderProbe as TrialProbe
from dryload.harness.trial.battery import battery
from dryload.harness.trial.task import Shape
from dryload.harness.trial.verdict import judged

if TYPE_CHECKING:
    from dryload.api import Material

_MOST: Final = 100_000
"""Words of the longest probe: in the battery itself there is one of over two million."""


class Probe(Struct, frozen=True, kw_only=True, eq=False):
    """A sample to make a dump of, and whether a dump is the right one."""

    words: Words
    """Signed, of `bits` bits, mono."""
    bits: int
    rate: float
    """In Hz."""
    number: int
    device_id: int
    loop: tuple[int, int, int] | None
    """First word, last word (both played) and the type byte."""
    name: str
    about: str
    """What it looks at, in a few words."""
    _probe: TrialProbe
    _told: tuple[str, ...]

    def __str__(self) -> str:
        """Return what it looks at, and at how many words."""
        return f"{self.about}, {len(self.words)} words"

    def check(self, dump: "Material") -> None:
        """Assert that a dump is right and says what the probe does.

        AssertionError says what is wrong, by clause, and what to change; Problem (NoDump) for what
        holds no message of a sample dump.
        """
        __tracebackhide__ = True
        found = judged(self._probe.task, load(named(dump, "the dump")).data, self._told).findings
        wrong = [
            _said(each)
            for each in found
            if each.verdict is Verdict.BROKEN and each.clause not in self._probe.may_differ
        ]
        if wrong:
            raise AssertionError("\n".join(wrong))


def _said(finding: Finding) -> str:
    told = f"{finding.clause}; expected {finding.expected}, found {finding.found}"
    return f"{finding.message} ({told}) {finding.do}"


def probes(bits: int = 16, *, told: Sequence[str] = ("bits", "rate", "number")) -> list[Probe]:
    """Return the probes at one width; `told` are the parameters that the encoder takes.

    They are of bits, rate, number, device_id, loop and name; of the others nothing is asked.
    ValueError for a width that is none.
    """
    word_dtype(bits)
    return [
        Probe(
            words=each.task.words,
            bits=bits,
            rate=each.task.rate,
            number=each.task.number,
            device_id=each.task.device_id,
            loop=each.task.loop,
            name=each.task.name,
            about=each.group,
            _probe=each,
            _told=tuple(told),
        )
        for each in battery(told, widths=(bits,))
        if each.task.shape is Shape.PLAIN and len(each.task.words) <= _MOST
    ]
