"""What lies in folders and files: the sounds that could go into a unit, and what else is there."""

import os
import unicodedata
from collections.abc import Iterator, Sequence
from pathlib import PurePath

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.harness.files import audio
from dryload.harness.files.audio import Recording
from dryload.harness.files.capture_file import form_of
from dryload.harness.files.dumpfile import load
from dryload.harness.files.kinds import AUDIO_ADVICE, kind_of
from dryload.harness.files.opening import STANDARD_INPUT, head_of, quoted, refusal, shown
from dryload.harness.files.problem import NoDump, Problem
from dryload.harness.jobs.dumps import Dump, Fragment
from dryload.harness.jobs.playlist import judged_contents
from dryload.harness.judge.finding import Verdict
from dryload.harness.judge.headers import NO_LOOP_TYPES
from dryload.harness.plan.evening import NotPlanned


class Candidate(Struct, frozen=True, kw_only=True, eq=False):
    """A sound that could go into a unit: a dump as it stands in its file, or a recording."""

    file: str
    dump: int
    """Which dump of its file, counted from 1; 1 for an audio file."""
    sound: Recording
    name: str
    given: Dump | None
    """The dump, None for an audio file."""

    @property
    def number(self) -> int | None:
        """The sample number that it has."""
        return None if self.given is None else self.given.header.sample_number

    @property
    def title(self) -> str:
        """What it is called in a sentence."""
        return f"{shown(self.file)}{f', dump {self.dump}' if self.dump > 1 else ''}"

    @property
    def frames(self) -> int:
        """Words of one channel."""
        return len(self.sound.frames)

    @property
    def loop(self) -> Loop:
        """NO_LOOP where it has none."""
        return self.sound.loop or NO_LOOP


Gathered = tuple[list[Candidate], list[NotPlanned]]


def gather(paths: Sequence[str]) -> Gathered:
    """Return what is in files and folders, in their order, folders with all that is below them.

    Hidden files and folders are passed over.  A Problem for a name that is none.
    """
    found: Gathered = ([], [])
    seen: set[str] = set()
    for path in paths:
        if path == STANDARD_INPUT:
            raise Problem("a plan names files, so it can't be made of standard input.")
        files = list(_files_below(path)) if os.path.isdir(path) else [path]
        if not files:
            raise Problem(f"{shown(path)} is a folder without files.")
        for file in files:
            if (real := os.path.realpath(file)) in seen:
                continue
            seen.add(real)
            try:
                candidates, others = _content(file)
            except Problem as problem:
                if file == path and not isinstance(problem, NoDump):
                    raise
                is_other = isinstance(problem, NoDump) and problem.is_other
                what = problem.what.removeprefix(f"{shown(file)} ").rstrip(".")
                candidates, others = [], [_aside(file, what, is_well=is_other)]
            found[0].extend(candidates)
            found[1].extend(others)
    return found


def sounds_of(file: str) -> list[Candidate]:
    """Return the sounds of one file, broken dumps too; a Problem where it can't be read."""
    kind = kind_of(head_of(file))
    if kind is not None and kind.advice == AUDIO_ADVICE:
        return [_of_audio(file)]
    return [_of_dump(each) for each in judged_contents(load(file)) if isinstance(each, Dump)]


def recorded(sample: Sample) -> Recording:
    """Return a sample as a recording of whole numbers."""
    frames: NDArray[np.int32] = sample.words.astype(np.int32) << np.int32(32 - sample.bits)
    loop = sample.sustain
    return Recording(
        frames=frames.reshape(-1, sample.channels),
        rate=sample.rate,
        source=f"{sample.bits}-bit",
        loop=None if loop.loop_type in NO_LOOP_TYPES else loop,
    )


def _files_below(folder: str) -> Iterator[str]:
    def refuse(problem: OSError) -> None:
        raise refusal(shown(str(problem.filename)), "listed", problem)

    for here, folders, files in os.walk(folder, onerror=refuse):
        folders[:] = sorted(each for each in folders if not each.startswith("."))
        yield from (os.path.join(here, each) for each in sorted(files) if not each.startswith("."))


def _content(file: str) -> Gathered:
    kind = kind_of(head_of(file))
    if kind is not None and kind.advice == AUDIO_ADVICE:
        return [_of_audio(file)], []
    if form_of(file) is not None:
        return [], [_aside(file, "is a capture, not a dump", is_well=True)]
    candidates, others = [], []
    for each in judged_contents(load(file)):
        if isinstance(each, Fragment):
            said = "a damaged header" if each.damaged else "no header"
            others.append(_aside(file, f"from byte {each.byte:,} on has packets with {said}"))
        elif each.is_broken:
            worst = next(one for one in each.findings if one.verdict is Verdict.BROKEN)
            said = f"is broken: {worst.message} dryload validate {quoted(file)} says more"
            others.append(_aside(file, said, dump=each.index + 1))
        else:
            candidates.append(_of_dump(each))
    if not candidates and not others:
        others.append(_aside(file, "has no dump header"))
    return candidates, others


def _of_dump(dump: Dump) -> Candidate:
    sample = dump.sample
    return Candidate(
        file=dump.file,
        dump=dump.index + 1,
        sound=recorded(sample),
        name=sample.name,
        given=dump,
    )


def _of_audio(file: str) -> Candidate:
    plain = unicodedata.normalize("NFKD", PurePath(file).stem).encode("ascii", "ignore").decode()
    return Candidate(
        file=file,
        dump=1,
        sound=audio.read(file),
        name="".join(sign for sign in plain if sign.isprintable()).strip(),
        given=None,
    )


def _aside(file: str, why: str, *, dump: int | None = None, is_well: bool = False) -> NotPlanned:
    return NotPlanned(file=file, dump=dump, why=why, is_well=is_well)
