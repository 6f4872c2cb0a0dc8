"""What a proof of a memory came to, in words and for programs, and what is said before it."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from dryload.emulator.wire.prose import counted, duration, listed, ranged
from dryload.harness.files.opening import shown
from dryload.harness.prove.decide import ENOUGH, NamedFault
from dryload.harness.prove.passes import (
    OVERNIGHT,
    USUAL,
    Act,
    Paces,
    Pass,
    StepPace,
    planned,
    stages,
)
from dryload.harness.prove.proof import FirstSign, ProofStanding, Proven, Verdict
from dryload.harness.prove.table import known_faults
from dryload.harness.prove.words import USUAL_WIDTH
from dryload.harness.report.document import Document

SCHEMA: Final = "dryload/prove/1"
_NEAR: Final = 0.02  # of the memory
_EXAMPLES: Final = 4
_TIMES: Final = {1: "once", 2: "twice"}
_PARTS: Final = {
    (0.0, 1.0): "the whole memory",
    (0.0, 0.5): "the first half of the memory",
    (0.5, 1.0): "the second half of the memory",
    (0.0, 0.25): "the first quarter of the memory",
    (0.25, 0.5): "the second quarter of the memory",
    (0.5, 0.75): "the third quarter of the memory",
    (0.75, 1.0): "the last quarter of the memory",
}
_SIZES: Final = (262_144, 524_288, 1_048_576)
_CELLS: Final = 24


# before


def cautions(target: str, *, kept: str | None) -> Iterator[str]:
    """Yield what a person has to know before the first word is written."""
    lost = "whatever the unit holds is lost"
    yield (
        f"test samples are written to {shown(target)}: "
        + (lost if kept is None else f"{lost}, but for what is kept in {shown(kept)}")
        + "."
    )
    yield "turn the volume down and play none of them: they are loud noise."
    yield "do not switch the unit off meanwhile; Ctrl-C ends it, and says what is proved."


def inside() -> str:
    """Return the caution for whoever opens a unit."""
    return (
        "There is mains voltage inside, and static kills memory: unplug the unit before you open "
        "it, and leave that to somebody qualified if you are not. Taking memory out of a unit "
        "with a battery wipes it."
    )


def announcement(proven: Proven, *, ends: str) -> str:
    """Return how much is tested, and how long it takes; `ends` is when by the clock."""
    words = proven.capacity or proven.words
    passes = counted(proven.wanted_passes, "pass").replace("passs", "passes")
    took = duration(proven.announced_ns or 0)
    return (
        f"{counted(words, 'word')} of {proven.kept_bits} bits in {passes}: it takes {took} from "
        f"here and ends at about {ends}."
    )


def plan_lines(proven: Proven | None) -> Iterator[str]:
    """Yield what a proof will do; of a unit that nothing is known of, what it takes for some sizes.

    Nothing is written for that.
    """
    if proven is not None:
        parts = ", ".join(f"{words:,}" for words in proven.planned)
        yield f"The proof of this memory: {counted(proven.capacity or proven.words, 'word')}."
        yield f"  Test samples of {parts} words: written, then read."
        yield f"  It takes {duration((proven.announced_ns or 0) + proven.announced_at_ns)}."
        return
    yield "What a proof takes at the speed of the cable; a unit that stores slowly takes longer."
    for words in _SIZES:
        times = [_bare_ns(words, passes) for passes in (USUAL, OVERNIGHT)]
        usual, overnight = map(duration, times)
        yield f"  {words:9,} words: {usual}, overnight {overnight}"
    yield "Nothing was written. How much memory there is shows when the proof begins."


def plan_document() -> Document:
    """Return the same for programs, of a unit that nothing is known of."""
    return {
        "schema": SCHEMA,
        "plan": [
            {
                "words": words,
                "usual_s": _bare_ns(words, USUAL) / 1e9,
                "overnight_s": _bare_ns(words, OVERNIGHT) / 1e9,
            }
            for words in _SIZES
        ],
    }


def _bare_ns(words: int, passes: Sequence[Pass]) -> int:
    parts = planned(words)
    paces = Paces(write=StepPace(), read=StepPace(), look=StepPace())
    steps = [step for each in passes for step in stages(each, parts)]
    return paces.of(steps, USUAL_WIDTH)


# meanwhile


def sign_line(sign: FirstSign) -> str:
    """Return what is said when the first word came back wrong."""
    return (
        f"after {duration(sign.after_ns)}: word {sign.word:,} came back wrong, and "
        f"{sign.words_wrong:,} of {sign.words_seen:,} that were read with it; the pass goes on, so "
        "that the fault can be named."
    )


def passed_line(number: int, proven: Proven) -> str:
    """Return what is said after a pass in which nothing was wrong."""
    return (
        f"pass {number} of {proven.wanted_passes}: {counted(proven.words, 'word')} came back right."
    )


def standing_line(standing: ProofStanding) -> str:
    """Return where a proof is, with the memory as a row of signs: = right, + written, . neither."""
    total = standing.words
    done = counted(standing.done, "word")
    if total is None:
        picture = ""
    else:
        cells = min(_CELLS * standing.done // max(total, 1), _CELLS)
        is_reading = standing.act in (Act.READ, Act.HOLD)
        full, rest = ("=", "+") if is_reading else ("+", ".")
        picture = f"[{full * cells}{rest * (_CELLS - cells)}] "
        done = f"{standing.done:,} of {counted(total, 'word')}"
    what = "right" if standing.act in (Act.READ, Act.HOLD) else "written"
    return (
        f"{picture}pass {standing.pass_number} of {standing.passes}, {standing.act}: {done} {what}"
    )


# afterwards


def lines_of(
    proven: Proven, *, modules: int | None = None, restored: int | None = None
) -> Iterator[str]:
    """Yield what a proof came to, for people.

    So many samples were put back; `restored` is None where nothing was kept for that.
    """
    if proven.verdict is Verdict.PROVED:
        yield from _proved(proven, modules)
    elif proven.faults:
        yield from _faulty(proven, modules)
    else:
        yield from _not_proved(proven)
    if proven.damaged and proven.verdict is not Verdict.RIG:
        yield (
            f"  On the way {counted(proven.damaged, 'packet')} arrived damaged and came again: "
            "that is the cable or the interface, not the memory."
        )
    if restored is not None:
        yield (
            f"{counted(restored, 'sample')} of those that were kept came back to the unit; what is "
            "left of the test samples is a word of silence under each number."
        )
    elif proven.parts:
        yield "The unit is full of test samples now, which are loud noise: initialise its memory."


def _proved(proven: Proven, modules: int | None) -> Iterator[str]:
    where = "" if modules is None else f" in {counted(modules, 'module')}"
    often = _TIMES.get(proven.passes, f"{proven.passes} times")
    yield "The memory works, as far as dumps can show."
    yield (
        f"  {counted(proven.words, 'word')}{where}, each written and read {often}: every word came "
        "back right."
    )
    yield (
        "  Every bit was seen as 0 and as 1; every word was where it belongs, after it had lain "
        f"for {duration(proven.held_ns)} at least. It took {duration(proven.total_ns)}."
    )
    if proven.battery_ns is not None:
        yield f"  It kept every word for {duration(proven.battery_ns)} while it was switched off."
    yield f"  Not tested: {'; '.join(not_tested(proven))}."


def _not_proved(proven: Proven) -> Iterator[str]:
    why = "you stopped it" if proven.stopped else proven.why
    yield f"Nothing is proved: {why}."
    if proven.passes:
        yield (
            f"  {counted(proven.words, 'word')} came back right in "
            f"{counted(proven.passes, 'pass')}; {proven.wanted_passes} are needed, because the "
            "second one has the complement of every word."
        )
    elif proven.sign is not None:
        yield f"  Word {proven.sign.word:,} had come back wrong by then: there is a fault."


def _faulty(proven: Proven, modules: int | None) -> Iterator[str]:
    first, *others = proven.faults
    known = known_faults()[first.kind]
    if first.kind == "battery":
        yield "The memory does not survive being switched off."
    elif first.kind != "line":
        place = place_of(first, proven.words)
        yield f"The memory does not work: samples in {place} will not be right."
    indent = "" if first.kind == "line" else "  "
    yield f"{indent}{sentence(first, proven, modules)}"
    if first.kind == "line":
        yield (
            f"  {counted(first.words_wrong, 'word')} came back wrong; {proven.damaged:,} other "
            "packets were damaged in a way that the checksum shows."
        )
    elif first.kind != "battery":
        after = "" if proven.sign is None else f"Found after {duration(proven.sign.after_ns)}. "
        yield (
            f"  {after}{counted(first.words_wrong, 'word')} came back wrong by it, of "
            f"{proven.words:,} that were tested in pass {proven.passes + 1}."
        )
    if first.kind in ("cells", "unknown") or len(first.examples) < _EXAMPLES:
        some = [f"{word:,}" for word in first.examples[:_EXAMPLES]]
        more = " and more" if first.words_wrong > len(some) else ""
        if some:
            yield f"  Words {', '.join(some)}{more}, counted from the first one of the test."
    for other in others:
        yield f"  Something else as well: {sentence(other, proven, modules)}"
    if first.explains < ENOUGH:
        yield (
            f"  It explains {first.explains:.0%} of what is wrong, so more than one thing may be "
            "wrong: repair this one, and prove again."
        )
    yield "What to do:"
    for number, step in enumerate(known.do, start=1):
        yield f"  {number}. {step}"
    if first.kind != "line":
        yield inside()
    yield _how_sure(first, known.tells, known.alternatives)


def _how_sure(fault: NamedFault, tells: str, alternatives: Sequence[str]) -> str:
    sure = "the fault is sure" if fault.sure else "it is likely, not sure"
    if fault.kind == "unknown":
        sure = "that words came back wrong is sure, what does it is not"
    others = [known_faults()[each].called for each in alternatives]
    also = f" It may also be {listed(others)}." if others else ""
    return f"How sure: {sure}.{f' {tells}' if tells else ''}{also}"


def sentence(fault: NamedFault, proven: Proven, modules: int | None = None) -> str:
    """Return the plain sentence of a fault."""
    return known_faults()[fault.kind].sentence.format(
        place=place_of(fault, proven.words, modules),
        lines=listed([str(line) for line in fault.lines], "and") if fault.lines else "",
        level="the same" if fault.level is None else fault.level,
        distance=f"{fault.distance or fault.stride:,}",
        words=counted(fault.words_wrong, "word"),
    )


def place_of(fault: NamedFault, words: int, modules: int | None = None) -> str:
    """Return where a fault lies, in plain words."""
    first = fault.first / max(words, 1)
    # Of two addresses that are the same memory one is right, and belongs to it as well.
    ends = [(fault.last + 1 + far) / max(words, 1) for far in (fault.distance or 0, 0)]
    near = [
        (text, last)
        for last in ends
        for (begins, stops), text in _PARTS.items()
        if abs(begins - first) < _NEAR and abs(stops - last) < _NEAR
    ]
    place, last = (
        near[0] if near else (ranged("word", fault.first, fault.last - fault.first + 1), 0)
    )
    if fault.stride == 2:  # every second one
        place = f"every second word of {place}"
    half = {"high bytes": "the upper", "low bytes": "the lower"}.get(fault.of)
    if half is not None:
        place = f"{half} bytes of {place}"
    if modules is not None and modules > 1 and near and fault.stride == 1 and half is None:
        number = round(first * modules) + 1
        if abs((last - first) - 1 / modules) < _NEAR:
            place += f" (module {number}, if the unit fills module 1 first)"
    return place


def not_tested(proven: Proven) -> list[str]:
    """Return what a proof says nothing of, each without a full stop."""
    found = []
    if proven.capacity is None:
        found.append("memory beyond what the unit took, for it does not say how much it has")
    elif proven.words < proven.capacity:
        missing = proven.capacity - proven.words
        found.append(f"{counted(missing, 'word')} that no test sample reached")
    if proven.keeps_old:
        found.append("the words of a few packets, which stay free")
    if proven.kept_bits < proven.width:
        found.append(f"bits below the {proven.kept_bits} that were asked for with --bits")
    if proven.battery_ns is None:
        found.append("whether it survives being switched off (--battery 10)")
    if proven.wanted_passes < len(OVERNIGHT):
        found.append("cells that disturb each other (--overnight)")
    found.append("memory that the unit keeps for itself, or for protected samples")
    return found


def document(
    proven: Proven,
    *,
    target: Document,
    modules: int | None,
    kept: Sequence[int],
    restored: Sequence[int],
) -> Document:
    """Return the same for programs."""
    return {
        "schema": SCHEMA,
        "target": target,
        "result": str(proven.verdict),
        "why": proven.why,
        "stopped": proven.stopped,
        "proved_to": {
            "passes": proven.passes,
            "kept_bits": proven.kept_bits,
            "words": proven.words if proven.passes else 0,
            "of_words": proven.capacity,
            "heard_only": False,
        },
        "capacity": proven.capacity,
        "kept_bits": proven.kept_bits,
        "faults": [_fault_document(each, proven, modules) for each in proven.faults],
        "not_tested": not_tested(proven),
        "line": {"bad_checksums": proven.damaged, "rewritten_right": proven.rewritten_right},
        "kept": list(kept),
        "restored": list(restored),
        "seconds": {
            "total": proven.total_ns / 1e9,
            "first_sign": None if proven.sign is None else proven.sign.after_ns / 1e9,
            "announced": None if proven.announced_ns is None else proven.announced_ns / 1e9,
            "announced_at": proven.announced_at_ns / 1e9,
        },
        "plan": {
            "passes": proven.wanted_passes,
            "width": proven.width,
            "samples": [
                {"number": part.number, "first": part.start, "words": part.words}
                for part in proven.parts
            ],
        },
    }


def _fault_document(fault: NamedFault, proven: Proven, modules: int | None) -> Mapping[str, Any]:
    known = known_faults()[fault.kind]
    return {
        "kind": fault.kind,
        "sentence": sentence(fault, proven, modules),
        "place": place_of(fault, proven.words, modules),
        "first": fault.first,
        "last": fault.last,
        "every": fault.stride,
        "lines": list(fault.lines),
        "level": fault.level,
        "distance": fault.distance,
        "words_wrong": fault.words_wrong,
        "examples": list(fault.examples),
        "explains": fault.explains,
        "sure": fault.sure,
        "alternatives": list(known.alternatives),
        "remedies": list(known.do),
    }
