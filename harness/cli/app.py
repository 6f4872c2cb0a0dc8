"""The command line: `dryload COMMAND`, one file a command.

Importing this must stay cheap: a command imports what it needs when it runs.
"""

import os
import signal
import sys
from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Annotated, Any, Final

import click

from dryload.harness.cli.help_page import HelpfulGroup
from dryload.harness.cli.options import argument, command_of
from dryload.harness.cli.terminal import Printed, note
from dryload.harness.files.opening import IS_WINDOWS, shown
from dryload.harness.files.problem import INTERRUPTED, USAGE, Problem

CLOSED_PIPE: Final = 128 + signal.SIGPIPE if hasattr(signal, "SIGPIPE") else 1
COMPLETING: Final = "_DRYLOAD_COMPLETE"  # set by the script that --show-completion prints
SHELLS: Final = ("bash", "zsh", "fish")
ABOUT: Final = """Rehearse, validate and diagnose MIDI sample dumps before a real unit is at risk.

Start with: dryload validate FILE, then dryload replay FILE. dryload COMMAND --help explains a
command.

Exit code 0 if everything that was asked for is shown to be right; 1 if not; 2 if the command cannot
run as asked; 3 if the port or the device is at fault.
"""
COMMANDS: Final[Mapping[str, Mapping[str, str]]] = {
    "Check and transfer": {
        "validate": "Judge dump files and captures by the standard.",
        "plan": "Plan what goes into a unit, in which order and how long.",
        "replay": "Play dumps to a unit, read them back, compare and report.",
        "diagnose": "Say why a recorded transfer failed, and what to do.",
        "read": "Read samples from a unit and save them as dump files.",
        "prove": "Prove that a unit's memory works, or name its fault.",
        "serve": "Run an emulated unit on a MIDI or TCP port.",
    },
    "Look inside and convert": {
        "explain": "Explain a dump, or bytes in hexadecimal, field by field.",
        "diff": "Compare two dumps, a dump with audio, captures, or folders.",
        "encode": "Make a dump from each audio file.",
        "decode": "Make an audio file from a dump.",
        "listen": "Make audible what a unit would play.",
    },
    "Test": {
        "check-encoder": "Put an encoder on trial: ask it for many dumps, and judge each.",
        "check-decoder": "Put a decoder on trial: have it read many dumps, and judge what it makes "
        "of them.",
        "vectors": "Write dumps with what is right of them, for tests in any language.",
        "campaign": "Run thousands of rehearsals with made-up dumps and faults.",
    },
    "List": {
        "profiles": "List the emulated units, or describe one of them in full.",
        "ports": "List the MIDI ports of this computer.",
        "disturbances": "List the faults that --disturb can cause in a rehearsal.",
        "clauses": "List the clauses of the standard, or describe some in full.",
    },
}
"""The first sentence of each command's help page, under its heading; each has a module here."""


def _load(name: str) -> click.Command:
    module = name.replace("-", "_")
    return command_of(getattr(import_module(f"dryload.harness.cli.{module}"), module), name)


def _show_version(ctx: click.Context, _: click.Parameter, is_wanted: bool) -> None:
    if is_wanted and not ctx.resilient_parsing:
        from importlib.metadata import PackageNotFoundError, version

        try:
            click.echo(f"dryload {version('dryload')}")
        except PackageNotFoundError:
            click.echo("dryload, run from a folder without being installed")
        ctx.exit()


def _show_completion(ctx: click.Context, _: click.Parameter, shell: str | None) -> None:
    if shell is not None and not ctx.resilient_parsing:
        from click.shell_completion import get_completion_class

        maker = get_completion_class(shell)
        assert maker is not None
        click.echo(maker(program, {}, "dryload", COMPLETING).source())
        ctx.exit()


def _help(
    command: Annotated[str | None, argument("COMMAND", "The command to explain.")] = None,
) -> None:
    """Show the help page of a command, or the list of commands."""
    ctx = click.get_current_context().find_root()
    if command is None:
        click.echo(program.get_help(ctx))
        return
    name, found, _ = program.resolve_command(ctx, [command])
    click.echo(found.get_help(click.Context(found, parent=ctx, info_name=name)))


def _tell_usage(problem: Any) -> None:
    """Report a usage error; a command without any arguments shows its help page instead."""
    if type(problem).__name__.startswith("NoArgsIsHelp"):
        problem.show()
        return
    from dryload.harness.cli.usage import usage_line

    command = "dryload" if problem.ctx is None else problem.ctx.command_path
    near = list(getattr(problem, "possibilities", None) or ())
    note(usage_line(problem.format_message(), command, near))


def _ready_streams() -> None:
    """Make standard output and error safe for any text; where one is closed, nothing is written."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            stream = os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")
        if not isinstance(stream, Printed):
            setattr(sys, name, Printed(stream))


def _give_up_output() -> None:
    """Prevent the interpreter from writing buffered output at exit and failing again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


program: Final = HelpfulGroup(
    "dryload",
    COMMANDS,
    _load,
    help=ABOUT,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    params=[
        click.Option(
            ["--version"],
            is_flag=True,
            is_eager=True,
            expose_value=False,
            callback=_show_version,
            help="Show the version and exit.",
        ),
        click.Option(
            ["--show-completion"],
            metavar="SHELL",
            type=click.Choice(SHELLS),
            is_eager=True,
            expose_value=False,
            callback=_show_completion,
            help="Print what bash, zsh or fish needs to complete commands and options.",
        ),
    ],
)
program.add_command(command_of(_help, "help"))


def _invoke(words: Sequence[str]) -> int:
    """Run a command, or tell a shell what could follow, and return the exit code."""
    if asked := os.environ.get(COMPLETING):
        from click.shell_completion import shell_complete

        return shell_complete(program, {}, "dryload", COMPLETING, asked)
    try:
        with program.make_context("dryload", list(words)) as ctx:
            program.invoke(ctx)
    except click.exceptions.Exit as end:
        return end.exit_code
    return 0


def _words() -> list[str]:
    """Return the words of the process; where no shell does it, patterns become file names."""
    words = sys.argv[1:]
    return [name for word in words for name in _matching(word)] if IS_WINDOWS else words


def _matching(word: str) -> list[str]:
    """Return the files that a pattern names, or the word itself where it names a file or none.

    Brackets are legal in names: those of a file or a folder that is there are no pattern.
    """
    from glob import escape, glob

    if os.path.lexists(word):
        return [word]
    folder, name = os.path.split(word)
    pattern = os.path.join(escape(folder), name) if os.path.isdir(folder) else word
    return sorted(glob(pattern)) or [word]


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command with its words, by default those of the process; return the exit code."""
    _ready_streams()
    try:
        try:
            code = _invoke(_words() if arguments is None else arguments)
        finally:
            sys.stdout.flush()
    except Problem as problem:
        note(str(problem))
        code = problem.code
    except KeyboardInterrupt:
        note("stopped by you.")
        code = INTERRUPTED
    except click.UsageError as problem:
        _tell_usage(problem)
        code = USAGE
    except BrokenPipeError:
        _give_up_output()
        code = CLOSED_PIPE
    except OSError as problem:
        if problem.filename is not None:
            note(f"{shown(str(problem.filename))}: {problem.strerror}.")
        else:
            note(f"the output cannot be written: {problem.strerror}.")
            _give_up_output()
        code = USAGE
    except MemoryError:
        note("there is not enough memory for this.")
        code = USAGE
    return code
