"""`dryload replay`: play dumps to a unit, read them back, compare, report."""

from typing import Annotated, Final

import typer

from harness.cli.live import Way, play_live
from harness.cli.playing import Wishes
from harness.cli.rehearsing import Setting, rehearse
from harness.cli.target import target_of
from harness.files.problem import Problem
from harness.jobs.disturb_words import option_help

_HANDS: Final = "8"


def replay(
    files: Annotated[
        list[str],
        typer.Argument(
            metavar="FILE", help="Dump files, played in this order; or captures, see below."
        ),
    ],
    to: Annotated[
        str,
        typer.Option(
            "--to",
            metavar="TARGET",
            help="unit:NAME or unit:PATH.toml (see dryload profiles) to rehearse; "
            "midi:PORT NAME (see dryload ports) or tcp:HOST:PORT for what is really there.",
        ),
    ] = "unit:lantern-desk",
    number: Annotated[
        int | None,
        typer.Option(help="Sample number of the first dump; the next ones count on from it."),
    ] = None,
    device_id: Annotated[
        int | None, typer.Option(help="Address the dumps to this device ID, 0 to 127.")
    ] = None,
    banks: Annotated[
        int | None,
        typer.Option(
            help="unit: only. Begin with this many memory banks newly fitted: they have to be "
            "initialised."
        ),
    ] = None,
    initialise: Annotated[
        bool,
        typer.Option(
            "--initialise", help="unit: only. Initialise the memory first: this wipes it."
        ),
    ] = False,
    operator: Annotated[
        str,
        typer.Option(
            metavar="SECONDS|none",
            help="unit: only. How long it takes until somebody has pressed confirm.",
        ),
    ] = _HANDS,
    link: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="unit: only. What the interface before the cable does, as in usb, at-most-64 or "
            "every-256th; a wrong name tells them all.",
        ),
    ] = None,
    disturb: Annotated[list[str] | None, typer.Option(metavar="WORDS", help=option_help())] = None,
    hear: Annotated[
        str | None,
        typer.Option(
            metavar="PORT NAME", help="midi: only. The port to hear, where it has another name."
        ),
    ] = None,
    pace: Annotated[
        bool,
        typer.Option(
            " /--no-pace",
            show_default=False,
            help="midi: and tcp: only. Send as fast as the port takes it: there is no line of "
            "31,250 baud behind it.",
        ),
    ] = True,
    anyway: Annotated[
        bool,
        typer.Option("--anyway", help="midi: and tcp: only. Send dumps that are broken as well."),
    ] = False,
    resume: Annotated[
        bool,
        typer.Option(
            "--resume",
            help="midi: and tcp: only. Go on where the last replay to this target ended: what it "
            "loaded is not sent again.",
        ),
    ] = False,
    journal: Annotated[
        str | None,
        typer.Option(
            metavar="FILE",
            help="midi: and tcp: only. Where to write down what is loaded, for --resume; there is "
            "a usual place for each target.",
        ),
    ] = None,
    read_back: Annotated[
        bool,
        typer.Option(
            " /--no-read-back", show_default=False, help="Do not ask for the samples again."
        ),
    ] = True,
    capture: Annotated[
        str | None,
        typer.Option(
            metavar="FILE", help="Write what passed, every byte with its time: .jsonl or .mid."
        ),
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace the capture if it exists.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Play dumps to a unit, read them back, compare, and say what became of them.

    To an emulated unit it is a rehearsal: nothing is at risk, and it takes no time. To a port it is
    the real thing: it takes as long as the line does, and replaces what the unit holds under the
    same sample numbers. Ctrl-C tells the unit to stop and says what is loaded; p pauses before the
    next dump; --resume goes on another time.

    A FILE that is a capture is played verbatim: what went to the unit goes again, each message at
    its recorded instant (at a port it keeps its place behind what came before it then); nothing is
    sent again or read back.

    Exit 0 if the unit holds just what was sent, or answered a capture as it did then; 1 if
    something is not loaded, broken or answered otherwise; 3 if the port is at fault.
    """
    target = target_of(to, option="--to")
    wishes = Wishes(
        files=files,
        number=number,
        device_id=device_id,
        read_back=read_back,
        capture=capture,
        overwrite=overwrite,
        as_json=as_json,
    )
    only_unit = {
        "--banks": banks is not None,
        "--initialise": initialise,
        "--operator": operator != _HANDS,
        "--link": link is not None,
        "--disturb": bool(disturb),
    }
    only_live = {
        "--hear": hear is not None,
        "--no-pace": not pace,
        "--anyway": anyway,
        "--resume": resume,
        "--journal": journal is not None,
    }
    for option, is_given in (only_unit if target.is_live else only_live).items():
        if is_given:
            place = "an emulated unit (unit:)" if target.is_live else "a port (midi: or tcp:)"
            raise Problem(f"{option} is for {place}, and --to is {target.given}.")
    if target.is_live:
        way = Way(hear=hear, paced=pace, anyway=anyway, resume=resume, journal=journal)
        play_live(wishes, target, way)
    else:
        setting = Setting(
            banks=banks,
            initialise=initialise,
            operator=operator,
            link=link,
            disturb=tuple(disturb or ()),
        )
        rehearse(wishes, target, setting)
