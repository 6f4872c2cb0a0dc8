"""What `dryload diagnose` says: what happened, what speaks for it, what to do."""

from collections.abc import Iterable, Iterator
from itertools import count as counting
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.diagnose.confidence import MEANS, OF_STRENGTH
from dryload.harness.diagnose.diagnose import Answer, CaptureDiagnosis
from dryload.harness.diagnose.scene import DumpScene, Scene
from dryload.harness.diagnose.weigh import Suspicion
from dryload.harness.files.capture_file import CaptureFile
from dryload.harness.files.opening import shown
from dryload.harness.judge.finding import Place
from dryload.harness.report.document import Document

SCHEMA: Final = "dryload/diagnose/1"
_MOST_OTHERS: Final = 3
_MOST_EVIDENCE: Final = 4
_MOST_UNEXPLAINED: Final = 6
_NO_CAUSE: Final = {
    Answer.UNDECIDED: "Something is wrong, and none of the known causes explains it.",
    Answer.NOTHING_WRONG: "Nothing is wrong here, as far as this capture can show.",
    Answer.NOT_ENOUGH: "There is not enough in this capture to tell what happened.",
}
_UNDECIDED: Final = (
    "Something went wrong, and the evidence fits several causes equally well. One of them:"
)
_NEXT: Final = (
    "See every finding with its place: dryload validate CAPTURE.",
    "Send the dump again and record it: dryload replay FILE --to midi:PORT --capture FILE.jsonl. "
    "A fault that stays in the same place is in the dump or a device; one that moves is on the "
    "line.",
    "Read the sample back and compare it: dryload read --from TARGET --sample N, then dryload "
    "diff.",
)
"""What to do where nothing is known to explain what was seen."""
_HEX: Final = frozenset("0123456789abcdefABCDEF ")
_REST: Final = "--json has them all"


def diagnosis_lines(file: CaptureFile, diagnosis: CaptureDiagnosis) -> Iterator[str]:
    """Yield the text for people: the answer first."""
    yield f"{shown(file.name)}: {_in_short(diagnosis.scene)}"
    yield ""
    yield from answer_lines(diagnosis)
    yield from _section("Point of no return", _no_return(diagnosis))
    yield from _section("Unusual, but harmless by itself", map(_sentence, diagnosis.remarks))
    yield from _section("What this capture cannot show", diagnosis.unknown)


def answer_lines(diagnosis: CaptureDiagnosis) -> Iterator[str]:
    """Yield what happened, the evidence, what to do and the other possible causes."""
    first = diagnosis.first
    if first is None:
        yield _NO_CAUSE[diagnosis.answer]
        yield from _section("What was seen", _unexplained(diagnosis))
        if diagnosis.is_something_wrong:
            yield from _section("What to do", _numbered(_NEXT))
        return
    if diagnosis.answer is Answer.UNDECIDED:
        yield _UNDECIDED
    elif diagnosis.answer is Answer.NOT_ENOUGH:
        yield _NO_CAUSE[diagnosis.answer]
    yield _sentence(first)
    yield _plain(first.cause.tells)
    if diagnosis.confidence is not None:
        yield f"How sure: {diagnosis.confidence} ({MEANS[diagnosis.confidence]})."
    yield from _section("Evidence", _evidence(first))
    yield from _section("What to do", _numbered(first.cause.remedy))
    yield from _section("To be more certain", filter(None, [_plain(first.cause.experiment)]))
    yield from _section("Other possible causes, the most likely first", _others(diagnosis))
    following = [each for each in diagnosis.causes if each.follows]
    yield from _section("Consequences, which need no fix of their own", map(_sentence, following))
    yield from _section("What none of this explains", _unexplained(diagnosis))


def _section(heading: str, lines: Iterable[str]) -> Iterator[str]:
    """Yield a heading and its lines; nothing where there are none."""
    indented = [f"  {line}" for line in lines]
    if indented:
        yield from ["", f"{heading}:", *indented]


def _evidence(ranked: Suspicion) -> Iterator[str]:
    evidence = ranked.evidence
    for each in evidence[:_MOST_EVIDENCE]:
        yield f"{_when(each.at)}{_plain(each.text)}"
        if each.shown:
            yield f"  {_as_bytes(each.shown)}"
    if len(evidence) > _MOST_EVIDENCE:
        yield f"And {counted(len(evidence) - _MOST_EVIDENCE, 'more sign')}: {_REST}."


def _numbered(steps: Iterable[str]) -> Iterator[str]:
    return (f"{number}. {_plain(step)}" for number, step in zip(counting(1), steps, strict=False))


def _unexplained(diagnosis: CaptureDiagnosis) -> Iterator[str]:
    left = diagnosis.unexplained
    for each in left[:_MOST_UNEXPLAINED]:
        clause = f" ({each.clause})" if each.clause else ""
        which = "" if each.dump is None else _which(diagnosis.scene, each.dump)
        yield f"{which}{_when(each.at)}{each.text}{clause}"
    if len(left) > _MOST_UNEXPLAINED:
        yield f"And {counted(len(left) - _MOST_UNEXPLAINED, 'more finding')}: {_REST}."


def _as_bytes(text: str) -> str:
    """Return bytes in capitals, as everywhere; leave other text unchanged."""
    return text.upper() if not set(text) - _HEX else text


def _others(diagnosis: CaptureDiagnosis) -> Iterator[str]:
    others = [each for each in diagnosis.causes[1:] if not each.follows]
    for each in others[:_MOST_OTHERS]:
        yield f"{str(OF_STRENGTH[each.strength]).capitalize()}: {_sentence(each)}"
    if len(others) > _MOST_OTHERS:
        yield f"And {counted(len(others) - _MOST_OTHERS, 'other')}: {_REST}."


def _no_return(diagnosis: CaptureDiagnosis) -> Iterator[str]:
    for lost in diagnosis.no_return:
        yield f"{_which(diagnosis.scene, lost.dump)}{_when(lost.at)}{_plain(lost.why)}"


def _which(scene: Scene, index: int) -> str:
    """Return which dump of its direction this is; nothing where there is only one of it."""
    way = scene.dumps[index].talk.direction
    mine = [each.index for each in scene.dumps if each.talk.direction is way]
    side = "to" if way is Direction.TO_UNIT else "from"
    return f"Dump {mine.index(index) + 1} {side} the unit, " if len(mine) > 1 else ""


def _in_short(scene: Scene) -> str:
    there = sum(each.talk.direction is Direction.TO_UNIT for each in scene.dumps)
    back = len(scene.dumps) - there
    if there:
        said = counted(there, "dump") + " to the unit" + (f" and {back:,} back" if back else "")
    else:
        said = f"{counted(back, 'dump')} from the unit" if back else "no dump"
    return f"{said}, {duration(scene.sight.last_ns) if scene.is_timed else 'times unknown'}."


def _sentence(ranked: Suspicion) -> str:
    said = ranked
    return _plain(said.because or ranked.cause.sentence)


def _plain(text: str) -> str:
    """Return a text without the marks that set a command off where text is rendered."""
    return text.replace("`", "")


def _when(at: Place | None) -> str:
    if at is None or at.time_ns is None:
        return ""
    return f"{at.time_ns / 1_000_000_000:.3f} s: "


def diagnosis_document(file: CaptureFile, diagnosis: CaptureDiagnosis) -> Document:
    """Return everything for programs; places that are not known are null."""
    about_file = {"form": file.form, "remarks_on_file": file.recorded.remarks}
    return {**document_of(file.name, diagnosis), **about_file}


def document_of(name: str, diagnosis: CaptureDiagnosis) -> Document:
    """Return what there is to say of a diagnosis of the capture `name`."""
    scene, first = diagnosis.scene, diagnosis.first
    return {
        "schema": SCHEMA,
        "file": name,
        "answer": diagnosis.answer,
        "said": _NO_CAUSE[diagnosis.answer] if first is None else _sentence(first),
        "confidence": diagnosis.confidence,
        "causes": [_cause_document(each) for each in diagnosis.causes],
        "unexplained": diagnosis.unexplained,
        "do": _NEXT if first is None and diagnosis.unexplained else (),
        "remarks": [_cause_document(each) for each in diagnosis.remarks],
        "no_return": diagnosis.no_return,
        "unknown": diagnosis.unknown,
        "directions": scene.recorded.directions,
        "taken_at": scene.recorded.taken_at,
        "lasting_ns": scene.sight.last_ns if scene.is_timed else None,
        "dumps": [_dump_document(each) for each in scene.dumps],
    }


def _dump_document(dump: DumpScene) -> Document:
    return {
        "dump": dump.index,
        "direction": dump.talk.direction,
        "sample_number": None if dump.header is None else dump.header.sample_number,
        "packets": dump.seen.packets,
        "planned": dump.planned,
        "ended": dump.ended.name.lower(),
        "source": None if dump.source is None else dump.source.name,
    }


def _cause_document(ranked: Suspicion) -> Document:
    said, cause = ranked, ranked.cause
    return {
        "cause": ranked.name,
        "where": cause.where,
        "sentence": _sentence(ranked),
        "confidence": OF_STRENGTH[ranked.strength],
        "follows": ranked.follows,
        "dump": said.dump,
        "at": said.at,
        "evidence": [
            {"text": _plain(each.text), "at": each.at, "bytes": each.shown}
            for each in said.evidence
        ],
        "tells": _plain(cause.tells),
        "do": [_plain(step) for step in cause.remedy],
        "experiment": _plain(cause.experiment),
    }
