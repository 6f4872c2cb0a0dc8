"""Take every word there is, of 8 to 28 bits, to packets and back, beside a plain codec.

The words of a width go in dumps of at most 2^18 words, from the lowest value upwards, each dump
with the next device ID.
The packets that the project writes must be those of the plain codec, byte for byte; from the
packets of the plain codec the project must read the words.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from time import monotonic
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from dryload.emulator.wire.packets import checksums, data_of, leading_packets, packet_rows
from dryload.emulator.wire.prose import counted, spelled
from dryload.emulator.wire.words import unpack_checked, word_dtype
from tests.wire import plain_arrays
from tests.wire.plain_arrays import Bytes, Integers
from tests.workers import gathered

WIDTHS: Final = range(8, 29)  # M1 p. 37
MOST_WORDS: Final = 1 << 18


class Dump(NamedTuple):
    """The words from the value `first` upwards."""

    bits: int
    first: int
    words: int
    device_id: int


class Difference(NamedTuple):
    """What differs in a dump, at how many places, and the value and the bytes of the first."""

    dump: Dump
    what: str
    places: int
    value: int
    told: str


class Seen(NamedTuple):
    """What came of a dump."""

    dump: Dump
    differences: list[Difference]


def dumps_of(bits: int) -> Iterator[Dump]:
    """Yield the dumps that hold every word of a width once."""
    low, high = -(2 ** (bits - 1)), 2 ** (bits - 1)
    for number, first in enumerate(range(low, high, MOST_WORDS)):
        yield Dump(bits, first, min(MOST_WORDS, high - first), number % 128)


def seen(dump: Dump) -> Seen:
    """Write and read a dump."""
    words = np.arange(dump.first, dump.first + dump.words)
    plain = plain_arrays.packets(words, dump.bits, dump.device_id)
    return Seen(dump, [*_written(dump, words, plain), *_read(dump, words, plain)])


def _written(dump: Dump, words: Integers, plain: Bytes) -> Iterator[Difference]:
    rows = packet_rows(words.astype(word_dtype(dump.bits)), dump.bits, dump.device_id)
    if np.array_equal(rows, plain):
        return
    if rows.shape != plain.shape:
        told = f"{len(rows)} packets instead of {len(plain)}"
        yield Difference(dump, "packet count", 1, dump.first, told)
        return
    ours, right = _bytes_of_words(dump, rows), _bytes_of_words(dump, plain)
    words_differ = (ours != right).any(axis=1)
    yield from _differing(
        dump, "written word", words_differ, 1, lambda at: _beside(ours[at], right[at])
    )
    # A wrong word changes the checksum too: a frame counts where all its words are right.
    differ = (rows != plain).any(axis=1)
    differ[np.flatnonzero(words_differ) // _words_per_packet(dump)] = False
    yield from _differing(
        dump,
        "packet frame",
        differ,
        _words_per_packet(dump),
        lambda at: _first_byte(rows[at], plain[at]),
    )


def _read(dump: Dump, words: Integers, plain: Bytes) -> Iterator[Difference]:
    framed = leading_packets(plain.reshape(-1))
    if framed != len(plain):
        told = f"{framed} of {len(plain)} packets are seen"
        yield Difference(dump, "framing check", 1, dump.first, told)
    data = data_of(plain)
    sums, right = checksums(plain, data), plain[:, 125]
    yield from _differing(
        dump,
        "computed checksum",
        sums != right,
        _words_per_packet(dump),
        lambda at: _beside(sums[at], right[at]),
    )
    got, stray = unpack_checked(data, dump.bits)
    yield from _differing(
        dump,
        "read word",
        got[: dump.words] != words,
        1,
        lambda at: f"{spelled(_bytes_of_words(dump, plain)[at].tobytes())} is read as {got[at]}",
    )
    if stray:
        told = "unused low bits are said to be set"
        yield Difference(dump, "stray-bit check", 1, dump.first, told)


def _words_per_packet(dump: Dump) -> int:
    return 60 if dump.bits <= 14 else 40 if dump.bits <= 21 else 30  # M1 p. 39


def _bytes_of_words(dump: Dump, rows: Bytes) -> Bytes:
    size = 120 // _words_per_packet(dump)
    return rows[:, 5:125].reshape(-1, size)[: dump.words]


def _differing(
    dump: Dump,
    what: str,
    differ: NDArray[np.bool_],
    words_each: int,
    told: Callable[[int], str],
) -> Iterator[Difference]:
    """Yield one difference for all places that differ, none where none does."""
    if places := int(np.count_nonzero(differ)):
        at = int(differ.argmax())
        yield Difference(dump, what, places, dump.first + at * words_each, told(at))


def _beside(ours: Bytes | np.uint8, right: Bytes | np.uint8) -> str:
    return f"{spelled(ours.tobytes())} instead of {spelled(right.tobytes())}"


def _first_byte(ours: Bytes, right: Bytes) -> str:
    offset = int((ours != right).argmax())
    return f"byte {offset} is {_beside(ours[offset], right[offset])}"


class Total:
    """What came of all dumps so far."""

    def __init__(self) -> None:
        self.words: Counter[int] = Counter()  # by width
        self.counts: Counter[tuple[int, str]] = Counter()
        self.first: dict[tuple[int, str], Difference] = {}

    def add(self, one: Seen) -> None:
        """Count a dump."""
        self.words[one.dump.bits] += one.dump.words
        for each in one.differences:
            key = (each.dump.bits, each.what)
            self.counts[key] += each.places
            self.first[key] = min(self.first.get(key, each), each)

    def lines(self) -> Iterator[str]:
        """Yield the differences of each width, with the first of each kind, and the sums."""
        for (bits, what), each in sorted(self.first.items()):
            packet, place = divmod(each.value - each.dump.first, _words_per_packet(each.dump))
            yield (
                f"{bits} bits: {counted(self.counts[bits, what], what)} wrong, "
                f"first at {each.value} (dump from {each.dump.first}, packet {packet}, "
                f"word {place}): {each.told}"
            )
        words, widths = counted(self.words.total(), "word"), counted(len(self.words), "width")
        wrong = counted(self.counts.total(), "place") if self.counts else "none"
        yield f"{words} of {widths}: {wrong} wrong."


def main(arguments: Sequence[str] | None = None) -> int:
    """Take the words there and back; 1 where something differs, 130 after Ctrl-C."""
    parser = argparse.ArgumentParser(prog="python -m tests.wire.every_value", description=__doc__)
    parser.add_argument("--bits", type=int, nargs="+", choices=WIDTHS, default=WIDTHS, metavar="N")
    parser.add_argument("--jobs", type=int, default=None, help="processes at a time; all cores")
    asked = parser.parse_args(arguments)
    widths = sorted(set(asked.bits))
    dumps = (dump for bits in widths for dump in dumps_of(bits))
    total, began = Total(), monotonic()
    is_done = gathered(
        seen,
        dumps,
        total.add,
        sum(2**bits for bits in widths),
        jobs=asked.jobs,
        runs_of=lambda one: one.dump.words,
    )
    print("\n".join(total.lines()))
    print(f"{monotonic() - began:.0f} s", file=sys.stderr)
    if total.counts:
        return 1
    return 0 if is_done else 130


if __name__ == "__main__":
    sys.exit(main())
