"""Why parts of a list of files are not sent, in words and in documents."""

from collections.abc import Iterator, Sequence
from typing import Final

from dryload.emulator.wire.prose import counted
from dryload.harness.files.backup_file import BackupList
from dryload.harness.files.opening import Held, quoted, shown
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.dumps import Dump, Fragment, NotADump
from dryload.harness.jobs.playlist import LeftOut, Selection, Why
from dryload.harness.judge.finding import Verdict
from dryload.harness.report.document import Document

_CELLS: Final = {
    Why.NO_DUMP: "no dump in it",
    Why.NO_HEADER: "not sent: no header",
    Why.DAMAGED_HEADER: "not sent: its header is damaged",
    Why.BROKEN: "not sent: broken",
    Why.ALTERED: "not sent: not as listed",
    Why.LOADED_BEFORE: "loaded before",
    Why.REPLACED: "not sent: a later one replaces it",
    Why.REFUSED_ALIKE: "not sent: the unit refused the same way before",
    Why.NOT_SHOWN: "loaded before, not shown",
    Why.NOT_WRITTEN: "not sent: no journal",
    Why.PORT_FAILED: "not sent: the port failed",
    Why.STOPPED: "not sent: stopped",
}
_SENTENCES: Final = {
    Why.ALTERED: "is not sent: its file is not the one that the backup lists (another SHA-256), so "
    "it was damaged or changed since. --anyway sends it anyway.",
    Why.LOADED_BEFORE: "was loaded before, and the unit still has it: not sent again. "
    "Only its beginning was compared.",
    Why.REPLACED: "is not sent: a later dump in the list replaces it.",
    Why.REFUSED_ALIKE: "is not sent: the unit refused two dumps in a row that are no larger.",
    Why.NOT_SHOWN: "is recorded as loaded, but the unit did not send it when it was asked, so "
    "nothing shows that it still has it: not sent again. Without --resume it is sent.",
    Why.NOT_WRITTEN: "is not sent: the journal can't be written, and what it says of this place "
    "would no longer be true.",
    Why.PORT_FAILED: "is not sent: the port failed before its turn came.",
    Why.STOPPED: "is not sent: you stopped the replay before its turn came.",
}


def cell(left: LeftOut) -> str:
    """Return the reason in a few words."""
    return _CELLS[left.why]


def left_out(left: LeftOut) -> str:
    """Return why something is not sent, in a sentence."""
    what = left.what
    match what:
        case NotADump():
            return f"{what.said} It is skipped."
        case Fragment():
            packets = counted(what.packets, "packet")
            if what.damaged:
                why = f"the dump from byte {what.byte:,} on, {packets}, has a damaged header"
            else:
                why = f"{packets} from byte {what.byte:,} on come before any header"
            return f"{shown(what.file)}: {why}: not played."
    if left.why is Why.BROKEN:
        worst = next(each for each in what.findings if each.verdict is Verdict.BROKEN)
        said = f"{what.title} is broken and not sent: {worst.message}"
        if isinstance(what.file, Held):
            return said
        more = f"dryload validate {quoted(what.file)} says more"
        return f"{said} {more}; --anyway sends it anyway."
    return f"{what.title} {_SENTENCES[left.why]}"


def backup_lines(folder: str, held: BackupList, others: int) -> Iterator[str]:
    """Yield what is to be said of a backup before it is put back; `others` are files not listed."""
    name, samples = shown(folder), counted(len(held.samples), "sample")
    yield f"{name} is a backup of {shown(held.target)}, {held.began:%Y-%m-%d %H:%M}: {samples}."
    if not held.complete:
        why = "; ".join(map(shown, held.why_not)) or "its list does not say why"
        yield f"{name}: this backup is not complete: {why}."
    if others:
        are = "is" if others == 1 else "are"
        yield f"{name}: {counted(others, 'other file')} {are} not in its list and not sent."


def collision_lines(rivals: Sequence[Dump]) -> Iterator[str]:
    """Yield the lines about dumps that would replace each other."""
    names = [dump.place for dump in rivals]
    yield f"  sample {rivals[0].header.sample_number}: {', '.join(names)}"
    yield f"    Only the last one would remain: {names[-1]}."


def left_out_document(left: LeftOut) -> Document:
    """Return the document of something that was not sent."""
    what = left.what
    dump = what if isinstance(what, Dump) else None
    document = {
        "file": what.file,
        "dump": None if dump is None else dump.index,
        "sample_number": None if dump is None else dump.header.sample_number,
        "why": left.why,
        "told": left_out(left),
        "findings": () if dump is None else dump.findings,
    }
    if isinstance(what, Fragment):
        document |= {"byte": what.byte, "packets": what.packets, "damaged": what.damaged}
    return document


def check_numbers(selected: Selection, do: str) -> None:
    """Raise a Problem where dumps would replace one another; `do` says what can be done."""
    if not selected.collisions:
        return
    lines = [line for each in selected.collisions for line in collision_lines(each)]
    said = "different dumps have the same sample number, but a unit keeps only one of them:"
    raise Problem("\n".join([said, *lines, ""]), do=f"Nothing was sent. {do}")
