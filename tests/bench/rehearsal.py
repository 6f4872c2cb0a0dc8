"""A whole dump rehearsed in virtual time, with every byte of both directions kept, against the line.

The line is the other side of the comparison: how long the same transfer lasts on a real cable.
"""

import statistics
import time
from fractions import Fraction

import numpy as np

from emulator.dump.capture import Direction
from emulator.dump.outgoing import outgoing
from emulator.dump.sample import Sample
from emulator.dump.sender import Sender, SenderEnd
from emulator.line.simulate import SimulatedLine
from emulator.unit.board import RackUnit
from emulator.unit.profile import load_profile
from tests.bench.measure import Row

WORDS = 131_072
ROUNDS = 15
NEEDED = 3_000.0


def run() -> list[Row]:
    """Measure a closed loop dump of 16 bit to the default unit."""
    words = np.random.default_rng(16).integers(-32_768, 32_768, WORDS).astype(np.int16)
    dump = outgoing(
        Sample(words=words, bits=16, rate=Fraction(44_100)), number=1, device_id=0
    )
    sent = dump.header + b"".join(dump.packets)
    profile = load_profile()
    took_s = []
    for _ in range(ROUNDS):
        unit = RackUnit(profile)
        line = SimulatedLine(unit)
        sender = Sender(dump)
        line.connect(sender)
        sender.start(0)
        begun = time.perf_counter()
        line.run(lambda: sender.end is not None)
        took_s.append(time.perf_counter() - begun)
        slot = unit.slots.addressed(1)
        assert slot is not None and slot.sample is not None
        if sender.end is not SenderEnd.SENT or not np.array_equal(slot.sample.words, words):
            raise AssertionError("the unit does not hold what was sent")
        if line.capture.bytes_of(Direction.TO_UNIT) != sent:
            raise AssertionError("the capture does not hold what was sent")
        line_s = line.now_ns / 1e9
    return [
        Row(
            what="rehearse 131,072 words, closed loop",
            ours_us=statistics.median(took_s) * 1e6,
            other="line",
            other_us=line_s * 1e6,
            needed=NEEDED,
        )
    ]
