"""The dumps that a decoder is asked to read, and what is asked of who reads them.

Theory of operation.  The good ones are what the probes of an encoder come to when they are made
right; `changes` has those that are odd, open or damaged.  Each has what a right reader makes of it;
where the standard leaves a choice there are several.
"""

from collections.abc import Iterator, Sequence
from enum import StrEnum
from fractions import Fraction
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import HeaderKind, outgoing, rate_of, whole_sequence
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.constants import LOOP_OFF, MAX_NAME
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.emulator.wire.words import word_dtype
from dryload.harness.trial.battery import Group, battery
from dryload.harness.trial.task import PARAMETERS, DumpTask, LoopAsked, Task

_USUAL_WORDS: Final = 10_000
"""Longer dumps may be refused (our choice)."""


class Ask(StrEnum):
    """What is asked of who reads a dump."""

    MUST = "to be read"
    MAY = "to be read right, or refused"
    """It is legal, and not every reader has to know it."""
    OPEN = "to be read in one of the ways that are known, or refused"
    """Its writer broke a rule that spoils no word, or the standard does not say how to read it."""
    DAMAGED = "to be refused, or its damage to be told"


class RightReading(Struct, frozen=True, kw_only=True, eq=False):
    """What a reader makes of a dump."""

    sample: Sample
    """Its rate is the one that the header states, exactly; its loop and name count for nothing."""
    number: int
    loop: LoopAsked | None = None
    """None where it may be any."""
    name: str | None = None
    """None where it may be any."""


class DumpProbe(Struct, frozen=True, kw_only=True, eq=False):
    """A dump, and what is asked of who reads it."""

    group: str
    what: str
    """What it is, in a few words."""
    task: DumpTask
    ask: Ask
    meanings: tuple[RightReading, ...]
    """What a right reader makes of it, the usual first; of a damaged one what may be returned
    without a word, because nothing of it is lost."""
    about: tuple[str, ...]
    """Clauses that it is there for; where it is no usual dump, the one that decides first."""
    beside: DumpTask | None = None
    """The same without what is unusual, where there is such a one."""
    made_for: Task | None = None
    """What an encoder is asked, to come to this dump; None where it is no usual one."""


def good_dumps(widths: Sequence[int], *, is_command: bool = False) -> Iterator[DumpProbe]:
    """Yield the right dumps; the first of the widths is the one that every decoder has to read."""
    for probe in battery(PARAMETERS, widths=widths, is_command=is_command):
        name = probe.task.name
        if probe.group is not Group.FORMS and name.isascii() and len(name) <= MAX_NAME:
            yield _of_task(probe.group, probe.task, probe.about, main=widths[0])


def _of_task(group: Group, task: Task, about: tuple[str, ...], *, main: int) -> DumpProbe:
    sample = asked_of(task)
    start, end, kind = task.loop_or_off
    messages = messages_of(sample, number=task.number, device_id=task.device_id)
    usual = task.bits == main and 0 < len(task.words) <= _USUAL_WORDS and not task.name
    says_loop = kind == LOOP_OFF or start < end  # HDR-10: of a loop of one word who knows
    meaning = meaning_of(messages, sample, number=task.number)
    return DumpProbe(
        group=group,
        what=f"{len(task.words):,} words of {task.bits} bits",
        task=DumpTask(data=b"".join(messages)),
        ask=Ask.MUST if usual else Ask.MAY,
        meanings=(replace(meaning, loop=task.loop_or_off if says_loop else None),),
        about=about,
        made_for=task,
    )


def asked_of(task: Task) -> Sample:
    """Return the sample that an encoder is asked to make a dump of."""
    start, end, kind = task.loop_or_off
    return sample_of(
        task.words,
        task.bits,
        rate=Fraction(task.rate),
        sustain=Loop(start=start, end=end, loop_type=kind),
        name=task.name,
    )


def sample_of(
    words: object,
    bits: int,
    *,
    rate: Fraction = Fraction(44_100),
    channels: int = 1,
    sustain: Loop = NO_LOOP,
    name: str = "",
) -> Sample:
    """Return a sample of words in any form."""
    own = np.asarray(words).astype(word_dtype(bits))
    return Sample(words=own, bits=bits, rate=rate, channels=channels, sustain=sustain, name=name)


def messages_of(
    sample: Sample, *, number: int = 1, device_id: int = 0, header: HeaderKind = "auto"
) -> list[bytes]:
    """Return the messages of its right dump."""
    dump = outgoing(sample, number=number, device_id=device_id, header=header)
    return list(whole_sequence(dump))


def meaning_of(messages: Sequence[bytes], sample: Sample, *, number: int = 1) -> RightReading:
    """Return what a dump means that begins with a header and holds the words of a sample."""
    header = decode(messages[0])
    assert isinstance(header, DumpHeader | ExtendedHeader)
    loop = sample.sustain
    return RightReading(
        sample=replace(sample, rate=rate_of(header)),
        number=number,
        loop=(loop.start, loop.end, loop.loop_type),
        name=sample.name,
    )
