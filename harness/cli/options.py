"""How options are declared, those that several commands take, and the groups of a help page."""

from collections.abc import Callable
from inspect import Parameter, Signature, signature
from typing import Annotated, Any, Final, TypeAlias, TypeVar

import typer

from harness.files.problem import Problem

PLAYED: Final = "What is played"
EMULATED: Final = "The emulated unit"
PORT: Final = "The port (midi: or tcp:)"
OUTPUT: Final = "Output"

_Request = TypeVar("_Request")


def value(metavar: str, text: str, *names: str, group: str | None = None, **rules: Any) -> Any:
    """Declare an option with a value; `names` only where they differ from the parameter's."""
    return typer.Option(*names, metavar=metavar, help=text, rich_help_panel=group, **rules)


def flag(name: str, text: str, *, group: str | None = None) -> Any:
    """Declare an option without a value, which is off unless it is given."""
    return typer.Option(name, help=text, rich_help_panel=group)


def switch_off(name: str, text: str, *, group: str | None = None) -> Any:
    """Declare an option that switches off what is on by default: `--no-...`."""
    return typer.Option(f" /{name}", help=text, show_default=False, rich_help_panel=group)


def argument(metavar: str, text: str, *, group: str | None = None) -> Any:
    """Declare what is given without an option."""
    return typer.Argument(metavar=metavar, help=text, rich_help_panel=group)


def command_of(request: type[_Request], run: Callable[[typer.Context, _Request], None]) -> Any:
    """Return a command that runs with a request: a dataclass whose fields declare its options.

    The order of the fields is that of the help page, and the docstring of `run` is its text.
    """

    def command(ctx: typer.Context, **given: Any) -> None:
        run(ctx, request(**given))

    fields = signature(request).parameters.values()
    context = Parameter("ctx", Parameter.KEYWORD_ONLY, annotation=typer.Context)
    command.__name__ = run.__name__.removeprefix("_")
    command.__doc__ = run.__doc__
    command.__annotations__ = {each.name: each.annotation for each in (context, *fields)}
    vars(command)["__signature__"] = Signature([context, *fields])
    return command


DeviceId: TypeAlias = Annotated[int, value("N", "Device ID, 0 to 127; 127 addresses every unit.")]
Hear: TypeAlias = Annotated[
    str | None,
    value("PORT", "Listen on this MIDI port, if it is not the one sent to.", group=PORT),
]
Patience: TypeAlias = Annotated[
    float, value("SECONDS", "Wait this long for a requested sample.", group=PORT)
]
Pace: TypeAlias = Annotated[
    bool,
    switch_off("--no-pace", "Send as fast as the port accepts, not at 31,250 baud.", group=PORT),
]
Initialise: TypeAlias = Annotated[
    bool,
    flag("--initialise", "Initialise the memory first; this wipes it.", group=EMULATED),
]
Disturb: TypeAlias = Annotated[
    list[str] | None,
    value("WORDS", "Make something go wrong; see dryload disturbances.", group=EMULATED),
]
WhichDump: TypeAlias = Annotated[
    int | None, value("N", "Take this dump of the file, counted from 1.", min=1)
]
Capture: TypeAlias = Annotated[
    str | None,
    value("FILE", "Record every byte with its time, as .jsonl or .mid.", group=OUTPUT),
]
Overwrite: TypeAlias = Annotated[
    bool, flag("--overwrite", "Replace files that exist.", group=OUTPUT)
]
AsJson: TypeAlias = Annotated[bool, flag("--json", "Print one JSON document.", group=OUTPUT)]

PATIENCE_S: Final = 2.0
_LEAST_S, _MOST_S = 0.05, 600.0


def answer_ns_of(patience: float) -> int:
    """Return --patience in nanoseconds; a Problem for one that is out of range."""
    if not _LEAST_S <= patience <= _MOST_S:
        raise Problem(
            f"--patience {patience:g}: give seconds, from {_LEAST_S:g} to {_MOST_S:g}.",
            do="60 is enough to walk to the unit and press a key.",
        )
    return round(patience * 1_000_000_000)


def check_device_id(device_id: int | None) -> None:
    """Raise a Problem for a --device-id that no device can have."""
    if device_id is not None and not 0 <= device_id <= 127:
        raise Problem(f"--device-id {device_id}: a device ID is 0 to 127.")
