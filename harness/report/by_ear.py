"""What is said of the test tone, and of what was heard in a recording of it."""

from collections.abc import Iterator
from typing import Final

from dryload.emulator.wire.prose import counted, duration
from dryload.harness.files.opening import quoted, shown
from dryload.harness.jobs.convert import Encoded
from dryload.harness.prove.recording import ToneHeard, WrongStretch
from dryload.harness.prove.tone import PITCH_HZ
from dryload.harness.report.document import Document, fields_of
from dryload.harness.report.prove import SCHEMA, inside

_WIDTH: Final = 16
_SHOWN: Final = 8
_QUIET: Final = (
    "Turn the volume down. Switch filter, envelope, effects and loop off, as far as the unit has "
    "them: they change the tone."
)


def tone_lines(made: Encoded, *, file: str, number: int) -> Iterator[str]:
    """Yield what to do with the tone."""
    words = made.sample.frames
    seconds = words / float(made.sample.rate)
    yield (
        f"{shown(file)}: a test tone for sample {number}, {counted(words, 'word')} of "
        f"{made.sample.bits} bits. It sounds for {seconds:.1f} s, at {PITCH_HZ:.0f} Hz."
    )
    yield "What to do:"
    yield (
        "  1. Initialise the unit's memory, so that the tone fills all of it: whatever the unit "
        "holds is lost."
    )
    yield (
        f"  2. Send it: dryload replay {quoted(file)} --to TARGET --no-read-back. That takes "
        f"{duration(made.closed_loop_ns)} at least."
    )
    yield f"  3. {_QUIET}"
    yield (
        f"  4. Play sample {number} once, at its own pitch, and hold the key until it ends. You "
        "should hear a flute without a click."
    )
    yield (
        "  5. A recording tells more than an ear: make one of all of it, not so loud that it is "
        f"cut off, and judge it: dryload prove --recording FILE --words {words}."
    )


def tone_document(made: Encoded, *, file: str, number: int) -> Document:
    """Return the same for programs."""
    return {
        "schema": SCHEMA,
        "file": file,
        "tone": {
            "sample_number": number,
            "words": made.sample.frames,
            "bits": made.sample.bits,
            "rate_hz": made.sample.rate,
            "pitch_hz": PITCH_HZ,
            "seconds": made.sample.frames / float(made.sample.rate),
            "line_ns": made.closed_loop_ns,
        },
    }


def lines_of(heard: ToneHeard) -> Iterator[str]:
    """Yield what a recording says of the memory, for people."""
    yield from _said(heard)
    yield (
        f"  {heard.words:,} of {counted(heard.of_words, 'word')} were judged, in a tone of "
        f"{heard.pitch_hz:.0f} Hz; what is beside it is {-heard.rest_db:.0f} dB quieter."
    )
    if heard.is_right:
        yield (
            f"  That covers the upper {counted(_covered(heard), 'bit')} of 16 and where words "
            f"belong. Not covered: {'; '.join(not_covered(heard))}."
        )
        yield (
            "  That it was heard is no proof: a unit that sends samples back can be proved with "
            "--to."
        )
        return
    yield "What to do:"
    for number, step in enumerate(_steps(heard), start=1):
        yield f"  {number}. {step}"
    yield inside()


def _said(heard: ToneHeard) -> Iterator[str]:
    if heard.wrong:
        places = counted(len(heard.wrong), "place")
        yield f"Something is wrong: in {places} there is more than the tone."
        for each in heard.wrong[:_SHOWN]:
            yield f"  {_place(each)}"
        if len(heard.wrong) > _SHOWN:
            yield f"  ... and in {len(heard.wrong) - _SHOWN:,} more."
    elif heard.is_right:
        yield "Heard: the tone, and nothing that is wrong."
    else:
        yield f"Nothing is shown: {why(heard)}."


def _place(each: WrongStretch) -> str:
    length = f"{each.seconds:.2f} s" if each.seconds >= 0.01 else f"{each.seconds * 1e3:.1f} ms"
    return (
        f"At {each.start_s:.3f} s, for {length}: {counted(each.words, 'word')} from about word "
        f"{each.word:,} on, {abs(each.level_db):.0f} dB "
        f"{'louder' if each.level_db > 0 else 'quieter'} than the tone."
    )


def why(heard: ToneHeard) -> str:
    """Return why a recording in which no place is wrong shows nothing; "" where it shows all."""
    if heard.ended_early:
        return (
            f"the tone was there for {heard.words:,} words only, and the sample has "
            f"{heard.of_words:,}"
        )
    if heard.lowest_bit is None:
        return (
            f"what is beside the tone is only {-heard.rest_db:.0f} dB quieter, and hides wrong "
            "words"
        )
    return ""


def _steps(heard: ToneHeard) -> Iterator[str]:
    if heard.wrong:
        yield (
            "Play and record it once more. What is wrong in the same place again is in the "
            "memory or in the dump that arrived; what is not came from the recording."
        )
        yield "Send the tone again and record it. If it is right then, the cable was to blame."
    elif heard.ended_early:
        yield (
            "Hold the key until the tone ends, and record all of it. If it is as short again, the "
            "rest of the memory does not play what was written."
        )
    else:
        yield f"{_QUIET} Then record it again, at a higher level and away from hum."
    yield "If it stays so, a fault of the memory is likely: seat the memory anew, and try again."


def not_covered(heard: ToneHeard) -> list[str]:
    """Return what a recording says nothing of, each without a full stop."""
    return [
        f"the lower {counted(_WIDTH - _covered(heard), 'bit')}",
        f"{counted(heard.of_words - heard.words, 'word')} at the two ends",
        "whether it survives being switched off",
        "memory that the tone did not reach",
    ]


def _covered(heard: ToneHeard) -> int:
    return 0 if heard.lowest_bit is None else _WIDTH - heard.lowest_bit


def document(heard: ToneHeard, *, file: str) -> Document:
    """Return the same for programs."""
    return {
        "schema": SCHEMA,
        "recording": file,
        "result": "fault" if heard.wrong else "heard" if heard.is_right else "not proved",
        "why": why(heard),
        "proved_to": {
            "passes": 0,
            "kept_bits": _covered(heard),
            "words": heard.words,
            "of_words": heard.of_words,
            "heard_only": True,
        },
        "tone": fields_of(heard, "pitch_hz", "rest_db", "lowest_bit"),
        "wrong": heard.wrong,
        "not_tested": not_covered(heard),
    }
