"""What shows a fault to its author: the bytes side by side, and what a unit makes of the dump."""

from collections.abc import Sequence
from functools import cache
from itertools import zip_longest
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.profile import DEFAULT_PROFILE, load_profile
from dryload.emulator.wire.splitter import split
from dryload.harness.files.dumpfile import load
from dryload.harness.files.opening import Held
from dryload.harness.files.problem import Problem
from dryload.harness.files.sections import sections
from dryload.harness.jobs.outcome import Transfer
from dryload.harness.jobs.playlist import judged_contents, play_through, select
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.trial.dumps import asked_of, messages_of
from dryload.harness.trial.task import PARAMETERS, Task

_SHOWN: Final = 12
"""Bytes of a message that are shown."""


class Bytes(Struct, frozen=True, kw_only=True):
    """The first message in which a dump is not the one that was to be expected."""

    message: str
    """Which message it is: the header, packet 3."""
    first: int
    """The place in the message of the first byte shown, counted from 0."""
    asked: bytes
    came: bytes


def side_by_side(
    task: Task, data: bytes, packet: int | None = None, told: Sequence[str] = PARAMETERS
) -> Bytes | None:
    """Return where a dump differs from the plain one: in that packet, else where it differs first.

    What the encoder was not told is as in its dump.  None where it does not differ, or where no
    plain one can be made.
    """
    header = next((each.header for each in sections(data) if each.header is not None), None)
    if header is not None:
        number = task.number if "number" in told else header.sample_number
        device_id = task.device_id if "device_id" in told else header.device_id
        task = replace(task, number=number, device_id=device_id)
    try:
        right = dump_of(task)
    except ValueError:
        return None
    came = [piece.raw for piece in split(data)]
    both = list(zip_longest(right, came, fillvalue=b""))
    places = [place for place, (one, other) in enumerate(both) if one != other]
    if not places:
        return None
    place = next((each for each in places if packet is not None and each == packet + 1), places[0])
    one, other = both[place]
    pairs = enumerate(zip_longest(one, other))
    differs = next(at for at, (mine, its) in pairs if mine != its)
    first = max(min(differs - 4, max(len(one), len(other)) - _SHOWN), 0)
    return Bytes(
        message="the header" if not place else f"message {place}, counted from the header",
        first=first,
        asked=one[first : first + _SHOWN],
        came=other[first : first + _SHOWN],
    )


def dump_of(task: Task) -> list[bytes]:
    """Return the messages of the plain dump of a task; ValueError where there is none."""
    return messages_of(asked_of(task), number=task.number, device_id=task.device_id)


def played(data: bytes, profile: str = DEFAULT_PROFILE) -> Transfer | None:
    """Return what an emulated unit makes of a dump; None where nothing can be sent."""
    try:
        selected = select(list(judged_contents(load(Held("the dump", data)))), anyway=True)
    except Problem:
        return None
    rehearsal = Rehearsal(_profile_of(profile))
    rows = play_through(selected, rehearsal.play, hindrance=lambda: None)
    return next((row for row in rows if isinstance(row, Transfer)), None)


@cache
def _profile_of(name: str) -> Profile:
    return load_profile(name)
