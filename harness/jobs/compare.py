"""Compare two files: dumps with dumps, a dump with the sound it was made from, two captures.

Dumps are paired by sample number first, and what is left by order.  Captures are compared as
conversations.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.messages import DumpHeader, ExtendedHeader, Header
from emulator.wire.prose import counted, listed
from harness.files import audio, opening
from harness.files.capture_file import CaptureFile, form_of
from harness.files.capture_file import load as load_capture
from harness.files.problem import Problem
from harness.jobs.subjects import ComparedFile, Subject, source, with_sample
from harness.judge.conversation import ConversationComparison
from harness.judge.conversation import compare as compare_conversations
from harness.judge.difference import (
    SampleComparison,
    compare_samples,
    field_finding,
    findings,
)
from harness.judge.fields import FieldDifference, stated
from harness.judge.finding import Answerable, Finding, Verdict
from harness.judge.headers import NO_LOOP_TYPES

ORDER: Final = "order of packets"


class PairedBy(StrEnum):
    """Why two subjects are compared with each other."""

    ASKED = "what was asked for"
    ONLY = "the only ones"
    EACH = "each"
    """The sound of an audio file with every dump of the other file."""
    NUMBER = "sample number"
    ORDER = "order"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairing:
    """Two subjects and how the second is as against the first."""

    a: Subject
    b: Subject
    by: PairedBy
    comparison: SampleComparison | None
    """None where the two cannot be compared, and `trouble` says why."""
    fields: tuple[FieldDifference, ...] = ()
    """All fields that are stated differently, those of the comparison among them."""
    findings: tuple[Finding, ...] = ()
    trouble: str = ""
    remarks: tuple[str, ...] = ()
    is_again: bool = False
    """Whether another dump of the same file holds this sound already."""

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
        counted = any(difference.counts for difference in self.fields)
        return self.same_words and not counted and not self.is_again


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileComparison:
    """All pairs of two files, and what has no counterpart."""

    a: ComparedFile
    b: ComparedFile
    pairs: tuple[Pairing, ...]
    only_a: tuple[Subject, ...] = field(default=())
    only_b: tuple[Subject, ...] = field(default=())

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
    pairs = tuple(_each_once(_pairing(one, other, by) for one, other, by in matches))
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


def _pairing(a: Subject, b: Subject, by: PairedBy) -> Pairing:
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
    comparison = compare_samples(
        sample_a,
        sample_b,
        names=("A", "B"),
        packet_bits=sample_b.bits if a.header is None and b.header is not None else sample_a.bits,
    )
    fields = (*_header_fields(a, b), *comparison.fields)
    if (a.header is None) != (b.header is None):
        fields = tuple(beside_sound(each, a, b, comparison) for each in fields)
        remarks += unsaid(a, b)
    return Pairing(
        a=a,
        b=b,
        by=by,
        comparison=comparison,
        fields=fields,
        findings=(
            *findings(replace(comparison, fields=())),
            *(field_finding(each, Answerable.FILE) for each in fields),
        ),
        remarks=(*remarks, *sound_a, *sound_b),
    )


def _header_fields(a: Subject, b: Subject) -> Iterator[FieldDifference]:
    """Yield what headers say beside what a sample holds, where it differs."""
    yield from stated("length", f"{_length(a):,}", f"{_length(b):,}", "HDR-06")
    one, other = a.header, b.header
    if one is None or other is None:
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


def _kind(header: Header) -> str:
    return "extended" if isinstance(header, ExtendedHeader) else "standard"


def _length(subject: Subject) -> int:
    """Return the frames that a header announces, or that a sound has."""
    if subject.header is not None:
        return subject.header.length
    assert subject.sample is not None
    return subject.sample.frames


# A dump beside the sound that it was made from.


def beside_sound(
    difference: FieldDifference, a: Subject, b: Subject, comparison: SampleComparison
) -> FieldDifference:
    """Return a difference as it counts where one of the two is no dump."""
    dump, sound = (a, b) if b.header is None else (b, a)
    match difference.field:
        case "significant bits" if comparison.narrowed == ("A" if dump is a else "B"):
            remark = "a dump may have fewer bits than its source"
            return replace(difference, counts=False, remark=remark)
        case "sample rate" if isinstance(dump.header, DumpHeader):
            return _beside_rate(difference, dump.header, sound)
        case "name":
            return replace(difference, counts=False, remark=_UNSAID)
        case field if field.startswith("loop"):
            return replace(difference, counts=False, remark=_UNSAID)
    return difference


def _beside_rate(
    difference: FieldDifference, header: DumpHeader, sound: Subject
) -> FieldDifference:
    """Judge a period by the rate of the source (HDR-05)."""
    assert sound.sample is not None
    nearest_ns = sound.sample.period_ns
    if header.period_ns == nearest_ns:
        remark = f"{nearest_ns:,} ns is the nearest period"
        return replace(difference, counts=False, remark=remark)
    remark = f"the period is {header.period_ns:,} ns, and {nearest_ns:,} ns is the nearest"
    return replace(difference, remark=remark, verdict=Verdict.BENT)


def unsaid(a: Subject, b: Subject) -> list[str]:
    """Return what a dump says that an audio file does not, so that nothing is known of it."""
    name, dump = ("A", a) if b.header is None else ("B", b)
    if dump.header is None or dump.sample is None:
        return []
    parts = [f"sample number {dump.header.sample_number:,}"]
    sustain = dump.sample.sustain
    if sustain.loop_type not in NO_LOOP_TYPES:
        parts.append(f"a loop from word {sustain.start:,} to {sustain.end:,}")
    if dump.sample.loops:
        parts.append(counted(len(dump.sample.loops), "more loop"))
    if dump.sample.name:
        parts.append(f"the name {dump.sample.name}")
    told = listed(parts, "and")
    return [f"{name} says {told}: of these nothing is read from an audio file"]


_UNSAID = "nothing is read of it from an audio file"


# Two captures.


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureComparison:
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
