"""A family: one kind of fault, where it may be put, and which answers are right in which view."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from emulator.dump.capture import Capture
from emulator.line.disturbance import AppliedFault
from tests.diagnosis.alike import Alike, View
from tests.diagnosis.situation import CONTENTS, Content, Dice, Situation, Stays


class Part(StrEnum):
    """Which set a family belongs to."""

    SINGLE = "single"
    HELD_OUT = "held-out"
    HEALTHY = "healthy"
    """Nothing is wrong, or what is odd the standard allows."""
    NO_ANSWERS = "no answers"
    """Units that never answer: kept apart, as nothing in the run is a fault."""


class Spot(StrEnum):
    """What says where a fault is."""

    STRUCK = "the first packet that was struck"
    DIFFERS = "the packet of the first byte that is not as without the fault"
    NONE = "it has no place"


@dataclass(frozen=True, slots=True)
class Shown:
    """What is known of a run when its class is chosen: nothing of what rules say."""

    situation: Situation
    view: View
    with_source: bool
    struck: Sequence[AppliedFault]
    numbers: Mapping[str, int]
    one_packet: bool = False
    """Whether no packet but the first was ever sent."""
    answered: bool = True
    """Whether any packet was answered."""
    harmed: bool = False
    """Whether the dump ended in another way than without the fault."""
    stands_at_wait: bool = False
    """Whether the unit's last word was WAIT."""

    @property
    def last(self) -> int:
        """The last packet of the dump."""
        return self.situation.packets - 1

    @property
    def strikes_last(self) -> bool:
        """Whether nothing but the last packet was struck."""
        return all(each.packet == self.last for each in self.struck)


@dataclass(frozen=True, slots=True)
class FileFault:
    """A broken file, and the packet that is wrong in it."""

    data: bytes
    packet: int | None = None


GOOD: Final = (
    "lantern-desk",
    "lantern-desk",
    "old-curtain",
    "prompt-box",
    "call-board",
    "double-bill",
    "property-chest",
    "stage-door",
    "narrow-wings",
    "slow-pulley",
)
"""Units that answer and do nothing wrong by themselves."""
PROMPT: Final = ("lantern-desk", "call-board", "double-bill", "property-chest", "stage-door")
"""Those that answer within 5 ms, so that what is added to that is what decides."""
WAITS: Final = ("narrow-wings", "slow-pulley")
"""Those that say WAIT before each ACK."""
NO_WAITS: Final = tuple(name for name in GOOD if name not in WAITS)

BOTH_WAYS: Final = (View.LINE, View.LINE, View.HOST, View.UNTIMED)
ANY_VIEW: Final = (View.LINE, View.LINE, View.LINE, View.HOST, View.UNTIMED, View.TO)
ON_LINE: Final = (View.LINE,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One kind of fault."""

    name: str
    words: tuple[str, ...] = ()
    """In the words of the vocabulary, with numbers left open; () for files."""
    file: Callable[[Dice, Situation], FileFault] | None = None
    script: Callable[[Dice, Situation, Capture], tuple[Capture, int | None]] | None = None
    """Makes another capture of a good one, and says which packet is wrong in it."""
    line: Alike
    """What is right where bytes are as they arrived."""
    host: Alike | None = None
    """What is right where the host's end is recorded; None: the same."""
    refine: Callable[[Shown], Alike | None] | None = None
    """Chooses another class by what was struck; None: it stays."""
    because: str = ""
    views: tuple[View, ...] = ANY_VIEW
    profiles: tuple[str, ...] = GOOD
    contents: tuple[Content, ...] = CONTENTS
    bits: tuple[int, ...] = ()
    """(): what the unit takes."""
    packets: range = range(2, 8)
    full: bool | None = None
    """Whether the last packet is full; None: by chance."""
    one_word: bool = False
    stereo: bool = False
    extended: bool = False
    all_call: bool = False
    named: bool = False
    looped: bool | None = None
    read_back: bool | None = None
    source: bool | None = None
    stays: Stays | None = None
    wrong_ack: bool = False
    """Whether the sender stops at an ACK with another number."""
    other_device: bool = False
    """Whether the dump is sent to another unit than there is."""
    ends: bool = False
    """Whether the sender ends with EOF (HSK-18 leaves it open)."""
    protected: bool = False
    """Whether the dump is for a protected slot."""
    numbers: Mapping[str, range] = field(default_factory=dict)
    """Numbers that its words leave open, beside the usual ones."""
    choices: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Words that its words leave open."""
    spot: Spot = Spot.STRUCK
    part: Part = Part.SINGLE
    weight: int = 4
    needs_harm: bool = False
    """Whether it counts as a fault only if the unit did not get the dump whole."""
