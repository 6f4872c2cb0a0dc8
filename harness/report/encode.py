"""What `dryload encode` says."""

from typing import Any, Final

from emulator.wire.constants import LOOP_OFF
from emulator.wire.prose import counted, duration, sides
from harness.files.opening import shown
from harness.files.rates import hertz
from harness.jobs.encode import Encoded

SCHEMA: Final = "dryload/encode/1"


def text(made: Encoded, *, target: str, number: int, size: int) -> str:
    """Return the result for people; `size` is the file's, in bytes."""
    sample = made.sample
    header = "extended" if made.extended else "standard"
    seconds = duration(round(sample.frames * 1_000_000_000 / sample.rate))
    lines = [
        f"{shown(target)}: sample {number}, {counted(len(sample.words), 'word')} of {sample.bits} "
        f"bits, {sides(sample.channels)}, {hertz(sample.rate)}, {seconds} of sound.",
        f"{counted(len(made.dump.packets), 'packet')} behind the {header} header, {size:,} bytes.",
        f"On the line: {duration(made.closed_loop_ns)} if every reply comes at once (closed loop), "
        f"{duration(made.open_loop_ns)} without replies (open loop).",
    ]
    if made.clipped:
        lines.append(
            f"{counted(made.clipped, 'word')} beyond full scale: clipped. "
            "Make the recording quieter."
        )
    return "\n".join(lines)


def document(
    made: Encoded, *, source: str, target: str, number: int, device_id: int, size: int
) -> dict[str, Any]:
    """Return the result for programs."""
    sample = made.sample
    loop = sample.sustain
    return {
        "schema": SCHEMA,
        "source": {
            "file": source,
            "kept_as": made.source.source,
            "channels": made.source.channels,
            "frames": len(made.source.frames),
            "rate_hz": float(made.source.rate),
        },
        "file": target,
        "bytes": size,
        "sample_number": number,
        "device_id": device_id,
        "header": "extended" if made.extended else "standard",
        "bits": sample.bits,
        "channels": sample.channels,
        "rate_hz": float(sample.rate),
        "period_ns": None if made.extended else sample.period_ns,
        "frames": sample.frames,
        "words": len(sample.words),
        "seconds": float(sample.frames / sample.rate),
        "loop": None
        if loop.loop_type == LOOP_OFF
        else {"start": loop.start, "end": loop.end, "type": f"{loop.loop_type:02X}"},
        "name": sample.name,
        "packets": len(made.dump.packets),
        "time": {"closed_loop_ns": made.closed_loop_ns, "open_loop_ns": made.open_loop_ns},
        "clipped_words": made.clipped,
        "remarks": list(made.remarks),
    }
