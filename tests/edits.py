"""Exact edits of one message on a line, by hand, independent of the product's effects.

A message is counted in its direction from 0, those sent again included; a byte from 0 at F0.
Several edits of one message act in their order, each on what those before it left; a byte that a
message does not have is left alone.
"""

from __future__ import annotations

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.disturbance import Disturbance, Effect, Injection, Places, Timed
from dryload.emulator.line.placement import Placement

BYTE_NS = 320_000  # 31,250 baud, ten bits a byte (M1 p. 1)


def flip_bit(*, direction: Direction, message: int, byte: int, bit: int) -> Disturbance:
    """Turn one bit over."""
    return _edit(flipped, direction, message, byte=byte, bit=bit)


def lose_byte(*, direction: Direction, message: int, byte: int) -> Disturbance:
    """Let one byte vanish; the line is silent for its time."""
    return _edit(without, direction, message, byte=byte)


def add_byte(*, direction: Direction, message: int, byte: int, value: int) -> Disturbance:
    """Put one byte in front of a byte, or behind the last."""
    return _edit(with_added, direction, message, byte=byte, value=value)


def lose_message(*, direction: Direction, message: int) -> Disturbance:
    """Let a whole message vanish; the line is silent for its time."""
    return _edit(lost, direction, message)


def repeat_message(*, direction: Direction, message: int) -> Disturbance:
    """Send a message twice, back to back."""
    return _edit(repeated, direction, message)


def delay_message(*, direction: Direction, message: int, by_ns: int) -> Disturbance:
    """Let a message arrive later; what follows it queues behind."""
    return _edit(delayed, direction, message, by_ns=by_ns)


def cut_line(*, direction: Direction, at_ns: int) -> Disturbance:
    """Let nothing arrive from an instant on."""
    where = Placement(directions=(direction,))
    return Disturbance(effect=cut, settings={"cut_ns": at_ns}, where=where)


def _edit(effect: Effect, direction: Direction, message: int, **settings: int) -> Disturbance:
    where = Placement(directions=(direction,), first=message, last=message)
    return Disturbance(effect=effect, settings=settings, where=where)


def flipped(timed: Timed, injection: Injection, byte: int, bit: int) -> Places:
    if byte >= len(timed):
        return None
    at_ns, value = timed[byte]
    timed[byte] = at_ns, value ^ (1 << bit)
    return (byte,)


def without(timed: Timed, injection: Injection, byte: int) -> Places:
    if byte >= len(timed):
        return None
    del timed[byte]
    return (byte,)


def with_added(timed: Timed, injection: Injection, byte: int, value: int) -> Places:
    if not timed or byte > len(timed):
        return None
    at_ns = timed[byte][0] if byte < len(timed) else timed[-1][0] + BYTE_NS
    behind = [(each_ns + BYTE_NS, each) for each_ns, each in timed[byte:]]
    timed[byte:] = [(at_ns, value), *behind]
    return ()


def lost(timed: Timed, injection: Injection) -> Places:
    timed.clear()
    return ()


def repeated(timed: Timed, injection: Injection) -> Places:
    if timed:
        span_ns = timed[-1][0] - timed[0][0] + BYTE_NS  # bytes may be missing in between
        timed += [(at_ns + span_ns, value) for at_ns, value in timed]
    return ()


def delayed(timed: Timed, injection: Injection, by_ns: int) -> Places:
    timed[:] = [(at_ns + by_ns, value) for at_ns, value in timed]
    return ()


def cut(timed: Timed, injection: Injection, cut_ns: int) -> Places:
    timed[:] = [each for each in timed if each[0] < cut_ns]
    return ()
