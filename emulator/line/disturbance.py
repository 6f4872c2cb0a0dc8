"""Things done to the line on purpose, as frozen data.

`message` counts the messages sent in `direction` from 0, resent ones included, and `byte` the bytes of that
message from 0 at F0.  What a place does not have (a byte beyond the end) is left alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from emulator.dump.capture import Direction


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    direction: Direction
    message: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FlipBit(_Placed):
    """Turn one bit over."""

    byte: int
    bit: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LoseByte(_Placed):
    """Let one byte vanish; the line is silent for its time."""

    byte: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AddByte(_Placed):
    """Put one byte in front of byte `byte`; also a real-time byte, as a neighbour's clock does."""

    byte: int
    value: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LoseMessage(_Placed):
    """Let a whole message vanish; the line is silent for its time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatMessage(_Placed):
    """Send a message twice, back to back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayMessage(_Placed):
    """Let a message arrive later; what follows it queues behind."""

    by_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CutLine:
    """From `at_ns` on nothing arrives in `direction`."""

    direction: Direction
    at_ns: int


Disturbance = FlipBit | LoseByte | AddByte | LoseMessage | RepeatMessage | DelayMessage | CutLine


class TimedByte(NamedTuple):
    """One byte and the instant at which its last bit arrives."""

    at_ns: int
    value: int


def disturb(bytes_: Sequence[TimedByte], disturbance: Disturbance, byte_ns: int) -> list[TimedByte]:
    """Return what is left of one message, with times; the line needs `byte_ns` for a byte."""
    out = list(bytes_)
    match disturbance:
        case FlipBit(byte=byte, bit=bit) if byte < len(out):
            out[byte] = out[byte]._replace(value=out[byte].value ^ 1 << bit)
        case LoseByte(byte=byte):
            del out[byte : byte + 1]
        case AddByte(byte=byte, value=value) if byte <= len(out):
            at_ns = out[byte].at_ns if byte < len(out) else out[-1].at_ns + byte_ns
            later = [each._replace(at_ns=each.at_ns + byte_ns) for each in out[byte:]]
            out[byte:] = [TimedByte(at_ns, value), *later]
        case LoseMessage():
            out.clear()
        case RepeatMessage():
            span_ns = len(out) * byte_ns
            out += [each._replace(at_ns=each.at_ns + span_ns) for each in bytes_]
        case DelayMessage(by_ns=by_ns):
            out = [each._replace(at_ns=each.at_ns + by_ns) for each in out]
        case CutLine(at_ns=cut_ns):
            out = [each for each in out if each.at_ns < cut_ns]
    return out
