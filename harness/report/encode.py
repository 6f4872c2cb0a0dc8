"""What `dryload encode` says."""

from typing import Final

from dryload.emulator.wire.prose import counted, duration
from dryload.harness.files.opening import shown
from dryload.harness.jobs.convert import Encoded
from dryload.harness.judge.headers import NO_LOOP_TYPES
from dryload.harness.report.document import Document
from dryload.harness.report.samples import (
    loop_place,
    pitch_words,
    sample_document,
    sample_words,
)

SCHEMA: Final = "dryload/encode/1"


def text(made: Encoded, *, target: str, number: int, size: int) -> list[str]:
    """Return the result for people; `size` is the file's, in bytes."""
    header = "extended" if made.extended else "standard"
    lines = [
        f"{shown(target)}: sample {number}, {sample_words(made.sample, made.sample.rate)}.",
        f"{counted(len(made.dump.packets), 'packet')} after the {header} header, {size:,} bytes.",
        f"On the line: {duration(made.closed_loop_ns)} if every reply comes at once (closed loop), "
        f"{duration(made.open_loop_ns)} without replies (open loop).",
    ]
    if made.sample.sustain.loop_type not in NO_LOOP_TYPES:
        lines.append(f"It has the {loop_place(made.sample.sustain)}.")
    if made.root is not None:
        lines.append(
            f"Its root key is {pitch_words(made.root, made.fine_cents)}: no message of the "
            "standard carries it, so type it in at the unit."
        )
    if made.clipped:
        lines.append(
            f"{counted(made.clipped, 'word')} beyond full scale: clipped. "
            "Make the recording quieter."
        )
    return lines


def document(made: Encoded, *, source: str, target: str, number: int, size: int) -> Document:
    """Return the result for programs."""
    sample = made.sample
    return {
        "schema": SCHEMA,
        "source": {
            "file": source,
            "kept_as": made.source.source,
            "channels": made.source.channels,
            "frames": len(made.source.frames),
            "rate_hz": made.source.rate,
        },
        "file": target,
        "bytes": size,
        "sample_number": number,
        "device_id": made.dump.device_id,
        "header": "extended" if made.extended else "standard",
        **sample_document(sample, rate=sample.rate, sounds_at=sample.rate),
        "period_ns": None if made.extended else sample.period_ns,
        "packets": len(made.dump.packets),
        "time": {"closed_loop_ns": made.closed_loop_ns, "open_loop_ns": made.open_loop_ns},
        "clipped_words": made.clipped,
        "root": made.root,
        "fine_cents": made.fine_cents,
        "remarks": made.remarks,
    }
