"""From good files to spoilt ones: how files go wrong on disks, and some malice."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from random import Random
from typing import Final

_LARGEST: Final = 1 << 20
_NUMBERS: Final = (
    b"0", b"-1", b"1e18", b"1000000000000000000", b"-1000000000000000000", b"1e400", b"NaN", b"nan",
    b"inf", b"9223372036854775807", b"9223372036854775808", b"4294967296", b"0.5", b"true", b"null",
    b'"7"', b"[]", b"{}", b"9" * 5_000, b"0x7f", b"1_000", b"1979-05-27",
)  # fmt: skip
_WORDS: Final = (b'""', b'"\\u0000"', b'"\\ud800"', b'"\x1b[31m"', b"7", b"null", b"[[[]]]", b"{}")
_WRONG_KIND: Final = (
    b"",
    b"\0",
    b"\n",
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)),
    b"\xff\xd8\xff\xe0" + bytes(range(256)),
    b"RIFF\x24\0\0\0WAVEfmt \x10\0\0\0\1\0\1\0\x44\xac\0\0\x88\x58\1\0\2\0\x10\0data\0\0\0\0",
    b"PK\3\4" + bytes(60),
    b"The thunder sheet hangs behind the left wing.\n",
    b"\xf0" * 400,
    b"\xf7" * 400,
    b"\xf0\x7e\x00\x01",
    b"\xff" * 2_000,
    bytes(3_000),
)
Way = Callable[[bytes, Random, Sequence[bytes]], bytes]


def spoilt(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    """Return `data` spoilt in one to four ways; `others` are what it may be spliced with."""
    for _ in range(rng.choice((1, 1, 1, 1, 2, 2, 4))):
        data = rng.choice(_WAYS)(data, rng, others)[:_LARGEST]
    return data


def _bits(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 8)) if changed else 0):
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _bytes(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 8)) if changed else 0):
        choice = rng.choice((0, 0x7F, 0x80, 0xF0, 0xF7, 0xF8, 0xFF, rng.randrange(256)))
        changed[rng.randrange(len(changed))] = choice
    return bytes(changed)


def _head(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    """Alter what stands at the beginning, where headers are."""
    near = min(len(data), 48)
    return _bytes(data[:near], rng, others) + data[near:]


def _cut(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    at = rng.randrange(len(data) + 1)
    return rng.choice((data[:at], data[at:]))


def _left_out(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    start, stop = sorted((rng.randrange(len(data) + 1), rng.randrange(len(data) + 1)))
    return data[:start] + data[min(stop, start + rng.choice((1, 2, 127, 5_000))) :]


def _put_in(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.randbytes(rng.choice((1, 1, 2, 20, 127))) + data[at:]


def _spliced(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    other = rng.choice(others)
    return data[: rng.randrange(len(data) + 1)] + other[rng.randrange(len(other) + 1) :]


def _repeated(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    start = rng.randrange(len(data) + 1)
    part = data[start : start + rng.choice((1, 3, 21, 127, 1_000))]
    return data[:start] + part * rng.choice((2, 2, 3, 50)) + data[start:]


def _lines_moved(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    lines = data.split(b"\n")
    one, two = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[one], lines[two] = lines[two], lines[one]
    if rng.random() < 0.3:
        lines.pop(rng.randrange(len(lines)))
    return b"\n".join(lines)


def _number(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    return _replaced(rb"(?<![\w.])-?\d+(?:\.\d+)?(?![\w.])", data, rng, _NUMBERS)


def _word(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    return _replaced(rb'"[^"\n]*"', data, rng, _WORDS)


def _replaced(pattern: bytes, data: bytes, rng: Random, choices: Sequence[bytes]) -> bytes:
    found = list(re.finditer(pattern, data[: 1 << 16]))
    for each in sorted(rng.sample(found, min(len(found), rng.choice((1, 1, 3)))), reverse=True,
                       key=lambda each: each.start()):  # fmt: skip
        data = data[: each.start()] + rng.choice(choices) + data[each.end() :]
    return data


def _nested(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    deep = rng.choice((20, 900, 2_000, 50_000))
    at = rng.randrange(len(data) + 1)
    front, back = rng.choice(((b"[", b"]"), (b'{"a":', b"}"), (b"{a=", b"}"), (b"a.", b"a = 1\n")))
    return data[:at] + front * deep + back * rng.choice((0, 1, deep)) + data[at:]


def _recoded(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    text = data.decode("latin-1")
    match rng.randrange(6):
        case 0:
            return text.encode("utf-16")
        case 1:
            return text.encode("utf-16-be")
        case 2:
            return b"\xef\xbb\xbf" + data
        case 3:
            return text.encode("utf-8")
        case 4:
            return data.replace(b"\n", b"\r\n")
    return b"\0".join((data[: len(data) // 2], data[len(data) // 2 :]))


def _size(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    """Put a size that cannot be where a chunk says its size."""
    found = [each.end() for each in re.finditer(rb"MThd|MTrk|RIFF|FORM|data|fmt |COMM|SSND", data)]
    at = rng.choice(found) if found else rng.randrange(len(data) + 1)
    size = rng.choice((0, 1, 7, 0x7FFF_FFFF, 0xFFFF_FFFF, 0x8000_0000, len(data), 1 << 24))
    return data[:at] + size.to_bytes(4, rng.choice(("big", "little"))) + data[at + 4 :]


def _other_kind(data: bytes, rng: Random, others: Sequence[bytes]) -> bytes:
    return rng.choice(_WRONG_KIND) + (data if rng.random() < 0.2 else b"")


_WAYS: Final[Sequence[Way]] = (
    _bits, _bits, _bytes, _bytes, _head, _head, _cut, _left_out, _put_in, _spliced, _repeated,
    _lines_moved, _number, _number, _number, _word, _nested, _recoded, _size, _other_kind,
)  # fmt: skip
