"""An encoder on trial: a callable in a process of its own, or a command.

Theory of operation.  Whatever is tried may print, hang, crash or end its process.  A callable runs
in a worker, which is started anew when it was lost; a command is started for each task.  Both are
given a limit of time for each call.  A subject can be made again `fresh`, with nothing left of the
calls before, and in other `surroundings` (environment variables), in which it has to do the same.
"""

import os
import pickle
import queue
import re
import shlex
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import IO, Any, Final, Protocol

from dryload.harness.files.problem import Problem
from dryload.harness.trial.task import PARAMETERS, Answer, Ending, Task

LIMIT_S: Final = 20.0
"""How long one call may take (our choice)."""
_STARTS_S: Final = 60.0
_CALLABLE: Final = re.compile(r"(?:[A-Za-z_][\w.]*|[^\s{}]+\.py):[A-Za-z_][\w.]*")
_PLACES: Final = re.compile(r"\{(\w+)\}")
_KNOWN_PLACES: Final = ("input", "output", "bits", "rate", "number", "device_id", "name")
_LOOP_PLACES: Final = ("loop_start", "loop_end", "loop_type")
_PLACES_TOLD: Final = ", ".join(f"{{{name}}}" for name in (*_KNOWN_PLACES, *_LOOP_PLACES))
_LONGEST_SAID: Final = 300


class Subject(Protocol):
    """What is tried."""

    @property
    def parameters(self) -> tuple[str, ...]:
        """Which of `PARAMETERS` it can be told."""
        ...

    @property
    def is_command(self) -> bool:
        """Whether each call is a process."""
        ...

    def answer(self, task: Task) -> Answer:
        """Return what it makes of a task."""
        ...

    def fresh(self, surroundings: Mapping[str, str] | None = None) -> "Subject":
        """Return the same with nothing left of earlier calls, perhaps in other surroundings."""
        ...

    def close(self) -> None:
        """End its process."""
        ...


def subject_of(target: str, *, limit_s: float = LIMIT_S) -> Subject:
    """Return what a user named: module:function, file.py:function or a command line.

    Problem where it can't be found, or where a command line has no place for input or output.
    """
    if _CALLABLE.fullmatch(target):
        return CallableSubject(target, limit_s=limit_s)
    return CommandSubject(target, limit_s=limit_s)


class CallableSubject:
    """A Python callable, in a worker."""

    is_command = False

    def __init__(
        self,
        target: str,
        *,
        limit_s: float = LIMIT_S,
        surroundings: Mapping[str, str] | None = None,
    ) -> None:
        self._target: Final = target
        self._limit_s: Final = limit_s
        self._surroundings: Final = dict(surroundings or {})
        self._worker: _Worker | None = None
        self.parameters = self._begin().parameters

    def answer(self, task: Task) -> Answer:
        """Return what it makes of a task; a worker that was lost is started anew at the next."""
        worker = self._worker or self._begin()
        answer = worker.ask(task, self._limit_s)
        if answer.ending in (Ending.HUNG, Ending.CRASHED) and not worker.is_alive:
            self.close()
        return answer

    def fresh(self, surroundings: Mapping[str, str] | None = None) -> "CallableSubject":
        """Return the same in a new process."""
        return CallableSubject(self._target, limit_s=self._limit_s, surroundings=surroundings)

    def close(self) -> None:
        """End the worker."""
        if self._worker is not None:
            self._worker.end()
            self._worker = None

    def _begin(self) -> "_Worker":
        self._worker = _Worker(self._target, self._surroundings)
        return self._worker


class _Worker:
    """The process of a callable; asked over pipes, read by a thread so that it can be late."""

    def __init__(self, target: str, surroundings: Mapping[str, str]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "dryload.harness.trial.worker", target],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **_PLAIN, **surroundings},
            start_new_session=True,  # Ctrl-C is for us, and ends it too
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._tell: IO[bytes] = self._process.stdin
        self._heard: queue.SimpleQueue[Any] = queue.SimpleQueue()
        threading.Thread(target=self._hear, args=(self._process.stdout,), daemon=True).start()
        first = self._next(_STARTS_S)
        if not isinstance(first, tuple):
            self.end()
            why = (
                first if isinstance(first, str) else "its process ended or hung while it was loaded"
            )
            raise Problem(
                f"{target} cannot be loaded: {why}.",
                do="Name a function that can be imported from here, as in my_encoder:encode, or a "
                "command line with {input} and {output}.",
            )
        self.parameters: tuple[str, ...] = first

    @property
    def is_alive(self) -> bool:
        """Whether it can be asked again."""
        return self._process.poll() is None

    def ask(self, task: Task, limit_s: float) -> Answer:
        """Return the answer to a task; of a process that is lost, what became of it."""
        try:
            pickle.dump(task, self._tell)
            self._tell.flush()
        except OSError:
            return self._lost()
        heard = self._next(limit_s)
        if isinstance(heard, Answer):
            return heard
        if self.is_alive and heard is _LATE:
            self.end()
            return Answer(ending=Ending.HUNG, said=f"no answer within {limit_s:g} s")
        return self._lost()

    def end(self) -> None:
        """Kill it."""
        with suppress(OSError):
            self._process.kill()
        self._process.wait()
        with suppress(OSError):
            self._tell.close()

    def _lost(self) -> Answer:
        self._process.wait()
        return Answer(ending=Ending.CRASHED, said=_ended(self._process.returncode))

    def _next(self, limit_s: float) -> Any:
        try:
            return self._heard.get(timeout=limit_s)
        except queue.Empty:
            return _LATE

    def _hear(self, stream: IO[bytes]) -> None:
        with stream, suppress(EOFError, OSError, pickle.UnpicklingError):
            while True:
                self._heard.put(pickle.load(stream))
        self._heard.put(_GONE)


_PLAIN: Final = {"OPENBLAS_NUM_THREADS": "1", "PYTHONHASHSEED": "0"}
"""Surroundings that are the same for each process that is started."""
_LATE: Final = object()
_GONE: Final = object()


class CommandSubject:
    """A command line that reads a WAV file and writes a dump file."""

    is_command = True

    def __init__(
        self, line: str, *, limit_s: float = LIMIT_S, surroundings: Mapping[str, str] | None = None
    ) -> None:
        self._line: Final = line
        self._limit_s: Final = limit_s
        self._surroundings: Final = dict(surroundings or {})
        try:
            self._words: Final = shlex.split(line)
        except ValueError as problem:
            raise Problem(f"the command line cannot be read: {problem}.") from problem
        places = set(_PLACES.findall(line))
        if unknown := sorted(places - {*_KNOWN_PLACES, *_LOOP_PLACES}):
            raise Problem(
                f"the command line has a place {{{unknown[0]}}} that nothing is known for.",
                do=f"There are {_PLACES_TOLD}.",
            )
        if not {"input", "output"} <= places:
            raise Problem(
                f"{line!r} is neither module:function nor a command line with {{input}} and "
                "{output}.",
                do="Put {input} where the WAV file goes and {output} where the dump is written.",
            )
        loops = places >= set(_LOOP_PLACES)
        self.parameters: tuple[str, ...] = tuple(
            each for each in PARAMETERS if each in places or (each == "loop" and loops)
        )

    def answer(self, task: Task) -> Answer:
        """Start the command for a task and return what it wrote."""

        from dryload.harness.files.audio_out import made

        with tempfile.TemporaryDirectory(prefix="dryload-") as folder:
            source, target = Path(folder, "input.wav"), Path(folder, "output.syx")
            rate = max(round(task.rate), 1)
            source.write_bytes(
                made(task.words, bits=task.bits, channels=1, rate=rate, path=str(source))
            )
            start, end, kind = task.loop_or_off
            filled = {
                "input": str(source),
                "output": str(target),
                "bits": str(task.bits),
                "rate": f"{task.rate:g}" if task.rate % 1 else str(round(task.rate)),
                "number": str(task.number),
                "device_id": str(task.device_id),
                "name": task.name,
                "loop_start": str(start),
                "loop_end": str(end),
                "loop_type": str(kind),
            }
            words = [_PLACES.sub(lambda found: filled[found[1]], word) for word in self._words]
            return self._run(words, target)

    def fresh(self, surroundings: Mapping[str, str] | None = None) -> "CommandSubject":
        """Return the same; a command remembers nothing but files."""
        return CommandSubject(self._line, limit_s=self._limit_s, surroundings=surroundings)

    def close(self) -> None:
        """Nothing is left of a command."""

    def _run(self, words: list[str], target: Path) -> Answer:
        try:
            process = subprocess.Popen(
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                env={**os.environ, **_PLAIN, **self._surroundings},
                start_new_session=True,
            )
        except OSError as problem:
            raise Problem(
                f"{words[0]} cannot be started: {problem.strerror or problem}.",
                do="Check the name and the folder.",
            ) from problem
        try:
            output, _ = process.communicate(timeout=self._limit_s)
        except subprocess.TimeoutExpired:
            return Answer(ending=Ending.HUNG, said=f"no end within {self._limit_s:g} s")
        finally:
            _kill_group(process)
        said = " ".join(output.decode("utf-8", "replace").split())[-_LONGEST_SAID:]
        if process.returncode < 0:
            return Answer(ending=Ending.CRASHED, said=_ended(process.returncode))
        if process.returncode:
            told = said or f"exit status {process.returncode}"
            return Answer(ending=Ending.DECLINED, said=told)
        if not target.is_file():
            return Answer(ending=Ending.NOTHING, said=said)
        return Answer(ending=Ending.DUMP, data=target.read_bytes())


def _kill_group(process: "subprocess.Popen[bytes]") -> None:
    """End whatever a command left running."""
    with suppress(OSError):
        if hasattr(os, "killpg"):
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    if process.poll() is None:
        process.communicate()


def _ended(status: int) -> str:
    if status >= 0:
        return f"its process ended with exit status {status}"
    with suppress(ValueError):
        return f"its process was ended by {signal.Signals(-status).name}"
    return f"its process was ended by signal {-status}"
