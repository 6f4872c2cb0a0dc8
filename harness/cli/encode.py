"""`dryload encode`: a dump from an audio file."""

from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

from msgspec.structs import replace

from dryload.harness.cli.options import SOUND, AsJson, Overwrite, argument, flag, value
from dryload.harness.cli.terminal import note, show
from dryload.harness.files.problem import Problem

if TYPE_CHECKING:
    from fractions import Fraction

    from dryload.emulator.dump.outgoing import Outgoing
    from dryload.harness.files.audio import Channel


class HeaderChoice(StrEnum):
    """Which header a dump begins with."""

    AUTO = "auto"
    STANDARD = "standard"
    EXTENDED = "extended"


def encode(
    audio: Annotated[list[str], argument("AUDIO", "WAV, AIFF, FLAC or Ogg; - is standard input.")],
    output: Annotated[
        str,
        value(
            "FILE",
            "Dump file (a MIDI file if it ends in .mid), or a folder for several sounds.",
            "--output",
            "-o",
        ),
    ],
    unit: Annotated[
        str | None,
        value("PROFILE", "Make it as this emulated unit takes it, unless told otherwise.", "--for"),
    ] = None,
    bits: Annotated[
        int | None, value("N", "Significant bits, 8 to 28 (else 16, or what --for takes).")
    ] = None,
    number: Annotated[
        int | None,
        value(
            "N",
            "Sample number, 0 to 16383 (else 1, or the first of --for); further sounds get the "
            "next numbers.",
        ),
    ] = None,
    device_id: Annotated[
        int | None, value("N", "Device ID, 0 to 127 (else 0, or that of --for); 127 is every unit.")
    ] = None,
    channel: Annotated[
        str | None, value("N|mix|both", "Use one channel, counted from 1; mix all; or keep all.")
    ] = None,
    rate: Annotated[
        str | None, value("HZ", "Resample to this rate instead of the file's own.")
    ] = None,
    header: Annotated[
        HeaderChoice, value("KIND", "standard, extended, or auto (standard if it is sufficient).")
    ] = HeaderChoice.AUTO,
    loop: Annotated[
        str | None,
        value(
            "START-END[:TYPE]|none",
            "First and last word of the loop, counted from 0, instead of the file's own; TYPE is "
            "forward, backward-forward or two hexadecimal digits.",
        ),
    ] = None,
    trim: Annotated[
        float | None,
        value(
            "DB",
            "Cut both ends where they are no louder, as in -60; never cuts a loop.",
            group=SOUND,
        ),
    ] = None,
    gain: Annotated[
        float, value("DB", "Make it louder, or quieter below 0.", group=SOUND, shows_default=False)
    ] = 0.0,
    peak: Annotated[
        float | None,
        value("DB", "Bring its loudest word to this level; 0 is full scale.", group=SOUND),
    ] = None,
    fade_in: Annotated[
        float, value("S", "Fade in, in a straight line.", group=SOUND, shows_default=False)
    ] = 0.0,
    fade_out: Annotated[
        float, value("S", "Fade out, in a straight line.", group=SOUND, shows_default=False)
    ] = 0.0,
    dither: Annotated[
        bool,
        flag("--dither", "Add triangular noise of one step before rounding.", group=SOUND),
    ] = False,
    name: Annotated[str, value("NAME", "Send this name after the words.")] = "",
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Make a dump from each audio file.

    The loop of a WAV or AIFF file is kept. Its root key is told: no message of the standard carries
    it.
    """
    from dryload.harness.cli.own_unit import profile_of
    from dryload.harness.files import safe_write
    from dryload.harness.files.opening import shown
    from dryload.harness.files.sample_files import make_folder
    from dryload.harness.jobs import convert as job
    from dryload.harness.jobs.fitting import encode_for, first_number
    from dryload.harness.report import encode as report
    from dryload.harness.report.table import apart

    profile = None if unit is None else profile_of(unit)
    if number is None:
        number = 1 if profile is None else first_number(profile)
    targets = _targets(audio, output, number, overwrite=overwrite)
    options = job.EncodeOptions(
        bits=bits,
        number=number,
        device_id=device_id,
        channel=_channel(channel),
        rate=_rate(rate),
        header=header.value,
        loop="none" if loop == "none" else job.loop_from(loop) if loop is not None else None,
        name=name,
        trim_db=trim,
        gain_db=gain,
        peak_db=peak,
        fade_in_s=fade_in,
        fade_out_s=fade_out,
        dither=dither,
    )
    dumps: list[Outgoing] = []
    documents, texts = [], []
    for at, source in enumerate(audio):
        wanted = replace(options, number=number + at)
        made = encode_for(source, wanted, profile) if profile else job.encode(source, wanted)
        for remark in made.remarks:
            note(f"{shown(source)}: {remark}." if len(audio) > 1 else f"{remark}.")
        dumps.append(made.dump)
        target = targets[min(at, len(targets) - 1)]
        size = len(job.file_of([made.dump], target))
        documents.append(
            report.document(made, source=source, target=target, number=number + at, size=size)
        )
        texts.append(report.text(made, target=target, number=number + at, size=size))
    if len(targets) == 1:
        safe_write.write(output, job.file_of(dumps, output), overwrite=overwrite)
    else:
        make_folder(output)
        for dump, target in zip(dumps, targets, strict=True):
            safe_write.write(target, job.file_of([dump], target), overwrite=overwrite)
    document = documents[0] if len(audio) == 1 else {"schema": report.SCHEMA, "made": documents}
    show(apart(texts), document, as_json=as_json)


def _targets(audio: Sequence[str], output: str, number: int, *, overwrite: bool) -> list[str]:
    """Return the files to make: one for all dumps, or one for each in the folder `output`.

    Raises early the Problems that numbering or writing would meet later.
    """
    from os.path import basename, isdir, join, splitext

    from dryload.harness.files import safe_write
    from dryload.harness.files.opening import shown
    from dryload.harness.files.sample_files import DUMP_ENDINGS, check_place

    last = number + len(audio) - 1
    if number <= 16_383 < last:
        raise Problem(
            f"--number {number}: sample numbers end at 16383, and there are {len(audio):,} "
            "recordings to number."
        )
    sources = tuple(audio)
    if len(audio) == 1 or output.lower().endswith(DUMP_ENDINGS):
        safe_write.check_target(output, overwrite=overwrite, sources=sources)
        return [output]
    made: dict[str, str] = {}
    for source in audio:
        target = join(output, f"{splitext(basename(source))[0]}.syx")
        if target in made:
            raise Problem(
                f"{shown(target)} would be written twice: from {shown(made[target])} and from "
                f"{shown(source)}.",
                do="Rename one of them, or give one dump file after -o for all of them.",
            )
        made[target] = source
    check_place(output)
    if isdir(output):
        for target in made:
            safe_write.check_target(target, overwrite=overwrite, sources=sources)
    return list(made)


def _channel(text: str | None) -> "Channel | None":
    match text:
        case None:
            return None
        case "mix" | "both":
            return text
        case _ if text.isascii() and text.isdigit() and len(text) < 10:
            return int(text)
        case _:
            from dryload.harness.files.opening import shown

            raise Problem(
                f"--channel {shown(text)} is not a channel.",
                do="Give a number from 1 on, mix or both.",
            )


def _rate(text: str | None) -> "Fraction | None":
    from fractions import Fraction

    from dryload.harness.files.opening import shown

    if text is None:
        return None
    try:
        if len(text) > 30 or "e" in text.lower():
            raise ValueError(text)
        return Fraction(text.replace(",", ""))
    except (ValueError, ZeroDivisionError) as problem:
        raise Problem(
            f"--rate {shown(text)} is not a rate.", do="Give a number of Hz, such as 22050."
        ) from problem
