"""What a proof of a memory came to, in words and for programs, and what is said before it."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from dryload.emulator.wire.prose import counted, duration, listed, ranged
from dryload.harness.files.opening import shown
from dryload.harness.prove.decide import ENOUGH, NamedFault
from dryload.harness.prove.evidence import HALVES
from dryload.harness.prove.passes import (
    OVERNIGHT,
    USUAL,
    Paces,
    Pass,
    StepPace,
    planned,
    stages,
)
from dryload.harness.prove.proof import FirstSign, Proven, Verdict
from dryload.harness.prove.table import known_faults
from dryload.harness.prove.words import USUAL_WIDTH
from dryload.harness.report.document import Document
from dryload.harness.report.memory_bar import BLOCKS, Signs
from dryload.harness.report.proof_picture import proof_picture

SCHEMA: Final = "dryload/prove/1"
_NEAR: Final = 0.02  # of the memory
_EXAMPLES: Final = 4
_BYTES: Final = ("bytes", "twelve bits")  # views in which lines count within a byte
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
_EVERY: Final = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}
"""How modules that are filled in turns are told."""
_HERE_AND_THERE: Final = ("row", "column", "cells", "noise", "disturbed", "fades", "unknown")
"""Faults that spoil some words of their place, and not all of it."""


# before

UNKNOWN: Final = (
    "the unit does not say how much memory it has, so it is filled until it takes no more, 9 min "
    "for 512 K words. With --words N, by its manual, it is known where that has to end."
)


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
        "Before you open the unit: unplug it, for there is mains voltage inside; leave it to "
        "somebody qualified if you are not. Static destroys memory: touch bare metal of the "
        "unplugged unit first, and hold modules by their edges. If a battery keeps the samples, "
        "taking memory out erases them."
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
    yield "What a proof takes at least, at the speed of the cable; many units take longer."
    for words in _SIZES:
        times = [_bare_ns(words, passes) for passes in (USUAL, OVERNIGHT)]
        usual, overnight = map(duration, times)
        size = f"{2 * words // 1_024:,} KB"
        yield f"  {words:9,} words of 16 bits ({size}): {usual}, overnight {overnight}"
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
        "that the fault can be named, and is the last one."
    )


def passed_line(number: int, proven: Proven) -> str:
    """Return what is said after a pass in which nothing was wrong."""
    return (
        f"pass {number} of {proven.wanted_passes}: {counted(proven.words, 'word')} came back right."
    )


# afterwards


def lines_of(
    proven: Proven,
    *,
    modules: int | None = None,
    restored: int | None = None,
    rehearsed: bool = False,
    width: int | None = None,
    signs: Signs = BLOCKS,
) -> Iterator[str]:
    """Yield what a proof came to, for people; with a picture, for a terminal of `width` cells.

    So many samples were put back; `restored` is None where nothing was kept for that.
    """
    if proven.verdict is Verdict.PROVED:
        yield from _proved(proven, modules)
    elif proven.faults:
        yield from _faulty(proven, modules, width, signs)
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
            "left of the test samples is at most a word of silence under each number."
        )
        if proven.faults:
            yield (
                "They are in the folder of --keep as well: prove again with --wipe, and send them "
                "with dryload replay when the memory works."
            )
    elif rehearsed:
        yield "This was a rehearsal with an emulated unit; no real one was touched."
    elif proven.parts:
        what = "Keep the volume down: there are test samples in the unit, which are loud noise."
        yield what if proven.stopped else f"{what} Initialise its memory before you play."


def _proved(proven: Proven, modules: int | None) -> Iterator[str]:
    where = "" if modules is None else f" in {counted(modules, 'module')}"
    often = _TIMES.get(proven.passes, f"{proven.passes} times")
    words, room = counted(proven.words, "word"), proven.room
    if room is not None and proven.words < room:
        words = f"{proven.words:,} of {counted(room, 'word')}"
    yield "The memory works, as far as dumps can show."
    yield (
        f"  {words} of {proven.kept_bits} bits{where}, each written and "
        f"read {often}: every word came back right."
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
    if proven.is_look:
        yield f"No fault was found, but nothing is proved: {why}."
        return
    yield f"Nothing is proved: {why}."
    if proven.passes:
        needed = "; the second one is needed because it has the complement of every word"
        yield (
            f"  {counted(proven.words, 'word')} came back right in {proven.passes} of "
            f"{proven.wanted_passes} passes{needed if proven.passes == 1 else ''}."
        )
    elif proven.sign is not None:
        yield f"  Word {proven.sign.word:,} had come back wrong by then: there is a fault."
    else:
        yield "  The memory may be good or bad."


def _faulty(proven: Proven, modules: int | None, width: int | None, signs: Signs) -> Iterator[str]:
    first, *others = proven.faults
    known = known_faults()[first.kind]
    if first.kind != "line":
        yield _opening(first, proven)
    indent = "" if first.kind == "line" else "  "
    tells = f" {known.tells}" if known.tells else ""
    yield f"{indent}{sentence(first, proven, modules)}{tells}"
    if first.kind == "line":
        yield (
            f"  {counted(first.words_wrong, 'word')} came back wrong; {proven.damaged:,} other "
            "packets were damaged in a way that it does show."
        )
    elif first.kind != "battery":
        after = "" if proven.sign is None else f" after {duration(proven.sign.after_ns)}"
        yield (
            f"  Found{after}, in pass {proven.passes + 1}: {first.words_wrong:,} of "
            f"{counted(proven.words, 'word')} came back wrong because of it."
        )
    if first.examples and (first.kind in ("cells", "unknown") or len(first.examples) < _EXAMPLES):
        yield f"  {_examples(first)}"
    for other in others:
        wrong = counted(other.words_wrong, "word")
        yield f"  Something else as well, in {wrong}: {sentence(other, proven, modules)}"
    if proven.passes:
        yield "  The pass before had come back right: the fault is new, or it comes and goes."
    if first.explains < ENOUGH:
        yield (
            f"  It explains {first.explains:.0%} of what is wrong, so more than one thing may be "
            "wrong: repair this one, and prove again."
        )
    if first.kind != "line" and proven.standing is not None:
        yield from proof_picture(proven.standing, modules=modules, width=width, signs=signs)
        if first.distance is not None:
            yield (
                "  Of words that are the same memory the one that was written last looks right: "
                "the fault lies there as well."
            )
    if first.kind != "line":
        yield inside()
    yield "What to do:"
    for number, step in enumerate(known.do, start=1):
        yield f"  {number}. {step}"
    if first.kind != "line":
        yield f"How sure: {_how_sure(first, known.alternatives)}"


def _opening(fault: NamedFault, proven: Proven) -> str:
    """Return what a fault means to whoever wants to load samples."""
    if fault.kind == "battery":
        return "The memory does not survive being switched off."
    if fault.kind == "noise":
        return "The memory is not steady, or the cable is not: nothing stored in it is safe."
    if fault.kind in _HERE_AND_THERE:
        return (
            "The memory does not work: a sample that uses one of the bad words will not be right."
        )
    place = place_of(fault, proven.words)
    return f"The memory does not work: samples in {place} will not be right."


def _examples(fault: NamedFault) -> str:
    """Return the first wrong words."""
    words = [f"{word:,}" for word in fault.examples[:_EXAMPLES]]
    if fault.words_wrong > len(words):
        words.append("more")
    which = f"words {listed(words, 'and')}" if len(words) > 1 else f"word {words[0]}"
    return f"Bad so far: {which}, counted from the first one of the test."


def _how_sure(fault: NamedFault, alternatives: Sequence[str]) -> str:
    if fault.kind == "unknown":
        return "there is a fault, that is sure; what causes it is not."
    if fault.sure and not alternatives:
        return "this is the fault; the steps show whether module, socket or unit has it."
    sure = "there is a fault, that is sure; this is the likely cause."
    if not alternatives:
        return sure
    others = listed([known_faults()[each].called for each in alternatives])
    return f"{sure} It could also be {others}, which looks the same."


def sentence(fault: NamedFault, proven: Proven, modules: int | None = None) -> str:
    """Return the plain sentence of a fault."""
    return known_faults()[fault.kind].sentence.format(
        place=place_of(fault, proven.words, modules),
        lines=_lines(fault),
        level="the same" if fault.level is None else fault.level,
        distance=f"{fault.distance or fault.stride:,}",
        words=counted(fault.words_wrong, "word"),
    )


def _lines(fault: NamedFault) -> str:
    lines = listed([str(line) for line in fault.lines], "and") if fault.lines else ""
    return f"{lines} (of the 8 of each byte)" if fault.of.startswith(_BYTES) else lines


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
        near[0] if near else (ranged("word", fault.first, fault.last - fault.first + 1), ends[-1])
    )
    if fault.stride in _EVERY:
        place = f"every {_EVERY[fault.stride]} word of {place}"
    if fault.of in HALVES:
        place = f"the {fault.of} of the words in {place}"
    if (
        modules is not None
        and modules > 1
        and fault.stride not in _EVERY
        and fault.of not in HALVES
    ):
        number = int((first + last) / 2 * modules)
        if number / modules <= first + _NEAR and last <= (number + 1) / modules + _NEAR:
            place += f" (module {number + 1}, if the unit fills module 1 first)"
    return place


def not_tested(proven: Proven) -> list[str]:
    """Return what a proof says nothing of, each without a full stop."""
    found = []
    if proven.capacity is None:
        found.append("memory beyond what the unit took, for it does not say how much it has")
    elif proven.words < proven.capacity:
        missing = proven.capacity - proven.words
        found.append(f"{counted(missing, 'word')} that no test sample reached")
    if proven.told:
        found.append("memory beyond the words that were given with --words")
    elif proven.keeps_old:
        some = f"some {counted(proven.spare, 'word')}" if proven.spare else "some words"
        found.append(f"{some} that stay free, so that samples can be replaced")
    if proven.kept_bits < proven.width:
        found.append(f"bits below the {proven.kept_bits} that were asked for with --bits")
    if proven.battery_ns is None:
        found.append("whether it survives being switched off (--battery 10)")
    if proven.wanted_passes < len(OVERNIGHT):
        found.append("cells that disturb each other (--overnight)")
    found.append("memory that the unit keeps for itself, protected samples and other numbers")
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
            "of_words": proven.room,
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
        "sure": fault.sure and not known.alternatives,
        "alternatives": list(known.alternatives),
        "remedies": list(known.do),
    }
