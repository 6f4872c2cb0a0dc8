"""Host and unit each behind a real driver, joined in one process: the twin of a rehearsal."""

from __future__ import annotations

import pytest

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.outgoing import outgoing
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.ports.real import RealLine
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile
from tests.line.players import FROM, TO
from tests.ports.clockwork import FakeClock
from tests.ports.loopback import loopback
from tests.unit.desk import noise, sample_of


@pytest.mark.parametrize("name", ["lantern-desk", "slow-pulley", "old-curtain", "thunder-sheet"])
def test_a_transfer_over_a_port_is_the_rehearsal_of_it(name: str) -> None:
    # Host and unit each behind a real driver, joined in one process, against the simulated line:
    # the same conversation, and each instant of it within 50 us a message that went before.
    profile = load_profile(name)
    dump = outgoing(sample_of(noise(200)), number=1, device_id=profile.unit.device_id)

    rehearsed = SimulatedLine(RackUnit(profile))
    sender = Sender(dump)
    rehearsed.connect(sender)
    sender.start(0)
    rehearsed.run(lambda: sender.end is not None)

    clock = FakeClock()
    here, there = loopback(clock)
    unit = RackUnit(profile)
    unit_side = RealLine(there, sends=Direction.FROM_UNIT, emulates_line=True)
    unit_side.connect(unit)
    host_side = RealLine(here)
    live = Sender(dump)
    host_side.connect(live)
    live.start(0)
    while live.end is None:
        unit_side.run(lambda: False, until_ns=clock.now_ns())
        host_side.run(lambda: False, until_ns=clock.now_ns())
        clock.sleep_ns(20_000)

    assert live.end is sender.end is SenderEnd.SENT
    assert slot_words(unit) == noise(200)
    for side in (host_side, unit_side):
        for direction in (TO, FROM):
            assert side.capture.bytes_of(direction) == rehearsed.capture.bytes_of(direction)
    seen = zip(unit_side.capture.passages, rehearsed.capture.passages, strict=False)
    for count, (ours, theirs) in enumerate(seen, 1):
        assert ours.data == theirs.data
        assert abs(ours.end_ns - theirs.end_ns) <= count * 50_000


def slot_words(unit: RackUnit) -> list[int] | None:
    slot = unit.slots.addressed(1)
    if slot is None or slot.sample is None:
        return None
    return [int(word) for word in slot.sample.words]
