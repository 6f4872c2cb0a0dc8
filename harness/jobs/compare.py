"""Compare two files: dumps with dumps, a dump with the sound it was made from, two captures.

Dumps are paired by sample number first, and what is left by order.  Captures are compared as
conversations.
"""

from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum
from math import log10
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.sample import NO_LOOP, Sample
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader, Header
from dryload.emulator.wire.prose import counted, listed
from dryload.harness.files import audio, opening
from dryload.harness.files.capture_file import CaptureFile, form_of
from dryload.harness.files.capture_file import load as load_capture
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.subjects import ComparedFile, Subject, source, with_sample
from dryload.harness.judge.conversation import ConversationComparison
from dryload.harness.judge.conversation import compare as compare_conversations
from dryload.harness.judge.difference import SampleComparison, compare_samples
from dryload.harness.judge.fields import WIDTH, FieldDifference, stated
from dryload.harness.judge.finding import Verdict
from dryload.harness.judge.headers import NO_LOOP_TYPES

ORDER: Final = "order of packets"
_SILENCE: Final = 1e-12  # the power of no sound at all: far below one step


class PairedBy(StrEnum):
    """Why two subjects are compared with each other."""

    ASKED = "what was asked for"
    ONLY = "the only ones"
    EACH = "each"
    """The sound of an audio file with every dump of the other file."""
    NUMBER = "sample number"
    ORDER = "order"


class Pairing(Struct, frozen=True, kw_only=True, eq=False):
    """Two subjects and how the second is as against the first."""

    a: Subject
    b: Subject
    by: PairedBy
    comparison: SampleComparison | None
    """None where the two cannot be compared, and `trouble` says why; its fields are all that are
    stated differently."""
    trouble: str = ""
    remarks: tuple[str, ...] = ()
    is_again: bool = False
    """Whether another dump of the same file holds this sound already."""
    apart_db: float | None = None
    """How far the difference lies below the dump, where the sound was resampled to compare and
    words of both differ."""

    @property
    def is_with_sound(self) -> bool:
        """Whether a dump is compared with the sound that it was made from."""
        return (self.a.header is None) != (self.b.header is None)

    @property
    def same_words(self) -> bool:
        """Whether the words are the same, those of a dump as far as its width can say them."""
        if self.comparison is None:
            return False
        return self.comparison.same or (
            self.is_with_sound and self.comparison.narrowed == ("A" if self.a.header else "B")
        )

    @property
    def same(self) -> bool:
        """Whether words and header are the same as far as it matters."""
        comparison = self.comparison
        is_same = self.same_words and comparison is not None and comparison.same_fields
        return is_same and not self.is_again


class FileComparison(Struct, frozen=True, kw_only=True, eq=False):
    """All pairs of two files, and what has no counterpart."""

    a: ComparedFile
    b: ComparedFile
    pairs: tuple[Pairing, ...]
    only_a: tuple[Subject, ...] = ()
    only_b: tuple[Subject, ...] = ()

    @property
    def same(self) -> bool:
        """Whether each has its equal in the other."""
        return not self.only_a and not self.only_b and all(pair.same for pair in self.pairs)

    @property
    def different(self) -> bool:
        """Whether something that could be compared is not the same."""
        compared = any(pair.comparison is not None and not pair.same for pair in self.pairs)
        return compared or bool(self.only_a or self.only_b)


def compare_files(
    a: str, b: str, *, dump_a: int | None = None, dump_b: int | None = None
) -> FileComparison:
    """Compare two files, or one dump of each, counted from 1; a Problem for unreadable ones."""
    if a == b == opening.STANDARD_INPUT:
        raise Problem("standard input can be only one of the two files.")
    source_a, source_b = source(a), source(b)
    chosen_a, chosen_b = _chosen(source_a, dump_a), _chosen(source_b, dump_b)
    asked = dump_a is not None or dump_b is not None
    matches = list(_matches(chosen_a, chosen_b, asked=asked))
    pairs = tuple(_each_once(pairing(one, other, by) for one, other, by in matches))
    taken = {id(subject) for one, other, _ in matches for subject in (one, other)}
    return FileComparison(
        a=source_a,
        b=source_b,
        pairs=pairs,
        only_a=tuple(subject for subject in chosen_a if id(subject) not in taken),
        only_b=tuple(subject for subject in chosen_b if id(subject) not in taken),
    )


def _chosen(source: ComparedFile, number: int | None) -> Sequence[Subject]:
    if number is None:
        return source.subjects
    for subject in source.subjects:
        if subject.number == number:
            return (subject,)
    count = len(source.subjects)
    holds = "1 dump" if count == 1 else f"dumps 1 to {count}"
    raise Problem(f"{opening.shown(source.file)} has no dump {number}: it holds {holds}.")


def _matches(
    of_a: Sequence[Subject], of_b: Sequence[Subject], *, asked: bool
) -> Iterator[tuple[Subject, Subject, PairedBy]]:
    if len(of_a) == len(of_b) == 1:
        yield of_a[0], of_b[0], PairedBy.ASKED if asked else PairedBy.ONLY
        return
    if of_a[0].recording is not None or of_b[0].recording is not None:
        yield from ((one, other, PairedBy.EACH) for one in of_a for other in of_b)
        return
    left_a, left_b = [], list(of_b)
    for one in of_a:
        same = [other for other in left_b if other.sample_number == one.sample_number]
        if one.sample_number is not None and same:
            left_b.remove(same[0])
            yield one, same[0], PairedBy.NUMBER
        else:
            left_a.append(one)
    for one, other in zip(left_a, left_b, strict=False):
        yield one, other, PairedBy.ORDER


def _each_once(pairs: Iterable[Pairing]) -> Iterator[Pairing]:
    """Yield pairs; of several dumps that are one sound only the first is its counterpart."""
    taken: set[audio.Channel | None] = set()
    for pair in pairs:
        if pair.by is PairedBy.EACH and pair.same:
            channel = pair.a.channel or pair.b.channel
            yield replace(pair, is_again=channel in taken)
            taken.add(channel)
        else:
            yield pair


def pairing(a: Subject, b: Subject, by: PairedBy) -> Pairing:
    """Return how two subjects differ, or why that can't be said."""
    remarks = [
        f"{name}: {remark}" for name, subject in (("A", a), ("B", b)) for remark in subject.remarks
    ]
    for name, subject in (("A", a), ("B", b)):
        if subject.trouble:
            return Pairing(a=a, b=b, by=by, comparison=None, trouble=f"{name}: {subject.trouble}")
    a, sound_a = with_sample(a, b, "A")
    b, sound_b = with_sample(b, a, "B")
    sample_a, sample_b = a.sample, b.sample
    assert sample_a is not None
    assert sample_b is not None
    is_resampled = a.is_resampled or b.is_resampled
    comparison = compare_samples(
        sample_a,
        sample_b,
        names=("A", "B"),
        packet_bits=sample_b.bits if a.header is None and b.header is not None else sample_a.bits,
        explains=not is_resampled,
    )
    comparison = replace(comparison, fields=tuple(_fields(a, b, comparison)))
    remarks += [*_unsaid(a, b), *sound_a, *sound_b]
    apart_db = None
    if is_resampled and comparison.different:
        dump, sound = (sample_a, sample_b) if b.header is None else (sample_b, sample_a)
        apart_db = _apart_db(dump, sound)
    return Pairing(
        a=a, b=b, by=by, comparison=comparison, remarks=tuple(remarks), apart_db=apart_db
    )


def _apart_db(dump: Sample, sound: Sample) -> float:
    """Return how far the difference of two sounds of one width lies below the first, in dB."""
    common = min(len(dump.words), len(sound.words))
    words = dump.words[:common].astype(np.float64)
    power = float(np.square(words).mean())
    noise = float(np.square(words - sound.words[:common]).mean())
    return 10 * log10(max(power, _SILENCE) / noise)


def _fields(a: Subject, b: Subject, comparison: SampleComparison) -> Iterator[FieldDifference]:
    """Yield what headers say beside what a sample holds, and what the samples do, if it differs."""
    yield from stated("length", f"{_length(a):,}", f"{_length(b):,}", "HDR-06")
    one, other = a.header, b.header
    if one is None or other is None:
        is_with_sound = (one is None) != (other is None)
        for each in comparison.fields:
            yield _beside_sound(each, a, b, comparison) if is_with_sound else each
        return
    orders = a.disorder or "as numbered", b.disorder or "as numbered"
    yield from stated(
        ORDER, *orders, "PKT-03", "a unit stores packets in the order in which they come"
    )
    numbers = f"{one.sample_number:,}", f"{other.sample_number:,}"
    yield from stated("sample number", *numbers, "HDR-02")
    remark = "it says who is addressed, not what the sample is"
    yield from stated(
        "device ID", str(one.device_id), str(other.device_id), "DEV-03", remark, counts=False
    )
    remark = "both can say the same"
    yield from stated("header", _kind(one), _kind(other), "EXT-08", remark, counts=False)
    yield from comparison.fields


def _kind(header: Header) -> str:
    return "extended" if isinstance(header, ExtendedHeader) else "standard"


def _length(subject: Subject) -> int:
    """Return the frames that a header announces, or that a sound has."""
    if subject.header is not None:
        return subject.header.length
    assert subject.sample is not None
    return subject.sample.frames


# A dump beside the sound that it was made from.


def _beside_sound(
    difference: FieldDifference, a: Subject, b: Subject, comparison: SampleComparison
) -> FieldDifference:
    """Return a difference as it counts where one of the two is no dump."""
    dump, sound = (a, b) if b.header is None else (b, a)
    if difference.field == WIDTH and comparison.narrowed == ("A" if dump is a else "B"):
        return difference.excused("a dump may have fewer bits than its source")
    is_known = difference.field == "loop" and _loops(sound)
    if difference.field == "name" or (difference.field.startswith("loop") and not is_known):
        return difference.excused("nothing is read of it from an audio file")
    if difference.field == "sample rate" and isinstance(dump.header, DumpHeader):
        # A period is judged by the rate of the source (HDR-05).
        assert sound.sample is not None
        period_ns, nearest_ns = dump.header.period_ns, sound.sample.period_ns
        if period_ns == nearest_ns:
            return difference.excused(f"{nearest_ns:,} ns is the nearest period")
        remark = f"the period is {period_ns:,} ns, and {nearest_ns:,} ns is the nearest"
        return replace(difference, remark=remark, verdict=Verdict.BENT)
    return difference


def _loops(sound: Subject) -> bool:
    return sound.sample is not None and sound.sample.sustain != NO_LOOP


def _unsaid(a: Subject, b: Subject) -> list[str]:
    """Return what a dump says that an audio file does not, so that nothing is known of it."""
    name, dump, other = ("A", a, b) if b.header is None else ("B", b, a)
    if other.header is not None or dump.header is None or dump.sample is None:
        return []
    parts = [f"sample number {dump.header.sample_number:,}"]
    sustain = dump.sample.sustain
    if sustain.loop_type not in NO_LOOP_TYPES and not _loops(other):
        parts.append(f"a loop from word {sustain.start:,} to {sustain.end:,}")
    if dump.sample.loops:
        parts.append(counted(len(dump.sample.loops), "more loop"))
    if dump.sample.name:
        parts.append(f"the name {dump.sample.name}")
    told = listed(parts, "and")
    return [f"{name} says {told}: of these nothing is read from an audio file"]


# Two captures.


class CaptureComparison(Struct, frozen=True, kw_only=True, eq=False):
    """Two capture files and how the second is as against the first."""

    a: CaptureFile
    b: CaptureFile
    comparison: ConversationComparison
    remarks: tuple[str, ...] = ()
    """What could not be compared, in plain words."""


def are_captures(a: str, b: str) -> bool:
    """Return whether both files are captures; a Problem where only one of them is."""
    if a == b == opening.STANDARD_INPUT:
        raise Problem("standard input can be only one of the two files.")
    forms = form_of(a), form_of(b)
    if None not in forms:
        return True
    if forms == (None, None):
        return False
    capture, other = (a, b) if forms[1] is None else (b, a)
    raise Problem(
        f"{opening.shown(capture)} is a capture and {opening.shown(other)} is none: only two of a "
        "kind can be compared."
    )


def compare_captures(a: str, b: str, *, tolerance_ns: int | None = None) -> CaptureComparison:
    """Compare two capture files; a Problem for unreadable ones, and for ones that share nothing.

    Without a tolerance, times may differ by what they were rounded to when they were kept.
    """
    file_a, file_b = load_capture(a), load_capture(b)
    one, other = file_a.recorded, file_b.recorded
    common = tuple(each for each in one.directions if each in other.directions)
    if not common:
        raise Problem(
            f"{opening.shown(a)} holds only what went {one.directions[0].value}, and "
            f"{opening.shown(b)} only what went {other.directions[0].value}: they have nothing in "
            "common."
        )
    timed = one.is_timed and other.is_timed
    remarks = [
        f"nothing is known of what went {direction.value} in one of them, so that was not compared"
        for direction in Direction
        if direction not in common and direction in (*one.directions, *other.directions)
    ]
    if not timed:
        without = [name for name, each in (("A", one), ("B", other)) if not each.is_timed]
        verb = "has" if len(without) == 1 else "have"
        remarks.append(f"{' and '.join(without)} {verb} no times, so only bytes were compared")
    return CaptureComparison(
        a=file_a,
        b=file_b,
        comparison=compare_conversations(
            one.capture,
            other.capture,
            directions=common,
            timed=timed,
            tolerance_ns=max(one.rounded_ns, other.rounded_ns)
            if tolerance_ns is None
            else tolerance_ns,
        ),
        remarks=tuple(remarks),
    )
