"""A whole dump rehearsed in virtual time, every byte of both directions kept, against the line.

The line is the other side of the comparison: how long the same transfer lasts on a real cable.
"""

import time
from fractions import Fraction

import numpy as np

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.outgoing import Outgoing, outgoing
from dryload.emulator.dump.sample import Sample
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import Profile, load_profile
from dryload.emulator.wire.words import Words
from tests.bench.measure import Row

WORDS = 131_072
ROUNDS = 15
NEEDED = 20_000.0


def run() -> list[Row]:
    """Measure a closed loop dump of 16 bit to the default unit."""
    words = np.random.default_rng(16).integers(-32_768, 32_768, WORDS).astype(np.int16)
    dump = outgoing(Sample(words=words, bits=16, rate=Fraction(44_100)), number=1, device_id=0)
    sent = dump.header + b"".join(dump.packets)
    profile = load_profile()
    runs = [_rehearse(dump, sent, words, profile) for _ in range(ROUNDS)]
    return [
        Row(
            what="rehearse 131,072 words, closed loop",
            ours_us=min(took_us for took_us, _ in runs),
            other="line",
            other_us=runs[0][1],
            needed=NEEDED,
        )
    ]


def _rehearse(dump: Outgoing, sent: bytes, words: Words, profile: Profile) -> tuple[float, float]:
    """Return microseconds of processor here and on the line; the unit must hold the words."""
    unit = RackUnit(profile)
    line = SimulatedLine(unit, leaps=True)
    sender = Sender(dump)
    line.connect(sender)
    sender.start(0)
    begun = time.process_time()
    line.run(lambda: sender.end is not None)
    took_us = (time.process_time() - begun) * 1e6
    slot = unit.slots.addressed(1)
    sample = None if slot is None else slot.sample
    if sample is None or not np.array_equal(sample.words, words):
        raise AssertionError("the unit does not hold what was sent")
    if sender.end is not SenderEnd.SENT:
        raise AssertionError("not everything was sent")
    if line.capture.bytes_of(Direction.TO_UNIT) != sent:
        raise AssertionError("the capture does not hold what was sent")
    return took_us, line.now_ns / 1_000
