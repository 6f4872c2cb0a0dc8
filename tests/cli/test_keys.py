"""Keys over a pseudo-terminal, and the terminal as it was before.

What keys send is ECMA-48 (control sequences: ESC [, parameters, a final byte 40 to 7E) and common
practice of terminals (ESC O and a letter, 7F for backspace).
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Struct

from dryload.harness.cli.keys import BACKSPACE, ENTER, ESCAPE, GONE, REPAINT, keyboard, keys_of
from tests.cli.runs import ROOT

if sys.platform == "win32":
    pytest.skip("there are no pseudo-terminals here", allow_module_level=True)

import termios

ONE_BY_ONE = 3  # index of the local flags in what tcgetattr returns
PATIENCE_S = 20.0  # only ends a test that hangs


class Pty(Struct, frozen=True):
    hand: int
    """Where keys are pressed."""
    line: int
    """What the program has before it."""

    def mode(self) -> list[object]:
        return list(termios.tcgetattr(self.line))

    def is_line_edited(self) -> bool:
        flags = termios.tcgetattr(self.line)[ONE_BY_ONE]
        return bool(flags & termios.ICANON and flags & termios.ECHO)


@pytest.fixture
def pty() -> Iterator[Pty]:
    hand, line = os.openpty()
    yield Pty(hand, line)
    for fd in (hand, line):
        with suppress(OSError):  # the test may have hung up itself
            os.close(fd)


@pytest.fixture
def at_pty(pty: Pty, monkeypatch: pytest.MonkeyPatch) -> Iterator[Pty]:
    with os.fdopen(os.dup(pty.line), "rb", buffering=0) as line:
        monkeypatch.setattr(sys, "stdin", line)
        yield pty


def test_keys_come_one_by_one_without_enter(at_pty: Pty) -> None:
    with keyboard() as read_key:
        assert read_key() == ""
        os.write(at_pty.hand, b"d12\r")
        assert [read_key(PATIENCE_S) for _ in range(4)] == ["d", "1", "2", ENTER]
        assert read_key() == ""


def test_an_arrow_is_no_key_and_no_letter(at_pty: Pty) -> None:
    with keyboard() as read_key:
        os.write(at_pty.hand, b"\x1b[C\x1bOD\x1b[1;5Cq")
        assert read_key(PATIENCE_S) == "q"
        os.write(at_pty.hand, b"\x1b")
        assert read_key(PATIENCE_S) == ESCAPE


def test_the_terminal_is_as_before_and_signals_too(at_pty: Pty) -> None:
    before = at_pty.mode()
    handlers = [signal.getsignal(n) for n in (signal.SIGTSTP, signal.SIGCONT, signal.SIGTERM)]

    with keyboard():
        assert not at_pty.is_line_edited()
        flags = termios.tcgetattr(at_pty.line)[ONE_BY_ONE]
        assert flags & termios.ISIG  # Ctrl-C still is Ctrl-C

    assert at_pty.mode() == before
    after = [signal.getsignal(n) for n in (signal.SIGTSTP, signal.SIGCONT, signal.SIGTERM)]
    assert after == handlers


@pytest.mark.parametrize("problem", [ValueError, KeyboardInterrupt, SystemExit])
def test_the_terminal_is_as_before_after_an_exception(
    at_pty: Pty, problem: type[BaseException]
) -> None:
    before = at_pty.mode()

    with pytest.raises(problem), keyboard():
        raise problem

    assert at_pty.mode() == before


def test_sigterm_restores_the_terminal(at_pty: Pty) -> None:
    before = at_pty.mode()

    with pytest.raises(SystemExit), keyboard():
        signal.raise_signal(signal.SIGTERM)

    assert at_pty.mode() == before


def test_keys_that_were_not_read_are_not_for_the_shell(at_pty: Pty) -> None:
    with keyboard() as read_key:
        os.write(at_pty.hand, b"ab")
        assert read_key(PATIENCE_S) == "a"
        os.write(at_pty.hand, b"rm\n")
    with keyboard() as read_key:
        os.write(at_pty.hand, b"z")
        assert read_key(PATIENCE_S) == "z"


def test_a_closed_terminal_is_told(pty: Pty, at_pty: Pty) -> None:
    with keyboard() as read_key:
        os.close(pty.hand)
        assert read_key(PATIENCE_S) == GONE
        assert read_key() == GONE


def test_a_pipe_is_no_keyboard(monkeypatch: pytest.MonkeyPatch) -> None:
    out, into = os.pipe()
    with os.fdopen(out, "rb") as pipe, os.fdopen(into, "wb"):
        monkeypatch.setattr(sys, "stdin", pipe)
        with pytest.raises(OSError, match="not a terminal"), keyboard():
            pass


PROGRAM = """
from dryload.harness.cli.keys import keyboard
say = lambda word: print(word, flush=True)
with keyboard(leave=lambda: say("leave"), back=lambda: say("back")) as read_key:
    say("ready")
    while (key := read_key(0.05)) not in ("q", "gone"):
        pass
"""


def test_ctrl_z_gives_the_terminal_back_and_fg_takes_it_again(pty: Pty) -> None:
    before = pty.mode()
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM],
        stdin=pty.line,
        stdout=subprocess.PIPE,
        cwd=ROOT,
        process_group=0,
    ) as program:
        assert program.stdout is not None
        try:
            assert program.stdout.readline() == b"ready\n"
            assert not pty.is_line_edited()

            os.kill(program.pid, signal.SIGTSTP)
            _, status = os.waitpid(program.pid, os.WUNTRACED)
            assert os.WIFSTOPPED(status)
            assert program.stdout.readline() == b"leave\n"
            assert pty.mode() == before

            os.kill(program.pid, signal.SIGCONT)
            assert program.stdout.readline() == b"back\n"
            assert not pty.is_line_edited()

            os.write(pty.hand, b"q")
            assert program.wait(PATIENCE_S) == 0
        finally:
            program.kill()
    assert pty.mode() == before


def test_what_keys_are_called() -> None:
    assert list(keys_of("aÄ\r\n\x7f\x08\x0c\x1b\x1b")) == [
        *("a", "Ä", ENTER, ENTER, BACKSPACE, BACKSPACE, REPAINT, ESCAPE, ESCAPE)
    ]
    assert list(keys_of("\x1bx\x00\x04")) == []  # Alt-x, and control characters without a meaning


@given(st.text(st.characters(codec="utf-8")))
def test_no_text_raises_and_no_key_is_a_control_character(text: str) -> None:
    assert all(key and key.isprintable() for key in keys_of(text))


@given(
    st.text(st.sampled_from("0123456789;?<=>"), max_size=6),
    st.characters(min_codepoint=0x40, max_codepoint=0x7E),
)
def test_a_control_sequence_is_never_a_key(parameters: str, final: str) -> None:
    assert list(keys_of(f"\x1b[{parameters}{final}q")) == ["q"]
