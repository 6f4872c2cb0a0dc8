"""Many data packets at once, as rows of 127 bytes.

The vectorised twin of `codec` for the one message that a dump consists of; both read the same
layout.
"""

from collections.abc import Sequence
from functools import cache
from sys import byteorder
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dryload.emulator.wire.constants import (
    ALL_CALL,
    END,
    FAMILY,
    FILLER,
    PACKET_BYTES,
    PACKET_DATA_BYTES,
    PACKET_NUMBERS,
    PACKET_SUB_ID,
    START,
)
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import DataPacket
from dryload.emulator.wire.sizes import packets_for
from dryload.emulator.wire.words import DataBytes, Words, pack_words

_LAID: Final = 16  # rows of a block
_FIRST_STATUS: Final = 0x80  # PKT-06

Rows = NDArray[np.uint8]
"""Shape (packets, 127): one data packet a row, F0 and F7 included."""

_LAYOUT = FIXED[DataPacket]
DATA: Final = _LAYOUT.span("data")
DEVICE_ID: Final = _LAYOUT.span("device_id").start
NUMBER: Final = _LAYOUT.span("packet_number").start
CHECKSUM: Final = _LAYOUT.span("checksum").start

# Both are four bytes long and are handled as one integer a row.
_FRONT: Final = slice(0, NUMBER)  # F0 7E, device ID, 02
_SUMMED_FRONT: Final = slice(1, DATA.start)  # PKT-05: what the checksum takes in before the data


@cache
def _front(device_id: int) -> np.uint32:
    return np.uint32(int.from_bytes((START, FAMILY, device_id, PACKET_SUB_ID), byteorder))


_DEVICE_ID_BITS: Final = _front(0) ^ _front(0xFF)


def packet_rows(words: Words, bits: int, device_id: int) -> Rows:
    """Return the packets of a dump of `words`: numbers from 0, filler 00, checksums (M1 p. 39).

    ValueError where a word does not fit in `bits` significant bits or the device ID is above 127.
    """
    if not 0 <= device_id <= ALL_CALL:
        raise ValueError(f"device ID must be 0 to {ALL_CALL}, not {device_id}")
    packed = pack_words(words, bits)
    count = packets_for(words.size, bits)
    filler = count * PACKET_DATA_BYTES - packed.size
    if filler:
        words_end, packed = packed, np.empty(packed.size + filler, np.uint8)
        packed[:-filler] = words_end
        packed[-filler:] = FILLER
    data = packed.reshape(count, PACKET_DATA_BYTES)
    numbers = np.arange(count, dtype=np.uint32).astype(np.uint8) & np.uint8(PACKET_NUMBERS - 1)
    sums = _fold(_xor_of_data(data))
    sums ^= numbers
    sums ^= np.uint8(FAMILY ^ device_id ^ PACKET_SUB_ID)
    rows = np.empty((count, PACKET_BYTES), np.uint8)
    rows[:, DATA] = data
    rows[:, _FRONT].view(np.uint32)[:] = _front(device_id)
    rows[:, NUMBER] = numbers
    rows[:, CHECKSUM] = sums
    rows[:, -1] = END
    return rows


def data_of(rows: Rows) -> DataBytes:
    """Return the data bytes of `rows`, contiguous, shape (packets, 120)."""
    return np.ascontiguousarray(rows[:, DATA])


def checksums(rows: Rows, data: DataBytes | None = None) -> NDArray[np.uint8]:
    """Return the checksum that each row should carry; pass `data_of(rows)` where it is at hand."""
    total = _xor_of_data(data_of(rows) if data is None else data)
    total ^= rows[:, _SUMMED_FRONT].view(np.uint32)[:, 0]
    sums = _fold(total)
    sums &= np.uint8(0x7F)
    return sums


def _xor_of_data(data: DataBytes) -> NDArray[np.uint64]:
    """Return the XOR of the eights of data bytes of each row, not yet folded."""
    eights = data.view(np.uint64)
    total = eights[:, 0].copy()
    for column in range(1, eights.shape[1]):
        total ^= eights[:, column]
    return total


def _fold(integers: NDArray[np.unsignedinteger[Any]]) -> NDArray[np.uint8]:
    """Return the XOR of the bytes of each integer, half upon half; overwrites `integers`."""
    half = 4 * integers.itemsize
    while half >= 8:
        integers ^= integers >> integers.dtype.type(half)
        half //= 2
    return integers.astype(np.uint8)


def leading_packets(buffer: NDArray[np.uint8]) -> int:
    """Return how many whole, well-framed data packets stand back to back at the start of `buffer`.

    Well-framed: 127 bytes from F0 7E .. 02 to F7 with nothing above 7F between (PKT-01, PKT-06).
    Looks in growing steps, so that the cost follows the answer and not the length of the buffer.
    """
    found, step = 0, 4_096
    while True:
        rows = _as_rows(buffer, found, step)
        good = _well_framed(rows)
        found += good
        if good < step:
            return found
        step *= 8


def right_packets(packets: Sequence[bytes], number: int) -> int:
    """Return how many packets from the first on are right, and numbered from `number` upwards.

    Right: whole, well-framed (PKT-01, PKT-06), with their checksum (PKT-05), and all to the device
    ID of the first.  Looks in growing steps, so that the cost follows the answer.
    """
    found, step, device_id = 0, 16, np.uint8(0)
    while found < len(packets):
        part = packets[found : found + step]
        if any(len(packet) != PACKET_BYTES for packet in part):
            part = part[: next(at for at, one in enumerate(part) if len(one) != PACKET_BYTES)]
        rows = join(part)
        rows = rows[: _well_framed(rows)]
        right = checksums(rows) == rows[:, CHECKSUM]
        device_id = rows[0, DEVICE_ID] if len(rows) and not found else device_id
        right &= rows[:, DEVICE_ID] == device_id
        first = number + found
        right &= rows[:, NUMBER] == np.arange(first, first + len(rows)) % PACKET_NUMBERS
        good = len(rows) if right.all() else int(np.argmin(right))
        found += good
        if good < step:
            break
        step *= 8
    return found


def _as_rows(buffer: NDArray[np.uint8], skip: int, most: int) -> Rows:
    rest = buffer[skip * PACKET_BYTES : (skip + most) * PACKET_BYTES]
    return rest[: len(rest) // PACKET_BYTES * PACKET_BYTES].reshape(-1, PACKET_BYTES)


def _well_framed(rows: Rows) -> int:
    """Return how many rows from the first on are framed as data packets."""
    good = rows[:, _FRONT].view(np.uint32)[:, 0] & ~_DEVICE_ID_BITS == _front(0)
    good &= rows[:, -1] == END
    count = len(rows) if good.all() else int(np.argmin(good))
    if _all_clean(rows[:count]):
        return count
    statuses = rows[:count].view(np.int8) < 0
    return int(np.argmin(statuses.sum(axis=1) == 2))


def _all_clean(rows: Rows) -> bool:
    """Return whether nothing above 7F stands between the first and the last byte of any row.

    Blocks of rows are laid upon one another: long blocks are what numpy is quick with.
    """
    whole = len(rows) // _LAID * _LAID
    laid = np.bitwise_or.reduce(rows[:whole].reshape(-1, _LAID * PACKET_BYTES), axis=0)
    parts = (laid.reshape(_LAID, PACKET_BYTES), rows[whole:])
    return all(int(part[:, 1:-1].max(initial=0)) < _FIRST_STATUS for part in parts)


def join(rows: Sequence[bytes]) -> Rows:
    """Return whole packets of 127 bytes as rows."""
    return np.frombuffer(b"".join(rows), np.uint8).reshape(-1, PACKET_BYTES)
