"""Small dumps are read together first; that must say of none what reading it by itself would not.

`python -m tests.judge.test_together N` asks for N files.
"""

from __future__ import annotations

import math
import random
import sys

import numpy as np
import pytest

from dryload.harness.files.sections import sections
from dryload.harness.judge.additions import Additions
from dryload.harness.judge.dump import DumpContents, read_dump, read_stream
from dryload.harness.judge.finding import Finding
from dryload.harness.judge.reading import SMALL
from dryload.harness.judge.stream import judge_dump
from tests import oracle

FILES_HERE = 300
PERIOD = 22_676  # 44,100 Hz, M1 p. 37
_LOOKED_AT = 256  # words of one window, as `wordlook` has it
AT_CHECKSUM, AT_NUMBER, AT_DEVICE, PACKET = 125, 4, 2, 127  # M1 p. 37


def sound(rng: random.Random, count: int, bits: int) -> list[int]:
    """Words of one of the kinds that the judge has something to say of, or hasn't."""
    top = 1 << (bits - 1)
    pitch, loud = rng.uniform(5, 40), rng.uniform(0.2, 1)
    words = [round((top - 1) * loud * math.sin(at / pitch)) for at in range(count)]
    match rng.randrange(12):
        case 0:
            words = [rng.randrange(-top, top) for _ in words]
        case 1:
            words = [0] * count
        case 2:
            words = [rng.choice((-top, top - 1)) for _ in words]
        case 3:  # a saw tooth over the whole range
            step = rng.randrange(1, top)
            words = [(step * at) % (2 * top) - top for at in range(count)]
        case 4:  # two's complement in place of offset binary
            words = [word - top if word >= 0 else word + top for word in words]
        case 5:  # not moved up to the top of their bytes
            words = [(word + top >> (-bits % 7)) - top for word in words]
        case 6:
            words = [word & ~3 for word in words]
        case 7:
            words = [-top if rng.random() < 0.9 else word for word in words]
        case 8 if count > 2:  # one overload that wraps
            words[1:3] = [top - 1, -top]
        case 9:  # no more than the first of it is looked at
            words = [word - top if word >= 0 else word + top for word in words[:_LOOKED_AT]]
            words += [rng.randrange(-top, top) for _ in range(count - len(words))]
        case 10:
            words = [turned(word, bits) for word in words[:_LOOKED_AT]]
            words += [0] * (count - len(words))
    return words


def turned(word: int, bits: int) -> int:
    """A word with its bytes in the other order."""
    top, width, unused = 1 << (bits - 1), -(-bits // 7), -bits % 7
    value = word + top << unused
    groups = [value >> (7 * at) & 0x7F for at in range(width)]
    return (sum(group << (7 * at) for at, group in enumerate(groups[::-1])) >> unused) - top


def tone(count: int, bits: int) -> list[int]:
    return [round(((1 << (bits - 2)) - 1) * math.sin(at / 9)) for at in range(count)]


def small_dump(rng: random.Random, bits: int) -> bytes:
    """One dump, mostly of a few packets, and in one of four something that is wrong with it."""
    count = rng.choice((rng.randrange(1, 20), rng.randrange(1, 300), rng.randrange(1, 1_500)))
    made = bytearray(
        oracle.dump(
            bits=bits,
            words=sound(rng, count, bits),
            sample_number=rng.randrange(20),
            period_ns=rng.choice((PERIOD, PERIOD, PERIOD, 44_100, 0)),
            device_id=rng.choice((0, 0, 5, 127)),
        )
    )
    if rng.random() > 0.25:
        return bytes(made)
    packets = (len(made) - 21) // PACKET
    begin = 21 + PACKET * rng.randrange(packets)
    kind = rng.randrange(8)
    if kind == 0:
        made[rng.randrange(len(made))] ^= 1 << rng.randrange(8)
    elif kind == 1:
        made[begin + AT_CHECKSUM] ^= 1 << rng.randrange(7)
    elif kind < 5:  # what the checksum does not tell: number, device ID or a data byte
        place = (AT_NUMBER, AT_DEVICE, rng.choice((5, 124, rng.randrange(5, 125))))[kind - 2]
        by = 1 << rng.randrange(7)
        made[begin + place] ^= by
        made[begin + AT_CHECKSUM] ^= by
    elif kind == 5:
        made[begin:begin] = bytes([rng.choice((0xF8, 0x00, 0xF0, 0xF7))])
    elif kind == 6:
        del made[begin : begin + rng.choice((1, PACKET))]
    else:
        made += oracle.loop_points(sample_number=rng.randrange(20), loop_number=1, loop_end=9)
    return bytes(made)


def random_file(rng: random.Random) -> bytes:
    widths = [rng.randrange(8, 29) for _ in range(rng.randrange(1, 3))]
    return b"".join(small_dump(rng, rng.choice(widths)) for _ in range(rng.randrange(4, 24)))


def judged(contents: DumpContents, lengths: dict[int, int]) -> tuple[Finding, ...]:
    if contents.header is not None:
        lengths[contents.header.sample_number] = contents.header.length
    return judge_dump(contents, lengths)


def try_file(seed: int) -> int:
    """Read one random file both ways; return how many dumps were read together."""
    data = random_file(random.Random(seed))
    additions = Additions(data)
    alone: dict[int, int] = {}
    together: dict[int, int] = {}
    plain = 0
    for seen, section in zip(read_stream(data), sections(data), strict=True):
        by_itself = read_dump(section, additions)
        assert not by_itself.reading.is_plain
        assert seen.section.offset == section.offset
        assert judged(seen, together) == judged(by_itself, alone), seed
        for name in ("plan", "found", "missing", "is_whole", "added", "others", "wrong_checksums"):
            assert getattr(seen, name) == getattr(by_itself, name), (seed, name)
        assert np.array_equal(seen.words, by_itself.words), seed  # type: ignore[arg-type]
        plain += seen.reading.is_plain
    return plain


@pytest.mark.parametrize("start", range(0, FILES_HERE, 50))
def test_together_says_what_each_by_itself_does(start: int) -> None:
    plain = sum(try_file(seed) for seed in range(start, start + 50))
    assert plain > 100  # of some 650 dumps, a good part of which are odd


@pytest.mark.parametrize("bits", range(8, 29))
def test_dumps_in_which_all_is_well_are_read_together(bits: int) -> None:
    """Up to a length at which it no longer matters; one that is wrong takes no other with it."""
    step = {2: 60, 3: 40, 4: 30}[-(-bits // 7)]  # M1 p. 39
    dumps = [
        oracle.dump(bits=bits, words=tone(count, bits), sample_number=at, period_ns=PERIOD)
        for at, count in enumerate((1, step, step + 1, 5 * step, SMALL * step, 7))
    ]
    wrong = bytearray(dumps[1])
    wrong[-2] ^= 1
    long = oracle.dump(
        bits=bits, words=tone(SMALL * step + 1, bits), sample_number=9, period_ns=PERIOD
    )
    stream = b"".join([*dumps, bytes(wrong), *dumps, long, *dumps])
    found = [each.reading.is_plain for each in read_stream(stream)]
    assert found == [True] * 6 + [False] + [True] * 6 + [False] + [True] * 6


if __name__ == "__main__":
    many = sum(try_file(seed) for seed in range(int(sys.argv[1])))
    print(f"{int(sys.argv[1]):,} files say the same; {many:,} dumps were read together.")
