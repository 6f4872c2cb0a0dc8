"""What `dryload decode` says."""

from typing import Any

from emulator.wire.constants import EXTENDED_LOOP_TYPES, LOOP_OFF
from emulator.wire.messages import ExtendedHeader
from emulator.wire.prose import counted, duration, sides
from harness.files.opening import shown
from harness.files.rates import hertz
from harness.jobs.decode import FromFile


def text(taken: FromFile, *, source: str, target: str, rate_hz: int) -> str:
    """Return the result for people; `rate_hz` is what the audio file got."""
    sample = taken.sample
    stated = hertz(sample.rate) if taken.states_rate else "no rate"
    seconds = duration(round(sample.frames * 1_000_000_000 / rate_hz))
    name = f" ({shown(sample.name)})" if sample.name else ""
    which = f"dump {taken.number} of " if taken.dumps > 1 else ""
    lines = [
        f"{shown(target)}: from {which}{shown(source)}, sample {taken.header.sample_number}{name}, "
        f"{counted(len(sample.words), 'word')} of {sample.bits} bits, {sides(sample.channels)}, "
        f"{stated}, {seconds} of sound.",
        f"The audio file says {rate_hz:,} Hz.",
    ]
    return "\n".join(lines)


def damage(taken: FromFile) -> tuple[str, ...]:
    """Return what was wrong with the packets, one line each."""
    laid = taken.packets
    rows = (
        (laid.missing, f"of {laid.needed:,} missing: silence, or nothing at the end"),
        (laid.torn, "not whole: they count as missing"),
        (laid.wrong_checksums, "with a wrong checksum: the words in them may be wrong"),
        (laid.wrong_numbers, "with a wrong packet number: put between their neighbours"),
        (laid.extra, "more than the header announces: left out"),
    )
    return tuple(f"{counted(number, 'packet')} {what}" for number, what in rows if number)


def losses(taken: FromFile) -> tuple[str, ...]:
    """Return what the audio file cannot hold, and what else is worth knowing."""
    sample = taken.sample
    lost = []
    if sample.sustain.loop_type != LOOP_OFF:
        kind = EXTENDED_LOOP_TYPES.get(sample.sustain.loop_type, "of an unknown type")
        lost.append(
            f"the loop from word {sample.sustain.start} to {sample.sustain.end} ({kind}) is not in "
            "the audio file"
        )
    if sample.loops:
        lost.append(f"{counted(len(sample.loops), 'more loop')} not in the audio file")
    if taken.packets.resent:
        lost.append(
            f"{counted(taken.packets.resent, 'packet')} came again: the last right one counts"
        )
    if taken.dumps > 1:
        lost.append(f"the file holds {taken.dumps} dumps: --dump chooses one of them")
    return (*taken.file.remarks, *lost)


def document(
    taken: FromFile, *, source: str, target: str, rate_hz: int, remarks: tuple[str, ...]
) -> dict[str, Any]:
    """Return the result for programs."""
    sample, laid, loop = taken.sample, taken.packets, taken.sample.sustain
    return {
        "schema": "dryload/decode/1",
        "source": {"file": source, "form": taken.file.form.value, "dumps": taken.dumps},
        "dump": taken.number,
        "file": target,
        "sample_number": taken.header.sample_number,
        "device_id": taken.header.device_id,
        "header": "extended" if isinstance(taken.header, ExtendedHeader) else "standard",
        "bits": sample.bits,
        "channels": sample.channels,
        "rate_hz": float(sample.rate) if taken.states_rate else None,
        "file_rate_hz": rate_hz,
        "frames": sample.frames,
        "words": len(sample.words),
        "seconds": sample.frames / rate_hz,
        "loop": None
        if loop.loop_type == LOOP_OFF
        else {"start": loop.start, "end": loop.end, "type": f"{loop.loop_type:02X}"},
        "name": sample.name,
        "packets": {
            "needed": laid.needed,
            "missing": laid.missing,
            "torn": laid.torn,
            "wrong_checksum": laid.wrong_checksums,
            "wrong_number": laid.wrong_numbers,
            "resent": laid.resent,
            "extra": laid.extra,
        },
        "whole": laid.whole,
        "damage": list(damage(taken)),
        "remarks": list(remarks),
    }
