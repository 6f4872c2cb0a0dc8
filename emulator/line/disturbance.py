"""Things done to the line on purpose, as frozen data.

`message` counts the messages sent in `direction` from 0, resent ones included, and `byte` the bytes
of that message from 0 at F0.  Several for one message act in the order of the list, each on what
those before it left.  What a place does not have (a byte beyond the end) is left alone; what no
line can do (a negative place, a ninth bit) raises ValueError.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final, NamedTuple

from emulator.dump.capture import Direction

_MOST: Final = {"bit": 7, "value": 255}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    direction: Direction
    message: int

    def __post_init__(self) -> None:
        """Refuse what no line can do."""
        for name in (field.name for field in fields(self) if field.name != "direction"):
            value, most = getattr(self, name), _MOST.get(name)
            if value < 0 or (most is not None and value > most):
                limits = "0 or more" if most is None else f"0 to {most}"
                raise ValueError(f"{name} must be {limits}, not {value}")


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
        case AddByte(byte=byte, value=value) if out and byte <= len(out):
            at_ns = out[byte].at_ns if byte < len(out) else out[-1].at_ns + byte_ns
            later = [each._replace(at_ns=each.at_ns + byte_ns) for each in out[byte:]]
            out[byte:] = [TimedByte(at_ns, value), *later]
        case LoseMessage():
            out.clear()
        case RepeatMessage() if out:
            span_ns = out[-1].at_ns - out[0].at_ns + byte_ns  # bytes may be missing in between
            out += [each._replace(at_ns=each.at_ns + span_ns) for each in bytes_]
        case DelayMessage(by_ns=by_ns):
            out = [each._replace(at_ns=each.at_ns + by_ns) for each in out]
        case CutLine(at_ns=cut_ns):
            out = [each for each in out if each.at_ns < cut_ns]
    return out
