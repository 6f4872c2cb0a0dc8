"""The line byte by byte and slot by slot, written without a look at the project's cable.

A slot lasts 320 us (31,250 baud and ten bits a byte, M1 p. 1) and holds a byte or silence.
"""

from __future__ import annotations

from collections.abc import Sequence

from emulator.line.disturbance import (
    AddByte,
    CutLine,
    DelayMessage,
    Disturbance,
    FlipBit,
    LoseByte,
    LoseMessage,
    RepeatMessage,
)
from tests.line.players import BYTE_NS

Slots = list[int | None]
Arrivals = list[tuple[int, int]]


class NaiveWire:
    """One direction; `arrivals` are (instant, byte), `left_ns` what the speaker believes."""

    def __init__(self, disturbances: Sequence[Disturbance] = ()) -> None:
        self.disturbances = disturbances
        self.arrivals: Arrivals = []
        self.left_ns: list[int] = []
        self._free_ns = 0

    def send(self, message: bytes, now_ns: int) -> None:
        """Put one message on the wire as soon as it is free."""
        start_ns = max(now_ns, self._free_ns)
        left_ns = start_ns + len(message) * BYTE_NS
        slots: Slots = list(message)
        late_ns = 0
        for each in self.disturbances:
            if isinstance(each, CutLine) or each.message != len(self.left_ns):
                continue
            if isinstance(each, DelayMessage):
                late_ns += each.by_ns
            else:
                slots = changed(slots, each)
        came = [
            (start_ns + late_ns + (place + 1) * BYTE_NS, byte)
            for place, byte in enumerate(slots)
            if byte is not None
        ]
        for each in self.disturbances:
            if isinstance(each, CutLine):
                came = [(at_ns, byte) for at_ns, byte in came if at_ns < each.at_ns]
        self.arrivals += came
        self.left_ns.append(left_ns)
        self._free_ns = max([left_ns, *(at_ns for at_ns, _ in came)])


def changed(slots: Slots, how: Disturbance) -> Slots:
    """Return the slots of one message after one disturbance; places count bytes, not silence."""
    there = [place for place, byte in enumerate(slots) if byte is not None]
    new = list(slots)
    if isinstance(how, FlipBit) and how.byte < len(there):
        byte = new[there[how.byte]]
        assert byte is not None
        new[there[how.byte]] = byte ^ (1 << how.bit)
    elif isinstance(how, LoseByte) and how.byte < len(there):
        new[there[how.byte]] = None
    elif isinstance(how, AddByte) and there and how.byte <= len(there):
        new.insert(there[how.byte] if how.byte < len(there) else there[-1] + 1, how.value)
    elif isinstance(how, LoseMessage):
        new = [None] * len(new)
    elif isinstance(how, RepeatMessage) and there:
        once = new[there[0] : there[-1] + 1]
        new = new[: there[-1] + 1] + once
    return new


def acting(arrivals: Arrivals) -> list[int]:
    """Return the instants at which an exclusive message ends: its F7 or a cut (M1 p. 29)."""
    instants, is_open = [], False
    for at_ns, byte in arrivals:
        if 0x80 <= byte <= 0xF7:
            if is_open:
                instants.append(at_ns)
            is_open = byte == 0xF0
    return instants
