"""Encoders that are wrong in one clause of the standard, as their authors would get it wrong.

Each is the reference encoder with one step changed. Above it: the clauses any one of which rightly
comes first in a report, and the smallest input (fewest words) that shows the mistake.
"""

from __future__ import annotations

import numpy as np

from tests.oracle import NO_LOOP, n7, n7_high_first
from tests.trial.plain import Asked, Extended, Plain, Words
from tests.trial.subject import Subject, Table, given, spread

ONE_WORD = given([0])
_table = Table()
broken = _table.broken
SUBJECTS: list[Subject] = _table.subjects


# The checksum, M1 p. 37.


@broken(
    "PKT-05",
    "checksum over the F0 as well",
    ONE_WORD,
    why="The loop over the message began at its first byte.",
)
class SumWithStart(Plain):
    def checksum(self, summed: bytes) -> int:
        return (super().checksum(summed) ^ 0xF0) & 0x7F


@broken(
    "PKT-05",
    "checksum added instead of exclusive-or",
    ONE_WORD,
    why="Other System Exclusive formats add their bytes up.",
)
class AddedSum(Plain):
    def checksum(self, summed: bytes) -> int:
        return sum(summed) & 0x7F


@broken(
    "PKT-05 DEV-04",
    "checksum taken before the device ID was filled in",
    given([0], device_id=1),
    why="The packet is built with device ID 0, and the ID is written into it at the end.",
)
class SumBeforeDeviceId(Plain):
    def checksum(self, summed: bytes) -> int:
        return super().checksum(summed[:1] + b"\x00" + summed[2:])


@broken(
    "PKT-05",
    "checksum runs on from packet to packet",
    given(spread(31, 28), bits=28),
    why="The sum is set to 0 once for the dump and not for every packet.",
)
class RunningSum(Plain):
    def packets(self, asked: Asked) -> list[bytes]:
        self.running = 0
        return super().packets(asked)

    def checksum(self, summed: bytes) -> int:
        self.running ^= super().checksum(summed)
        return self.running


# Packet numbers, M1 p. 39.


@broken("PKT-02", "packets counted from 1", ONE_WORD, why="A person counts from 1.")
class NumbersFromOne(Plain):
    def packet_number(self, index: int) -> int:
        return (index + 1) % 128


@broken(
    "PKT-03",
    "packet numbers wrap at 127",
    given(spread(127 * 30 + 1, 28), bits=28),
    why="The largest number was taken for the number of numbers: 00 follows 7E.",
)
class NumbersModulo127(Plain):
    def packet_number(self, index: int) -> int:
        return index % 127


@broken(
    "PKT-07 FRM-02",
    "packet numbers of eight bits",
    given(spread(128 * 30 + 1, 28), bits=28),
    why="The counter is an unsigned byte: the 129th packet is numbered 80, a status byte.",
)
class NumbersOfEightBits(Plain):
    def packet_number(self, index: int) -> int:
        return index % 256

    def checksum(self, summed: bytes) -> int:
        return super().checksum(summed) & 0x7F


@broken(
    "PKT-02",
    "packet numbers go on from the dump before",
    ONE_WORD,
    ONE_WORD,
    why="The counter belongs to the encoder and is never set back.",
)
class NumbersGoOn(Plain):
    sent = 0

    def packet_number(self, index: int) -> int:
        self.sent += 1
        return (self.sent - 1) % 128


# Words, M1 p. 39.


@broken(
    "WRD-04",
    "low seven bits of a word first",
    ONE_WORD,
    why="The fields of the header go that way round, so the words were sent like them.",
)
class LowGroupFirst(Plain):
    def in_groups(self, values: Words, size: int) -> bytes:
        right = np.frombuffer(super().in_groups(values, size), np.uint8)
        return right.reshape(-1, size)[:, ::-1].tobytes()


@broken(
    "WRD-06",
    "words justified to the right",
    ONE_WORD,
    why="The value is cut into groups of seven bits as it stands. 14, 21 and 28 bits are right.",
)
class RightJustified(Plain):
    def word_bytes(self, asked: Asked) -> bytes:
        values = self.offset_binary(asked.words, asked.bits)
        return self.in_groups(values, self.word_size(asked.bits))


@broken("WRD-07", "two's complement", ONE_WORD, why="The sign was left as the computer has it.")
class TwosComplement(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        return words & ((1 << bits) - 1)


@broken(
    "WRD-05",
    "unused low bits filled from the top of the word",
    ONE_WORD,
    why="That is how a picture's levels are widened, so that full scale stays full scale.",
)
class LowBitsFilled(Plain):
    def word_bytes(self, asked: Asked) -> bytes:
        size = self.word_size(asked.bits)
        values = self.offset_binary(asked.words, asked.bits)
        unused = 7 * size - asked.bits
        return self.in_groups(values << unused | values >> (asked.bits - unused), size)


@broken(
    "WRD-03 WRD-01 WRD-02",
    "a byte too many for 14, 21 and 28 bits",
    given([1, 1], bits=14),
    why="Rounding up was written as bits // 7 + 1. One word hides it: its third byte is 00, as the"
    " filler is.",
)
class ByteTooMany(Plain):
    def word_size(self, bits: int) -> int:
        return bits // 7 + 1


@broken(
    "WRD-01",
    "15 bits in two bytes",
    given([1], bits=15),
    why="The limit was taken for below 16 instead of up to 14, and the lowest bit is lost.",
)
class FifteenBitsInTwoBytes(Plain):
    def word_size(self, bits: int) -> int:
        return 2 if bits == 15 else super().word_size(bits)

    def word_bytes(self, asked: Asked) -> bytes:
        if asked.bits != 15:
            return super().word_bytes(asked)
        return self.in_groups(self.offset_binary(asked.words, 15) >> 1, 2)


@broken(
    "WRD-02 HDR-07 PKT-09",
    "forty words in every packet of two-byte words",
    given(spread(41, 14), bits=14),
    why="Forty words a packet was learnt from a 16-bit dump; the rest of the packet stays 00.",
)
class FortyWords(Plain):
    def words_per_packet(self, bits: int) -> int:
        return min(super().words_per_packet(bits), 40)


@broken(
    "WRD-10 WRD-12",
    "full scale wraps to the other end",
    given([32767]),
    why="The words are scaled from 32767 to 32768 steps, and the largest does not fit any more.",
)
class FullScaleWraps(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        top = (1 << (bits - 1)) - 1
        wrapped = np.where(words == top, -top - 1, words)
        return super().offset_binary(wrapped, bits)


@broken(
    "WRD-12",
    "words pass through 32-bit floating point",
    given([2**24 + 1], bits=26),
    why="A float32 keeps 24 bits, so large words of 26 bits and more lose their lowest ones.",
)
class ThroughFloat(Plain):
    def offset_binary(self, words: Words, bits: int) -> Words:
        top = (1 << (bits - 1)) - 1
        rounded = np.minimum(words.astype(np.float32).astype(np.int64), top)
        return super().offset_binary(rounded, bits)


@broken(
    "PKT-06 FRM-02",
    "words cut into eight bits a byte",
    ONE_WORD,
    why="The words go out as they lie in a file: data bytes reach FF.",
)
class EightBitBytes(Plain):
    def word_bytes(self, asked: Asked) -> bytes:
        size = self.word_size(asked.bits)
        values = self.offset_binary(asked.words, asked.bits) << (8 * size - asked.bits)
        return (
            np.stack([values >> (8 * place) & 0xFF for place in reversed(range(size))], axis=1)
            .astype(np.uint8)
            .tobytes()
        )

    def checksum(self, summed: bytes) -> int:
        return super().checksum(summed) & 0x7F


@broken(
    "HDR-03 WRD-05 WRD-01",
    "the width counted from 0",
    ONE_WORD,
    why="Many formats store a width less one. Words of 15 and 22 bits then seem a byte too long.",
)
class WidthLessOne(Plain):
    def bits_field(self, bits: int) -> bytes:
        return n7(bits - 1, 1)


# The last packet, M1 p. 39.


@broken(
    "PKT-08",
    "filler left over from the packet before",
    given(spread(31, 28), bits=28),
    why="One buffer is used for all packets and never cleared.",
)
class StaleFiller(Plain):
    def blocks(self, asked: Asked) -> list[bytes]:
        blocks = super().blocks(asked)
        used = len(asked.words) % self.words_per_packet(asked.bits) * self.word_size(asked.bits)
        if len(blocks) > 1 and used:
            blocks[-1] = blocks[-1][:used] + blocks[-2][used:]
        return blocks


@broken(
    "PKT-01 FRM-05",
    "last packet without filler",
    ONE_WORD,
    why="Only what there is was written.",
)
class ShortLastPacket(Plain):
    def filled(self, data: bytes) -> bytes:
        return data


# The header, M1 p. 37.


@broken(
    "HDR-02",
    "sample number high byte first",
    given([0], number=1),
    why="The words go that way round, so the number was sent like them. 0, 129, 258 ... are right.",
)
class NumberHighFirst(Plain):
    def number_field(self, number: int) -> bytes:
        return n7_high_first(number, 2)


@broken(
    "HDR-12",
    "period high byte first",
    ONE_WORD,
    why="One field of the header was written in the other order.",
)
class PeriodHighFirst(Plain):
    def rate_field(self, rate: float) -> bytes:
        return super().rate_field(rate)[::-1]


@broken(
    "HDR-05",
    "period in whole microseconds",
    ONE_WORD,
    why="1,000,000 // rate, and then times 1000: 44,100 Hz becomes 45,455 Hz.",
)
class WholeMicroseconds(Plain):
    def period(self, rate: float) -> int:
        return int(1e6 / rate) * 1000


@broken("HDR-06 HDR-07", "length in bytes", ONE_WORD, why="The length of the packed data is sent.")
class LengthInBytes(Plain):
    def length_field(self, asked: Asked) -> bytes:
        return n7(len(asked.words) * self.word_size(asked.bits), 3)


@broken(
    "HDR-13 HDR-06 HDR-07",
    "length cut to 14 bits",
    given(spread(2**14)),
    why="The length goes through the function that writes a sample number, with a 00 behind it.",
)
class LengthOfFourteenBits(Plain):
    def length_field(self, asked: Asked) -> bytes:
        return n7(len(asked.words) % 2**14, 2) + b"\x00"


@broken(
    "HDR-06 HDR-07",
    "length is the number of the last word",
    ONE_WORD,
    why="The last address of the sample was taken for its length.",
)
class LastAddress(Plain):
    def length_field(self, asked: Asked) -> bytes:
        return n7(max(len(asked.words) - 1, 0), 3)


@broken(
    "HDR-09",
    "loop end is the first word not played",
    given([0, 0], loop=(0, 1, 0x00)),
    why="Ranges in programs end before their end.",
)
class LoopEndExclusive(Plain):
    def loop_field(self, asked: Asked) -> bytes:
        start, end, kind = asked.loop
        right = super().loop_field(asked)
        return right if kind == NO_LOOP else n7(start, 3) + n7(end + 1, 3) + n7(kind, 1)


@broken(
    "HDR-10",
    "no loop said as a forward loop at 0",
    ONE_WORD,
    why="All fields that are not needed were left at 00.",
)
class NoLoopAsZeros(Plain):
    def loop_field(self, asked: Asked) -> bytes:
        right = super().loop_field(asked)
        return bytes(7) if asked.loop[2] == NO_LOOP else right


@broken(
    "HDR-15",
    "a packet of filler for a sample without words",
    given([]),
    why="At least one packet was thought to be needed.",
)
class PacketForNothing(Plain):
    def blocks(self, asked: Asked) -> list[bytes]:
        return super().blocks(asked) or [self.filled(b"")]


# Framing, M1 pp. 6, 29, 35.


@broken("FRM-01", "packets without F7", ONE_WORD, why="A packet of 126 bytes was counted out.")
class NoEnd(Plain):
    def packet(self, device_id: int, index: int, data: bytes) -> bytes:
        return super().packet(device_id, index, data)[:-1]


@broken(
    "DEV-03 DEV-04",
    "packets with device ID 0 whatever the header says",
    given([0], device_id=1),
    why="The ID was put into the header only. The checksum is right for the ID that is sent.",
)
class PacketsForDeviceZero(Plain):
    def packets(self, asked: Asked) -> list[bytes]:
        blocks = self.blocks(asked)
        return [self.packet(0, index, data) for index, data in enumerate(blocks)]


@broken(
    "FRM-07 FRM-10",
    "a line end behind every message",
    ONE_WORD,
    why="The messages were written as lines.",
)
class LineEnds(Plain):
    def finish(self, messages: list[bytes]) -> object:
        return b"".join(message + b"\x0a" for message in messages)


@broken(
    "FRM-05 PKT-01",
    "0D put in front of every 0A",
    given([0], number=10),
    why="The file was written in text mode on a system that does so. Dumps without 0A are right.",
)
class TextMode(Plain):
    def finish(self, messages: list[bytes]) -> object:
        return b"".join(messages).replace(b"\x0a", b"\x0d\x0a")


# How many packets, M1 p. 39.


@broken(
    "HDR-07 PKT-10",
    "last packet missing unless it is full",
    ONE_WORD,
    why="The number of packets is rounded down.",
)
class LastPacketMissing(Plain):
    def blocks(self, asked: Asked) -> list[bytes]:
        return super().blocks(asked)[: len(asked.words) // self.words_per_packet(asked.bits)]


@broken(
    "PKT-09 HDR-07",
    "a packet too many behind a full last packet",
    given(spread(30, 28), bits=28),
    why="Rounding up was written as length // words + 1.",
)
class PacketTooMany(Plain):
    def blocks(self, asked: Asked) -> list[bytes]:
        blocks = super().blocks(asked)
        full = len(asked.words) % self.words_per_packet(asked.bits) == 0
        return [*blocks, self.filled(b"")] if blocks and full else blocks


# The name, CA-019 p. 4.


@broken(
    "NAM-01 FRM-05",
    "name without the byte for its language tag",
    given([0], name="a"),
    why="The length of the name follows the sample number at once.",
)
class NoLanguageTag(Plain):
    def name_message(self, asked: Asked) -> bytes:
        right = super().name_message(asked)
        return right[:7] + right[8:]


@broken(
    "FRM-02 NAM-02",
    "name in UTF-8",
    given([0], name="é"),
    why="Text is UTF-8 everywhere else. ASCII names are right.",
)
class NameInUtf8(Plain):
    def name_message(self, asked: Asked) -> bytes:
        text = asked.name.encode("utf-8")
        fields = n7(asked.number, 2) + b"\x00" + n7(len(text), 1)
        return self.message(asked.device_id, b"\x05\x03" + fields + text)


@broken(
    "PKT-12",
    "name between header and packets",
    given([0], name="a"),
    why="All that is not sound was put in front of the sound.",
)
class NameBeforePackets(Plain):
    def messages(self, asked: Asked) -> list[bytes]:
        return [self.header(asked), *self.after(asked), *self.packets(asked)]


# The extended header, CA-019 pp. 1-3.


@broken(
    "EXT-02",
    "rate of the extended header high byte first",
    ONE_WORD,
    why="A whole number of four bytes was written in the other order.",
)
class ExtendedRateHighFirst(Extended):
    def rate_field(self, rate: float) -> bytes:
        right = super().rate_field(rate)
        return right[3::-1] + right[4:]
