"""The help page of a command: plain text that fits the terminal, with options in named groups.

An option takes one line where there is room.  Blank lines are few: the longest page, that of
`replay`, fits on one screen.
"""

import os
import shutil
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping
from difflib import get_close_matches
from typing import Any, Final

import click
from click.shell_completion import CompletionItem

_WIDEST: Final = 100
_NARROWEST: Final = 40
_LONGEST_LABEL: Final = 18
_OPTIONS: Final = "Options"

_Rows = dict[str, list[tuple[str, str]]]
"""The label and text of each row, by the heading above them; "" means no heading."""


class HelpfulCommand(click.Command):
    """A command with our help page; an option with a value may be given only once."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take the words of the command; two values for an option that has one are a mistake."""
        words = list(args)
        try:
            rest = super().parse_args(ctx, args)
        except Exception as problem:  # the library does not always say of which command
            if getattr(problem, "ctx", ctx) is None:
                vars(problem)["ctx"] = ctx
            raise
        order = [] if ctx.resilient_parsing else self.make_parser(ctx).parse_args(args=words)[2]
        for each in order:
            is_single = isinstance(each, click.Option) and not (each.multiple or each.is_flag)
            if is_single and order.count(each) > 1:
                ctx.fail(f"{' or '.join(each.opts)} is given {order.count(each)} times")
        return rest

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Write the page."""
        rows: _Rows = {}
        for each in self.get_params(ctx):
            _add(rows, each)
        formatter.write(_page(_usage(self, ctx), self.help, rows))

    def get_short_help_str(self, limit: int = 0) -> str:
        """Return the first sentence, whole: the list of commands and shells show it."""
        text = " ".join((self.help or "").split())
        return text.partition(". ")[0].removesuffix(".") + "."


class HelpfulGroup(click.Group):
    """The program itself: it lists its commands without loading them."""

    def __init__(
        self,
        name: str,
        listed: Mapping[str, Mapping[str, str]],
        load: Callable[[str], click.Command],
        **rules: Any,
    ) -> None:
        """Take the sentence of each command under the heading of its group, and what loads one."""
        super().__init__(name, **rules)
        self._listed, self._load = listed, load
        self._sentences = {name: text for rows in listed.values() for name, text in rows.items()}

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names of the commands in the order of the page."""
        return list(self._sentences)

    def get_command(self, ctx: Any, name: str) -> click.Command | None:
        """Load a command; None where there is none of this name."""
        return self._load(name) if name in self._sentences else super().get_command(ctx, name)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Write the page."""
        rows: _Rows = {heading: list(group.items()) for heading, group in self._listed.items()}
        for each in self.get_params(ctx):
            _add(rows, each)
        formatter.write(_page(f"{ctx.command_path} COMMAND [OPTIONS]", self.help, rows))

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Return the command; say what to do where there is a file in its place."""
        word = args[0]
        if word.startswith("-") or self.get_command(ctx, word) is not None or ctx.resilient_parsing:
            return super().resolve_command(ctx, args)
        if os.path.exists(word):
            what, command = ("folder", "replay") if os.path.isdir(word) else ("file", "validate")
            ctx.fail(f"{word} is a {what}: give a command first, as in dryload {command} {word}")
        near = get_close_matches(word, self._sentences, n=1)
        ctx.fail(f"there is no command {word}" + "".join(f". Did you mean {e}?" for e in near))

    def shell_complete(self, ctx: Any, incomplete: str) -> list[CompletionItem]:
        """Return the commands that begin so, or the options of the program."""
        commands = [
            CompletionItem(name, help=text)
            for name, text in self._sentences.items()
            if name.startswith(incomplete)
        ]
        return [*commands, *click.Command.shell_complete(self, ctx, incomplete)]


def _usage(command: click.Command, ctx: Any) -> str:
    parts = [ctx.command_path]
    words = []
    for each in command.get_params(ctx):
        if each.param_type_name == "argument":
            label = _label(each)
            words.append(label if each.required else f"[{label}]")
        elif each.required:
            parts.append(f"{min(each.opts, key=len)} {each.metavar}")
    return " ".join([*parts, "[OPTIONS]", *words])


def _add(rows: _Rows, param: Any) -> None:
    is_argument = param.param_type_name == "argument"
    group = getattr(param, "group", "") or ("" if is_argument else _OPTIONS)
    if "--help" in param.opts and rows:  # the last of the last group, whatever that is
        group = next(reversed(rows))
    rows.setdefault(group, []).append((_label(param), _text(param)))


def _label(param: Any) -> str:
    if param.param_type_name == "argument":
        dots = "..." if param.nargs == -1 else ""
        return f"{param.metavar}{dots}"
    names = ", ".join(sorted([*param.opts, *param.secondary_opts], key=len))
    return names if param.is_flag else f"{names} {param.metavar}"


def _text(param: Any) -> str:
    if not param.show_default or param.default in (None, False, ""):
        return str(param.help)
    return f"{param.help.removesuffix('.')} (default {param.default})."


def _page(usage: str, about: str | None, groups: _Rows) -> str:
    columns = max(_NARROWEST, min(_WIDEST, shutil.get_terminal_size().columns))
    lines = textwrap.wrap(f"Usage: {usage}", columns, subsequent_indent=" " * 7)
    for paragraph in (about or "").split("\n\n"):
        lines += [*_filled("", "", " ".join(paragraph.split()), columns), ""]
    labels = [label for rows in groups.values() for label, _ in rows]
    room = max((len(each) for each in labels if len(each) <= _LONGEST_LABEL), default=0)
    for heading, rows in groups.items():
        lines += [f"{heading}:"] if heading else []
        for label, text in rows:
            lines += _row(label, text, room, columns)
    return "\n".join(lines) + "\n"


def _row(label: str, text: str, room: int, columns: int) -> Iterator[str]:
    indent = " " * (room + 4)
    if len(label) > room:
        yield f"  {label}"
        label = ""
    yield from _filled(f"  {label:{room}}  ", indent, text, columns)


def _filled(first: str, indent: str, text: str, columns: int) -> Iterable[str]:
    return textwrap.wrap(
        text, columns, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False
    )
