"""An encoder or a decoder on trial: a callable, a program that is asked line by line, or a command.

Theory of operation.  Whatever is tried may print, hang, crash or end its process.  A callable runs
in a worker, which like a program that is asked line by line is started anew when it was lost; a
command is started for each task.  All are given a limit of time for each call.  A subject can be
made again `fresh`, with nothing left of the calls before, and in other `surroundings` (environment
variables), in which it has to do the same.
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
from dryload.harness.trial.hearing import as_bytes, in_wav
from dryload.harness.trial.lines import answer_in, line_of
from dryload.harness.trial.task import (
    PARAMETERS,
    AnyTask,
    CallAnswer,
    CallEnding,
    DumpTask,
    Side,
    Task,
)

LIMIT_S: Final = 20.0
"""How long one call may take (our choice)."""
_STARTS_S: Final = 60.0
_CALLABLE: Final = re.compile(r"(?:[A-Za-z_][\w.]*|[^\s{}]+\.py):[A-Za-z_][\w.]*")
_PLACES: Final = re.compile(r"\{(\w+)\}")
_FILES: Final = ("input", "output")
_TOLD: Final = ("bits", "rate", "number", "device_id", "name")
_LOOP_PLACES: Final = ("loop_start", "loop_end", "loop_type")
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

    def answer(self, task: AnyTask) -> CallAnswer:
        """Return what it makes of a task."""
        ...

    def fresh(self, surroundings: Mapping[str, str] | None = None) -> "Subject":
        """Return the same with nothing left of earlier calls, perhaps in other surroundings."""
        ...

    def close(self) -> None:
        """End its process."""
        ...


def subject_of(target: str, *, side: Side = Side.ENCODER, limit_s: float = LIMIT_S) -> Subject:
    """Return what a user named: module:function, file.py:function or a command line.

    A command line without {input} and {output} is a program that is asked line by line.  Problem
    where it can't be found, or where a command line has one of the two and not the other.
    """
    if _CALLABLE.fullmatch(target):
        worker = [sys.executable, "-m", "dryload.harness.trial.worker", target, side.value]
        return KeptSubject(target, worker, _Pickles, limit_s=limit_s)
    if not _PLACES.search(target):
        return KeptSubject(target, _split(target), _Lines, limit_s=limit_s)
    return CommandSubject(target, side=side, limit_s=limit_s)


def _split(line: str) -> list[str]:
    try:
        words = shlex.split(line)
    except ValueError as problem:
        raise Problem(f"the command line cannot be read: {problem}.") from problem
    if not words:
        raise Problem("the command line is empty.")
    return words


class _Pickles:
    """How a worker is spoken to."""

    @staticmethod
    def told(task: AnyTask) -> bytes:
        """Return a task as it is told."""
        return pickle.dumps(task)

    @staticmethod
    def heard(stream: IO[bytes]) -> Any:
        """Return what is told next; EOFError at the end."""
        return pickle.load(stream)

    @staticmethod
    def parameters(worker: "_Worker", target: str) -> tuple[str, ...]:
        """Return what it says first; a Problem where it could not be loaded."""
        first = worker.next(_STARTS_S)
        if isinstance(first, tuple):
            return first
        worker.end()
        why = first if isinstance(first, str) else "its process ended or hung while it was loaded"
        raise Problem(
            f"{target} cannot be loaded: {why}.",
            do="Name a function that can be imported from here, as in my_encoder:encode, or a "
            "command line.",
        )


class _Lines:
    """How a program of any language is spoken to."""

    @staticmethod
    def told(task: AnyTask) -> bytes:
        """Return a task as it is told."""
        return line_of(task)

    @staticmethod
    def heard(stream: IO[bytes]) -> Any:
        """Return what is told next; EOFError at the end."""
        if not (line := stream.readline()):
            raise EOFError
        return answer_in(line)

    @staticmethod
    def parameters(worker: "_Worker", target: str) -> tuple[str, ...]:
        """Return all: it is told everything."""
        return PARAMETERS


_Speech = type[_Pickles] | type[_Lines]


class KeptSubject:
    """A process that is asked again and again: a Python callable in a worker, or a program."""

    is_command = False

    def __init__(
        self,
        target: str,
        words: list[str],
        speech: _Speech,
        *,
        limit_s: float = LIMIT_S,
        surroundings: Mapping[str, str] | None = None,
    ) -> None:
        self._target: Final = target
        self._words: Final = words
        self._speech: Final = speech
        self._limit_s: Final = limit_s
        self._surroundings: Final = dict(surroundings or {})
        self._worker: _Worker | None = None
        self._begin()

    def answer(self, task: AnyTask) -> CallAnswer:
        """Return what it makes of a task; a process that was lost is started anew at the next."""
        worker = self._worker or self._begin()
        answer = worker.ask(task, self._limit_s)
        if answer.ending in (CallEnding.HUNG, CallEnding.CRASHED) and not worker.is_alive:
            self.close()
        return answer

    def fresh(self, surroundings: Mapping[str, str] | None = None) -> "KeptSubject":
        """Return the same in a new process."""
        return KeptSubject(
            self._target,
            self._words,
            self._speech,
            limit_s=self._limit_s,
            surroundings=surroundings,
        )

    def close(self) -> None:
        """End the process."""
        if self._worker is not None:
            self._worker.end()
            self._worker = None

    def _begin(self) -> "_Worker":
        self._worker = _Worker(self._words, self._speech, self._surroundings)
        self.parameters = self._speech.parameters(self._worker, self._target)
        return self._worker


class _Worker:
    """A process that is asked over pipes, read by a thread so that it can be late."""

    def __init__(self, words: list[str], speech: _Speech, surroundings: Mapping[str, str]) -> None:
        self._speech: Final = speech
        self._process = _started(
            words,
            stdin=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            surroundings=surroundings,
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._tell: IO[bytes] = self._process.stdin
        self._heard: queue.SimpleQueue[Any] = queue.SimpleQueue()
        threading.Thread(target=self._hear, args=(self._process.stdout,), daemon=True).start()

    @property
    def is_alive(self) -> bool:
        """Whether it can be asked again."""
        return self._process.poll() is None

    def ask(self, task: AnyTask, limit_s: float) -> CallAnswer:
        """Return the answer to a task; of a process that is lost, what became of it."""
        # In a thread: who does not read its input to the end hangs, and so would we.
        threading.Thread(target=self._say, args=(self._speech.told(task),), daemon=True).start()
        heard = self.next(limit_s)
        if isinstance(heard, CallAnswer):
            return heard
        if self.is_alive and heard is _LATE:
            self.end()
            return CallAnswer(
                ending=CallEnding.HUNG, said=f"no answer within {limit_s:g} s", lost=True
            )
        self._process.wait()
        return CallAnswer(
            ending=CallEnding.CRASHED, said=_ended(self._process.returncode), lost=True
        )

    def next(self, limit_s: float) -> Any:
        """Return what it tells next."""
        try:
            return self._heard.get(timeout=limit_s)
        except queue.Empty:
            return _LATE

    def end(self) -> None:
        """Kill it, and whatever it started."""
        _kill_group(self._process)
        with suppress(OSError):
            self._tell.close()

    def _say(self, told: bytes) -> None:
        with suppress(OSError, ValueError):
            self._tell.write(told)
            self._tell.flush()

    def _hear(self, stream: IO[bytes]) -> None:
        with stream, suppress(EOFError, OSError, pickle.UnpicklingError):
            while True:
                self._heard.put(self._speech.heard(stream))
        self._heard.put(_GONE)


_PLAIN: Final = {"OPENBLAS_NUM_THREADS": "1", "PYTHONHASHSEED": "0"}
"""Surroundings that are the same for each process that is started."""
_LATE: Final = object()
_GONE: Final = object()


def _started(
    words: list[str], *, stdin: int, stderr: int, surroundings: Mapping[str, str]
) -> "subprocess.Popen[bytes]":
    try:
        return subprocess.Popen(
            words,
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=stderr,
            env={**os.environ, **_PLAIN, **surroundings},
            start_new_session=True,  # Ctrl-C is for us, and ends it too
        )
    except OSError as problem:
        raise Problem(
            f"{words[0]} cannot be started: {problem.strerror or problem}.",
            do="Give module:function, file.py:function, or a command line; check the name and the "
            "folder.",
        ) from problem


class CommandSubject:
    """A command line that turns a file into another: WAV to dump, or dump to WAV."""

    is_command = True

    def __init__(
        self,
        line: str,
        *,
        side: Side = Side.ENCODER,
        limit_s: float = LIMIT_S,
        surroundings: Mapping[str, str] | None = None,
    ) -> None:
        self._line: Final = line
        self._side: Final = side
        self._limit_s: Final = limit_s
        self._surroundings: Final = dict(surroundings or {})
        self._words: Final = _split(line)
        known = _FILES if side is Side.DECODER else (*_FILES, *_TOLD, *_LOOP_PLACES)
        places = set(_PLACES.findall(line))
        if unknown := sorted(places - set(known)):
            raise Problem(
                f"the command line has a place {{{unknown[0]}}} that nothing is known for.",
                do=f"There are {', '.join(f'{{{name}}}' for name in known)}.",
            )
        if not set(_FILES) <= places:
            raise Problem(
                f"{line!r} has a place for {', '.join(sorted(places))}, but needs {{input}} and "
                "{output}.",
                do="Put {input} where the file to read goes and {output} where it is to write.",
            )
        loops = places >= set(_LOOP_PLACES)
        self.parameters: tuple[str, ...] = tuple(
            each
            for each in PARAMETERS
            if each in places or each == "rate" or (each == "loop" and loops)
        )
        """The rate is in the WAV file, whether it has a place or not."""

    def answer(self, task: AnyTask) -> CallAnswer:
        """Start the command for a task and return what it wrote."""
        with tempfile.TemporaryDirectory(prefix="dryload-") as folder:
            kinds = ("syx", "wav") if isinstance(task, DumpTask) else ("wav", "syx")
            source, target = (
                Path(folder, f"{name}.{kind}") for name, kind in zip(_FILES, kinds, strict=True)
            )
            source.write_bytes(task.data if isinstance(task, DumpTask) else _wav_of(task))
            filled = {"input": str(source), "output": str(target)}
            if isinstance(task, Task):
                filled |= _told_of(task)
            words = [_PLACES.sub(lambda found: filled[found[1]], word) for word in self._words]
            return self._run(words, target)

    def fresh(self, surroundings: Mapping[str, str] | None = None) -> "CommandSubject":
        """Return the same; a command remembers nothing but files."""
        return CommandSubject(
            self._line, side=self._side, limit_s=self._limit_s, surroundings=surroundings
        )

    def close(self) -> None:
        """Nothing is left of a command."""

    def _run(self, words: list[str], target: Path) -> CallAnswer:
        process = _started(
            words,
            stdin=subprocess.DEVNULL,
            stderr=subprocess.STDOUT,
            surroundings=self._surroundings,
        )
        try:
            output, _ = process.communicate(timeout=self._limit_s)
        except subprocess.TimeoutExpired:
            return CallAnswer(
                ending=CallEnding.HUNG, said=f"no end within {self._limit_s:g} s", lost=True
            )
        finally:
            _kill_group(process)
        said = " ".join(output.decode("utf-8", "replace").split())[-_LONGEST_SAID:]
        if process.returncode < 0:
            return CallAnswer(ending=CallEnding.CRASHED, said=_ended(process.returncode))
        if process.returncode:
            told = said or f"exit status {process.returncode}"
            return CallAnswer(ending=CallEnding.DECLINED, said=told)
        if not target.is_file():
            return CallAnswer(ending=CallEnding.NOTHING, said=said)
        return self._read(target.read_bytes(), said)

    def _read(self, content: bytes, said: str) -> CallAnswer:
        if self._side is Side.ENCODER:
            return CallAnswer(ending=CallEnding.MADE, data=content)
        try:
            heard = in_wav(content, said)
        except ValueError as problem:
            return CallAnswer(ending=CallEnding.CRASHED, said=str(problem))
        return CallAnswer(ending=CallEnding.MADE, data=as_bytes(heard), heard=heard)


def _wav_of(task: Task) -> bytes:
    from dryload.harness.files.audio_out import made

    rate = max(round(task.rate), 1)
    return made(task.words, bits=task.bits, channels=1, rate=rate, path="input.wav")


def _told_of(task: Task) -> dict[str, str]:
    """Return what stands for the places of a command line."""
    start, end, kind = task.loop_or_off
    return {
        "bits": str(task.bits),
        "rate": f"{task.rate:g}" if task.rate % 1 else str(round(task.rate)),
        "number": str(task.number),
        "device_id": str(task.device_id),
        "name": task.name,
        "loop_start": str(start),
        "loop_end": str(end),
        "loop_type": str(kind),
    }


def _kill_group(process: "subprocess.Popen[bytes]") -> None:
    """End a process and whatever it left running."""
    with suppress(OSError):
        if hasattr(os, "killpg"):
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    process.wait()


def _ended(status: int) -> str:
    if status >= 0:
        return f"its process ended with exit status {status}"
    with suppress(ValueError):
        return f"its process was ended by {signal.Signals(-status).name}"
    return f"its process was ended by signal {-status}"
