"""Commands in forked processes: their ends are known, whoever looks first."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Iterator
from importlib.util import find_spec
from multiprocessing import forkserver
from multiprocessing.connection import wait
from pathlib import Path

import pytest

from tests.cli import forked
from tests.cli.forked import Forked
from tests.cli.runs import environment


@pytest.fixture
def ended(tmp_path: Path) -> Iterator[Forked]:
    """A command that has ended, and nobody has asked for its exit code."""
    with Forked(["validate"], cwd=tmp_path, env=environment()) as process:
        assert wait([process._process.sentinel], 60)
        yield process


def test_an_end_that_another_thread_has_fetched_is_known(
    ended: Forked, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Starting a process fetches the exit codes of others, and then the pipe that brought this one
    # is empty until the server closes it.
    multiprocessing.active_children()
    monkeypatch.setattr(forked, "wait_for", lambda *_: [])
    assert ended.wait(1) == 2


def test_a_signal_for_a_process_that_has_just_ended_is_no_error(
    ended: Forked, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The server has fetched its end, which is not here yet.
    monkeypatch.setattr(Forked, "poll", lambda _: None)
    ended.send_signal(signal.SIGKILL)


def test_the_server_has_imported_every_module_of_the_command_line() -> None:
    preloaded = forkserver._forkserver._preload_modules  # type: ignore[attr-defined]  # nothing public says it
    assert {"dryload.harness.cli.replay", "dryload.emulator.line.leap"} <= set(preloaded)
    for name in preloaded:  # one that isn't there is passed over without a word
        assert find_spec(name), name
