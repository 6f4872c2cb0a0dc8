"""From a dump file to sample words.

A packet that is missing is silence, so that what comes after it stays in its place.  Nothing is
refused for being broken: what was broken is counted, and the judge is the one to say what it means.
"""

from dataclasses import dataclass, field, replace

from emulator.dump.sample import Sample
from emulator.wire.constants import MAX_BITS, MIN_BITS
from emulator.wire.messages import DumpHeader, Header
from harness.files.dumpfile import DumpFile, load
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.judge.dump import DumpContents, read_stream

_VALIDATE = "dryload validate says what is wrong with it."


@dataclass(frozen=True, slots=True, kw_only=True)
class FromFile:
    """One dump of a file."""

    file: DumpFile = field(repr=False)
    number: int
    """Which dump of the file, counted from 1."""
    dumps: int
    header: Header
    contents: DumpContents
    sample: Sample
    """What the dump holds, with silence for packets that are missing."""

    @property
    def states_rate(self) -> bool:
        """Whether the header states a rate at all (HDR-04)."""
        if isinstance(self.header, DumpHeader):
            return self.header.period_ns > 0
        return bool(self.header.rate_hz or self.header.rate_fraction)


def decode_file(path: str, number: int | None = None) -> FromFile:
    """Return dump `number` of a file, counted from 1; a Problem where there is none to decode."""
    file = load(path)
    name = shown(path)
    number = 1 if number is None else number
    dumps, contents = _choose(file, name, number)
    which = f"dump {number} of {name}" if dumps > 1 else name
    header = contents.header
    if header is None:
        raise Problem(
            f"{which} has a damaged header: what its packets mean cannot be known (FRM-05).",
            do=_VALIDATE,
        )
    if not MIN_BITS <= header.bits <= MAX_BITS:
        raise Problem(
            f"{which} announces words of {header.bits} bits: {MIN_BITS} to {MAX_BITS} are possible "
            "(HDR-03, M1 p. 37).",
            do=_VALIDATE,
        )
    sample = contents.sample
    if sample is None or not sample.frames:
        raise Problem(
            f"{which} holds no sound: its header announces {header.length:,} words, and "
            f"{contents.section.packets:,} whole packets follow.",
            do=_VALIDATE,
        )
    words = contents.words_in_places()
    assert words is not None
    words = words[: len(words) // sample.channels * sample.channels]
    return FromFile(
        file=file,
        number=number,
        dumps=dumps,
        header=header,
        contents=contents,
        sample=replace(sample, words=words),
    )


def _choose(file: DumpFile, name: str, number: int) -> tuple[int, DumpContents]:
    """Return how many dumps there are, and the one wanted."""
    dumps, chosen = 0, None
    for contents in read_stream(file.data):
        if contents.section.opening is not None:
            dumps += 1
            if dumps == number:
                chosen = contents
    if not dumps:
        raise Problem(
            f"{name} has no dump header: what its packets mean cannot be known (HDR-01, M1 p. 39).",
            do=_VALIDATE,
        )
    if chosen is None:
        holds = "1 dump" if dumps == 1 else f"dumps 1 to {dumps}"
        raise Problem(f"{name} has no dump {number}: it holds {holds}.")
    return dumps, chosen
