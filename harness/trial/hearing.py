"""What a decoder gave back, in whatever form it may come: returned, or as a WAV file.

A function returns words, bits and rate, as a tuple or by these names in a mapping or an object,
which may have number, loop, name and warnings too.
"""

import io
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import soundfile
from numpy.typing import NDArray

from dryload.harness.trial.task import Heard, LoopAsked

_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_NEEDED: Final = ("words", "bits", "rate")


def returned(made: Any, said: str = "") -> Heard:
    """Return what a function returned, and what it said; TypeError where it is nothing known."""
    if isinstance(made, tuple | list):
        if len(made) < len(_NEEDED):
            raise TypeError("it returned no words, bits and rate")
        made = dict(zip(_NEEDED, made, strict=False))
    given: Any = made if isinstance(made, Mapping) else _Named(made)
    if missing := [name for name in _NEEDED if given.get(name) is None]:
        raise TypeError(f"what it returned has no {missing[0]}")
    number, name, warnings = (given.get(each) for each in ("number", "name", "warnings"))
    return Heard(
        words=_flat(given.get("words")),
        bits=int(given.get("bits")),
        rate=float(given.get("rate")),
        number=None if number is None else int(number),
        loop=_loop(given.get("loop")),
        name=None if name is None else str(name),
        warnings=f"{said} {warnings}".strip() if warnings else said,
    )


class _Named:
    """An object, asked like a mapping."""

    def __init__(self, thing: Any) -> None:
        self._thing = thing

    def get(self, name: str) -> Any:
        return getattr(self._thing, name, None)


def _flat(words: Any) -> NDArray[Any]:
    array = np.array(words)  # a copy: it may be used again
    if array.size == 0:
        return np.zeros(0, np.int32)
    if array.dtype.kind not in "iuf":
        raise TypeError(f"its words are {array.dtype}, not numbers")
    return array.reshape(-1)


def _loop(given: Any) -> LoopAsked | None:
    if given is None:
        return None
    start, end, kind = (int(each) for each in given)
    return start, end, kind


def in_wav(content: bytes, said: str = "") -> Heard:
    """Return what a WAV file holds; ValueError where it is none."""
    try:
        with soundfile.SoundFile(io.BytesIO(content)) as sound:
            bits = _BITS.get(sound.subtype)
            words = sound.read(dtype="int32" if bits else "float64", always_2d=True)
            rate = sound.samplerate
    except (RuntimeError, ValueError) as problem:
        raise ValueError(f"its WAV file cannot be read: {problem}") from problem
    if bits:
        words = words >> np.int32(32 - bits)
    return Heard(words=words.reshape(-1), bits=bits or 0, rate=rate, warnings=said)


def as_bytes(heard: Heard) -> bytes:
    """Return all of it as bytes, to see whether it is the same."""
    rest = heard.bits, heard.rate, heard.number, heard.loop, heard.name
    return heard.words.tobytes() + repr((heard.words.dtype.str, rest)).encode()
