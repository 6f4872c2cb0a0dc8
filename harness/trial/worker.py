"""The process in which a callable on trial runs: it may hang, crash, print and leave things behind.

Started as `python -m dryload.harness.trial.worker TARGET SIDE`; it is told tasks and tells answers,
each a pickle, on the standard input and output that it was started with.  What is on trial prints
to standard error.
"""

import importlib
import importlib.util
import inspect
import io
import logging
import os
import pickle
import queue
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from typing import IO, Any, Final

import numpy as np
from numpy.typing import NDArray

from dryload.emulator.wire.words import word_dtype
from dryload.harness.trial.hearing import as_bytes, returned
from dryload.harness.trial.task import (
    PARAMETERS,
    CallAnswer,
    CallEnding,
    DumpTask,
    Shape,
    Side,
    Task,
)

_Words = NDArray[np.signedinteger[Any]]
_SAYS_NO: Final = (ValueError, NotImplementedError)
_SAYS_NO_TO_FORMS: Final = (*_SAYS_NO, TypeError, OverflowError)


def found(target: str) -> Callable[..., Any]:
    """Return the callable of `module:function` or `file.py:function`."""
    place, _, name = target.rpartition(":")
    if place.endswith(".py"):
        spec = importlib.util.spec_from_file_location("on_trial", place)
        if spec is None or spec.loader is None:
            raise ImportError(f"{place} cannot be loaded")
        module = importlib.util.module_from_spec(spec)
        sys.modules["on_trial"] = module
        spec.loader.exec_module(module)
    else:
        sys.path.insert(0, os.getcwd())
        module = importlib.import_module(place)
    thing: Any = module
    for part in name.split("."):
        thing = getattr(thing, part)
    if not callable(thing):
        raise TypeError(f"{target} is not callable")
    called: Callable[..., Any] = thing
    return called


def known_parameters(function: Callable[..., Any]) -> tuple[str, ...]:
    """Return which of the parameters a function takes by keyword."""
    try:
        given = inspect.signature(function).parameters.values()
    except (TypeError, ValueError):  # some built-in functions don't say
        return PARAMETERS
    if any(each.kind is each.VAR_KEYWORD for each in given):
        return PARAMETERS
    taken = {
        each.name for each in given if each.kind in (each.KEYWORD_ONLY, each.POSITIONAL_OR_KEYWORD)
    }
    return tuple(name for name in PARAMETERS if name in taken)


def shaped(task: Task) -> Any:
    """Return the words of a task in the form that it asks for."""
    return _FORMS[task.shape](task.words.astype(np.int32), task.bits)


def _strided(words: _Words, _: int) -> _Words:
    spread = np.full(2 * len(words) + 1, -1, np.int32)
    spread[1::2] = words
    return spread[1::2]


def _frozen(words: _Words, _: int) -> _Words:
    words.flags.writeable = False
    return words


_FORMS: Final[Mapping[Shape, Callable[[_Words, int], Any]]] = {
    Shape.PLAIN: lambda words, _: words,
    Shape.WIDE: lambda words, _: words.astype(np.int64),
    Shape.NARROW: lambda words, bits: words.astype(word_dtype(bits)),
    Shape.STRIDED: _strided,
    Shape.BACKWARDS: lambda words, _: words[::-1].copy()[::-1],
    Shape.FROZEN: _frozen,
    Shape.OTHER_ENDIAN: lambda words, _: words.astype(words.dtype.newbyteorder()),
    Shape.LIST: lambda words, _: words.tolist(),
}


class Encoder:
    """A callable, called with what it can be told, and watched."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self._function = function
        self._known = known_parameters(function)
        self._last: tuple[Any, bytes] | None = None

    def answer(self, task: Task) -> CallAnswer:
        """Return what it makes of a task."""
        words = shaped(task)
        keywords = {name: getattr(task, name) for name in self._known}
        try:
            made = self._function(words, **keywords)
            data = b"" if made is None else _bytes_of(made)
        except Exception as problem:
            says_no = _SAYS_NO if task.shape is Shape.PLAIN else _SAYS_NO_TO_FORMS
            ending = CallEnding.DECLINED if isinstance(problem, says_no) else CallEnding.CRASHED
            return CallAnswer(ending=ending, said=f"{type(problem).__name__}: {problem}")
        earlier_changed = False
        if self._last is not None:
            earlier, was = self._last
            try:
                earlier_changed = _bytes_of(earlier) != was
            except Exception:
                earlier_changed = True
        keeps = not hasattr(made, "__next__")  # an iterator is used up
        self._last = (made, data) if keeps and made is not None else None
        return CallAnswer(
            ending=CallEnding.MADE if made is not None else CallEnding.NOTHING,
            data=data,
            input_changed=not np.array_equal(np.asarray(words), task.words),
            earlier_changed=earlier_changed,
        )


def _bytes_of(made: Any) -> bytes:
    """Return what was returned as bytes: bytes, or messages of mido or of bytes."""
    if isinstance(made, bytes | bytearray | memoryview):
        return bytes(made)
    if not isinstance(made, Iterable) or isinstance(made, str):
        raise RuntimeError(f"it returned {type(made).__name__}, not bytes or messages")
    parts: list[bytes] = []
    for each in made:
        if isinstance(each, bytes | bytearray | memoryview):
            parts.append(bytes(each))
        elif hasattr(each, "bin"):
            parts.append(bytes(each.bin()))
        else:
            raise RuntimeError(f"it returned a series of {type(each).__name__}, not of messages")
    return b"".join(parts)


class Decoder:
    """A callable, called with a dump, and watched."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self._function = function
        self._last: tuple[Any, bytes] | None = None

    def answer(self, task: DumpTask) -> CallAnswer:
        """Return what it makes of a dump."""
        try:
            with _overheard() as said:
                made = self._function(task.data)
        except Exception as problem:
            ending = CallEnding.DECLINED if isinstance(problem, _SAYS_NO) else CallEnding.CRASHED
            return CallAnswer(ending=ending, said=f"{type(problem).__name__}: {problem}")
        if made is None:
            return CallAnswer(ending=CallEnding.NOTHING)
        try:
            heard = returned(made, " ".join(said.getvalue().split()))
        except (TypeError, ValueError, OverflowError) as problem:
            return CallAnswer(ending=CallEnding.CRASHED, said=str(problem))
        earlier_changed = False
        if self._last is not None:
            earlier, was = self._last
            earlier_changed = as_bytes(returned(earlier)) != was
        self._last = made, as_bytes(returned(made))
        return CallAnswer(
            ending=CallEnding.MADE,
            data=as_bytes(heard),
            heard=heard,
            earlier_changed=earlier_changed,
        )


@contextmanager
def _overheard() -> Iterator[io.StringIO]:
    """Yield what is written, warned of and logged meanwhile."""
    said = io.StringIO()
    handler = logging.StreamHandler(said)
    logging.getLogger().addHandler(handler)
    try:
        with redirect_stdout(said), redirect_stderr(said), warnings.catch_warnings():
            warnings.simplefilter("always")
            warnings.showwarning = lambda message, *_: print(message, file=said)
            yield said
    finally:
        logging.getLogger().removeHandler(handler)


def main() -> None:
    """Serve until the pipe is closed."""
    told, tell = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    shift_s = float(os.environ.get("DRYLOAD_TRIAL_CLOCK", "0"))
    if shift_s:
        real = time.time
        time.time = lambda: real() + shift_s
        real_ns = time.time_ns
        time.time_ns = lambda: real_ns() + round(shift_s * 1e9)
    try:
        function = found(sys.argv[1])
        first: Any = known_parameters(function)
    except BaseException as problem:
        function, first = None, f"{type(problem).__name__}: {problem}"
    pickle.dump(first, tell)
    tell.flush()
    if function is None:
        return
    asked: Any = Encoder(function) if sys.argv[2] == Side.ENCODER else Decoder(function)
    tasks: queue.SimpleQueue[Any] = queue.SimpleQueue()
    threading.Thread(target=_hear, args=(told, tasks), daemon=True).start()
    while True:
        pickle.dump(asked.answer(tasks.get()), tell)
        tell.flush()


def _hear(told: IO[bytes], tasks: "queue.SimpleQueue[Any]") -> None:
    """Pass tasks on; where nobody is left to ask, end the process, whatever it is doing."""
    try:
        while True:
            tasks.put(pickle.load(told))
    except BaseException:
        os._exit(0)


if __name__ == "__main__":
    main()
