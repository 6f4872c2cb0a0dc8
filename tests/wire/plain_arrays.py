"""The plain codec for very many words: whole arrays, a byte at a time, by plain arithmetic.

Written from the published text alone, as `tests/oracle.py` is, and held against it by
`test_every_value.py`; it shares nothing with the project.
"M1" = MIDI 1.0 Detailed Specification 4.2.1, printed pages.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.signedinteger[Any]]
Bytes = NDArray[np.uint8]


def word_bytes(words: Integers, bits: int) -> Bytes:
    """Signed words as bytes, shape (words, 2 to 4): high 7 bits first (M1 p. 39)."""
    size = 2 if bits <= 14 else 3 if bits <= 21 else 4
    value = words.astype(np.int64) + 2 ** (bits - 1)  # offset binary
    value *= 2 ** (7 * size - bits)  # pushed to the left; the unused low bits are 0
    columns = [value // 128**place % 128 for place in reversed(range(size))]
    return np.stack(columns, axis=1).astype(np.uint8)


def packets(words: Integers, bits: int, device_id: int) -> Bytes:
    """All packets of a sample, shape (packets, 127), numbered 00 ... 7F, 00 (M1 pp. 37, 39)."""
    data = word_bytes(words, bits).reshape(-1)
    filler = np.zeros(-data.size % 120, np.uint8)  # the last packet is filled up with 00
    filled = np.concatenate([data, filler]).reshape(-1, 120)
    rows = np.empty((len(filled), 127), np.uint8)
    rows[:, :4] = (0xF0, 0x7E, device_id, 0x02)
    rows[:, 4] = np.arange(len(rows)) % 128
    rows[:, 5:125] = filled
    rows[:, 125] = np.bitwise_xor.reduce(rows[:, 1:125], axis=1)  # of offsets 1 to 124
    rows[:, 126] = 0xF7
    return rows
