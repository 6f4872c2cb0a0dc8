"""Encoders that are odd and right: no report may call their dumps broken.

Above each: a call with the oddity in it, the reason why it is right, and the clauses that a report
may remark on as a weakness or a note.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterable

import mido
import numpy as np

from tests.oracle import NO_LOOP, handshake, n7, n7_high_first
from tests.trial.plain import Asked, Extended, Loop, Plain, Words
from tests.trial.subject import Subject, Table, given, spread

_table = Table()
right = _table.right
SUBJECTS: list[Subject] = _table.subjects


# What the standard leaves open.


@right(
    "period rounded down",
    given([0]),
    why="M1 p. 37 names the unit and no rounding; HDR-05 is a recommendation, and 22,675 ns is less"
    " than one nanosecond off.",
    clauses="HDR-05",
)
class PeriodDown(Plain):
    def period(self, rate: float) -> int:
        return math.floor(1e9 / rate)


@right(
    "period rounded up",
    given([0], rate=48000.0),
    why="As with rounding down: 20,834 ns is less than one nanosecond off (HDR-05).",
    clauses="HDR-05",
)
class PeriodUp(Plain):
    def period(self, rate: float) -> int:
        return math.ceil(1e9 / rate)


@right(
    "real-time bytes inside the messages",
    given(spread(41)),
    why="FRM-02: F8 to FF may fall anywhere; they belong to no message and to no checksum.",
    clauses="FRM-02 FRM-03",
)
class ClockInside(Plain):
    def finish(self, messages: list[bytes]) -> object:
        return b"".join(message[:10] + b"\xf8" + message[10:] for message in messages)


@right(
    "extended header always",
    given([0]),
    why="CA-019 sets no sample apart that may not have it; EXT-08 is a recommendation.",
    clauses="EXT-08",
)
class AlwaysExtended(Extended):
    pass


@right(
    "loop points 0 and the length where the loop is off",
    given([0, 0]),
    why="HDR-09 speaks of a loop that is switched on; with type 7F the points mean nothing.",
)
class LoopPointsOfNoLoop(Plain):
    def loop_field(self, asked: Asked) -> bytes:
        written = super().loop_field(asked)
        if asked.loop[2] != NO_LOOP:
            return written
        return n7(0, 3) + n7(len(asked.words), 3) + n7(NO_LOOP, 1)


@right(
    "EOF behind the last packet",
    given([0]),
    why="HSK-18: none is needed, and one that comes after the last packet is only recorded.",
    clauses="HSK-18",
)
class EndOfFile(Plain):
    def packets(self, asked: Asked) -> list[bytes]:
        return [*super().packets(asked), handshake(device_id=asked.device_id, kind="EOF")]


@right(
    "sample number of the name high byte first",
    given([0], number=1, name="gulls"),
    why="CA-019's examples write sample 1 as 00 01, against the order of M1: both readings occur.",
    clauses="NAM-03",
)
class NameNumberHighFirst(Plain):
    def name_message(self, asked: Asked) -> bytes:
        written = super().name_message(asked)
        return written[:5] + n7_high_first(asked.number, 2) + written[7:]


@right(
    "name sent twice",
    given([0], name="ship's bell"),
    why="A name that comes again replaces itself; CA-019 p. 4 sets no number of them.",
)
class NameTwice(Plain):
    def after(self, asked: Asked) -> list[bytes]:
        return super().after(asked) * 2


# What an encoder need not be able to do.


@right(
    "no more than 16 bits",
    given([1], bits=12),
    declines=(given([1], bits=17), given([1], bits=24)),
    why="HDR-03 is the range of the field; nobody has to offer all of it.",
)
class UpToSixteen(Plain):
    def sample(self, words: object, bits: int) -> Words:
        if bits > 16:
            raise ValueError("this encoder has words of up to 16 bits")
        return super().sample(words, bits)


@right(
    "no names",
    given([1], name="thunder"),
    why="A name is an extension (CA-019 p. 4), and the encoder's signature has none.",
)
class NoNames:
    def encode(
        self,
        words: object,
        *,
        bits: int = 16,
        rate: float = 44100.0,
        number: int = 0,
        device_id: int = 0,
        loop: Loop | None = None,
    ) -> object:
        return Plain().encode(
            words, bits=bits, rate=rate, number=number, device_id=device_id, loop=loop
        )


@right(
    "loop always off",
    given([1, 2], loop=(0, 1, 0x00)),
    why="7F is a legal loop type (HDR-08), and the encoder's signature has no loop.",
)
class LoopAlwaysOff:
    def encode(
        self, words: object, *, bits: int = 16, rate: float = 44100.0, number: int = 0
    ) -> object:
        return Plain().encode(words, bits=bits, rate=rate, number=number)


@right(
    "device ID 7F always",
    given([1], device_id=5),
    why="7F addresses every device (M1 p. 35), and the encoder's signature has no device ID.",
)
class AllCall:
    def encode(
        self, words: object, *, bits: int = 16, rate: float = 44100.0, number: int = 0
    ) -> object:
        return Plain().encode(words, bits=bits, rate=rate, number=number, device_id=0x7F)


@right(
    "16 bits only, without a word about it",
    given(spread(41)),
    why="A signature without a width means that the encoder has one, and 16 is legal (HDR-03).",
)
class SixteenOnly:
    def encode(self, words: object, rate: float, number: int) -> object:
        return Plain().encode(words, rate=rate, number=number)


@right(
    "no empty sample",
    given([1]),
    declines=(given([]),),
    why="Length 0 is specified nowhere; HDR-15 only says what follows if it is sent.",
)
class NoEmptySample(Plain):
    def sample(self, words: object, bits: int) -> Words:
        checked = super().sample(words, bits)
        if not len(checked):
            raise ValueError("there is nothing to send")
        return checked


@right(
    "arrays of 32-bit integers only",
    given([1]),
    declines=(given(np.array([1], np.int64)), given(np.array([1], np.int16))),
    why="The standard knows words and no array types: saying no with TypeError is an answer.",
)
class OneTypeOnly(Plain):
    def sample(self, words: object, bits: int) -> Words:
        if not isinstance(words, np.ndarray) or words.dtype != np.int32:
            raise TypeError("the words have to be an array of int32")
        return super().sample(words, bits)


# How the dump is handed back, and how the words are taken.


@right(
    "a list of messages",
    given(spread(41)),
    why="The standard orders messages, not the form in which a program keeps them.",
)
class ListOfMessages(Plain):
    def finish(self, messages: list[bytes]) -> object:
        return messages


@right(
    "a list of mido messages",
    given(spread(41)),
    why="They stand for the same bytes: F0, the data and F7.",
)
class MidoMessages(Plain):
    def finish(self, messages: list[bytes]) -> object:
        return [mido.Message.from_bytes(list(message)) for message in messages]


@right("a bytearray", given(spread(41)), why="The same bytes in another type; a new one each time.")
class ByteArray(Plain):
    def finish(self, messages: list[bytes]) -> object:
        return bytearray(b"".join(messages))


@right(
    "slow: 20 ms for every call",
    given([1]),
    why="The standard times messages on the line; how long making them takes is nobody's business.",
)
class Slow(Plain):
    def sample(self, words: object, bits: int) -> Words:
        time.sleep(0.02)
        return super().sample(words, bits)


@right(
    "lists and floating point taken too, and too large words held at full scale",
    given(np.array([40000.0, -1.0])),
    why="The standard does not say what a program takes for words; overload may saturate (WRD-10).",
    clauses="WRD-10",
)
class Generous(Plain):
    def sample(self, words: object, bits: int) -> Words:
        if isinstance(words, Iterable):
            words = np.rint(np.asarray(list(words), float)).astype(np.int64)
        half = 1 << (bits - 1)
        return super().sample(np.clip(np.asarray(words), -half, half - 1), bits)
