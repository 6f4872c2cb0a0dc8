"""What can be compared: the dumps of a file, or the sound of an audio file.

A dump holds what the judge reads in it: the words of the packets that are there, each once and in
its place.  What is missing is left out, so that a comparison says so.  Of a sound the words are
taken as they are in its file.
"""

from collections.abc import Iterator
from fractions import Fraction
from math import log
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.sample import NO_LOOP, Sample
from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS
from dryload.emulator.wire.messages import Header
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.words import word_dtype
from dryload.harness.files import audio, opening
from dryload.harness.files.dumpfile import load
from dryload.harness.files.kinds import AUDIO_ADVICE
from dryload.harness.files.kinds import kind_of as file_kind
from dryload.harness.files.rates import meant_hertz, whole_rate
from dryload.harness.jobs.dumps import headed
from dryload.harness.judge.dump import DumpContents
from dryload.harness.judge.order import OrderFault

AUDIO: Final = "audio file"
BACKUP: Final = "backup"
FOLDER: Final = "folder"
_SAME_RATE: Final = Fraction(1, 200)  # one part: far more than a rounded period makes


class Subject(Struct, frozen=True, kw_only=True, eq=False):
    """One dump of a file, or the sound of an audio file."""

    number: int
    """Which of its file, counted from 1."""
    header: Header | None = None
    sample: Sample | None = None
    """None where it cannot be made out, and `trouble` says why."""
    recording: audio.Recording | None = None
    channel: audio.Channel | None = None
    """What was taken of a recording."""
    is_resampled: bool = False
    """Whether a recording was brought to the rate of the dump."""
    trouble: str = ""
    disorder: str = ""
    """Which of its packets stand in each other's place, so that a unit stores them wrongly."""
    remarks: tuple[str, ...] = ()
    listed: int | None = None
    """The sample number by which a folder has it, or under which a unit was asked for it."""

    @property
    def sample_number(self) -> int | None:
        """The sample number: that of a list, or else that in the header."""
        if self.listed is not None or self.header is None:
            return self.listed
        return self.header.sample_number


class ComparedFile(Struct, frozen=True, kw_only=True, eq=False):
    """A file and what is in it."""

    file: str
    form: str
    subjects: tuple[Subject, ...]
    remarks: tuple[str, ...] = ()


def source(path: str) -> ComparedFile:
    """Return what is in a dump file or audio file; a Problem for anything else."""
    if path != opening.STANDARD_INPUT:
        kind = file_kind(opening.head_of(path))
        if kind is not None and kind.advice == AUDIO_ADVICE:
            recording = audio.read(path)
            subject = Subject(number=1, recording=recording, remarks=recording.remarks)
            return ComparedFile(file=path, form=AUDIO, subjects=(subject,))
    dump_file = load(path)
    return ComparedFile(
        file=path,
        form=dump_file.form.value,
        subjects=tuple(
            _subject(each, index) for index, each in enumerate(headed(dump_file), start=1)
        ),
        remarks=dump_file.remarks,
    )


def _subject(contents: DumpContents, number: int) -> Subject:
    header = contents.header
    if header is None:
        trouble = "its header is damaged, so that nothing says what its packets mean (FRM-05)"
        return Subject(number=number, trouble=trouble)
    if not MIN_BITS <= header.bits <= MAX_BITS:
        trouble = (
            f"its header announces words of {header.bits} bits, and {MIN_BITS} to {MAX_BITS} are "
            "possible (HDR-03)"
        )
        return Subject(number=number, header=header, trouble=trouble)
    return Subject(
        number=number,
        header=header,
        sample=contents.sample,
        disorder=_disorder(contents),
        remarks=tuple(_remarks(contents)),
    )


def _remarks(contents: DumpContents) -> Iterator[str]:
    """Yield what is odd about the packets of a dump; the judge of a file says more."""
    assert contents.plan is not None
    needed, packets = contents.plan.packets, contents.section.packets
    if packets != needed:
        yield f"its header calls for {needed:,} packets, and {packets:,} whole ones follow"
    if contents.wrecks:
        yield f"damaged packets are left out: {len(contents.wrecks):,}"
    if contents.wrong_checksums:
        yield f"packets with a wrong checksum, taken as they are: {contents.wrong_checksums:,}"
    if contents.repeated:
        yield f"packets that stand there more than once, taken once: {contents.repeated:,}"
    if contents.wrong_numbers:
        yield f"packets with a wrong number, taken where they stand: {contents.wrong_numbers:,}"


def _disorder(contents: DumpContents) -> str:
    swapped = [
        event.place for event in contents.alignment.events if event.what is OrderFault.SWAPPED
    ]
    if not swapped:
        return ""
    more = f", and {counted(len(swapped) - 1, 'more pair')}" if len(swapped) > 1 else ""
    return f"packets {swapped[0]:,} and {swapped[0] + 1:,} in each other's place{more}"


def with_sample(subject: Subject, other: Subject, name: str) -> tuple[Subject, tuple[str, ...]]:
    """Return a subject with its sample, and what was chosen of a sound to make one.

    `name` is what remarks call it; ValueError for a subject that has none.
    """
    if subject.sample is not None:
        return subject, ()
    recording = subject.recording
    if recording is None:
        raise ValueError(f"{name} has no sample: {subject.trouble}")
    like = other.sample
    remarks: tuple[str, ...] = ()
    if like is not None and _is_resampled(recording, like):
        made = audio.resample(recording, Fraction(whole_rate(like.rate)[0]))
        rates = meant_hertz(recording.rate), meant_hertz(made.rate)
        remarks = (f"{name} is at {rates[0]}, the dump at {rates[1]}: resampled to compare",)
        subject, recording = replace(subject, recording=made, is_resampled=True), made
    if recording.source.endswith("-bit") and not subject.is_resampled:
        bits = min(recording.bits, MAX_BITS)
    else:
        bits = audio.FLOATING_BITS if like is None else like.bits
    if like is None or like.channels == recording.channels or like.channels > 1:
        return replace(subject, sample=_sound(recording, bits, "both"), channel="both"), remarks
    channel = _nearest_channel(recording, like)
    what = "all channels mixed" if channel == "mix" else f"channel {channel}"
    remarks += (f"{name} has {recording.channels} channels: {what} is nearest and was compared",)
    return replace(subject, sample=_sound(recording, bits, channel), channel=channel), remarks


def _is_resampled(recording: audio.Recording, like: Sample) -> bool:
    """Whether a dump has another rate and lasts as long, rather than having as many frames."""
    ratio, frames = like.rate / recording.rate, Fraction(like.frames, len(recording.frames))
    if abs(ratio - 1) < _SAME_RATE or not frames or like.channels not in (1, recording.channels):
        return False
    return abs(log(frames / ratio)) < abs(log(frames))


def _sound(recording: audio.Recording, bits: int, channel: audio.Channel) -> Sample:
    if recording.frames.dtype == np.int32 and channel != "mix":
        # Words as they are: what a dump made of them is for the comparison to find out.
        frames = recording.frames
        chosen = frames if channel == "both" else frames[:, channel - 1 : channel]
        words = (chosen.astype(np.int32) >> np.int32(32 - bits)).reshape(-1)
        channels = int(chosen.shape[1])
    else:
        converted = audio.words_of(recording, bits=bits, channel=channel)
        words, channels = converted.words, converted.channels
    return Sample(
        words=words.astype(word_dtype(bits)),
        bits=bits,
        rate=recording.rate,
        channels=channels,
        sustain=recording.loop or NO_LOOP,
    )


def _nearest_channel(recording: audio.Recording, like: Sample) -> audio.Channel:
    """Return the channel, or the mix, from which a sample of one channel differs least."""
    choices: list[audio.Channel] = [*range(1, recording.channels + 1), "mix"]

    def different(channel: audio.Channel) -> float:
        words = audio.words_of(recording, bits=like.bits, channel=channel).words
        common = min(len(words), len(like.words))
        return float(np.abs(words[:common].astype(np.float64) - like.words[:common]).sum())

    return min(choices, key=different)
