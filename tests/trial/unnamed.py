"""Encoders that are wrong in ways that no clause of the standard describes.

Above each: what the first sentence of a report has to be about, and the smallest input that shows
the mistake. Where the words of the dump are wrong, WRD-12 may be quoted.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from msgspec import structs

from tests.trial.plain import Asked, Plain, Words
from tests.trial.subject import Encoder, Subject, Table, as_bytes, call, given, spread

ROOT = Path(__file__).resolve().parents[2]
ONE_WORD = given([0])
_table = Table()
unnamed = _table.unnamed
SUBJECTS: list[Subject] = _table.subjects


@unnamed(
    "words",
    "every 1000th word one too large",
    given(spread(1000)),
    why="The joint between two buffers of 1000 words is counted twice.",
    clauses="WRD-12",
)
class EveryThousandth(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        changed = words.copy()
        changed[999::1000] += 1
        return super().offset_binary(np.minimum(changed, (1 << (bits - 1)) - 1), bits)


@unnamed(
    "words",
    "24 bits at 96,000 Hz lose their low byte",
    given([1], bits=24, rate=96000.0),
    why="One pair of width and rate has a path of its own.",
    clauses="WRD-12 WRD-09",
)
class OnePair(Plain):
    def messages(self, asked: Asked) -> list[bytes]:
        if (asked.bits, asked.rate) == (24, 96000.0):
            asked = structs.replace(asked, words=asked.words & ~0xFF)
        return super().messages(asked)


@unnamed(
    "words",
    "the words from 65,536 on are those from the beginning",
    given(spread(2**16 + 1)),
    why="The place of a word is kept in 16 bits.",
    clauses="WRD-12",
)
class SixteenBitPlaces(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        places = np.arange(len(words)).astype(np.uint16)
        return super().offset_binary(words[places], bits)


@unnamed(
    "state between calls",
    "each call returns the dumps of all calls before it too",
    ONE_WORD,
    ONE_WORD,
    why="The list of messages belongs to the encoder and is never emptied.",
    clauses="HDR-01",
)
class ListNeverEmptied(Plain):
    def __init__(self) -> None:
        self.kept: list[bytes] = []

    def messages(self, asked: Asked) -> list[bytes]:
        self.kept += super().messages(asked)
        return self.kept


def first_result_changes(encode: Encoder) -> bool:
    """Whether what one call returned is something else after another one."""
    first = call(encode, given([0]))
    before = as_bytes(first)
    call(encode, given([1, 2]))
    return as_bytes(first) != before


@unnamed(
    "returned object",
    "a dump changes when the next one is made",
    given([0]),
    given([1, 2]),
    why="Every call returns the one buffer of the encoder.",
    shown=first_result_changes,
)
class OneBuffer(Plain):
    def __init__(self) -> None:
        self.buffer = bytearray()

    def finish(self, messages: list[bytes]) -> object:
        self.buffer[:] = b"".join(messages)
        return self.buffer


@unnamed(
    "words of a view",
    "every second word of an array is read as its first half",
    given(np.array([0, 1, 2, 3], np.int32)[::2]),
    why="The memory behind the array is read from its beginning, without its strides.",
    clauses="WRD-12",
)
class MemoryBehind(Plain):
    def sample(self, words: object, bits: int) -> Words:
        array = np.asarray(words)
        whole = array if array.base is None else np.asarray(array.base).reshape(-1)
        return super().sample(whole[: len(array)], bits)


@unnamed(
    "words of another type",
    "64-bit words are read as two words each",
    given(np.array([1], np.int64)),
    why="The bytes of the array are taken for 32-bit integers, whatever its type.",
    clauses="WRD-12 HDR-06",
)
class BytesOfTheArray(Plain):
    def sample(self, words: object, bits: int) -> Words:
        return super().sample(np.frombuffer(np.asarray(words).tobytes(), np.int32), bits)


def changes_its_input(encode: Encoder) -> bool:
    """Whether the array that was handed over holds other words afterwards."""
    asked = given([0, 1])
    call(encode, asked)
    return not np.array_equal(asked.words, [0, 1])


@unnamed(
    "input changed",
    "the array that was handed over is offset binary afterwards",
    ONE_WORD,
    why="The offset is added in place, to save a copy. The first dump is right.",
    shown=changes_its_input,
)
class InPlace(Plain):
    def sample(self, words: object, bits: int) -> Words:
        kept = super().sample(words, bits)
        if isinstance(words, np.ndarray) and words.dtype == np.int32 and words.flags.writeable:
            words += 1 << (bits - 1)
        return kept


def differs_by_process(encode: Encoder) -> bool:
    """Whether four processes with four seeds of Python's hash give different dumps."""
    encoder = type(getattr(encode, "__self__"))  # noqa: B009 - a bound method of a class at the top
    code = (
        f"from {encoder.__module__} import {encoder.__name__} as encoder\n"
        "from tests.trial.subject import as_bytes, call, given, spread\n"
        "print(as_bytes(call(encoder().encode, given(spread(400)))).hex())"
    )
    dumps = {
        subprocess.run(
            [sys.executable, "-c", code],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
        ).stdout
        for seed in "1234"
    }
    return len(dumps) > 1


@unnamed(
    "not repeatable",
    "the lowest bit of some words depends on the seed of Python's hash",
    given([0]),
    why="Noise is drawn from the hash of each packet, which is another one in every process."
    " One word shows it in every second process.",
    clauses="WRD-12",
    shown=differs_by_process,
)
class NoiseFromHash(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        noisy = super().offset_binary(words, bits)
        for at in range(0, len(noisy), 40):
            noisy[at] ^= hash(noisy[at : at + 40].tobytes()) & 1
        return noisy


def differs_by_call(encode: Encoder) -> bool:
    """Whether ten equal calls give more than one dump."""
    asked = given(spread(64))
    return len({as_bytes(call(encode, asked)) for _ in range(10)}) > 1


@unnamed(
    "not repeatable",
    "the lowest bit of all words is noise that the clock sets",
    given([0]),
    why="Dither is seeded by the time of day. One word shows it in every second call.",
    clauses="WRD-12",
    shown=differs_by_call,
)
class NoiseFromClock(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        noise = np.random.default_rng(time.time_ns()).integers(0, 2, len(words))
        return super().offset_binary(words, bits) ^ noise
