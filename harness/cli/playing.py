"""What every way of `dryload replay` has in common: the dumps, and what is said of them."""

import os
from collections.abc import Callable, Container, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Final

from msgspec.structs import replace

from dryload.harness.cli.options import check_device_id
from dryload.harness.cli.replay_request import ReplayRequest
from dryload.harness.cli.terminal import note
from dryload.harness.files import backup_file
from dryload.harness.files.capture_file import form_of
from dryload.harness.files.dumpfile import load
from dryload.harness.files.opening import named, quoted, shown
from dryload.harness.files.problem import NoDump, Problem
from dryload.harness.jobs.dumps import (
    Dump,
    DumpKey,
    FileContent,
    Fragment,
    NotADump,
    readdressed,
)
from dryload.harness.jobs.playlist import Selection, Why, judged_contents, select
from dryload.harness.report.selection import backup_lines, check_numbers, left_out

REPLACE: Final = "--replace lets later dumps replace earlier ones."
WORTH_A_CLOCK_NS: Final = 60_000_000_000
"""What takes less is over before anybody looks at a clock."""


def selection(asked: ReplayRequest, *, loaded: Container[DumpKey] = ()) -> Selection:
    """Return what of the files is sent and what is not, and say the latter.

    `loaded` has the keys of dumps that were loaded another time: of those nothing is said, for the
    unit has to be asked first.  A Problem where there is nothing
    to play, or where one dump would replace another one and nobody has said that it may.
    """

    number, device_id = asked.number, asked.device_id
    check_device_id(device_id)
    if asked.planned is None:
        contents = [each for path in asked.files for each in _all_of(path, asked)]
    else:
        bench, chosen = asked.planned
        contents = [bench.made(each).dump for each in chosen.wanted]
    dumps = sum(isinstance(each, Dump) for each in contents)
    if number is not None and not 0 <= number <= 16_384 - dumps:
        last = "" if dumps == 1 else f", and there are {dumps:,} dumps to number"
        raise Problem(f"--number {number}: sample numbers are 0 to 16383{last}.")
    if not dumps:
        raise _nothing(contents)
    selected = select(
        contents, number=number, device_id=device_id, anyway=asked.anyway, loaded=loaded
    )
    if not asked.replace:
        check_numbers(selected, f"--number N numbers all dumps from N on; {REPLACE}")
    kept = [each for each in selected.left_out if each.why is not Why.LOADED_BEFORE]
    note(*map(left_out, kept))
    return selected


def _all_of(path: str, asked: ReplayRequest) -> Iterator[FileContent]:
    """Yield what is in a file or a folder, and say what is odd about it."""
    if backup_file.is_backup(path):
        yield from _backup(path, asked)
    else:
        yield from (each for name in named([path]).files for each in _contents(name, asked))


def _backup(folder: str, asked: ReplayRequest) -> Iterator[FileContent]:
    """Yield the samples of a backup, in the order and with the numbers of its list."""
    held = backup_file.load(folder)
    if not held.samples:
        raise Problem(f"{shown(backup_file.list_in(folder))} lists no sample to put back.")
    paths = [os.path.join(folder, each.file) for each in held.samples]
    others = len({*named([folder]).files} - {*paths})
    note(*backup_lines(folder, held, others))
    for path, listed in zip(paths, held.samples, strict=True):
        try:
            is_as_listed = backup_file.fingerprint(path) == listed.sha256
        except Problem as problem:
            said = f"{problem.what} It is sample {listed.number} of the backup."
            yield NotADump(file=path, said=said, is_other=False)
            continue
        if asked.anyway and not is_as_listed:
            note(f"{shown(path)} is not the file that the backup lists (another SHA-256).")
        for each in _contents(path, asked):
            if not isinstance(each, Dump):
                yield each
                continue
            dump = replace(each, is_as_listed=is_as_listed)
            is_moved = dump.header.sample_number != listed.number
            yield readdressed(dump, sample_number=listed.number) if is_moved else dump


def _contents(name: str, asked: ReplayRequest) -> Iterator[FileContent]:
    """Yield what is in a file, and say what is odd about it."""
    if name in asked.given.found and is_capture(name):
        said = f"{shown(name)} is a capture, not a dump."
        yield NotADump(file=name, said=said, is_other=True)
        return
    try:
        file = load(name)
    except NoDump as problem:
        yield NotADump(file=name, said=str(problem), is_other=problem.is_other)
        return
    note(*(f"{shown(name)}: {remark}." for remark in file.remarks))
    found = list(judged_contents(file))
    yield from found
    if not found:
        yield NotADump(file=name, said=f"{shown(name)} has no dump header.", is_other=False)


def is_capture(name: str) -> bool:
    """Return whether a file is a capture and nothing else."""
    try:
        return form_of(name) is not None
    except NoDump:  # it is nothing at all
        return False


def _nothing(contents: Sequence[FileContent]) -> Problem:
    """Return what is wrong with files of which none can be played."""
    said = [each.said for each in contents if isinstance(each, NotADump)]
    fragments = [each for each in contents if isinstance(each, Fragment)]
    if not fragments:
        none = "" if len(said) == 1 else "none of the files holds a dump: "
        return Problem(f"{none}{said[0]}")
    name = fragments[0].file
    return Problem(
        f"{shown(name)} has no whole dump header, so there is nothing to play.",
        do=f"dryload validate {quoted(name)} says what is in it.",
    )


def over_at(lasts_ns: int, now: Callable[[], datetime] = datetime.now) -> str:
    """Return what the clock will say in so many nanoseconds; the day too if it is another one."""
    begins = now()
    ends = begins + timedelta(seconds=lasts_ns / 1_000_000_000)
    days = (ends.date() - begins.date()).days
    day = {0: "", 1: " tomorrow"}.get(days, f" in {days} days")
    return f"{ends:%H:%M}{day}"
