"""Options that several commands take, each declared once, and the groups of a help page."""

from typing import Annotated, Final, TypeAlias

import typer

from harness.files.problem import Problem

PLAYED: Final = "What is played"
EMULATED: Final = "The emulated unit"
PORT: Final = "The port (midi: or tcp:)"
OUTPUT: Final = "Output"

DeviceId: TypeAlias = Annotated[
    int, typer.Option(metavar="N", help="Device ID, 0 to 127; 127 addresses every unit.")
]
Hear: TypeAlias = Annotated[
    str | None,
    typer.Option(
        metavar="PORT",
        help="Listen on this MIDI port, if it is not the one sent to.",
        rich_help_panel=PORT,
    ),
]
Patience: TypeAlias = Annotated[
    float,
    typer.Option(
        metavar="SECONDS",
        help="Wait so long for a requested sample.",
        rich_help_panel=PORT,
    ),
]
Pace: TypeAlias = Annotated[
    bool,
    typer.Option(
        " /--no-pace",
        help="Send as fast as the port accepts, not at 31,250 baud.",
        show_default=False,
        rich_help_panel=PORT,
    ),
]
Initialise: TypeAlias = Annotated[
    bool,
    typer.Option(
        "--initialise",
        help="Initialise the memory first; this wipes it.",
        rich_help_panel=EMULATED,
    ),
]
WhichDump: TypeAlias = Annotated[
    int | None, typer.Option(metavar="N", help="Which dump of the file, counted from 1.")
]
Capture: TypeAlias = Annotated[
    str | None,
    typer.Option(
        metavar="FILE",
        help="Record every byte with its time, as .jsonl or .mid.",
        rich_help_panel=OUTPUT,
    ),
]
Overwrite: TypeAlias = Annotated[
    bool,
    typer.Option("--overwrite", help="Replace files that exist.", rich_help_panel=OUTPUT),
]
AsJson: TypeAlias = Annotated[
    bool, typer.Option("--json", help="Print one JSON document.", rich_help_panel=OUTPUT)
]

PATIENCE_S: Final = 2.0
_LEAST_S, _MOST_S = 0.05, 600.0


def answer_ns_of(patience: float) -> int:
    """Return --patience in nanoseconds; a Problem for one that is none."""
    if not _LEAST_S <= patience <= _MOST_S:
        raise Problem(
            f"--patience {patience:g}: give seconds, from {_LEAST_S:g} to {_MOST_S:g}.",
            do="60 is enough to walk to the unit and press a key.",
        )
    return round(patience * 1_000_000_000)
