"""What a run is about beside its fault: unit, dump, sender and view, from numbers alone.

Theory of operation.  Two runs of a family share a situation, so that the rehearsal without the
fault, with which each is compared, is done once for both.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Final, Literal, TypeVar

import numpy as np

from captures_demo.dumps import Sound
from captures_demo.sounds import SINE
from emulator.dump.outgoing import HeaderKind, outgoing, whole_sequence
from emulator.dump.sample import NO_LOOP, Loop, Sample
from emulator.line.dice import below, salt_of
from emulator.unit.possible import Profile
from emulator.unit.profile import load_profile
from emulator.wire.sizes import words_per_packet
from emulator.wire.words import Words, word_dtype
from harness.files.dumpfile import DumpFile, Form
from harness.jobs.campaign_case import sound as campaign_sound
from harness.jobs.dumps import Dump, dumps_in

SHARED: Final = 2
"""So many runs of a family have one situation."""
Stays = Literal["again", "go on"]
Content = Literal["noise", "ramp", "silence", "extremes", "smooth"]
CONTENTS: Final[tuple[Content, ...]] = ("noise", "smooth", "smooth", "noise", "ramp", "silence")
ALL_CONTENTS: Final[tuple[Content, ...]] = (*CONTENTS, "extremes")
_T = TypeVar("_T")


class Dice:
    """Throws that follow from a few numbers, each with a name of its own."""

    def __init__(self, *numbers: int) -> None:
        self._numbers: Final = numbers

    def below(self, limit: int, name: str) -> int:
        return below(limit, *self._numbers, salt_of(name))

    def within(self, span: range, name: str) -> int:
        return span[self.below(len(span), name)]

    def one_of(self, things: Sequence[_T], name: str) -> _T:
        return things[self.below(len(things), name)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """Everything that decides a run without its fault."""

    profile: str
    content: Content
    bits: int
    frames: int
    channels: int = 1
    looped: bool = False
    name: str = ""
    header: HeaderKind = "auto"
    number: int
    device_id: int
    seed: int
    read_back: bool
    stays: Stays
    """What the sender does when an answer is missing."""
    wrong_ack: bool = False
    """Whether the sender stops at an ACK with another number."""
    ends: bool = False
    """Whether the sender ends with EOF."""
    host_side: bool = False

    @property
    def packets(self) -> int:
        """Packets of the dump."""
        return -(-self.frames * self.channels // words_per_packet(self.bits))


@lru_cache(maxsize=64)
def unit_of(name: str) -> Profile:
    """Return a profile, read once in a process."""
    return load_profile(name)


def sample_of(situation: Situation) -> Sample:
    """Return the sample of a situation."""
    words = situation.frames * situation.channels
    whole = Loop(start=0, end=situation.frames - 1, loop_type=0)
    return Sample(
        words=_words(situation.content, words, situation.bits, situation.seed),
        bits=situation.bits,
        rate=Fraction((44_100, 32_000, 22_050, 11_025)[situation.seed % 4]),
        channels=situation.channels,
        sustain=whole if situation.looped and situation.frames > 1 else NO_LOOP,
        name=situation.name,
    )


def sound_of(situation: Situation) -> Sound:
    """Return it as the faults of the demo take it."""
    return Sound(
        sample=sample_of(situation),
        number=situation.number,
        device_id=situation.device_id,
        header=situation.header,
    )


@lru_cache(maxsize=32)
def dump_of(situation: Situation) -> Dump:
    """Return the right dump of a situation."""
    messages = whole_sequence(
        outgoing(
            sample_of(situation),
            number=situation.number,
            device_id=situation.device_id,
            header=situation.header,
        )
    )
    dump = dump_in(b"".join(messages))
    assert dump is not None
    return dump


def dump_in(data: bytes) -> Dump | None:
    """Return the first dump in the bytes of a file, None where no header can be read."""
    return next(dumps_in(DumpFile(name="dump", form=Form.RAW, data=data)), None)


def _words(content: Content, count: int, bits: int, seed: int) -> Words:
    if content == "smooth":
        return _smooth(count, bits, seed)
    return campaign_sound(content, count, bits, seed)


def _smooth(count: int, bits: int, seed: int) -> Words:
    """Return two partials from a table in whole numbers, 60 to 90 % of full scale, no DC."""
    size = len(SINE) - 1
    turns = size // (48 + seed % 41)  # 48 to 88 words a turn
    steps = np.arange(count, dtype=np.int64)
    one = SINE[(steps * turns + seed * 37) % size]
    two = SINE[(steps * turns * 2 + seed * 11) % size]
    level = 60 + seed % 31
    mixed = (one * 3 + two) // 4 * level // 100
    scaled = mixed * ((1 << (bits - 1)) - 1) >> 24
    return scaled.astype(word_dtype(bits))
