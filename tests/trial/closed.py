"""More of the same kinds, which were closed to whoever worked on the check until it was done.

What the check said of them at first sight stands in the guide for contributors.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator

import mido
import numpy as np
from msgspec import structs

from tests.oracle import NO_LOOP, n7
from tests.trial.plain import Asked, Extended, Plain, Words
from tests.trial.subject import Encoder, Subject, Table, as_bytes, call, given, spread

ONE_WORD = given([0])
_broken, _unnamed, _right = Table(), Table(), Table()
broken, unnamed, right = _broken.broken, _unnamed.unnamed, _right.right


# Wrong in one clause.


@broken(
    "PKT-05",
    "checksum from the packet number on",
    ONE_WORD,
    why="F0 7E ID 02 was taken for the envelope, and the sum begins at the packet number.",
)
class SumFromNumber(Plain):
    def checksum(self, summed: bytes) -> int:
        return super().checksum(summed[3:])


@broken(
    "PKT-03",
    "packet number 01 follows 7F",
    given(spread(128 * 30 + 1, 28), bits=28),
    why="00 was kept for the first packet of a dump.",
)
class NumbersSkipZero(Plain):
    def packet_number(self, index: int) -> int:
        return index if index < 128 else (index - 1) % 127 + 1


@broken(
    "WRD-01",
    "22 bits in three bytes",
    given([1], bits=22),
    why="The limit was taken for up to 22 instead of up to 21, and the lowest bit is lost.",
)
class TwentyTwoInThree(Plain):
    def word_size(self, bits: int) -> int:
        return 3 if bits == 22 else super().word_size(bits)

    def word_bytes(self, asked: Asked) -> bytes:
        if asked.bits != 22:
            return super().word_bytes(asked)
        return self.in_groups(self.offset_binary(asked.words, 22) >> 1, 3)


@broken(
    "WRD-12",
    "lowest value held one step above full scale",
    given([-32768]),
    why="The limits are the same on both sides: -32767 to 32767.",
)
class SymmetricLimits(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        return super().offset_binary(np.maximum(words, 1 - (1 << (bits - 1))), bits)


@broken(
    "PKT-08",
    "last packet filled with the last word",
    ONE_WORD,
    why="Holding the last value was meant to avoid a click.",
)
class FilledWithLastWord(Plain):
    def blocks(self, asked: Asked) -> list[bytes]:
        blocks, size = super().blocks(asked), self.word_size(asked.bits)
        used = len(asked.words) % self.words_per_packet(asked.bits) * size
        if used:
            last = blocks[-1]
            blocks[-1] = last[:used] + last[used - size : used] * ((len(last) - used) // size)
        return blocks


@broken(
    "HDR-02",
    "sample number cut to seven bits",
    given([0], number=128),
    why="The number was thought to be one byte with a 00 behind it.",
)
class NumberOfSevenBits(Plain):
    def number_field(self, number: int) -> bytes:
        return n7(number % 128, 1) + b"\x00"


COMMON = (8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 176400, 192000)


@broken(
    "HDR-05",
    "period of the nearest common rate",
    given([0], rate=44100 / 1.001),
    why="The period is looked up in a table, and every other rate is taken for its neighbour.",
)
class TableOfRates(Plain):
    def period(self, rate: float) -> int:
        return super().period(float(min(COMMON, key=lambda common: abs(common - rate))))


@broken(
    "HDR-12",
    "loop points high byte first",
    given([0, 0], loop=(0, 1, 0x00)),
    why="The two fields were written by another hand than the rest of the header.",
)
class LoopPointsHighFirst(Plain):
    def loop_field(self, asked: Asked) -> bytes:
        written = super().loop_field(asked)
        return written[2::-1] + written[5:2:-1] + written[6:]


@broken(
    "NAM-01 FRM-05 NAM-02",
    "name with a 00 at its end that its length does not count",
    given([0], name="a"),
    why="The text was copied with the end that C puts behind it.",
)
class NameWithZero(Plain):
    def name_message(self, asked: Asked) -> bytes:
        return super().name_message(asked)[:-1] + b"\x00\xf7"


@broken(
    "EXT-05",
    "extended header with 0 channels",
    ONE_WORD,
    why="Mono was thought to be 0, stereo 1.",
)
class NoChannels(Extended):
    def channels_field(self) -> bytes:
        return n7(0, 1)


# Wrong in ways that no clause describes.


def differs_by_language(encode: Encoder) -> bool:
    """Whether another language of the system gives another dump."""
    before, dumps = os.environ.get("LC_ALL"), set()
    try:
        for language in ("C", "de_DE.UTF-8"):
            os.environ["LC_ALL"] = language
            dumps.add(as_bytes(call(encode, given([0], rate=11025.5))))
    finally:
        if before is None:
            del os.environ["LC_ALL"]
        else:
            os.environ["LC_ALL"] = before
    return len(dumps) > 1


@unnamed(
    "environment",
    "the fraction of the rate is lost where the system writes a decimal comma",
    given([0], rate=11025.5),
    why="The rate goes through text, whose comma depends on LC_ALL, LC_NUMERIC or LANG.",
    clauses="HDR-05",
    shown=differs_by_language,
)
class DecimalComma(Plain):
    def period(self, rate: float) -> int:
        names = ("LC_ALL", "LC_NUMERIC", "LANG")
        language = next((os.environ[name] for name in names if os.environ.get(name)), "C")
        text = f"{rate:.3f}"
        if language[:2] in ("de", "fr", "es", "it", "nl", "pl", "sv", "da", "fi", "nb", "cs", "pt"):
            text = text.replace(".", ",")
        whole, point, fraction = text.partition(".")
        return super().period(float(whole + point + fraction if point else whole.partition(",")[0]))


@unnamed(
    "words",
    "negative words one too large",
    given([-1]),
    why="Half is added before the fraction is cut off, which rounds up below zero.",
    clauses="WRD-12",
)
class RoundedUpBelowZero(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        return super().offset_binary((words + 0.5).astype(np.int64), bits)


@unnamed(
    "packets",
    "the last packet stands twice",
    ONE_WORD,
    why="The buffer is written once when it is full or done, and once more on closing.",
    clauses="PKT-09 HDR-07 PKT-11 PKT-03",
)
class LastPacketTwice(Plain):
    def packets(self, asked: Asked) -> list[bytes]:
        written = super().packets(asked)
        return written + written[-1:]


@unnamed(
    "packets",
    "packets with the data of the one before are left out",
    given([0] * 60, bits=28),
    why="A filter against doubled packets compares their data and not their numbers.",
    clauses="PKT-10 PKT-03 HDR-07",
)
class EqualPacketsDropped(Plain):
    def packets(self, asked: Asked) -> list[bytes]:
        kept: list[bytes] = []
        for message in super().packets(asked):
            if not kept or message[5:125] != kept[-1][5:125]:
                kept.append(message)
        return kept


@unnamed(
    "words",
    "silence comes out as full-scale negative",
    ONE_WORD,
    why="A sample whose peak is 0 takes a short way that leaves all bytes at 00.",
    clauses="WRD-08 WRD-12 WRD-07",
)
class SilenceAsZeros(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        return super().offset_binary(words, bits) if words.any() else words


# Odd and right.


@right(
    "active sensing between the messages",
    given(spread(41)),
    why="FE is a real-time byte, which may stand anywhere (FRM-02).",
    clauses="FRM-02 FRM-03",
)
class SensingBetween(Plain):
    def finish(self, messages: list[bytes]) -> object:
        return b"\xfe" + b"\xfe\xfe".join(messages) + b"\xfe"


@right(
    "names declined",
    given([1]),
    declines=(given([1], name="gulls"),),
    why="A name is an extension (CA-019 p. 4); saying no is an answer.",
)
class NamesDeclined(Plain):
    def name_message(self, asked: Asked) -> bytes:
        raise NotImplementedError("this encoder sends no names")


@right(
    "no more than 100,000 words",
    given([1]),
    declines=(given(np.zeros(100_001, np.int32)),),
    why="HDR-06 is the range of the field; nobody has to offer all of it.",
)
class NoLongSamples(Plain):
    def sample(self, words: object, bits: int) -> Words:
        checked = super().sample(words, bits)
        if len(checked) > 100_000:
            raise ValueError("more than 100,000 words")
        return checked


@right(
    "a generator of mido messages",
    given(spread(41)),
    why="They come one by one and stand for the same bytes.",
)
class GeneratedMessages(Plain):
    def finish(self, messages: list[bytes]) -> Iterator[mido.Message]:
        return (mido.Message.from_bytes(message) for message in messages)


@right(
    "loop sent once more as loop 0 behind the dump",
    given([1, 2], loop=(0, 1, 0x01)),
    why="LOP-02: loop 0 is the sustain loop of the header, and both say the same.",
    clauses="LOP-02 LOP-03",
)
class LoopAsMessageToo(Plain):
    def after(self, asked: Asked) -> list[bytes]:
        if asked.loop[2] == NO_LOOP:
            return super().after(asked)
        start, end, kind = asked.loop
        fields = n7(asked.number, 2) + n7(0, 2) + n7(kind, 1) + n7(start, 3) + n7(end, 3)
        return [self.message(asked.device_id, b"\x05\x01" + fields), *super().after(asked)]


@right(
    "half a nanosecond rounded to the even number",
    given([0], rate=25600.0),
    why="39,062.5 ns is as near to 39,062 as to 39,063 (HDR-05).",
)
class HalvesToEven(Plain):
    def period(self, rate: float) -> int:
        return round(1e9 / rate)


@right(
    "one rate only, 44,100 Hz, without a word about it",
    given([1, 2], rate=8000.0),
    why="A signature without a rate means that the encoder has one.",
)
class OneRate:
    def encode(self, words: object, *, bits: int = 16, number: int = 0) -> object:
        return Plain().encode(words, bits=bits, number=number)


@right(
    "dumps kept and handed out again for equal calls",
    given([1, 2]),
    why="Bytes cannot be changed, so that the same object may be returned twice.",
)
class Remembered(Plain):
    def __init__(self) -> None:
        self.known: dict[tuple[object, ...], object] = {}

    def messages(self, asked: Asked) -> list[bytes]:
        self.asked = asked
        return super().messages(asked)

    def finish(self, messages: list[bytes]) -> object:
        settings = structs.asdict(self.asked)
        key = (settings.pop("words").tobytes(), *settings.values())
        if key not in self.known:
            self.known[key] = super().finish(messages)
        return self.known[key]


@right(
    "tells on standard output and standard error what it does",
    given(spread(41)),
    why="The standard is about the bytes of the dump.",
)
class Talkative(Plain):
    def packets(self, asked: Asked) -> list[bytes]:
        written = super().packets(asked)
        print(f"{len(asked.words)} words in {len(written)} packets")
        print("100 %", file=sys.stderr)
        return written


@right(
    "all settings in one ** parameter, words by place only",
    given([1, 2], number=300, device_id=5, loop=(0, 1, 0x00)),
    why="The names of the arguments are the same; only the signature is another.",
)
class AnySettings:
    def encode(self, samples: object, /, **settings: object) -> object:
        return Plain().encode(samples, **settings)  # type: ignore[arg-type]


BROKEN: tuple[Subject, ...] = tuple(_broken.subjects)
UNNAMED: tuple[Subject, ...] = tuple(_unnamed.subjects)
RIGHT: tuple[Subject, ...] = tuple(_right.subjects)
ALL: tuple[Subject, ...] = BROKEN + UNNAMED + RIGHT
