"""Which keys play which sample: roots read from names, ranges laid by a rule, gaps and overlaps.

No message of the standard carries any of this: it is typed in at the unit.  Keys are MIDI note
numbers, 0 to 127.
"""

import re
from collections.abc import Iterable, Sequence
from enum import StrEnum
from fractions import Fraction
from itertools import groupby
from typing import Final

from msgspec import Struct

LAST_KEY: Final = 127
MIDDLE_C: Final = 60
FIRST_DRUM: Final = 36
"""Where drums begin, by common practice."""
_SEMITONES: Final = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS: Final = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
_NAMES: Final = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NOTE: Final = re.compile(r"(?<![^\W_])([A-Ga-g])([#♯b♭]?)(-?[0-9]{1,2})(?![^\W_]|#)")


class Keys(Struct, frozen=True):
    """The keys of one sample, and the one at which it has its own pitch."""

    root: int
    low: int
    high: int

    def __post_init__(self) -> None:
        """Refuse what is not on the keyboard."""
        if not (0 <= self.root <= LAST_KEY and 0 <= self.low <= self.high <= LAST_KEY):
            raise ValueError(
                f"root {self.root}, keys {self.low} to {self.high}: keys are 0 to {LAST_KEY}, the "
                "lowest first"
            )


class MiddleC(StrEnum):
    """What the key 60 is called: both are common practice."""

    C3 = "C3"
    C4 = "C4"

    @property
    def octave(self) -> int:
        """The number of its octave."""
        return int(self.value[1:])


class KeyRule(StrEnum):
    """How samples are laid over the keyboard."""

    SPLIT = "split"
    """Over all of it; between two roots the border is in the middle."""
    OCTAVES = "octaves"
    """Each over the octave, C to B, of its root; two in one octave split it in the middle."""
    ONE = "one"
    """Each on a single key, at its own pitch: drums."""


class KeyStretch(Struct, frozen=True):
    """Neighbouring keys that play the same samples; `players` says which of a list."""

    low: int
    high: int
    players: tuple[int, ...]


def key_name(key: int, middle: MiddleC = MiddleC.C4) -> str:
    """Return the name of a key, as in "C#4"."""
    octave, semitone = divmod(key - MIDDLE_C, 12)
    return f"{_NAMES[semitone]}{octave + middle.octave}"


def root_in_name(name: str, middle: MiddleC = MiddleC.C4) -> int | None:
    """Return the key of the note in a name, as in "gull C#4", "bell_Bb3".

    None where it names no note, or several, or one that is not on the keyboard.  A bare number is
    not taken for a key: it may as well count takes.
    """
    found = {
        MIDDLE_C
        + 12 * (int(octave) - middle.octave)
        + _SEMITONES[letter.upper()]
        + _ACCIDENTALS[accidental]
        for letter, accidental, octave in _NOTE.findall(name)
    }
    key = found.pop() if len(found) == 1 else None
    return key if key is not None and 0 <= key <= LAST_KEY else None


def spread(rule: KeyRule, roots: Sequence[int | None]) -> list[Keys | None]:
    """Return the keys of each sample, by a rule; None for those for which no key is left.

    A root that is not known is middle C; drums take the next free key from `FIRST_DRUM` up.
    Samples that have the same root get the same keys, unless they get one key each.
    """
    if rule is KeyRule.ONE:
        return _one_each(roots)
    known = [MIDDLE_C if root is None else root for root in roots]
    return [_share(root, known, rule) for root in known]


def stretches(ranges: Iterable[Keys]) -> list[KeyStretch]:
    """Return the whole keyboard, cut wherever other samples begin to play."""
    listed = list(ranges)
    players = [
        tuple(at for at, each in enumerate(listed) if each.low <= key <= each.high)
        for key in range(LAST_KEY + 1)
    ]
    return [
        KeyStretch((keys := [key for key, _ in same])[0], keys[-1], who)
        for who, same in groupby(enumerate(players), key=lambda each: each[1])
    ]


def gaps(ranges: Iterable[Keys]) -> list[KeyStretch]:
    """Return the keys that play nothing."""
    return [each for each in stretches(ranges) if not each.players]


def overlaps(ranges: Iterable[Keys]) -> list[KeyStretch]:
    """Return the keys that play more than one sample."""
    return [each for each in stretches(ranges) if len(each.players) > 1]


def folds_from(rate: Fraction, root: int, output_rate: int) -> int | None:
    """Return the lowest key from which a sample may fold; None where no key does.

    A key k above the root needs `rate` times 2^(k/12).  Where that is more than the `output_rate`
    of the unit, both in Hz, what the sample holds between half the output rate and half of that
    would come out mirrored below it.
    """
    twelfth = (Fraction(output_rate) / rate) ** 12  # so that no root of two has to be rounded
    return next((key for key in range(LAST_KEY + 1) if Fraction(2) ** (key - root) > twelfth), None)


def _share(root: int, roots: Sequence[int], rule: KeyRule) -> Keys:
    """Return the keys of a root: up to the middle to the next one, within its octave or not."""
    low, high = 0, LAST_KEY
    if rule is KeyRule.OCTAVES:
        low = root // 12 * 12
        high = min(low + 11, LAST_KEY)
    below = max((each for each in roots if low <= each < root), default=None)
    above = min((each for each in roots if root < each <= high), default=None)
    # The key in the middle goes to the upper one, for a sample that is played lower never folds.
    if below is not None:
        low = (below + root + 1) // 2
    if above is not None:
        high = (root + above + 1) // 2 - 1
    return Keys(root, low, high)


def _one_each(roots: Sequence[int | None]) -> list[Keys | None]:
    """Return a key for each: its own root for the first that has it, else the next free one."""
    taken = set(roots)
    free = iter([key for key in range(FIRST_DRUM, LAST_KEY + 1) if key not in taken])
    seen: set[int] = set()
    laid: list[Keys | None] = []
    for root in roots:
        key = next(free, None) if root is None or root in seen else root
        if key is not None:
            seen.add(key)
        laid.append(None if key is None else Keys(key, key, key))
    return laid
