"""How options are declared, those that several commands take, and the groups of a help page.

A command is a plain function with types: each parameter carries its declaration beside its type,
and `command_of` turns the function into a command of the command line library.
"""

import inspect
from collections.abc import Callable
from enum import Enum
from types import NoneType
from typing import (
    TYPE_CHECKING,
    Annotated,
    Any,
    Final,
    NamedTuple,
    TypeAlias,
    get_args,
    get_origin,
    get_type_hints,
)

import click

from dryload.harness.cli.help_page import HelpfulCommand
from dryload.harness.files.problem import Problem

if TYPE_CHECKING:
    from dryload.harness.cli.target import Target

PLAYED: Final = "What is played"
EMULATED: Final = "The emulated unit"
PORT: Final = "The port (midi: or tcp:)"
SOUND: Final = "The sound"
OUTPUT: Final = "Output"


class GivenOption(click.Option):
    """An option that stands in a group of the help page; "" is the usual one."""

    def __init__(self, *words: Any, group: str = "", **rules: Any) -> None:
        super().__init__(*words, **rules)
        self.group = group


class GivenArgument(click.Argument):
    """What is given without an option; like an option, it has a text on the help page."""

    def __init__(self, *words: Any, group: str = "", help: str = "", **rules: Any) -> None:
        super().__init__(*words, **rules)
        self.group, self.help, self.show_default = group, help, "default" in rules


class Declared(NamedTuple):
    """What a parameter of a command is on the command line, beside its type."""

    text: str
    names: tuple[str, ...] = ()
    """The options; () means the parameter's own name."""
    metavar: str | None = None
    group: str = ""
    least: int | None = None
    most: int | None = None
    shows_default: bool = True
    is_argument: bool = False

    def parameter(self, name: str, kind: Any, default: Any) -> click.Parameter:
        """Return what the library takes for a parameter of this name, type and default."""
        is_required = default is inspect.Parameter.empty
        several, single = _single(kind)
        rules: dict[str, Any] = {"metavar": self.metavar, "help": self.text, "group": self.group}
        rules |= {"type": self._type(single), "required": is_required}
        has_default = not is_required and default is not None
        if has_default:
            rules["default"] = default.value if isinstance(default, Enum) else default
        if self.is_argument:
            return GivenArgument([name], nargs=-1 if several else 1, **rules)
        if single is bool:
            del rules["type"], rules["metavar"]
            rules["is_flag"] = True
        else:
            rules["multiple"] = several
        names = self.names or (f"--{name.replace('_', '-')}",)
        return GivenOption([name, *names], show_default=has_default and self.shows_default, **rules)

    def _type(self, kind: Any) -> Any:
        if kind is int and (self.least, self.most) != (None, None):
            return click.IntRange(self.least, self.most)
        if issubclass(kind, Enum):
            return click.Choice([each.value for each in kind])
        return click.Path() if "FILE" in (self.metavar or "") else kind  # shells offer files


def _single(kind: Any) -> tuple[bool, Any]:
    """Return whether a type is a list, and of what; an optional type counts as the type itself."""
    kinds = [each for each in get_args(kind) if each is not NoneType]
    if get_origin(kind) is list:
        return True, kinds[0]
    return _single(kinds[0]) if kinds else (False, kind)


def command_of(run: Callable[..., None], name: str | None = None) -> click.Command:
    """Return a function as a command; its docstring becomes the text of the help page.

    Its parameters are declared, or it takes one request, a class whose fields are declared; their
    order is that of the help page.
    """
    declaring: Callable[..., Any] = run
    hints = get_type_hints(run, include_extras=True)
    del hints["return"]
    request = next(iter(hints.values()))
    if len(hints) == 1 and get_origin(request) is not Annotated:
        declaring, hints = request, get_type_hints(request, include_extras=True)
    params, made = [], {}
    for each in inspect.signature(declaring).parameters.values():
        kind, declared = get_args(hints[each.name])
        params.append(declared.parameter(each.name, kind, each.default))
        several, single = _single(kind)
        if several or issubclass(single, Enum):  # the library gives a tuple, and a name
            made[each.name] = list if several else single

    def call(**given: Any) -> None:
        given |= {name: make(given[name]) for name, make in made.items() if given[name] is not None}
        run(**given) if declaring is run else run(declaring(**given))

    return HelpfulCommand(name or run.__name__, params=params, callback=call, help=run.__doc__)


def value(metavar: str, text: str, *names: str, **rules: Any) -> Declared:
    """Declare an option with a value; `names` only where they differ from the parameter's.

    `rules` are other fields of what is declared.
    """
    return Declared(text=text, names=names, metavar=metavar, **rules)


def flag(name: str, text: str, *, group: str = "") -> Declared:
    """Declare an option without a value, which is off unless it is given."""
    return Declared(text=text, names=(name,), group=group)


def switch_off(name: str, text: str, *, group: str = "") -> Declared:
    """Declare an option that switches off what is on by default: `--no-...`."""
    return Declared(text=text, names=(f" /{name}",), group=group, shows_default=False)


def argument(metavar: str, text: str, *, group: str = "") -> Declared:
    """Declare what is given without an option."""
    return Declared(text=text, metavar=metavar, group=group, is_argument=True)


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
Operator: TypeAlias = Annotated[
    str, value("SECONDS", "Press confirm after this time, or never: none.", group=EMULATED)
]
WhichDump: TypeAlias = Annotated[
    int | None, value("N", "Take this dump of the file, counted from 1.", least=1)
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


def check_place(target: "Target") -> None:
    """Raise a Problem for an option of a port where the unit is emulated, and the reverse."""
    ctx = click.get_current_context()
    for each in ctx.command.params:
        source = ctx.get_parameter_source(str(each.name))
        is_given = source is not None and source.name == "COMMANDLINE"
        if is_given and getattr(each, "group", None) == (EMULATED if target.is_live else PORT):
            place = "an emulated unit (unit:)" if target.is_live else "a port (midi: or tcp:)"
            option = [*each.opts, *each.secondary_opts][0]
            raise Problem(f"{option} is for {place}, and --to is {target.given}.")


def check_device_id(device_id: int | None) -> None:
    """Raise a Problem for a --device-id that no device can have."""
    if device_id is not None and not 0 <= device_id <= 127:
        raise Problem(f"--device-id {device_id}: a device ID is 0 to 127.")
