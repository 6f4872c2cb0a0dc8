"""`dryload encode`: a dump from an audio file."""

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.options import AsJson, DeviceId, Overwrite
from harness.cli.terminal import fitted, note
from harness.files.problem import Problem

if TYPE_CHECKING:
    from fractions import Fraction

    from harness.files.audio import Channel


class HeaderChoice(StrEnum):
    """Which header a dump begins with."""

    AUTO = "auto"
    STANDARD = "standard"
    EXTENDED = "extended"


def encode(
    audio: Annotated[
        str, typer.Argument(metavar="AUDIO", help="WAV, AIFF, FLAC or Ogg; - is standard input.")
    ],
    output: Annotated[
        str,
        typer.Option(
            "--output", "-o", metavar="FILE", help="Dump file; a MIDI file if it ends in .mid."
        ),
    ],
    bits: Annotated[int, typer.Option(metavar="N", help="Significant bits, 8 to 28.")] = 16,
    number: Annotated[int, typer.Option(metavar="N", help="Sample number, 0 to 16383.")] = 1,
    device_id: DeviceId = 0,
    channel: Annotated[
        str | None,
        typer.Option(
            metavar="N|mix|both", help="One channel, counted from 1; a mix of all; or all of them."
        ),
    ] = None,
    rate: Annotated[
        str | None,
        typer.Option(metavar="HZ", help="Resample to this rate, not the file's own."),
    ] = None,
    header: Annotated[
        HeaderChoice,
        typer.Option(
            metavar="KIND",
            help="standard, extended, or auto: standard where that is enough.",
        ),
    ] = HeaderChoice.AUTO,
    loop: Annotated[
        str | None,
        typer.Option(
            metavar="START-END[:TYPE]",
            help="First and last word of the loop, counted from 0; TYPE is forward, "
            "backward-forward or two hexadecimal digits.",
        ),
    ] = None,
    name: Annotated[str, typer.Option(metavar="NAME", help="A name, sent after the words.")] = "",
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Make a dump from an audio file."""
    import json

    from harness.files import safe_write
    from harness.jobs import encode as job
    from harness.report import encode as report

    safe_write.check_target(output, overwrite=overwrite, sources=(audio,))
    made = job.encode(
        audio,
        job.Wishes(
            bits=bits,
            number=number,
            device_id=device_id,
            channel=_channel(channel),
            rate=_rate(rate),
            header=header.value,
            loop=job.loop_from(loop) if loop is not None else None,
            name=name,
        ),
    )
    content = job.file_of(made.dump, output)
    safe_write.write(output, content, overwrite=overwrite)
    for remark in made.remarks:
        note(f"{remark}.")
    if as_json:
        document = report.document(
            made,
            source=audio,
            target=output,
            number=number,
            device_id=device_id,
            size=len(content),
        )
        typer.echo(json.dumps(document, indent=2))
    else:
        typer.echo(fitted(report.text(made, target=output, number=number, size=len(content))))


def _channel(text: str | None) -> "Channel | None":
    match text:
        case None:
            return None
        case "mix" | "both":
            return text
        case _ if text.isascii() and text.isdigit() and len(text) < 10:
            return int(text)
        case _:
            from harness.files.opening import shown

            raise Problem(
                f"--channel {shown(text)} is no channel.",
                do="Give a number from 1 on, mix or both.",
            )


def _rate(text: str | None) -> "Fraction | None":
    from fractions import Fraction

    from harness.files.opening import shown

    if text is None:
        return None
    try:
        if len(text) > 30 or "e" in text.lower():
            raise ValueError(text)
        return Fraction(text.replace(",", ""))
    except (ValueError, ZeroDivisionError) as problem:
        raise Problem(
            f"--rate {shown(text)} is no rate.", do="Give a number of Hz, such as 22050."
        ) from problem
