"""Decoders to try a check of decoders on: each is the plain one with one step changed.

The labels were written before any report was read: `first` is what may rightly come first in a
report, a clause or, where no clause speaks of it, a kind of conduct.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from typing import Any, Literal, TypeVar

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from tests.oracle import DATA_BYTES
from tests.trial.plain_decoder import DamagedError, Header, Plain

Verdict = Literal["broken", "bent", "right"]


class Subject(Struct, frozen=True, kw_only=True):
    """A decoder, whether it is broken, only careless, or right, and what may be told first."""

    name: str
    make: Callable[[], Callable[[bytes], object]]
    verdict: Verdict
    first: tuple[str, ...] = ()


SUBJECTS: list[Subject] = []
Made = TypeVar("Made", bound=type[Plain])


def _entry(verdict: Verdict, first: str, name: str) -> Callable[[Made], Made]:
    def add(decoder: Made) -> Made:
        subject = Subject(
            name=name,
            make=lambda: decoder().decode,
            verdict=verdict,
            first=tuple(first.split(", ")) if first else (),
        )
        SUBJECTS.append(subject)
        return decoder

    return add


def broken(first: str, name: str) -> Callable[[Made], Made]:
    """It gives words or fields that do not stand in the dump."""
    return _entry("broken", first, name)


def bent(first: str, name: str) -> Callable[[Made], Made]:
    """It takes damage for granted, or refuses what is right: a weakness."""
    return _entry("bent", first, name)


def right(name: str) -> Callable[[Made], Made]:
    """Odd, and nothing broken may be said of it."""
    return _entry("right", "", name)


# Words, M1 p. 39.


@broken("WRD-04", "the low seven bits first")
class _LowFirst(Plain):
    def value(self, groups: bytes) -> int:
        return super().value(groups[::-1])


@broken("WRD-07", "two's complement")
class _TwosComplement(Plain):
    def signed(self, value: int, bits: int) -> int:
        half = 1 << (bits - 1)
        return (value ^ half) - half


@broken("WRD-07", "silence taken to be 0")
class _Unsigned(Plain):
    def signed(self, value: int, bits: int) -> int:
        return value


@broken("WRD-06", "words not pushed down")
class _NotPushed(Plain):
    def word(self, groups: bytes, bits: int) -> int:
        return self.signed(self.value(groups), bits)


@broken("WRD-03", "a byte more where the bytes are just filled")
class _ByteMore(Plain):
    def word_size(self, header: Header) -> int:
        return header.bits // 7 + 1


@broken("WRD-01", "three bytes for whatever is wider than 14 bits")
class _ThreeBytes(Plain):
    def word_size(self, header: Header) -> int:
        return min(super().word_size(header), 3)

    def word(self, groups: bytes, bits: int) -> int:
        unused = 7 * len(groups) - bits
        return self.signed(self.value(groups) << max(-unused, 0) >> max(unused, 0), bits)


@broken("WRD-02", "40 words in every packet")
class _Forty(Plain):
    def per_packet(self, header: Header) -> int:
        return min(40, super().per_packet(header))


@broken("WRD-12", "the lowest word held one too high")
class _Held(Plain):
    def signed(self, value: int, bits: int) -> int:
        return max(super().signed(value, bits), 1 - (1 << (bits - 1)))


@broken("WRD-12", "the words of the last packet once more from the one before")
class _Stale(Plain):
    def words(self, data: bytes, header: Header) -> list[int]:
        step = self.per_packet(header)
        words = super().words(data, header)
        return words[:-step] + words[-2 * step : -step] if len(words) > 2 * step else words


# Lengths.


@broken("WRD-13", "filler kept")
class _FillerKept(Plain):
    def cut(self, words: list[int], header: Header) -> list[int]:
        return words


@broken("HDR-07, HDR-06", "a short last packet left out")
class _LastLeftOut(Plain):
    def packets_of(self, header: Header) -> int:
        return header.words // self.per_packet(header)


@broken("HDR-06, HDR-07", "the length in 14 bits")
class _ShortLength(Plain):
    def header(self, message: bytes) -> Header:
        header = super().header(message)
        return replace(header, length=header.length & 0x3FFF)


@broken("HDR-06, HDR-07", "the last word left out")
class _WordLess(Plain):
    def cut(self, words: list[int], header: Header) -> list[int]:
        return words[: max(header.words - 1, 0)]


# The header, M1 p. 37.


@broken("HDR-02", "the bytes of the sample number exchanged")
class _NumberTurned(Plain):
    def result(self, words: list[int], header: Header, name: str) -> object:
        turned = (header.number >> 7) | (header.number & 0x7F) << 7
        return super().result(words, replace(header, number=turned), name)


@broken("HDR-12, HDR-05", "the bytes of the period in the other order")
class _PeriodTurned(Plain):
    def header(self, message: bytes) -> Header:
        turned = message[:7] + message[7:10][::-1] + message[10:] if len(message) == 21 else message
        return super().header(turned)


@broken("HDR-05", "the period taken for microseconds of a hundred")
class _OtherUnit(Plain):
    def rate(self, period: int) -> float:
        return super().rate(period) * 10


@broken("HDR-08", "loops that go back and forth taken for forward ones")
class _OneLoopType(Plain):
    def result(self, words: list[int], header: Header, name: str) -> object:
        start, end, kind = header.loop
        return super().result(words, replace(header, loop=(start, end, kind & 0x7E)), name)


@broken("HDR-09", "a loop that ends a word too late")
class _LoopLonger(Plain):
    def result(self, words: list[int], header: Header, name: str) -> object:
        start, end, kind = header.loop
        return super().result(words, replace(header, loop=(start, end + 1, kind)), name)


@broken("NAM-02, NAM-01", "the length of a name taken for its first sign")
class _NameLonger(Plain):
    def name(self, body: bytes) -> str:
        return body[5:].decode("ascii", "replace")


@broken("WRD-11, EXT-06", "one channel of several")
class _OneChannel(Plain):
    def cut(self, words: list[int], header: Header) -> list[int]:
        return super().cut(words, header)[:: header.channels]


@broken("EXT-02", "the fraction of a rate taken for its whole hertz")
class _RateTurned(Plain):
    def extended(self, message: bytes) -> Header:
        return super().extended(message[:8] + message[12:16] + message[8:12] + message[16:])


# Messages.


@broken("FRM-03, FRM-02", "real-time bytes counted as data")
class _RealTimeCounted(Plain):
    def messages(self, data: bytes) -> Iterator[bytes]:
        start = 0
        while (start := data.find(b"\xf0", start)) >= 0:
            end = data.find(b"\xf7", start)
            if end < 0:
                raise DamagedError("a message has no end")
            yield data[start : end + 1]
            start = end

    def check(self, packet: bytes, index: int) -> None:
        super().check(bytes(byte for byte in packet if byte < 0xF8), index)

    def words(self, data: bytes, header: Header) -> list[int]:
        low = bytes(byte & 0x7F for byte in data)
        return super().words(low + bytes(-len(low) % DATA_BYTES), header)


@bent("HSK-15", "a packet that comes again taken for a new one")
class _Doubled(Plain):
    def take(self, packets: list[bytes], packet: bytes) -> None:
        number = packets[-1][4] + 1 if packets else 0
        again = bool(packets) and packet == packets[-1]
        self.check(packet, number - again)
        packets.append(packet)


@bent("PKT-05", "checksums not looked at")
class _NoSums(Plain):
    def checksum(self, summed: bytes) -> int:
        return self.last

    def check(self, packet: bytes, index: int) -> None:
        self.last = packet[-2]
        super().check(packet, index)


@bent("PKT-03, PKT-10", "packet numbers not looked at")
class _NoNumbers(Plain):
    def check(self, packet: bytes, index: int) -> None:
        super().check(packet[:4] + bytes([packet[4]]) + packet[5:], packet[4])


@bent("PKT-10", "packets that are missing not missed")
class _NoneMissed(Plain):
    def is_cut_off(self, header: Header, packets: list[bytes]) -> bool:
        return False


@bent("HDR-03", "any width taken")
class _AnyWidth(Plain):
    def header(self, message: bytes) -> Header:
        header = super().header(message)
        return replace(header, bits=min(max(header.bits, 8), 28))


@bent("PKT-03, PKT-07", "packet numbers that begin again at 127")
class _WrapsEarly(Plain):
    def packet_number(self, index: int) -> int:
        return index % 127


# Conduct.


@broken("crashes", "breaks down at a dump that is cut off")
class _Crashes(Plain):
    def broken_off(self, message: bytes) -> None:
        if message:
            raise IndexError("list index out of range")


@broken("makes nothing", "gives nothing where it should say no")
class _Nothing(Plain):
    def decode(self, data: bytes) -> object:
        try:
            return super().decode(data)
        except DamagedError:
            return None


@broken("remembers", "words of the call before")
class _Remembers(Plain):
    def __init__(self) -> None:
        self.kept: list[int] = []

    def cut(self, words: list[int], header: Header) -> list[int]:
        before, self.kept = self.kept, words[:1]
        return before[:1] + words[1 : header.words] if header.words else []


@broken("changes what it returned", "one array for all calls")
class _OneArray(Plain):
    def __init__(self) -> None:
        self.array = np.zeros(1 << 22, np.int32)

    def result(self, words: list[int], header: Header, name: str) -> object:
        self.array[: len(words)] = words
        return self.array[: len(words)], header.bits, header.rate


# Odd, and right.


class _AsNumbers(Plain):
    def form(self, words: list[int], bits: int) -> tuple[Any, int]:
        return np.array(words, np.int32), bits

    def result(self, words: list[int], header: Header, name: str) -> object:
        given, bits = self.form(words, header.bits)
        return given, bits, header.rate


@right("as it stands in the standard")
class _Plain(Plain):
    pass


@right("a tuple with an array")
class _Tuple(_AsNumbers):
    pass


@right("numbers from -1 to 1 of 64 bits")
class _Floats(_AsNumbers):
    def form(self, words: list[int], bits: int) -> tuple[Any, int]:
        return np.array(words) / 2.0 ** (bits - 1), bits


@right("numbers from -1 to 1 of 32 bits")
class _Singles(_AsNumbers):
    def form(self, words: list[int], bits: int) -> tuple[Any, int]:
        return (np.array(words) / 2.0 ** (bits - 1)).astype(np.float32), bits


@right("left-justified in 32 bits")
class _LeftJustified(_AsNumbers):
    def form(self, words: list[int], bits: int) -> tuple[Any, int]:
        return np.array(words, np.int64) << (32 - bits), 32


@right("the upper 16 bits of wider words")
class _Narrow(_AsNumbers):
    def form(self, words: list[int], bits: int) -> tuple[Any, int]:
        array = np.array(words, np.int64)
        return (array >> (bits - 16), 16) if bits > 16 else (array << (16 - bits), 16)


@right("16 bits and nothing else")
class _Sixteen(Plain):
    def header(self, message: bytes) -> Header:
        header = super().header(message)
        if header.bits != 16:
            raise NotImplementedError(f"{header.bits} bits")
        return header


@right("nothing but a header and its packets")
class _Strict(Plain):
    def decode(self, data: bytes) -> object:
        if len(data) < 21 or (len(data) - 21) % 127 or any(byte >= 0xF8 for byte in data):
            raise ValueError("more than a dump")
        if any(data[at] != 0xF0 or data[at + 3] != 2 for at in range(21, len(data), 127)):
            raise ValueError("more than a dump")
        return super().decode(data)


@right("no more than 1,000 words")
class _Few(Plain):
    def header(self, message: bytes) -> Header:
        header = super().header(message)
        if header.words > 1_000:
            raise ValueError("too long")
        return header


@right("whole hertz")
class _WholeHertz(Plain):
    def rate(self, period: int) -> float:
        return float(int(super().rate(period)))


@right("rates in common use, where the period is that of one")
class _CommonRate(Plain):
    def rate(self, period: int) -> float:
        for rate in (8_000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000):
            if abs(1e9 / rate - period) < 1:
                return rate
        return super().rate(period)


@right("tells damage and reads on")
class _Tells(Plain):
    def check(self, packet: bytes, index: int) -> None:
        try:
            super().check(packet, index)
        except DamagedError as problem:
            warnings.warn(str(problem), stacklevel=2)

    def words(self, data: bytes, header: Header) -> list[int]:
        return super().words(data + bytes(-len(data) % DATA_BYTES), header)


@right("says how many words it read")
class _Chatty(Plain):
    def result(self, words: list[int], header: Header, name: str) -> object:
        print(f"{len(words)} words at {header.rate} Hz")
        return super().result(words, header, name)


@right("packets put in the order of their numbers")
class _Sorted(Plain):
    def check(self, packet: bytes, index: int) -> None:
        super().check(packet, packet[4])

    def packet_number(self, index: int) -> int:
        return index

    def words(self, data: bytes, header: Header) -> list[int]:
        return super().words(data, header)

    def decode(self, data: bytes) -> object:
        if b"\xf0" not in data[1:]:
            raise ValueError("no packets")
        head, *packets = data.split(b"\xf0")[1:]
        if len(packets) <= 128 and all(len(each) == 126 for each in packets):
            packets.sort(key=lambda each: each[3])
            if [each[3] for each in packets] != list(range(len(packets))):
                raise ValueError("a packet is missing")
            data = b"".join(b"\xf0" + each for each in (head, *packets))
        elif any(len(each) != 126 or each[3] != at % 128 for at, each in enumerate(packets)):
            raise ValueError("more than a dump")
        return super().decode(data)


@right("the last dump of the file")
class _LastDump(Plain):
    def decode(self, data: bytes) -> object:
        start = data.rfind(b"\xf0\x7e\x00\x01")
        return super().decode(data[start:] if start > 0 else data)


def __getattr__(name: str) -> Callable[[bytes], object]:
    """Decoder `d12` is the twelfth, for a process of its own."""
    if not name.startswith("d") or not name[1:].isdigit():
        raise AttributeError(name)
    return SUBJECTS[int(name[1:])].make()
