"""Compare a folder with another one, or with what a unit holds now, sample by sample.

Of a backup the samples are those of its list; of another folder the dumps in its files, by the
numbers in their headers.
"""

import os
from collections.abc import Callable, Mapping

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.ports.port import Port
from dryload.emulator.wire.constants import ALL_CALL
from dryload.emulator.wire.prose import listed
from dryload.harness.files import backup_file, opening
from dryload.harness.files.backup_file import BackupList, ListedSample
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import RIG, NoDump, Problem
from dryload.harness.jobs.compare import FileComparison, PairedBy, pairing
from dryload.harness.jobs.line import never
from dryload.harness.jobs.read import (
    EMPTY,
    Came,
    NumberProgress,
    ReadOut,
    ReadRequest,
    ReadResult,
    Wanted,
)
from dryload.harness.jobs.subjects import BACKUP, FOLDER, ComparedFile, Subject, source
from dryload.harness.judge.finding import Verdict


class SampleFolder(Struct, frozen=True, kw_only=True):
    """The samples of a folder, each with the number that it is known by."""

    samples: ComparedFile
    device_id: int
    """The unit that they are for."""


def samples_in(folder: str) -> SampleFolder:
    """Return the samples of a folder; a Problem where it has none, or two of one number."""
    if backup_file.is_backup(folder):
        held = backup_file.load(folder)
        return SampleFolder(samples=_backup(folder, held), device_id=held.device_id)
    return _dumps(folder)


def compare_folders(a: str, b: str) -> FileComparison:
    """Compare the samples of two folders by their numbers."""
    return _compared(samples_in(a).samples, samples_in(b).samples)


def request_of(folder: SampleFolder, target: str, answer_ns: int) -> ReadRequest:
    """Return what a unit is asked for to compare it with a folder: the samples of that."""
    numbers = frozenset(_by_number(folder.samples))
    if not numbers:
        raise Problem("The backup lists no sample, so there is nothing to compare.")
    return ReadRequest(
        target=target,
        device_id=folder.device_id,
        wanted=Wanted(first=min(numbers), last=max(numbers), only=numbers),
        given="",
        output="",
        answer_ns=answer_ns,
    )


def compare_with_unit(
    folder: SampleFolder,
    asked: ReadRequest,
    port: Port,
    *,
    paced: bool = True,
    progress: NumberProgress | None = None,
    wants_stop: Callable[[], bool] = never,
) -> FileComparison:
    """Compare the samples of a folder with those that the unit behind a port holds.

    A Problem where the port fails; KeyboardInterrupt where the user stops it.
    """
    a = folder.samples
    job = ReadOut(port, asked, paced=paced, progress=progress, wants_stop=wants_stop)
    came = {each.number: each for each in job.read()}
    if wants_stop():
        raise KeyboardInterrupt
    if job.failed is not None:
        raise Problem(job.failed.what, do=job.failed.do, code=RIG)
    known = _by_number(a)
    subjects = [
        _from_unit(each, known[number], tells_names=job.tells_names is not False)
        for number, each in sorted(came.items())
        if each.result not in EMPTY
    ]
    silent = [number for number, each in came.items() if each.result is ReadResult.SILENT]
    remarks = [f"no answer for {listed(sorted(silent), 'and')}"] if silent else []
    if len(silent) == len(came):
        remarks.append("it may hold none of them, have another device ID, or not be connected")
    elif job.still_answers is False:
        remarks.append("it has stopped answering, so that this means nothing")
    return _compared(
        a,
        ComparedFile(
            file=asked.target, form="unit", subjects=tuple(subjects), remarks=tuple(remarks)
        ),
    )


def _compared(a: ComparedFile, b: ComparedFile) -> FileComparison:
    of_a, of_b = _by_number(a), _by_number(b)
    both = sorted(of_a.keys() & of_b.keys())
    return FileComparison(
        a=a,
        b=b,
        pairs=tuple(pairing(of_a[number], of_b[number], PairedBy.NUMBER) for number in both),
        only_a=tuple(of_a[number] for number in sorted(of_a.keys() - of_b.keys())),
        only_b=tuple(of_b[number] for number in sorted(of_b.keys() - of_a.keys())),
    )


def _by_number(compared: ComparedFile) -> Mapping[int, Subject]:
    return {each.listed: each for each in compared.subjects if each.listed is not None}


def _backup(folder: str, held: BackupList) -> ComparedFile:
    remarks = () if held.complete else ("not complete", *held.why_not)
    return ComparedFile(
        file=folder,
        form=BACKUP,
        subjects=tuple(
            _from_file(os.path.join(folder, each.file), each, place)
            for place, each in enumerate(held.samples, start=1)
        ),
        remarks=tuple(map(shown, remarks)),
    )


def _dumps(folder: str) -> SampleFolder:
    """Return the dumps in the files of a folder that is no backup."""
    subjects: list[Subject] = []
    remarks: list[str] = []
    places: dict[int, str] = {}
    device_ids: set[int] = set()
    for path in opening.named([folder]).files:
        try:
            found = source(path).subjects
        except NoDump as problem:
            remarks.append(f"left out: {problem.what.rstrip('.')}")
            continue
        for each in found:
            if each.header is None:
                what = "it is a recording" if each.recording is not None else each.trouble
                remarks.append(f"left out: {shown(path)}: {what}")
                continue
            number = each.header.sample_number
            if number in places:
                raise Problem(
                    f"{shown(path)} and {shown(places[number])} both hold a sample {number}.",
                    do="Compare the files one by one, or move one of them away.",
                )
            places[number] = path
            device_ids.add(each.header.device_id)
            subjects.append(replace(each, number=len(subjects) + 1, listed=number))
    if not subjects:
        raise Problem(
            f"{shown(folder)} holds no dump to compare.",
            do="Name a folder with dumps, or a backup.",
        )
    return SampleFolder(
        samples=ComparedFile(
            file=folder, form=FOLDER, subjects=tuple(subjects), remarks=tuple(remarks)
        ),
        device_id=device_ids.pop() if len(device_ids) == 1 else ALL_CALL,
    )


def _from_file(path: str, held: ListedSample, place: int) -> Subject:
    """Return the sample in a file of a backup; where there is none, it has a trouble."""
    try:
        is_as_listed = backup_file.fingerprint(path) == held.sha256
        subject, *others = source(path).subjects
    except Problem as problem:
        return Subject(number=place, listed=held.number, trouble=problem.what.rstrip("."))
    if others or subject.recording is not None:
        trouble = f"{shown(path)} does not hold just one dump"
        return Subject(number=place, listed=held.number, trouble=trouble)
    changed = f"{shown(path)} is not the file that the backup lists (another SHA-256)"
    return replace(
        subject,
        number=place,
        listed=held.number,
        header=subject.header and replace(subject.header, sample_number=held.number),
        remarks=subject.remarks if is_as_listed else (*subject.remarks, changed),
    )


def _from_unit(came: Came, known: Subject, *, tells_names: bool) -> Subject:
    """Return a sample that a unit sent; what it does not tell is taken as it is `known`."""
    subject = Subject(number=known.number, listed=came.number, header=came.header)
    if came.dump is None:
        return replace(subject, trouble=f"it did not arrive whole: {came.reason}")
    sample = came.dump.sample
    remarks = [each.message.rstrip(".") for each in came.findings if each.verdict is Verdict.BROKEN]
    if known.sample is not None:
        if known.sample.name and ("name" in came.untold or not tells_names):
            sample = replace(sample, name=known.sample.name)
            remarks.append("the unit does not tell its name")
        if known.sample.loops and "loops" in came.untold:
            sample = replace(sample, loops=known.sample.loops)
            remarks.append("the unit does not tell loops beside that of the header")
    return replace(subject, sample=sample, remarks=tuple(remarks))
