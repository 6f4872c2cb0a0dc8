"""What can be done to one message on the line: a function an effect.

Theory of operation.  An effect takes the bytes of a message with their instants, the injection,
and its settings.  It changes the bytes in place and returns which of them it struck, counted as
they were before: () for the message as a whole, None where there was nothing to strike.  Where no
byte is named the seed picks one among the data of the message, never F0 or F7.  Bytes that are put
in delay what follows them; bytes that vanish leave silence; a message that lasts longer or comes
later holds up what follows it (the cable sees to that).

An effect's name is part of what a seed decides: with another name the same seed strikes elsewhere.
The ranges of settings stand in the catalogue of faults, which is where users say them.
"""

from collections.abc import Sequence
from typing import Final

from dryload.emulator.line.disturbance import Injection, Places, Timed
from dryload.emulator.line.watch import Sort
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import Handshake

_DEVICE_ID: Final = FIXED[Handshake].span("device_id").start
_KIND: Final = FIXED[Handshake].span("kind").start
_REPLY_NUMBER: Final = FIXED[Handshake].span("packet_number").start
_ID_BITS: Final = 0x7F
_WAVE_MS: Final = 20_000
_MINUTE_NS: Final = 60_000_000_000
_CLOCKS_A_BEAT: Final = 24  # M1 p. 30


# On the cable


def flip_one(timed: Timed, injection: Injection, bit: int | None = None) -> Places:
    """Turn one bit over, of the lower seven unless it is named."""
    if (at := injection.place(timed)) is None:
        return None
    _flip(timed, at, injection.pick(7, 1) if bit is None else bit)
    return (at,)


def flip_column(timed: Timed, injection: Injection) -> Places:
    """Turn the same bit over in two bytes: an exclusive-or does not change (PKT-05)."""
    one = injection.place(timed)
    others = [at for at in injection.data(timed) if at != one]
    if one is None or not others:
        return None
    other, bit = others[injection.pick(len(others), 1)], injection.pick(7, 2)
    _flip(timed, one, bit)
    _flip(timed, other, bit)
    return tuple(sorted((one, other)))


def lose_bytes(timed: Timed, injection: Injection, count: int = 1) -> Places:
    """Let bytes vanish that follow one another."""
    if (at := injection.place(timed)) is None:
        return None
    gone = tuple(range(at, min(at + count, len(timed))))
    del timed[at : at + count]
    return gone


def add_bytes(timed: Timed, injection: Injection, values: Sequence[int] = ()) -> Places:
    """Put bytes in front of a byte; where none are named, a data byte that the seed picks."""
    if (at := injection.place(timed)) is None:
        return None
    _insert(timed, at, values or [injection.pick(128, 1)], injection.byte_ns)
    return (at,)


def before(timed: Timed, injection: Injection, values: Sequence[int]) -> Places:
    """Put a short message in front of a message, as a keyboard on the same cable does."""
    if not timed:
        return None
    _insert(timed, 0, values, injection.byte_ns)
    return ()


def swap_bytes(timed: Timed, injection: Injection) -> Places:
    """Let a byte and the next one change places; the seed finds two that differ."""
    last = len(timed) - (1 if injection.where.byte is not None else 2)
    places = [
        at for at in injection.places(timed) if at < last and timed[at][1] != timed[at + 1][1]
    ]
    if not places:
        return None
    at = places[injection.pick(len(places))]
    (one_ns, one), (two_ns, two) = timed[at : at + 2]
    timed[at : at + 2] = [(one_ns, two), (two_ns, one)]
    return (at, at + 1)


def set_high_bit(timed: Timed, injection: Injection) -> Places:
    """Set the eighth bit of a byte: what was data becomes a status byte (FRM-02)."""
    if (at := injection.place(timed)) is None or timed[at][1] & 0x80:
        return None
    _flip(timed, at, 7)
    return (at,)


def noise(timed: Timed, injection: Injection, count: int = 5) -> Places:
    """Make bytes that follow one another any other bytes, as a burst of noise does."""
    if (at := injection.place(timed)) is None:
        return None
    hit = range(at, min(at + count, len(timed)))
    for turn, each in enumerate(hit):
        at_ns, value = timed[each]
        timed[each] = at_ns, (value + 1 + injection.pick(255, 1 + turn)) & 0xFF
    return tuple(hit)


def lose(timed: Timed, injection: Injection) -> Places:
    """Let a whole message vanish."""
    if not timed:
        return None
    timed.clear()
    return ()


def repeat(timed: Timed, injection: Injection) -> Places:
    """Send a message once more, back to back."""
    if not timed:
        return None
    span_ns = timed[-1][0] - timed[0][0] + injection.byte_ns  # bytes may be missing in between
    timed += _later(timed, span_ns)
    return ()


def cut(timed: Timed, injection: Injection, keep: int | None = None) -> Places:
    """Let only the first bytes of a message through."""
    keep = injection.place(timed) if keep is None else keep
    if keep is None or keep >= len(timed):
        return None
    gone = tuple(range(keep, len(timed)))
    del timed[keep:]
    return gone


def unplug(timed: Timed, injection: Injection) -> Places:
    """Let every byte vanish that would arrive within the window; it is placed by arrival."""
    if not timed or timed[-1][0] <= injection.where.from_ns:
        return None
    gone = tuple(at for at, (at_ns, _) in enumerate(timed) if injection.within(at_ns))
    timed[:] = [each for each in timed if not injection.within(each[0])]
    return gone or None


def hold_back(timed: Timed, injection: Injection, joins: bool = False) -> Places:
    """Keep a message until the next one in its direction, and let it arrive behind that one.

    With `joins` both arrive in their order, one right behind the other.  The cable does it.
    """
    return () if timed else None


def echo(timed: Timed, injection: Injection) -> Places:
    """Let a message come back to where it came from as well; the cable does it."""
    return () if timed else None


# In time: no byte changes


def delay(timed: Timed, injection: Injection, by_ns: int) -> Places:
    """Let a message arrive later."""
    return _hold_up(timed, 0, by_ns)


def jitter(timed: Timed, injection: Injection, most_ns: int) -> Places:
    """Let each message arrive later by a time of its own."""
    return _hold_up(timed, 0, injection.pick(most_ns + 1, 1))


def pause(timed: Timed, injection: Injection, for_ns: int, size: int | None = None) -> Places:
    """Let the line be silent in front of a byte, or else again after every `size` bytes."""
    if size is None:
        at = injection.place(timed)
        return None if at is None else _hold_up(timed, at, for_ns)
    starts = tuple(range(size, len(timed), size))
    for at in starts:
        _hold_up(timed, at, for_ns)
    return starts or None


def slow(timed: Timed, injection: Injection, percent: int) -> Places:
    """Carry a message with so many percent of the full speed."""
    return _stretch(timed, 100, percent, injection.byte_ns)


def drift(timed: Timed, injection: Injection, ppm: int) -> Places:
    """Let the clock of the line wander by so many millionths either way, to and fro in 20 s."""
    phase = injection.seen.start_ns // 1_000_000 % _WAVE_MS
    quarter = _WAVE_MS // 4
    if phase >= 3 * quarter:
        phase -= _WAVE_MS
    off = phase if phase <= quarter else 2 * quarter - phase  # -quarter to quarter
    whole = 1_000_000 * quarter
    return _stretch(timed, whole + ppm * off, whole, injection.byte_ns)


# From neighbours


def ticks(
    timed: Timed, injection: Injection, value: int, period_ns: int = 0, beats: int = 120
) -> Places:
    """Put a real-time byte into a message at every so-many-th instant.

    Without a period it is that of the timing clock, at so many beats per minute.
    """
    if not timed:
        return None
    byte_ns, period_ns = injection.byte_ns, period_ns or _MINUTE_NS // (beats * _CLOCKS_A_BEAT)
    tick_ns = -(-(timed[0][0] - byte_ns) // period_ns) * period_ns
    late_ns, out, struck = 0, Timed(), list[int]()
    for at_ns, own in timed:
        while tick_ns <= at_ns - byte_ns + late_ns:
            if injection.within(tick_ns + byte_ns):
                struck.append(len(out))
                out.append((at_ns + late_ns, value))
                late_ns += byte_ns
            tick_ns += period_ns
        out.append((at_ns + late_ns, own))
    timed[:] = out
    return tuple(struck) or None


# In the replies


def retell(
    timed: Timed,
    injection: Injection,
    kind: int | None = None,
    shift: int = 0,
    device_shift: int = 0,
) -> Places:
    """Make a handshake say something else: another kind, number or device.

    The shifts are added to the packet number and to the device ID.
    """
    if injection.seen.sort is not Sort.REPLY or len(timed) <= _REPLY_NUMBER:
        return None
    told = {
        _DEVICE_ID: (timed[_DEVICE_ID][1] + device_shift) & _ID_BITS,
        _KIND: timed[_KIND][1] if kind is None else kind,
        _REPLY_NUMBER: (timed[_REPLY_NUMBER][1] + shift) & _ID_BITS,
    }
    changed = tuple(at for at, value in told.items() if timed[at][1] != value)
    for at in changed:
        timed[at] = timed[at][0], told[at]
    return changed or None


# What they share


def _flip(timed: Timed, at: int, bit: int) -> None:
    at_ns, value = timed[at]
    timed[at] = at_ns, value ^ 1 << bit


def _later(timed: Timed, by_ns: int) -> Timed:
    return [(at_ns + by_ns, value) for at_ns, value in timed]


def _insert(timed: Timed, at: int, values: Sequence[int], byte_ns: int) -> None:
    first_ns = timed[at][0]
    added = [(first_ns + turn * byte_ns, value) for turn, value in enumerate(values)]
    timed[at:] = added + _later(timed[at:], len(values) * byte_ns)


def _hold_up(timed: Timed, first: int, by_ns: int) -> Places:
    """Let everything from a byte on arrive later."""
    if first >= len(timed) or not by_ns:
        return None
    timed[first:] = _later(timed[first:], by_ns)
    return (first,) if first else ()


def _stretch(timed: Timed, numerator: int, denominator: int, byte_ns: int) -> Places:
    """Let a message last longer or shorter, from its beginning."""
    if not timed or numerator == denominator:
        return None
    start_ns = timed[0][0] - byte_ns
    timed[:] = [
        (start_ns + (at_ns - start_ns) * numerator // denominator, value) for at_ns, value in timed
    ]
    return ()
