"""What can be done to the time of one message on the line, as frozen data that knows how to do it.

No byte changes.  A message that lasts longer or comes later holds up what follows it.
"""

from dataclasses import dataclass, field
from typing import Final

from emulator.line.disturbance import TimedByte
from emulator.line.hand import LONGEST_NS, MOST_BYTES, AppliedFault, Checked, Hand, Timed, limits

_WAVE_MS: Final = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay(Checked):
    """Let a message arrive later."""

    by_ns: int = field(metadata=limits(1, LONGEST_NS))

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        return _shift(timed, 0, self.by_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Jitter(Checked):
    """Let each message arrive later by a time of its own."""

    most_ns: int = field(metadata=limits(1, LONGEST_NS))

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        return _shift(timed, 0, hand.pick(self.most_ns + 1, 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause(Checked):
    """Let the line be silent in front of a byte, and then again after every `size` bytes."""

    for_ns: int = field(metadata=limits(1, LONGEST_NS))
    size: int | None = field(default=None, metadata=limits(1, MOST_BYTES))

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if self.size is None:
            at = hand.place(timed)
            return None if at is None else _shift(timed, at, self.for_ns)
        starts = tuple(range(self.size, len(timed), self.size))
        for at in starts:
            _shift(timed, at, self.for_ns)
        return starts or None


@dataclass(frozen=True, slots=True, kw_only=True)
class Slow(Checked):
    """Carry a message with less than full speed."""

    percent: int = field(metadata=limits(1, 99))
    """Of the full speed."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        return _stretch(timed, 100, self.percent, hand.byte_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift(Checked):
    """Let the clock of the line wander between too fast and too slow, to and fro in 20 s."""

    ppm: int = field(metadata=limits(1, 500_000))
    """How far it goes either way, in millionths."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        phase = hand.seen.start_ns // 1_000_000 % _WAVE_MS
        quarter = _WAVE_MS // 4
        if phase >= 3 * quarter:
            phase -= _WAVE_MS
        off = phase if phase <= quarter else 2 * quarter - phase  # -quarter to quarter
        whole = 1_000_000 * quarter
        return _stretch(timed, whole + self.ppm * off, whole, hand.byte_ns)


def _shift(timed: Timed, first: int, by_ns: int) -> AppliedFault:
    """Let everything from a byte on arrive later."""
    if first >= len(timed) or not by_ns:
        return None
    timed[first:] = [TimedByte(at_ns + by_ns, value) for at_ns, value in timed[first:]]
    return (first,) if first else ()


def _stretch(timed: Timed, numerator: int, denominator: int, byte_ns: int) -> AppliedFault:
    """Let a message last longer or shorter, from its beginning."""
    if not timed or numerator == denominator:
        return None
    start_ns = timed[0].at_ns - byte_ns
    timed[:] = [
        TimedByte(start_ns + (at_ns - start_ns) * numerator // denominator, value)
        for at_ns, value in timed
    ]
    return ()
