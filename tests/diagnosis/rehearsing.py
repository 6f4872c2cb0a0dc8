"""A rehearsal with things going wrong on purpose, for what is to be compared with the emulator."""

from __future__ import annotations

from random import Random
from typing import Final

from msgspec.structs import replace

from dryload.emulator.unit.profile import load_profile
from dryload.harness.faults.reading import read_all
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.jobs.dumps import Dump, dumps_in
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from tests import oracle

UNIT: Final = "lantern-desk"
LENGTH: Final = 235
"""Words: six packets."""


def dump_of(length: int = LENGTH) -> Dump:
    """Return a dump of noise in 16 bits for the unit."""
    rng = Random(5)
    words = [rng.randrange(-32_768, 32_768) for _ in range(length)]
    data = oracle.dump(
        device_id=load_profile(UNIT).unit.device_id,
        sample_number=3,
        bits=16,
        period_ns=22_676,
        loop_type=0x7F,
        words=words,
    )
    return next(dumps_in(DumpFile(name="dump", form=Form.RAW, data=data)))


def rehearsed(*texts: str, read_back: bool = False, length: int = LENGTH) -> Recorded:
    """Play a dump with disturbances; return what was recorded on the line."""
    asked = read_all(texts)
    settings = Settings(read_back=read_back)
    sender = replace(settings.sender, after_silence="again")
    rehearsal = Rehearsal(
        asked.unit(load_profile(UNIT)),
        settings=asked.settings(replace(settings, sender=sender)),
        disturbances=asked.placed,
        link=asked.link,
    )
    if not rehearsal.unit.memory.initialised:
        rehearsal.unit.panel.initialise(0)
    rehearsal.play(dump_of(length))
    rehearsal.finish()
    return Recorded(capture=rehearsal.line.capture, taken_at=TakenAt.LINE)
