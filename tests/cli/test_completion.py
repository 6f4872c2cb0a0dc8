"""Shells complete commands, options and file names: asked of the shells themselves."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

import click
import pytest

from dryload.harness.cli.app import COMMANDS, program
from tests.cli.runs import environment

LINES: Final = ("dryload rep", "dryload replay --", "dryload clauses --", "dryload encode --")
FILE: Final = "dryload replay thun"
DRIVERS: Final = {
    "bash": """
        eval "$SCRIPT"
        complete -p dryload >&2
        compopt() { printf 'compopt %s %s\\n' "$1" "$2" >&2; }
        complete_line() {
            read -ra COMP_WORDS <<< "$1"; COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); COMPREPLY=()
            _dryload_completion dryload; printf '%s\\n' "${COMPREPLY[@]}"
        }
        """,
    "zsh": """
        compdef() { : }
        # What the shell's own functions would be told: words and their texts, or plain files.
        _describe() { print -rl -- ${(P)3} | cut -d: -f1 }
        _path_files() { print -rl -- $~word* }
        eval "$SCRIPT"
        complete_line() {
            words=(${=1}); CURRENT=${#words}; word=${words[-1]}; _dryload_completion
        }
        """,
    "fish": """
        eval "$SCRIPT"
        function complete_line; complete -C $argv[1] | string replace -r '\\t.*' ''; end
        """,
}
"""How to ask a shell without a keyboard what it would offer at the end of a line."""


def offered(shell: str, folder: Path) -> tuple[dict[str, list[str]], str]:
    """Return what a shell offers for each line, and what it says on standard error."""
    program = folder / "dryload"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m dryload.harness.cli.main "$@"\n')
    program.chmod(0o755)
    (folder / "thunder.syx").write_bytes(b"")
    surroundings = environment() | {"HOME": str(folder)}
    surroundings["PATH"] = f"{folder}:{surroundings['PATH']}"
    script = subprocess.run(
        [program, "--show-completion", shell],
        env=surroundings,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    asking = "\n".join(f"echo '=='; complete_line '{line}'" for line in (*LINES, FILE))
    done = subprocess.run(
        [shell, "-c", f"{DRIVERS[shell]}\n{asking}"],
        env=surroundings | {"SCRIPT": script},
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    answers = [part.split() for part in done.stdout.split("==\n")[1:]]
    return dict(zip((*LINES, FILE), answers, strict=True)), done.stderr


def options_of(command: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-m", "dryload.harness.cli.main", command, "--help"],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    return {name for row in done.stdout.splitlines() for name in re.findall(r"^  .*?(--\S+)", row)}


@pytest.mark.parametrize("shell", DRIVERS)
def test_a_shell_offers_commands_options_and_files(shell: str, tmp_path: Path) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed")
    found, said = offered(shell, tmp_path)
    assert found["dryload rep"] == ["replay"]
    for line in LINES[1:]:
        assert set(found[line]) == options_of(line.split()[1]), line
    if shell == "bash":  # nothing of ours: then bash offers files, if it is told so
        own = "complete -o nosort -F _dryload_completion dryload\ncompopt -o default\n"
        assert (found[FILE], said) == ([], own)
    else:
        assert (found[FILE], said) == (["thunder.syx"], "")


def test_no_text_has_a_sign_that_a_shell_would_take_for_its_own() -> None:
    ctx = click.Context(program)
    commands: list[Any] = [program.get_command(ctx, name) for name in program.list_commands(ctx)]
    texts = [command.get_short_help_str() for command in commands]
    for command in (program, *commands):
        texts += [each.help for each in command.params if each.param_type_name == "option"]
    assert len(texts) > 80
    assert [text for text in texts if re.search(r'["`$\\]', text)] == []


def test_the_list_of_commands_says_what_each_says_of_itself() -> None:
    ctx = click.Context(program)
    for name, sentence in ((n, s) for rows in COMMANDS.values() for n, s in rows.items()):
        command = program.get_command(ctx, name)
        assert command is not None
        assert command.get_short_help_str() == sentence
