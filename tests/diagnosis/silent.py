"""Damage that no receiver can see: with the source it has to be found, without it never denied.

Three ways to leave a checksum as it is, an exclusive-or of all bytes (M1 p. 37): bytes that change
places, the same bit turned over in two bytes, and several bytes altered so that it cancels out.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final

from emulator.line.dice import salt_of
from emulator.wire.sizes import bytes_per_word
from harness.diagnose.diagnose import UNSEEN, Answer, diagnose
from harness.jobs.dumps import source_of
from tests import oracle
from tests.diagnosis.alike import View
from tests.diagnosis.classes import LEGAL, UNSEEN_DAMAGE, UNSEEN_LAST
from tests.diagnosis.family import Family
from tests.diagnosis.runs import rehearsed, seen_in, situation_of
from tests.diagnosis.situation import Dice, Situation, dump_in, dump_of

KINDS: Final = ("two bytes swapped", "one bit of two bytes turned over", "bytes that cancel out")
_DATA_AT: Final = 5  # M1 p. 37
_FAMILY: Final = Family(
    name="silent",
    line=LEGAL,
    views=(View.LINE, View.LINE, View.UNTIMED, View.TO),
    profiles=("lantern-desk", "call-board", "property-chest", "old-curtain"),
    contents=("noise", "smooth"),
    packets=range(1, 6),
)


@dataclass(slots=True)
class Silent:
    """What runs with silent damage came to."""

    runs: int = 0
    found: int = 0
    """With the source: named first."""
    placed: int = 0
    """And in the right packet."""
    honest: int = 0
    """Without it: not called well, or with the words that such damage is not excluded."""

    def merge(self, other: "Silent") -> None:
        """Add another count to this one."""
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))

    @property
    def done(self) -> int:
        """All runs."""
        return self.runs

    def lines(self) -> Iterator[str]:
        """Yield what is printed."""
        yield f"  {self.found:,} of {self.runs:,} found with the source"
        yield f"  {self.placed:,} of {self.runs:,} in the right packet"
        yield f"  {self.honest:,} of {self.runs:,} never denied without the source"


def silent_of(numbers: range, seed: int) -> tuple[Silent, list[str]]:
    """Run some and count them; also tell of those that were not found or were denied."""
    tally, missed = Silent(), []
    for number in numbers:
        dice = Dice(seed, salt_of("silent"), number)
        situation, view = situation_of(_FAMILY, dice)
        data, packet = _damaged(situation, dice, KINDS[number % len(KINDS)])
        right, wrong = dump_of(situation), dump_in(data)
        assert wrong is not None
        recorded = seen_in(view, rehearsed(situation, (), wrong).capture)
        with_it, without = diagnose(recorded, (source_of(right),)), diagnose(recorded)
        first = with_it.first
        right_ones = UNSEEN_LAST if packet == situation.packets - 1 else UNSEEN_DAMAGE
        found = first is not None and first.name in right_ones.causes
        at = None if first is None else first.suspicion.at
        placed = found and at is not None and at.packet == packet
        honest = without.answer is not Answer.NOTHING_WRONG or UNSEEN in without.unknown
        tally.runs += 1
        tally.found += found
        tally.placed += placed
        tally.honest += honest
        if not (found and placed and honest):
            named = None if first is None else first.name
            place = None if at is None else at.packet
            missed.append(
                f"silent --run {number}: {KINDS[number % len(KINDS)]} in packet {packet}, "
                f"{situation.bits} bits to {situation.profile}, view {view}: with the source "
                f"{named} at {place}, without it {without.answer}"
            )
    return tally, missed


def _damaged(situation: Situation, dice: Dice, kind: str) -> tuple[bytes, int]:
    """Return the dump with words altered in one packet whose checksum is what it was."""
    dump = dump_of(situation).outgoing
    packets = [bytes(each) for each in dump.packets]
    packet = dice.below(len(packets), "packet")
    used = _used(situation, packet)
    raw = bytearray(packets[packet])
    _alter(raw, used, dice, kind)
    if bytes(raw) == packets[packet]:  # equal bytes that changed places
        _alter(raw, used, dice, KINDS[1])
    assert raw[125] == oracle.checksum(bytes(raw))
    packets[packet] = bytes(raw)
    return b"".join((dump.header, *packets, *map(bytes, dump.after))), packet


def _used(situation: Situation, packet: int) -> list[int]:
    """Return the bytes of a packet that hold words, each but the last of a word: all its bits."""
    size = bytes_per_word(situation.bits)
    words = situation.frames * situation.channels - packet * (120 // size)
    return [
        _DATA_AT + size * word + part
        for word in range(min(words, 120 // size))
        for part in range(size - 1)
    ]


def _alter(raw: bytearray, used: list[int], dice: Dice, kind: str) -> None:
    if kind == KINDS[0]:
        one, other = _different(used, dice, 2)
        raw[one], raw[other] = raw[other], raw[one]
    elif kind == KINDS[1]:
        bit = 1 << dice.below(7, "bit")
        for at in _different(used, dice, 2):
            raw[at] ^= bit
    else:
        places = _different(used, dice, 2 + dice.below(5, "many"))
        masks = [1 + dice.below(127, f"mask {turn}") for turn in range(len(places) - 1)]
        for at, mask in zip(places, (*masks, reduce(xor, masks)), strict=True):
            raw[at] ^= mask


def _different(used: list[int], dice: Dice, many: int) -> list[int]:
    left = list(used)
    if len(left) < many:  # one word or two: the filler has to serve
        left += [at for at in range(_DATA_AT, 125) if at not in left]
    return [left.pop(dice.below(len(left), f"place {turn}")) for turn in range(many)]
