"""What `dryload listen` says."""

from collections.abc import Iterator, Sequence

from msgspec import Struct

from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.prose import capitalised, counted, listed
from dryload.harness.files.opening import shown
from dryload.harness.jobs.listen import RATE, Playing, Voice
from dryload.harness.plan.keys import MiddleC, key_name
from dryload.harness.report.document import Document, fields_of
from dryload.harness.report.samples import loop_said, named, sample_document, sample_words

SCHEMA = "dryload/listen/1"


class HeardSample(Struct, frozen=True, kw_only=True):
    """A sample that is played, and where it and its root come from."""

    voice: Voice
    number: int
    root_source: str
    """In words: "as given", "as the file states"."""


def lines_of(
    name: str,
    heard: Sequence[HeardSample],
    how: Playing,
    frames: int,
    target: str | None,
    *,
    middle: MiddleC,
) -> list[str]:
    """Return the result for people; the second line is for before it sounds."""
    where = "aloud" if target is None else shown(target)
    return [
        f"{where}: {shown(name)}, {counted(len(heard), 'sample')}, each key held for "
        f"{how.seconds:g} s; {frames / RATE:.2f} s in all.",
        f"It is no louder than {-how.level_db:g} dB below full scale; turn the volume down first.",
        *(line for each in heard for line in _sample_lines(each, middle)),
    ]


def _sample_lines(heard: HeardSample, middle: MiddleC) -> Iterator[str]:
    voice, sample = heard.voice, heard.voice.sample
    keys, root = [
        listed([f"{key} ({key_name(key, middle)})" for key in each], "and")
        for each in (voice.keys, (voice.root,))
    ]
    which = "Key" if len(voice.keys) == 1 else "Keys"
    which_sample = capitalised(named(heard.number, sample.name))
    yield f"{which_sample}: {sample_words(sample, sample.rate)}."
    yield f"  {which} {keys}; root {root}, {heard.root_source}."
    yield f"  {_loop_line(sample)}"


def _loop_line(sample: Sample) -> str:
    loop, place = sample.sustain, loop_said(sample.sustain)
    if not place:
        return "It has no loop: it is played once."
    if not 0 <= loop.start <= loop.end < sample.frames:
        last = counted(sample.frames, "frame")
        return f"Its loop, {place}, is outside its {last}: it is played once."
    return f"Its loop: frames {place}."


def document(
    name: str, heard: Sequence[HeardSample], how: Playing, frames: int, target: str | None
) -> Document:
    """Return the same as one JSON document."""
    return {
        "schema": SCHEMA,
        "file": name,
        "output": target,
        "played": [
            {
                "sample_number": each.number,
                **fields_of(each.voice, "keys", "root"),
                "root_source": each.root_source,
                "sample": sample_document(
                    each.voice.sample, rate=each.voice.sample.rate, sounds_at=each.voice.sample.rate
                ),
            }
            for each in heard
        ],
        **fields_of(how, "seconds", "level_db"),
        "rate_hz": RATE,
        "frames": frames,
    }
