"""What `dryload diff` says."""

from collections.abc import Iterator, Sequence
from typing import Final

from dryload.emulator.wire.prose import capitalised, counted, listed, runs
from dryload.harness.files.opening import shown
from dryload.harness.jobs.compare import ORDER, FileComparison, PairedBy, Pairing
from dryload.harness.jobs.subjects import AUDIO, BACKUP, FOLDER, ComparedFile, Subject
from dryload.harness.judge.account import Kind, WordDifference
from dryload.harness.judge.difference import SampleComparison, findings
from dryload.harness.judge.fields import FieldDifference
from dryload.harness.judge.wording import bits_named, sentence
from dryload.harness.report.capture_diff import SCHEMA
from dryload.harness.report.document import Document, fields_of
from dryload.harness.report.samples import named
from dryload.harness.report.table import Column, apart, table

_ALIKE_DB: Final = 10.0
"""A difference less far below the sound is another sound (our choice)."""


def text(result: FileComparison) -> list[str]:
    """Return the result for people."""
    blocks: list[Sequence[str]] = [[_source_line("A", result.a), _source_line("B", result.b)]]
    in_all = len(result.pairs) + len(result.only_a) + len(result.only_b)
    several = in_all > 1 or result.a.form in (BACKUP, FOLDER)
    same = [pair.a.listed or 0 for pair in result.pairs if _is_in_short(pair)]
    if same:
        blocks.append([f"The same: {'sample' if len(same) == 1 else 'samples'} {runs(same)}."])
    for pair in result.pairs:
        if _is_in_short(pair):
            continue
        heading = [_heading(pair)] if several or pair.by is PairedBy.ASKED else []
        blocks.append([*heading, *_pair_lines(pair)])
    for name, subjects in (("A", result.only_a), ("B", result.only_b)):
        if subjects:
            which = ", ".join(_which(subject) for subject in subjects)
            blocks.append([f"Only in {name}: {which}."])
    if several:
        blocks.append([_summary(result)])
    return apart(blocks)


def _is_in_short(pair: Pairing) -> bool:
    """Whether there is nothing to say of two samples of backups but that they are the same."""
    return pair.a.listed is not None and pair.same and not pair.remarks


def verdict(pair: Pairing) -> str:
    """Return the verdict in one sentence."""
    if pair.comparison is None:
        return f"Not comparable: {pair.trouble}."
    comparison = pair.comparison
    if pair.same_words:
        return _same_words(pair, comparison)
    if not comparison.sentences:  # the sound was resampled, so that words tell little
        if pair.apart_db is None:
            return "Different in length only."
        if pair.apart_db < _ALIKE_DB:
            return "Different. Laid side by side from the beginning they are not alike."
        return f"Different. The difference is {pair.apart_db:.1f} dB below the sound."
    first, *more = comparison.sentences
    return f"Different in {counted(len(more) + 1, 'way')}." if more else f"Different. {first}."


def _same_words(pair: Pairing, comparison: SampleComparison) -> str:
    amount = counted(comparison.words[0], "word")
    if pair.is_again:
        return f"The same {amount}, which another dump of the file holds already."
    if pair.same and pair.is_with_sound:
        width = "" if comparison.same else f" at the width of {comparison.narrowed}"
        return f"The same{width}: {amount} and the sample rate."
    if pair.same:
        return f"The same: {amount} and everything that counts in the header."
    other = listed([each.field for each in comparison.fields if each.counts], "and")
    if any(each.counts and each.field == ORDER for each in comparison.fields):
        return f"The same {amount}, but not in the same order."
    return f"The same {amount}, but different headers: {other}."


def _source_line(name: str, source: ComparedFile) -> str:
    form = source.form if source.form != "raw" else "dump file"
    holds = ""
    if source.form != AUDIO and len(source.subjects) != 1:
        holds = f", {counted(len(source.subjects), 'dump')}"
    remarks = "".join(f"; {remark}" for remark in source.remarks)
    return f"{name}  {shown(source.file)} ({form}{holds}{remarks})"


def _which(subject: Subject) -> str:
    if subject.recording is not None:
        return "the sound"
    if subject.listed is not None:
        return named(subject.listed, "" if subject.sample is None else subject.sample.name)
    number = "" if subject.sample_number is None else f" (sample {subject.sample_number:,})"
    return f"dump {subject.number}{number}"


def _heading(pair: Pairing) -> str:
    if pair.a.listed is not None:
        return f"{capitalised(_which(pair.a))}:"
    why = {
        PairedBy.NUMBER: "paired by sample number",
        PairedBy.ORDER: "paired by order, no sample numbers being equal",
        PairedBy.ASKED: "as asked",
        PairedBy.EACH: "the sound with each dump",
        PairedBy.ONLY: "the only ones",
    }[pair.by]
    return f"A: {_which(pair.a)}, B: {_which(pair.b)} ({why})"


def _pair_lines(pair: Pairing) -> Iterator[str]:
    yield verdict(pair)
    if pair.comparison is not None:
        if len(pair.comparison.sentences) > 1:
            yield from (f"  {said}." for said in pair.comparison.sentences)
        if pair.comparison.fields:
            yield ""
            yield from _field_lines(pair.comparison.fields)
        yield from _run_lines(pair.comparison)
        if pair.comparison.explanation:
            yield ""
            yield _figures(pair)
    yield from (f"Note: {remark}." for remark in pair.remarks)


def _field_lines(fields: tuple[FieldDifference, ...]) -> list[str]:
    columns = [Column("in the header"), Column("A"), Column("B"), Column("")]
    rows = [
        (
            each.field,
            shown(each.a),
            shown(each.b),
            each.remark if each.counts else f"not counted: {each.remark}",
        )
        for each in fields
    ]
    return [f"  {line}" for line in table(columns, rows)]


def _run_lines(comparison: SampleComparison) -> Iterator[str]:
    for difference in comparison.explanation:
        if difference.kind is not Kind.CHANGED:
            continue
        columns = [
            *(Column(name, right=True) for name in ("word", "packet", "words", "A", "B", "most")),
            Column("bits"),
        ]
        rows = [
            (
                f"{run.word:,}",
                f"{run.packet:,}",
                f"{run.different:,}",
                f"{run.values[0]:,}",
                f"{run.values[1]:,}",
                f"{run.largest:,}",
                bits_named(run.mask),
            )
            for run in difference.runs
        ]
        yield ""
        yield from (f"  {line}" for line in table(columns, rows))
        if difference.run_count > len(rows):
            yield f"  and {counted(difference.run_count - len(rows), 'more place')}"


def _figures(pair: Pairing) -> str:
    comparison = pair.comparison
    assert comparison is not None
    a, b = comparison.words
    step = f"{comparison.context.step} words in a packet"
    amounts = f"A has {counted(a, 'word')}, B {b:,} ({step} of {_in_packets(pair)})."
    if not comparison.compared:
        return amounts
    share = f"{comparison.different:,} of the {counted(comparison.compared, 'word')} in both"
    return f"{amounts} Laid side by side from the beginning, {share} differ."


def _in_packets(pair: Pairing) -> str:
    """Return whose packets are counted: A's, unless only B is a dump."""
    return "B" if pair.a.header is None and pair.b.header is not None else "A"


def _summary(result: FileComparison) -> str:
    same = sum(pair.same for pair in result.pairs)
    alone = len(result.only_a) + len(result.only_b)
    end = f", {alone:,} without a counterpart" if alone else ""
    return f"{same:,} of {counted(len(result.pairs), 'pair')} the same{end}."


def document(result: FileComparison) -> Document:
    """Return the result for programs."""
    return {
        "schema": SCHEMA,
        "same": result.same,
        "a": _source_document(result.a),
        "b": _source_document(result.b),
        "pairs": [_pair_document(pair) for pair in result.pairs],
        "only_a": [_subject_document(subject) for subject in result.only_a],
        "only_b": [_subject_document(subject) for subject in result.only_b],
    }


def _source_document(source: ComparedFile) -> Document:
    return {
        "file": source.file,
        "form": source.form,
        "dumps": 0 if source.form == AUDIO else len(source.subjects),
        "remarks": source.remarks,
    }


def _subject_document(subject: Subject) -> Document:
    sample = subject.sample
    return {
        "dump": None if subject.recording is not None else subject.number,
        "sample_number": subject.sample_number,
        "words": None if sample is None else len(sample.words),
        "bits": None if sample is None else sample.bits,
        "channels": None if sample is None else sample.channels,
        "rate_hz": None if sample is None else sample.rate,
        "trouble": subject.trouble,
    }


def _pair_document(pair: Pairing) -> Document:
    comparison = pair.comparison
    return {
        "a": _subject_document(pair.a),
        "b": _subject_document(pair.b),
        "paired_by": pair.by,
        "comparable": comparison is not None,
        "same": pair.same,
        "verdict": verdict(pair),
        "trouble": pair.trouble,
        "apart_db": pair.apart_db,
        "words": None if comparison is None else _words_document(comparison),
        "header": [] if comparison is None else comparison.fields,
        "explanation": []
        if comparison is None
        else [_difference_document(each, comparison) for each in comparison.explanation],
        "sentences": [] if comparison is None else comparison.sentences,
        "findings": [] if comparison is None else findings(comparison),
        "remarks": pair.remarks,
    }


def _words_document(comparison: SampleComparison) -> Document:
    return {
        "a": comparison.words[0],
        "b": comparison.words[1],
        "same": comparison.same,
        "compared": comparison.compared,
        "different": comparison.different,
        "per_packet": comparison.context.step,
        "scale_bits": comparison.context.bits,
    }


def _difference_document(difference: WordDifference, comparison: SampleComparison) -> Document:
    """Return a difference with the fields that count for its kind, and its sentence."""
    plain = WordDifference(kind=difference.kind)
    told = {
        name: value
        for name, value in fields_of(difference).items()
        if name == "kind" or value != getattr(plain, name)
    }
    return {**told, "sentence": sentence(difference, comparison.context)}
