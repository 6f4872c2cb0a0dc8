"""The reference decoder: written from the standard alone, in steps of a few lines each.

A decoder that goes wrong in one place is a class that overrides one step.  It imports nothing of
the project; "M1" = MIDI 1.0 Detailed Specification 4.2.1, "CA-019" = Confirmation of Approval.
"""

from __future__ import annotations

import functools
import operator
from collections.abc import Iterator

from msgspec import Struct

from tests.oracle import DATA_BYTES, NO_LOOP, PACKET_BYTES, bytes_per_word, from_n7

REAL_TIME = 0xF8  # and above: may fall anywhere (M1 p. 30)


class Header(Struct, frozen=True, kw_only=True):
    """What a header says; `rate` in Hz."""

    number: int
    bits: int
    rate: float
    length: int
    loop: tuple[int, int, int]
    channels: int = 1

    @property
    def words(self) -> int:
        return self.length * self.channels


class DamagedError(ValueError):
    """The dump is not whole."""


class Plain:
    """Reads the first dump of a file; ValueError for one that is not whole."""

    def decode(self, data: bytes) -> object:
        header: Header | None = None
        packets: list[bytes] = []
        name = ""
        for message in self.messages(data):
            body = message[3:-1]
            if self.is_header(message):
                if header is not None and self.has_all(header, packets):
                    break  # the next dump
                header, packets = self.header(message), []
            elif body[:1] == b"\x02" and header is not None and not self.has_all(header, packets):
                self.take(packets, message)
            elif body[:2] == b"\x05\x03" and header is not None:
                name = self.name(body)
        if header is None:
            raise DamagedError("no header")
        if self.is_cut_off(header, packets):
            raise DamagedError("packets are missing")
        if header.bits not in range(8, 29) or header.rate == 0 or header.channels == 0:
            raise DamagedError("the header says what cannot be")
        words = self.words(b"".join(each[5:-2] for each in packets), header)
        return self.result(self.cut(words, header), header, name)

    # Messages, M1 pp. 29, 30 and T-8.

    def messages(self, data: bytes) -> Iterator[bytes]:
        message = bytearray()
        for byte in data:
            if self.is_left_out(byte):
                continue
            if byte == 0xF7 and message:
                yield from self.whole(bytes(message) + b"\xf7")
                message.clear()
            elif byte >= 0x80:
                self.broken_off(bytes(message))
                message = bytearray([byte] if byte == 0xF0 else [])
            elif message:
                message.append(byte)
        self.broken_off(bytes(message))

    def is_left_out(self, byte: int) -> bool:
        return byte >= REAL_TIME

    def whole(self, message: bytes) -> Iterator[bytes]:
        if len(message) > 4 and message[1] == 0x7E:
            yield message

    def broken_off(self, message: bytes) -> None:
        if message:
            raise DamagedError("a message has no end")

    # Headers, M1 p. 37 and CA-019 pp. 1-3.

    def is_header(self, message: bytes) -> bool:
        return message[3] == 0x01 or message[3:5] == b"\x05\x05"

    def header(self, message: bytes) -> Header:
        if message[3] == 0x05:
            return self.extended(message)
        if len(message) != 21:
            raise DamagedError("the header has another length")
        period = self.number(message[7:10])
        return Header(
            number=self.number(message[4:6]),
            bits=message[6],
            rate=self.rate(period),
            length=self.number(message[10:13]),
            loop=(self.number(message[13:16]), self.number(message[16:19]), message[19]),
        )

    def extended(self, message: bytes) -> Header:
        if len(message) != 34:
            raise DamagedError("the header has another length")
        return Header(
            number=self.number(message[5:7]),
            bits=message[7],
            rate=self.number(message[8:12]) + self.number(message[12:16]) / 2**28,
            length=self.number(message[16:21]),
            loop=(self.number(message[21:26]), self.number(message[26:31]), message[31]),
            channels=message[32],
        )

    def number(self, groups: bytes) -> int:
        return from_n7(groups)

    def rate(self, period: int) -> float:
        return 1e9 / period if period else 0.0

    # Packets, M1 pp. 37 and 39.

    def has_all(self, header: Header, packets: list[bytes]) -> bool:
        return len(packets) >= self.packets_of(header)

    def is_cut_off(self, header: Header, packets: list[bytes]) -> bool:
        return not self.has_all(header, packets)

    def packets_of(self, header: Header) -> int:
        return -(-header.words // self.per_packet(header)) if header.words else 0

    def per_packet(self, header: Header) -> int:
        return DATA_BYTES // self.word_size(header)

    def word_size(self, header: Header) -> int:
        return bytes_per_word(header.bits)

    def take(self, packets: list[bytes], packet: bytes) -> None:
        if packets and packet == packets[-1]:
            return  # it came again
        self.check(packet, len(packets))
        packets.append(packet)

    def check(self, packet: bytes, index: int) -> None:
        if len(packet) != PACKET_BYTES:
            raise DamagedError("a packet has another length")
        if self.checksum(packet[1:-2]) != packet[-2]:
            raise DamagedError("a checksum is wrong")
        if packet[4] != self.packet_number(index):
            raise DamagedError("a packet is missing")

    def checksum(self, summed: bytes) -> int:
        return functools.reduce(operator.xor, summed)

    def packet_number(self, index: int) -> int:
        return index % 128

    # Words, M1 p. 39.

    def words(self, data: bytes, header: Header) -> list[int]:
        size = self.word_size(header)
        used = self.per_packet(header) * size
        packets = [data[at : at + used] for at in range(0, len(data), DATA_BYTES)]
        return [
            self.word(packet[at : at + size], header.bits)
            for packet in packets
            for at in range(0, len(packet) - size + 1, size)
        ]

    def word(self, groups: bytes, bits: int) -> int:
        return self.signed(self.value(groups) >> (7 * len(groups) - bits), bits)

    def value(self, groups: bytes) -> int:
        return functools.reduce(lambda value, group: value << 7 | group, groups, 0)

    def signed(self, value: int, bits: int) -> int:
        return value - (1 << (bits - 1))

    def cut(self, words: list[int], header: Header) -> list[int]:
        return words[: header.words]

    # What is given back.

    def name(self, body: bytes) -> str:
        start = 5 + body[4]  # behind the tag (CA-019 p. 4)
        return body[start + 1 : start + 1 + body[start]].decode("ascii", "replace")

    def result(self, words: list[int], header: Header, name: str) -> object:
        loop = None if header.loop[2] == NO_LOOP else header.loop
        return {
            "words": words,
            "bits": header.bits,
            "rate": header.rate,
            "number": header.number,
            "loop": loop,
            "name": name,
        }


plain = Plain().decode
