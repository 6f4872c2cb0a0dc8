"""The recorded transfers of the demo: one evening at the sound desk for each kind of trouble.

Theory of operation.  Each is a rehearsal of a good dump to an emulated unit, with one thing done to
it on purpose, in the words of `dryload disturbances`.  What passed is kept as a capture: mostly as
one that was taken at the computer, for so it is with everybody who has no second interface, and
what a cable did to a message shows only in what the unit said to it.
"""

from collections.abc import Iterator, Mapping
from itertools import product
from typing import Final

from msgspec import Struct

from captures_demo.dumps import good_files
from dryload.emulator.unit.profile import load_profile
from dryload.harness.faults.reading import read_all
from dryload.harness.files.capture_lines import build
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.jobs.dumps import dumps_in, readdressed
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings


class Evening(Struct, frozen=True, kw_only=True):
    """One transfer, and what was done to it."""

    name: str
    sources: tuple[str, ...]
    """Files of the folder good, one after another."""
    disturbances: tuple[str, ...] = ()
    profile: str = "lantern-desk"
    device_ids: tuple[int | None, ...] = (None,)
    """To which device ID it is sent, attempt by attempt; None: as the file says."""
    operator_ns: int | None = 8_000_000_000
    """How long it takes until somebody presses confirm at the unit; None: nobody does."""
    taken_at: TakenAt = TakenAt.HOST
    """LINE: a second interface listened at the unit's end of the cable."""


EVENINGS: Final[tuple[Evening, ...]] = (
    Evening(name="all-well", sources=("bell-stroke.syx",)),
    Evening(
        name="one-cable-only",
        sources=("thunder-crack.syx",),
        disturbances=("lose messages from the unit",),
    ),
    Evening(
        name="crackling-plug",
        sources=("thunder-crack.syx",),
        disturbances=("flip a bit in packets with chance 1 in 4, seed 5",),
    ),
    Evening(
        name="small-buffer",
        sources=("thunder-crack.syx",),
        disturbances=("link every-256th",),
        taken_at=TakenAt.LINE,
    ),
    Evening(
        name="keyboard-on-the-cable",
        sources=("thunder-crack.syx",),
        disturbances=("a note inside every 6th packet",),
        taken_at=TakenAt.LINE,
    ),
    Evening(
        name="somebodys-foot",
        sources=("thunder-crack.syx",),
        disturbances=("cable pulled out",),
        taken_at=TakenAt.LINE,
    ),
    Evening(name="wrong-device-number", sources=("tick.syx",), device_ids=(5, 127)),
    Evening(
        name="memory-full",
        sources=("gull-cry.syx",),
        device_ids=(None, None),
        disturbances=("memory ends after 3000 words",),
    ),
    Evening(
        name="waits-for-a-key",
        sources=("tick.syx", "thunder-crack.syx"),
        profile="stage-door",
        operator_ns=None,
    ),
    Evening(
        name="two-bytes-swapped",
        sources=("bell-stroke.syx",),
        disturbances=("swap two bytes in packet 20, byte 30",),
        taken_at=TakenAt.LINE,
    ),
    Evening(
        name="tired-memory",
        sources=("bell-stroke.syx",),
        disturbances=("store wrong in packet 33, seed 2",),
    ),
)


def transfer_files() -> Iterator[tuple[str, bytes]]:
    """Yield name and bytes of every capture."""
    good = dict(good_files())
    for evening in EVENINGS:
        yield f"{evening.name}.jsonl", build(_recorded(evening, good))


def _recorded(evening: Evening, good: Mapping[str, bytes]) -> Recorded:
    asked = read_all(evening.disturbances)
    rehearsal = Rehearsal(
        asked.unit(load_profile(evening.profile)),
        settings=asked.settings(Settings(operator_ns=evening.operator_ns)),
        disturbances=asked.placed,
        link=asked.link,
        host_side=evening.taken_at is TakenAt.HOST,
    )
    for name, device_id in product(evening.sources, evening.device_ids):
        for dump in dumps_in(DumpFile(name=name, form=Form.RAW, data=good[name])):
            rehearsal.play(readdressed(dump, device_id=device_id))
    rehearsal.finish()
    return Recorded(
        capture=rehearsal.line.capture,
        taken_at=evening.taken_at,
        about=f"{', '.join(evening.sources)} to the emulated unit {evening.profile}",
    )
