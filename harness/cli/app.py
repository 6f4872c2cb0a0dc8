"""The command line: `dryload COMMAND`, one file a command.

Importing this must stay cheap: a command imports what it needs when it runs.
"""

import os
import signal
import sys
from collections.abc import Callable, Sequence
from functools import cache, wraps
from typing import Annotated, Any, Final, cast

import typer

from harness.cli.help_page import HelpfulCommand, HelpfulGroup
from harness.cli.options import argument
from harness.cli.terminal import Printed, note
from harness.files.opening import shown
from harness.files.problem import INTERRUPTED, USAGE, Problem

# Public names of this exception differ between versions of the library; its heir's parent does not.
_UsageError: Final = cast("type[Exception]", typer.BadParameter.__base__)
CLOSED_PIPE: Final = 128 + signal.SIGPIPE if hasattr(signal, "SIGPIPE") else 1

app = typer.Typer(
    name="dryload",
    cls=HelpfulGroup,
    help=(
        "Rehearse, validate and diagnose MIDI sample dumps before a real unit is at risk.\n\n"
        "Start with: dryload validate FILE, then dryload replay FILE. "
        "dryload COMMAND --help explains a command.\n\n"
        "Exit code 0 if everything that was asked for is shown to be right; 1 if not; 2 if the "
        "command cannot run as asked; 3 if the port or the device is at fault."
    ),
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _register() -> None:
    from harness.cli import (
        campaign,
        clauses,
        decode,
        diagnose,
        diff,
        disturbances,
        encode,
        explain,
        ports,
        profiles,
        read,
        replay,
        serve,
        validate,
    )

    groups = {
        "Check and transfer": (validate, replay, diagnose, read, serve),
        "Look inside and convert": (explain, diff, encode, decode),
        "Test": (campaign,),
        "List": (profiles, ports, disturbances, clauses),
    }
    for group, modules in groups.items():
        for module in modules:
            command = getattr(module, module.__name__.rpartition(".")[2])
            app.command(cls=HelpfulCommand, rich_help_panel=group)(_guarded(command))


def _show_version(is_wanted: bool) -> None:
    if is_wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            typer.echo(f"dryload {version('dryload')}")
        except PackageNotFoundError:
            typer.echo("dryload, run from a folder without being installed")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Show the version and exit.", callback=_show_version, is_eager=True
        ),
    ] = False,
) -> None:
    """Declare the options of the program itself; their callbacks do the work."""


@app.command("help", hidden=True, cls=HelpfulCommand)
def _help(
    ctx: typer.Context,
    command: Annotated[str | None, argument("COMMAND", "The command to explain.")] = None,
) -> None:
    """Show the help page of a command, or the list of commands."""
    program: Any = ctx.parent
    if command is None:
        typer.echo(program.get_help())
        return
    name, found, _ = program.command.resolve_command(program, [command])
    typer.echo(found.get_help(type(program)(found, parent=program, info_name=name)))


class _ReaderGone(Exception):  # noqa: N818  # an event, not an error
    """The reader of our output has closed it; the library would turn that into exit code 1."""


def _guarded(command: Callable[..., None]) -> Callable[..., None]:
    @wraps(command)
    def run(*args: Any, **options: Any) -> None:
        try:
            command(*args, **options)
        except BrokenPipeError as gone:
            raise _ReaderGone from gone

    return run


def _tell_usage(problem: Any) -> None:
    """Report a usage error; a command without any arguments shows its help page instead."""
    if type(problem).__name__.startswith("NoArgsIsHelp"):
        problem.show()
        return
    from harness.cli.usage import usage_line

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


@cache
def _command() -> Any:
    """Return the command line as the library runs it."""
    return typer.main.get_command(app)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command with its words and return the exit code.

    Without words those of the process are taken; on Windows, where no shell does it, the library
    then puts the names of files in the place of *.syx.
    """
    words = None if arguments is None else list(arguments)
    _ready_streams()
    try:
        try:
            code = _command().main(words, prog_name="dryload", standalone_mode=False)
        finally:
            sys.stdout.flush()
    except Problem as problem:
        note(str(problem))
        code = problem.code
    except (KeyboardInterrupt, typer.Abort):
        code = INTERRUPTED
    except _UsageError as problem:
        _tell_usage(problem)
        code = USAGE
    except (_ReaderGone, BrokenPipeError):
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
    if code == INTERRUPTED:  # some versions of the library give the code and raise nothing
        note("stopped by you.")
    return code if isinstance(code, int) else 0


_register()
