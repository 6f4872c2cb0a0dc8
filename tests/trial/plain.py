"""The reference encoder: written from the standard alone, in steps of a few lines each.

An encoder that goes wrong in one place is a class that overrides one step.
It imports nothing of the project; "M1" = MIDI 1.0 Detailed Specification 4.2.1, "CA-019" =
Confirmation of Approval.
"""

from __future__ import annotations

import functools
import math
import operator

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from tests.oracle import DATA_BYTES, NO_LOOP, bytes_per_word, n7

Words = NDArray[np.int64]
Loop = tuple[int, int, int]
"""First word, last word, loop type (00 forward, 01 backward/forward, 7F off)."""


class Asked(Struct, frozen=True, kw_only=True, eq=False):
    """What one call asks for, checked: mono words, width, rate in Hz and the rest of a header."""

    words: Words
    bits: int
    rate: float
    number: int
    device_id: int
    loop: Loop
    name: str


class Plain:
    """Header, packets and, where there is a name, a Sample Name Transmission after them.

    `encode` declines with ValueError what the standard header or a word cannot say.
    """

    def encode(
        self,
        words: object,
        *,
        bits: int = 16,
        rate: float = 44100.0,
        number: int = 0,
        device_id: int = 0,
        loop: Loop | None = None,
        name: str = "",
    ) -> object:
        asked = Asked(
            words=self.sample(words, bits),
            bits=bits,
            rate=rate,
            number=number,
            device_id=device_id,
            loop=loop or (0, 0, NO_LOOP),
            name=name,
        )
        return self.finish(self.messages(asked))

    def sample(self, words: object, bits: int) -> Words:
        array = np.asarray(words)
        bytes_per_word(bits)  # ValueError unless 8 to 28
        if array.ndim != 1:
            raise ValueError("the words are not one row")
        if array.size and array.dtype.kind not in "iu":
            raise TypeError("the words are not whole numbers")
        half = 1 << (bits - 1)
        if array.size and (int(array.min()) < -half or int(array.max()) >= half):
            raise ValueError(f"a word does not fit {bits} bits")
        return array.astype(np.int64)

    def messages(self, asked: Asked) -> list[bytes]:
        return [self.header(asked), *self.packets(asked), *self.after(asked)]

    def finish(self, messages: list[bytes]) -> object:
        return b"".join(messages)

    def message(self, device_id: int, rest: bytes) -> bytes:
        return b"\xf0\x7e" + n7(device_id, 1) + rest + b"\xf7"

    # The header, M1 p. 37.

    def header(self, asked: Asked) -> bytes:
        fields = self.number_field(asked.number) + self.bits_field(asked.bits)
        fields += self.rate_field(asked.rate) + self.length_field(asked) + self.loop_field(asked)
        return self.message(asked.device_id, b"\x01" + fields)

    def number_field(self, number: int) -> bytes:
        return n7(number, 2)

    def bits_field(self, bits: int) -> bytes:
        return n7(bits, 1)

    def rate_field(self, rate: float) -> bytes:
        if not (math.isfinite(rate) and rate > 0):
            raise ValueError(f"{rate} Hz is no sample rate")
        period = self.period(rate)
        if period == 0:
            raise ValueError(f"{rate} Hz is too fast for a period in nanoseconds")
        return n7(period, 3)

    def period(self, rate: float) -> int:
        return math.floor(1e9 / rate + 0.5)

    def length_field(self, asked: Asked) -> bytes:
        return n7(len(asked.words), 3)

    def loop_field(self, asked: Asked) -> bytes:
        start, end, kind = asked.loop
        if kind not in (0x00, 0x01, NO_LOOP):
            raise ValueError(f"{kind} is no loop type")
        if kind != NO_LOOP and not start <= end < len(asked.words):
            raise ValueError("the loop is not inside the sample")
        return n7(start, 3) + n7(end, 3) + n7(kind, 1)

    # Packets and words, M1 pp. 37 and 39.

    def packets(self, asked: Asked) -> list[bytes]:
        blocks = self.blocks(asked)
        return [self.packet(asked.device_id, index, data) for index, data in enumerate(blocks)]

    def blocks(self, asked: Asked) -> list[bytes]:
        data = self.word_bytes(asked)
        step = self.words_per_packet(asked.bits) * self.word_size(asked.bits)
        return [self.filled(data[at : at + step]) for at in range(0, len(data), step)]

    def words_per_packet(self, bits: int) -> int:
        return DATA_BYTES // self.word_size(bits)

    def filled(self, data: bytes) -> bytes:
        return data.ljust(DATA_BYTES, b"\x00")

    def packet(self, device_id: int, index: int, data: bytes) -> bytes:
        front = bytes([0x7E, device_id, 0x02, self.packet_number(index)])
        return b"\xf0" + front + data + bytes([self.checksum(front + data)]) + b"\xf7"

    def packet_number(self, index: int) -> int:
        return index % 128

    def checksum(self, summed: bytes) -> int:
        """`summed` is a packet from 7E to its last data byte."""
        return functools.reduce(operator.xor, summed)

    def word_size(self, bits: int) -> int:
        return bytes_per_word(bits)

    def word_bytes(self, asked: Asked) -> bytes:
        size = self.word_size(asked.bits)
        unused = 7 * size - asked.bits
        return self.in_groups(self.offset_binary(asked.words, asked.bits) << unused, size)

    def offset_binary(self, words: Words, bits: int) -> Words:
        return words + (1 << (bits - 1))

    def in_groups(self, values: Words, size: int) -> bytes:
        groups = [values >> (7 * place) & 0x7F for place in reversed(range(size))]
        return np.stack(groups, axis=1).astype(np.uint8).tobytes()

    # The name, CA-019 p. 4.

    def after(self, asked: Asked) -> list[bytes]:
        return [self.name_message(asked)] if asked.name else []

    def name_message(self, asked: Asked) -> bytes:
        text = self.name_bytes(asked.name)
        fields = n7(asked.number, 2) + b"\x00" + n7(len(text), 1) + text
        return self.message(asked.device_id, b"\x05\x03" + fields)

    def name_bytes(self, name: str) -> bytes:
        if not name.isprintable():
            raise ValueError("the name has signs that cannot be printed")
        return name.encode("ascii")  # what is not ASCII raises a kind of ValueError


class Extended(Plain):
    """The same with the Extended Dump Header, always; CA-019 pp. 1-3."""

    def header(self, asked: Asked) -> bytes:
        fields = self.number_field(asked.number) + self.bits_field(asked.bits)
        fields += self.rate_field(asked.rate) + self.length_field(asked) + self.loop_field(asked)
        return self.message(asked.device_id, b"\x05\x05" + fields + self.channels_field())

    def rate_field(self, rate: float) -> bytes:
        if not (math.isfinite(rate) and rate > 0):
            raise ValueError(f"{rate} Hz is no sample rate")
        whole, fraction = divmod(round(rate * 2**28), 2**28)
        return n7(whole, 4) + n7(fraction, 4)

    def length_field(self, asked: Asked) -> bytes:
        return n7(len(asked.words), 5)

    def loop_field(self, asked: Asked) -> bytes:
        super().loop_field(asked)  # the same checks
        start, end, kind = asked.loop
        return n7(start, 5) + n7(end, 5) + n7(kind, 1)

    def channels_field(self) -> bytes:
        return n7(1, 1)
