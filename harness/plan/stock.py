"""The unit as it is before the first sample is sent: empty, or with what it is to keep."""

import os
from typing import Final

from dryload.emulator.unit.admission import plan_for, room_for
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import MAGIC, ImageError, restore
from dryload.harness.files import backup_file
from dryload.harness.files.dumpfile import load
from dryload.harness.files.opening import head_of, named, open_file, read_all, shown
from dryload.harness.files.problem import NoDump, Problem
from dryload.harness.jobs.dumps import Dump, dumps_in, readdressed

_LARGEST: Final = 1 << 30


def make_ready(unit: RackUnit, *, banks: int | None, holds: str | None) -> None:
    """Fit so many banks into a unit that has just been made, and initialise it.

    With `holds`, a backup or a memory image, it has those samples instead; a Problem where it
    can't have them.
    """
    places = unit.profile.memory.places
    if banks is not None and not 0 <= banks <= places:
        raise Problem(f"{unit.profile.name} has room for 0 to {places} banks, not {banks}.")
    if banks is not None:
        unit.panel.fit_banks(range(1, banks + 1), 0)
    unit.panel.initialise(0)
    if holds is None:
        return
    if holds.startswith(("midi:", "tcp:")) and not os.path.exists(holds):
        raise Problem(
            f"{shown(holds)} is not asked what it holds: that takes as long as a backup.",
            do="Make one with dryload read --sample all, and give its folder.",
        )
    if not os.path.isdir(holds) and head_of(holds).startswith(MAGIC):
        with open_file(holds) as file:
            image = read_all(file, shown(holds), _LARGEST)
        try:
            restore(unit, image)
        except ImageError as problem:
            raise Problem(f"{shown(holds)} can't be what the unit holds: {problem}.") from problem
        return
    for dump in _stored(holds):
        _put(unit, dump)


def _stored(holds: str) -> list[Dump]:
    """Return the dumps of a backup, in the order of its list; a Problem where there are none."""
    if backup_file.is_backup(holds):
        return [
            readdressed(dump, sample_number=each.number)
            for each in backup_file.load(holds).samples
            for dump in dumps_in(load(os.path.join(holds, each.file)))
        ]
    found: list[Dump] = []
    for name in named([holds]).files:
        try:
            found += dumps_in(load(name))
        except NoDump as problem:
            if not problem.is_other or name == holds:
                raise
    if not found:
        raise Problem(f"{shown(holds)} holds no dumps: it is no backup of a unit.")
    return found


def _put(unit: RackUnit, dump: Dump) -> None:
    """Have a sample in the unit, in the first place of its memory that will do."""
    plan = plan_for(dump.header, unit.profile, unit.slots)
    taken = plan if isinstance(plan, str) else room_for(plan, unit.profile, unit.memory)
    if isinstance(plan, str) or isinstance(taken, str):
        raise Problem(
            f"{unit.profile.name} can't hold {dump.title}: {taken}.",
            do="Is this the backup of another unit, or of one with more memory?",
        )
    plan.slot.rename(dump.sample.name[: unit.profile.slots.name_length])
    plan.slot.put(dump.sample, taken)
