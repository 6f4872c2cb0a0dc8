"""What an encoder is asked to make, or a decoder to read, and what it answers."""

from enum import StrEnum
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from dryload.emulator.wire.constants import LOOP_OFF

LoopAsked = tuple[int, int, int]
"""First word, last word (both played) and the type byte."""


class Shape(StrEnum):
    """In which form a callable gets the words."""

    PLAIN = "32-bit integers"
    WIDE = "64-bit integers"
    NARROW = "the narrowest integers that hold them"
    STRIDED = "every second place of a longer array"
    BACKWARDS = "an array that runs backwards in memory"
    FROZEN = "an array that can't be written to"
    OTHER_ENDIAN = "integers in the other byte order"
    LIST = "a list"


class Task(Struct, frozen=True, kw_only=True, eq=False):
    """A sample to be made a dump of; mono, as everything that an encoder has to know."""

    words: NDArray[np.int32]
    """Signed, of `bits` bits."""
    bits: int = 16
    rate: float = 44_100.0
    """In Hz."""
    number: int = 1
    device_id: int = 0
    loop: LoopAsked | None = None
    name: str = ""
    shape: Shape = Shape.PLAIN

    @property
    def size(self) -> int:
        """Its words."""
        return len(self.words)

    @property
    def loop_or_off(self) -> LoopAsked:
        """The loop, or what says that there is none."""
        return self.loop or (0, 0, LOOP_OFF)


class DumpTask(Struct, frozen=True, kw_only=True):
    """A dump to be read."""

    data: bytes

    @property
    def size(self) -> int:
        """Its words, more or less."""
        return len(self.data) // 3


AnyTask = Task | DumpTask


class Heard(Struct, frozen=True, kw_only=True, eq=False):
    """What a decoder gave back."""

    words: NDArray[Any]
    """Flat, the channels of a frame one after another: integers of `bits` bits or left-justified
    in their type, or floating-point numbers with 1.0 as full scale."""
    bits: int
    rate: float
    """In Hz."""
    number: int | None = None
    """None where it does not say, like a loop that is None and a name that is None."""
    loop: LoopAsked | None = None
    name: str | None = None
    warnings: str = ""
    """What it said beside that."""


class Side(StrEnum):
    """Which of the two is on trial."""

    ENCODER = "encoder"
    DECODER = "decoder"


class CallEnding(StrEnum):
    """How a call of an encoder or a decoder ended."""

    MADE = "made"
    """It made a dump, or words of one."""
    DECLINED = "declined"
    """It said no, in its way."""
    CRASHED = "crashed"
    HUNG = "hung"
    NOTHING = "nothing"
    """It ended well and left nothing."""


class CallAnswer(Struct, frozen=True, kw_only=True):
    """What an encoder or a decoder made of a task."""

    ending: CallEnding
    data: bytes = b""
    heard: Heard | None = None
    said: str = ""
    """What it said, where it made nothing."""
    lost: bool = False
    """Whether its process hung or ended, and not just this call."""
    input_changed: bool = False
    """Whether it wrote into the words that it was given."""
    earlier_changed: bool = False
    """Whether what the call before returned is another thing now."""


PARAMETERS = ("bits", "rate", "number", "device_id", "loop", "name")
"""What an encoder may be told beside the words."""
