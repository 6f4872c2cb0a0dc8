"""What `dryload listen` says."""

from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.constants import EXTENDED_LOOP_TYPES
from dryload.emulator.wire.prose import counted, listed
from dryload.harness.files.opening import shown
from dryload.harness.jobs.listen import RATE, Playing
from dryload.harness.judge.headers import NO_LOOP_TYPES
from dryload.harness.plan.keys import key_name
from dryload.harness.report.document import Document
from dryload.harness.report.samples import sample_document, sample_words

SCHEMA = "dryload/listen/1"


def lines_of(name: str, sample: Sample, how: Playing, frames: int, target: str | None) -> list[str]:
    """Return the result for people."""
    where = "aloud" if target is None else shown(target)
    keys = listed([f"{key} ({key_name(key)})" for key in how.keys], "and")
    which = "key" if len(how.keys) == 1 else "keys"
    lines = [
        f"{where}: {shown(name)}, {sample_words(sample, sample.rate)}; {which} {keys}, root "
        f"{how.root} ({key_name(how.root)}), each held for {how.seconds:g} s; "
        f"{frames / RATE:.2f} s in all.",
        f"It is no louder than {-how.level_db:g} dB below full scale; turn the volume down first.",
    ]
    return [*lines, _loop_line(sample)]


def _loop_line(sample: Sample) -> str:
    loop = sample.sustain
    if loop.loop_type in NO_LOOP_TYPES:
        return "It has no loop: it is played once."
    kind = EXTENDED_LOOP_TYPES.get(loop.loop_type, "of a type that nobody knows")
    if not 0 <= loop.start <= loop.end < sample.frames:
        last = counted(sample.frames, "frame")
        return (
            f"Its loop, {loop.start:,} to {loop.end:,}, is outside its {last}: it is played once."
        )
    return f"Its loop: frames {loop.start:,} to {loop.end:,}, {kind}."


def document(name: str, sample: Sample, how: Playing, frames: int, target: str | None) -> Document:
    """Return the same as one JSON document."""
    return {
        "schema": SCHEMA,
        "file": name,
        "output": target,
        "keys": how.keys,
        "root": how.root,
        "seconds": how.seconds,
        "level_db": how.level_db,
        "rate_hz": RATE,
        "frames": frames,
        "sample": sample_document(sample, rate=sample.rate, sounds_at=sample.rate),
    }
