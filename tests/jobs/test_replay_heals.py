"""A disturbed packet is sent again and the sample is right, however slow the unit's memory is."""

from pathlib import Path

import pytest

from dryload.emulator.dump.capture import Direction
from dryload.emulator.unit.profile import load_profile
from dryload.harness.files.dumpfile import load
from dryload.harness.jobs.dumps import dumps_in, readdressed
from dryload.harness.jobs.outcome import Outcome
from dryload.harness.jobs.rehearse import Rehearsal
from tests.edits import flip_bit

TICK = Path(__file__).parent.parent.parent / "captures_demo" / "good" / "tick.syx"


@pytest.mark.parametrize(
    "unit", ["lantern-desk", "narrow-wings", "slow-pulley", "stage-door", "old-curtain"]
)
@pytest.mark.parametrize("packet", [0, 1])
def test_one_flipped_bit_is_healed(unit: str, packet: int) -> None:
    # Message 0 is the header.  A receiver that finds a wrong sum asks again (HSK-06, M1 p. 39).
    flip = flip_bit(direction=Direction.TO_UNIT, message=1 + packet, byte=40, bit=3)
    profile = load_profile(unit)
    rehearsal = Rehearsal(profile, disturbances=[flip])
    (dump,) = dumps_in(load(str(TICK)))

    transfer = rehearsal.play(
        readdressed(
            dump,
            device_id=profile.unit.device_id,
            sample_number=profile.slots.first_number,
        )
    )

    # a unit that does not answer the last packet gets it once more, to be sure (HSK-13)
    last = 0 if profile.habits.final_ack or packet else 1
    assert transfer.resent == 1 + last
    assert transfer.outcome is Outcome.LOADED
    assert transfer.verified is True
