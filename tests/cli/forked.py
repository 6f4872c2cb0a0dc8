"""The command line as a process that starts quickly: forked from one that has imported everything.

To a test it is the process that `python -m dryload` would be: pipes, signals, exit code,
environment, folder and limits are its own.  What an interpreter does before the command line runs
is for `COMMAND` in `runs`.
"""

from __future__ import annotations

import multiprocessing
import os
import pkgutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import chdir, suppress
from multiprocessing import forkserver
from multiprocessing.connection import wait as wait_for
from multiprocessing.reduction import DupFd
from pathlib import Path
from typing import IO, Any, Final, Self

import dryload

_ROOT: Final = Path(__file__).resolve().parent.parent.parent
_ONE_AT_A_TIME: Final = threading.Lock()
"""Starting a process looks whether others have ended, and only one thread may fetch an end."""

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
_SERVER: Final = multiprocessing.get_context("forkserver")
_SERVER.set_forkserver_preload(
    [__name__, *(each.name for each in pkgutil.walk_packages(dryload.__path__, "dryload."))]
)


class Forked:
    """A running command, with the part of `subprocess.Popen` that tests use; its pipes are text."""

    def __init__(
        self,
        words: Sequence[str | bytes],
        *,
        cwd: Path,
        env: Mapping[str, str],
        has_stdin: bool = False,
        has_stderr: bool = True,
        memory_kb: int | None = None,
    ) -> None:
        """Start it; without a pipe standard input is empty and standard error is ours."""
        stdin_fd, to_stdin = os.pipe() if has_stdin else (os.open(os.devnull, os.O_RDONLY), None)
        from_stdout, stdout_fd = os.pipe()
        from_stderr, stderr_fd = os.pipe() if has_stderr else (None, os.dup(2))
        theirs = (stdin_fd, stdout_fd, stderr_fd)
        handed = tuple(_Handed(each) for each in theirs)
        self._process: Final = _SERVER.Process(
            target=_become, args=(tuple(words), str(cwd), dict(env), handed, memory_kb)
        )
        with _ONE_AT_A_TIME:
            with chdir(_ROOT):  # where the server finds the tests when it is started
                forkserver.ensure_running()
            self._process.start()
        for each in theirs:
            os.close(each)
        self.args: Final = words
        self.pid: Final = self._process.pid
        self.returncode: int | None = None
        self.stdin = None if to_stdin is None else os.fdopen(to_stdin, "w", encoding="utf-8")
        self.stdout: Final[IO[str]] = os.fdopen(from_stdout, encoding="utf-8")
        self.stderr = None if from_stderr is None else os.fdopen(from_stderr, encoding="utf-8")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for pipe in (self.stdout, self.stderr, self.stdin):
            if pipe is not None:
                pipe.close()
        self.wait()

    def poll(self) -> int | None:
        """Return the exit code, below 0 for a signal; None while it runs."""
        if self.returncode is None:
            with _ONE_AT_A_TIME:
                self.returncode = self._process.exitcode
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end and return the exit code."""
        wait_for([self._process.sentinel], timeout)
        if (code := self.poll()) is None:
            raise subprocess.TimeoutExpired([str(self.args)], timeout or 0)
        return code

    def communicate(self, timeout: float | None = None) -> tuple[str, str]:
        """Read what it says until it ends, and close the pipes."""
        until_s = None if timeout is None else time.monotonic() + timeout
        pool = ThreadPoolExecutor(2)
        try:
            pipes = [each for each in (self.stdout, self.stderr) if each is not None]
            reading = [pool.submit(pipe.read) for pipe in pipes]
            said = [each.result(_left(until_s)) for each in reading]
        except TimeoutError:
            raise subprocess.TimeoutExpired([str(self.args)], timeout or 0) from None
        finally:
            pool.shutdown(wait=False)
        for pipe in pipes:
            pipe.close()
        self.wait(_left(until_s))
        return said[0], said[1] if len(said) > 1 else ""

    def send_signal(self, number: int) -> None:
        """Send a signal, unless it has ended."""
        if self.poll() is None:
            assert self.pid is not None
            with suppress(ProcessLookupError):  # ended, and its exit code is on its way
                os.kill(self.pid, number)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)


class _Handed:
    """A file descriptor that arrives in the new process as a number of its own."""

    def __init__(self, number: int) -> None:
        self._number: Final = number

    def __reduce__(self) -> tuple[Callable[[Any], int], tuple[Any]]:
        return _arrived, (DupFd(self._number),)


def _arrived(handed: Any) -> int:
    number = handed.detach()
    assert isinstance(number, int)
    return number


def _become(
    words: Sequence[str | bytes],
    folder: str,
    environment: Mapping[str, str],
    streams: tuple[int, int, int],
    memory_kb: int | None,
) -> None:
    """Be the command line until it ends."""
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    for number, stream in enumerate(streams):
        os.dup2(stream, number)
        os.close(stream)
    sys.stdin = os.fdopen(0, encoding="utf-8")
    sys.stdout = os.fdopen(1, "w", encoding="utf-8")
    sys.stderr = os.fdopen(2, "w", encoding="utf-8", errors="backslashreplace")
    sys.argv = ["dryload", *map(os.fsdecode, words)]
    if memory_kb is not None:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (memory_kb * 1024, memory_kb * 1024))
    from dryload.harness.cli.main import main

    main()


def _left(until_s: float | None) -> float | None:
    return None if until_s is None else max(until_s - time.monotonic(), 0)
