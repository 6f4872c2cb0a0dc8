"""The line byte by byte and slot by slot, written without a look at the project's cable.

A slot lasts 320 us (31,250 baud and ten bits a byte, M1 p. 1) and holds a byte or silence.
"""

from __future__ import annotations

from collections.abc import Sequence

from dryload.emulator.line.disturbance import Disturbance
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
            if not each.where.first <= len(self.left_ns) <= (each.where.last or 0):
                continue
            if each.effect.__name__ == "delay":
                late_ns += each.settings["by_ns"]
            else:
                slots = changed(slots, each)
        came = [
            (start_ns + late_ns + (place + 1) * BYTE_NS, byte)
            for place, byte in enumerate(slots)
            if byte is not None
        ]
        for each in self.disturbances:
            if each.effect.__name__ == "unplug":
                came = [(at_ns, byte) for at_ns, byte in came if at_ns <= each.where.from_ns]
        self.arrivals += came
        self.left_ns.append(left_ns)
        self._free_ns = max([left_ns, *(at_ns for at_ns, _ in came)])


def changed(slots: Slots, how: Disturbance) -> Slots:
    """Return the slots of one message after one disturbance; places count bytes, not silence."""
    there = [place for place, byte in enumerate(slots) if byte is not None]
    at, new = how.where.byte, list(slots)
    name = how.effect.__name__
    if at is not None and at < len(there):
        place = there[at]
        byte = new[place]
        assert byte is not None
        if name == "flip_one":
            new[place] = byte ^ (1 << how.settings["bit"])
        elif name == "lose_bytes":
            new[place] = None
        elif name == "add_bytes":
            new[place:place] = how.settings["values"]
    elif name == "lose":
        new = [None] * len(new)
    elif name == "repeat" and there:
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
