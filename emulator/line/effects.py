"""What can be done to one message on the line, as frozen data that knows how to do it.

`act` changes the bytes of a message in place and returns where they were struck, () for the message
as a whole, None where there was nothing to strike.  Where no byte is named the seed picks one among
the data of the message, never F0 or F7.  Bytes that are put in delay what follows them; bytes that
vanish leave silence.
"""

from dataclasses import dataclass, field
from typing import Final

from emulator.line.disturbance import TimedByte
from emulator.line.hand import LONGEST_NS, MOST_BYTES, AppliedFault, Checked, Hand, Timed, limits
from emulator.line.watch import Sort
from emulator.wire.constants import FIRST_REALTIME
from emulator.wire.layout import FIXED
from emulator.wire.messages import Handshake

_DEVICE_ID: Final = FIXED[Handshake].span("device_id").start
_KIND: Final = FIXED[Handshake].span("kind").start
_REPLY_NUMBER: Final = FIXED[Handshake].span("packet_number").start
_ID_BITS: Final = 0x7F


# On the cable


@dataclass(frozen=True, slots=True, kw_only=True)
class FlipOne(Checked):
    """Turn one bit over, of the lower seven unless it is named."""

    bit: int | None = field(default=None, metadata=limits(0, 7))

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if (at := hand.place(timed)) is None:
            return None
        bit = hand.pick(7, 1) if self.bit is None else self.bit
        timed[at] = timed[at]._replace(value=timed[at].value ^ 1 << bit)
        return (at,)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlipColumn(Checked):
    """Turn the same bit over in two bytes: an exclusive-or does not change (PKT-05)."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        one = hand.place(timed)
        others = [at for at in hand.data(timed) if at != one]
        if one is None or not others:
            return None
        other, bit = others[hand.pick(len(others), 1)], hand.pick(7, 2)
        for at in (one, other):
            timed[at] = timed[at]._replace(value=timed[at].value ^ 1 << bit)
        return tuple(sorted((one, other)))


@dataclass(frozen=True, slots=True, kw_only=True)
class LoseBytes(Checked):
    """Let bytes vanish that follow one another."""

    count: int = field(default=1, metadata=limits(1, MOST_BYTES))

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if (at := hand.place(timed)) is None:
            return None
        gone = tuple(range(at, min(at + self.count, len(timed))))
        del timed[at : at + self.count]
        return gone


@dataclass(frozen=True, slots=True, kw_only=True)
class AddBytes(Checked):
    """Put bytes in front of a byte; None: a data byte that the seed picks."""

    values: bytes | None = None

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if (at := hand.place(timed)) is None:
            return None
        values = bytes([hand.pick(128, 1)]) if self.values is None else self.values
        _insert(timed, at, values, hand.byte_ns)
        return (at,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Before(Checked):
    """Put a short message in front of a message, as a keyboard on the same cable does."""

    values: bytes = b"\x90\x3c\x40"

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if not timed:
            return None
        _insert(timed, 0, self.values, hand.byte_ns)
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SwapBytes(Checked):
    """Let a byte and the next one change places; the seed finds two that differ."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        last = len(timed) - (1 if hand.where.byte is not None else 2)
        places = [
            at for at in hand.places(timed) if at < last and timed[at].value != timed[at + 1].value
        ]
        if not places:
            return None
        at = places[hand.pick(len(places))]
        one, two = timed[at].value, timed[at + 1].value
        timed[at] = timed[at]._replace(value=two)
        timed[at + 1] = timed[at + 1]._replace(value=one)
        return (at, at + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SetHighBit(Checked):
    """Set the eighth bit of a byte: what was data becomes a status byte (FRM-02)."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if (at := hand.place(timed)) is None or timed[at].value & 0x80:
            return None
        timed[at] = timed[at]._replace(value=timed[at].value | 0x80)
        return (at,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise(Checked):
    """Make bytes that follow one another any other bytes, as a burst of noise does."""

    count: int = field(default=5, metadata=limits(1, MOST_BYTES))

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if (at := hand.place(timed)) is None:
            return None
        hit = range(at, min(at + self.count, len(timed)))
        for turn, each in enumerate(hit):
            other = (timed[each].value + 1 + hand.pick(255, 1 + turn)) & 0xFF
            timed[each] = timed[each]._replace(value=other)
        return tuple(hit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lose(Checked):
    """Let a whole message vanish."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if not timed:
            return None
        timed.clear()
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat(Checked):
    """Send a message once more, or more often, back to back."""

    more: int = field(default=1, metadata=limits(1, 100))

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if not timed:
            return None
        once = list(timed)
        span_ns = once[-1].at_ns - once[0].at_ns + hand.byte_ns
        for turn in range(1, self.more + 1):
            timed += [each._replace(at_ns=each.at_ns + turn * span_ns) for each in once]
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut(Checked):
    """Let only the first bytes of a message through."""

    keep: int | None = field(default=None, metadata=limits(0, MOST_BYTES))

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        keep = hand.place(timed) if self.keep is None else self.keep
        if keep is None or keep >= len(timed):
            return None
        gone = tuple(range(keep, len(timed)))
        del timed[keep:]
        return gone


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplug(Checked):
    """Let everything vanish that would arrive within the window."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        gone = tuple(at for at, each in enumerate(timed) if hand.within(each.at_ns))
        if not gone:
            return None
        timed[:] = [each for each in timed if not hand.within(each.at_ns)]
        return gone


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldBack(Checked):
    """Keep a message until the next one in its direction, and let it arrive behind that one.

    With `joins` both arrive in their order, one right behind the other.  The cable does it.
    """

    joins: bool = False

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Say that there is something to keep."""
        return () if timed else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Echo(Checked):
    """Let a message come back to where it came from as well; the cable does it."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Say that there is something to come back."""
        return () if timed else None


# From neighbours


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticks(Checked):
    """Put a real-time byte into a message at every so-many-th instant, as a clock does."""

    value: int = field(default=FIRST_REALTIME, metadata=limits(FIRST_REALTIME, 255))
    period_ns: int = field(metadata=limits(1_000_000, LONGEST_NS))

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if not timed:
            return None
        byte_ns = hand.byte_ns
        tick_ns = -(-(timed[0].at_ns - byte_ns) // self.period_ns) * self.period_ns
        late_ns, out, struck = 0, list[TimedByte](), list[int]()
        for each in timed:
            while tick_ns <= each.at_ns - byte_ns + late_ns:
                if hand.within(tick_ns + byte_ns):
                    struck.append(len(out))
                    out.append(TimedByte(each.at_ns + late_ns, self.value))
                    late_ns += byte_ns
                tick_ns += self.period_ns
            out.append(each._replace(at_ns=each.at_ns + late_ns))
        timed[:] = out
        return tuple(struck) or None


# In the replies


@dataclass(frozen=True, slots=True, kw_only=True)
class Retell(Checked):
    """Make a handshake say something else: another kind, number or device."""

    kind: int | None = field(default=None, metadata=limits(0, _ID_BITS))
    shift: int = field(default=0, metadata=limits(-_ID_BITS, _ID_BITS))
    """Added to the packet number."""
    device_shift: int = field(default=0, metadata=limits(-_ID_BITS, _ID_BITS))
    """Added to the device ID."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it."""
        if hand.seen.sort is not Sort.REPLY or len(timed) <= _REPLY_NUMBER:
            return None
        told = {
            _DEVICE_ID: (timed[_DEVICE_ID].value + self.device_shift) & _ID_BITS,
            _KIND: timed[_KIND].value if self.kind is None else self.kind,
            _REPLY_NUMBER: (timed[_REPLY_NUMBER].value + self.shift) & _ID_BITS,
        }
        changed = tuple(at for at, value in told.items() if timed[at].value != value)
        for at in changed:
            timed[at] = timed[at]._replace(value=told[at])
        return changed or None


def _insert(timed: Timed, at: int, values: bytes, byte_ns: int) -> None:
    first_ns = timed[at].at_ns
    added = [TimedByte(first_ns + turn * byte_ns, value) for turn, value in enumerate(values)]
    behind = [each._replace(at_ns=each.at_ns + len(values) * byte_ns) for each in timed[at:]]
    timed[at:] = added + behind
