"""What `dryload decode` says."""

from fractions import Fraction

from dryload.emulator.wire.prose import counted, hertz, listed
from dryload.harness.files.audio_out import form_of
from dryload.harness.files.instrument import Instrument
from dryload.harness.files.opening import shown
from dryload.harness.jobs.convert import FromFile
from dryload.harness.judge.plan import rate_of
from dryload.harness.report.document import Document, fields_of
from dryload.harness.report.samples import (
    header_kind,
    loop_place,
    named,
    pitch_words,
    sample_document,
    sample_words,
    sound,
)


def text(taken: FromFile, *, source: str, target: str, rate_hz: int, said: Instrument) -> list[str]:
    """Return the result for people; `rate_hz` is what the audio file got, `said` the rest."""
    sample = taken.sample
    states = said.rate if form_of(target) == "AIFF" else None  # others, whole numbers only
    rate = states or Fraction(rate_hz)
    which = f"dump {taken.number} of " if taken.dumps > 1 else ""
    lines = [
        f"{shown(target)}: from {which}{shown(source)}, "
        f"{named(taken.header.sample_number, sample.name)}, "
        f"{sample_words(sample, rate_of(taken.header))}.",
        f"The audio file says {hertz(rate)} and lasts {sound(sample.frames, rate)}.",
    ]
    told = []
    if said.loop is not None:
        told.append(f"the {loop_place(said.loop)}")
    if said.root is not None:
        told.append(f"the root key {pitch_words(said.root, said.fine_cents)}")
    return [*lines, f"It also holds {listed(told, 'and')}."] if told else lines


def damage(taken: FromFile) -> tuple[str, ...]:
    """Return what was wrong with the packets, one line each."""
    held = taken.contents
    needed = 0 if held.plan is None else held.plan.packets
    rows = (
        (held.missing, f"of {needed:,} missing: silence, or nothing at the end"),
        (len(held.wrecks), "not whole: they count as missing"),
        (held.wrong_checksums, "with a wrong checksum: the words in them may be wrong"),
        (held.wrong_numbers, "with a wrong packet number: put between their neighbours"),
        (held.surplus, "more than the header announces: left out"),
    )
    return tuple(f"{counted(number, 'packet')} {what}" for number, what in rows if number)


def losses(taken: FromFile) -> tuple[str, ...]:
    """Return what the audio file cannot hold, and what else is worth knowing."""
    sample = taken.sample
    lost = []
    if sample.loops:
        lost.append(f"{counted(len(sample.loops), 'more loop')} not in the audio file")
    if taken.contents.repeated:
        lost.append(
            f"{counted(taken.contents.repeated, 'packet')} came again: the first right one counts"
        )
    if taken.dumps > 1:
        lost.append(f"the file holds {taken.dumps} dumps: --dump chooses one of them")
    return (*taken.file.remarks, *lost)


def document(
    taken: FromFile,
    *,
    source: str,
    target: str,
    rate_hz: int,
    said: Instrument,
    remarks: tuple[str, ...],
) -> Document:
    """Return the result for programs."""
    held = taken.contents
    return {
        "schema": "dryload/decode/1",
        "source": {"file": source, "form": taken.file.form, "dumps": taken.dumps},
        "dump": taken.number,
        "file": target,
        **fields_of(taken.header, "sample_number", "device_id"),
        "header": header_kind(taken.header),
        **sample_document(taken.sample, rate=rate_of(taken.header), sounds_at=rate_hz),
        "file_rate_hz": rate_hz,
        "file_says": fields_of(said, "loop", "root", "fine_cents", "rate"),
        "packets": {
            "needed": 0 if held.plan is None else held.plan.packets,
            "missing": held.missing,
            "torn": len(held.wrecks),
            "wrong_checksum": held.wrong_checksums,
            "wrong_number": held.wrong_numbers,
            "resent": held.repeated,
            "extra": held.surplus,
        },
        "whole": held.is_whole,
        "damage": damage(taken),
        "remarks": remarks,
    }
