"""One pass over the packets of a dump: checksums, words, filler and unused bits.

Theory of operation.  An undamaged dump is told from a damaged one by a handful of operations on
whole arrays, done on as many packets at a time as stay near the processor.  What such an
operation finds amiss is only marked here; which packet, and why, is worked out
afterwards, because it hardly ever has to be.

A dump of a few packets costs far more in such operations than in bytes.  So dumps that follow one
another and are small are taken together first, as if they were one: those in which nothing at all
is amiss are read with that, and each of the others is read by itself, as if nobody had looked.
"""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from dryload.emulator.wire.constants import PACKET_DATA_BYTES
from dryload.emulator.wire.packets import (
    CHECKSUM,
    DATA,
    DEVICE_ID,
    NUMBER,
    Rows,
    checksums,
    data_of,
)
from dryload.emulator.wire.prose import counted, spelled
from dryload.emulator.wire.sizes import unused_bits
from dryload.emulator.wire.words import DataBytes, Words, unpack_checked, word_dtype
from dryload.harness.files.sections import Section
from dryload.harness.judge.finding import Findings
from dryload.harness.judge.order import Alignment, Places, in_order, packet_place
from dryload.harness.judge.plan import DumpPlan
from dryload.harness.judge.wordlook import Looks, look_plain

_CHUNK: Final = 8192  # packets
SMALL: Final = 32
"""Packets of a dump that is read together with others, at most."""
_NOTHING: Final[NDArray[np.int64]] = np.empty(0, np.int64)
_NO_SUMS: Final[NDArray[np.uint8]] = np.empty(0, np.uint8)


class Reading(Struct):
    """What the pass found."""

    plan: DumpPlan | None
    failing: NDArray[np.int64] = field(default_factory=lambda: _NOTHING)
    """Packets whose checksum is wrong."""
    sums: NDArray[np.uint8] = field(default_factory=lambda: _NO_SUMS)
    """What those ought to carry."""
    words: Words | None = None
    """All words of the dump, where they are kept."""
    stray: list[int] = []
    """Packets with a bit set below the significant ones (WRD-05)."""
    filler: bytes = b""
    """What follows the last word, if it isn't all 00 (PKT-08)."""
    looks: Looks | None = None
    is_plain: bool = False
    """Whether it is known already that nothing is to be said of any packet."""
    _read: int = 0
    """Words that were read so far."""

    def take(self, data: DataBytes, packets: Places | range, *, with_end: bool) -> None:
        """Decode the data bytes of some packets; `with_end` says that the last word is in them."""
        if self.plan is None:
            return
        flat = data.reshape(-1)
        if with_end:
            used = (len(data) - 1) * PACKET_DATA_BYTES + self.plan.last_words * self.plan.width
            if flat[used:].any():
                self.filler = flat[used:].tobytes()
            flat = flat[:used]
        words, stray = unpack_checked(flat, self.plan.header.bits)
        if stray:
            self.stray.extend(int(packets[at]) for at in _with_stray_bits(flat, self.plan))
        if self.looks is not None:
            self.looks.see(words)
        if self.words is not None:
            self.words[self._read : self._read + len(words)] = words
            self._read += len(words)

    def make_room(self, packets: int) -> None:
        """Make room for the words of so many packets, so that they are never held twice."""
        if self.plan is not None:
            self.words = np.empty(packets * self.plan.per_packet, word_dtype(self.plan.header.bits))

    def finish(self) -> None:
        """Leave away the room that was not needed."""
        if self.words is not None:
            self.words = self.words[: self._read]


def read_packets(
    section: Section, alignment: Alignment, plan: DumpPlan | None, *, keep_words: bool
) -> Reading:
    """Return what is found in the packets; words only if `plan` says what they are."""
    reading = Reading(plan, looks=Looks(plan) if plan is not None else None)
    if keep_words:
        reading.make_room(section.packets if alignment.stored is None else len(alignment.stored))
    failing: list[NDArray[np.int64]] = []
    sums: list[NDArray[np.uint8]] = []
    last_place = plan.packets - 1 if plan is not None else -1
    for first, rows in section.chunks(_CHUNK):
        data = data_of(rows)
        right = checksums(rows, data)
        wrong = right != rows[:, CHECKSUM]
        if wrong.any():
            where = np.flatnonzero(wrong)
            failing.append(where + first)
            sums.append(right[where])
        if alignment.stored is None:
            stop = first + len(rows)
            reading.take(data, range(first, stop), with_end=stop - 1 == last_place)
    if alignment.stored is not None and alignment.places is not None:
        for packets in _pieces(alignment.stored):
            with_end = int(alignment.places[packets[-1]]) == last_place
            reading.take(data_of(section.take(packets)), packets, with_end=with_end)
    if failing:
        reading.failing, reading.sums = np.concatenate(failing), np.concatenate(sums)
    reading.finish()
    return reading


def read_together(
    dumps: Sequence[tuple[Section, DumpPlan]], *, keep_words: bool
) -> list[Reading | None]:
    """Return what is in each of several small dumps, None where anything is to be said of it.

    All have words of one width and as many packets as their plans call for, `SMALL` at most.
    """
    plans = [plan for _, plan in dumps]
    bits, width, per_packet = plans[0].header.bits, plans[0].width, plans[0].per_packet
    rows = np.concatenate([section.rows for section, _ in dumps])
    packets = np.array([plan.packets for plan in plans])
    stops = packets.cumsum()
    starts = stops - packets
    last_words = np.array([plan.last_words for plan in plans])
    owners = np.array([plan.header.device_id for plan in plans], np.uint8)

    data = data_of(rows)
    flat = data.reshape(-1)
    amiss = checksums(rows, data) != rows[:, CHECKSUM]
    amiss |= rows[:, DEVICE_ID] != owners.repeat(packets)
    amiss |= rows[:, NUMBER] != in_order(SMALL)[np.arange(len(rows)) - starts.repeat(packets)]
    filler = np.arange(PACKET_DATA_BYTES) >= (last_words * width)[:, None]
    amiss[stops - 1] |= (data[stops - 1] * filler).any(axis=1)
    words, stray = unpack_checked(flat, bits)
    if stray:
        amiss[_with_stray_bits(flat, plans[0])] = True
    amount = np.full(len(rows), per_packet)
    amount[stops - 1] = last_words
    words = words[(np.arange(per_packet) < amount[:, None]).reshape(-1)]
    ends = np.add.reduceat(amount, starts).cumsum()
    is_plain = ~np.logical_or.reduceat(amiss, starts) & look_plain(words, ends, bits)
    return [
        Reading(plan, words=words[stop - plan.words : stop] if keep_words else None, is_plain=True)
        if plain
        else None
        for plain, plan, stop in zip(is_plain.tolist(), plans, ends.tolist(), strict=True)
    ]


def _pieces(packets: Places) -> Iterator[Places]:
    for at in range(0, len(packets), _CHUNK):
        yield packets[at : at + _CHUNK]


def _with_stray_bits(flat: DataBytes, plan: DumpPlan) -> list[int]:
    """Return which packets of `flat` hold a word with a bit below its significant ones."""
    last = flat[plan.width - 1 :: plan.width]
    mask = np.uint8((1 << unused_bits(plan.header.bits)) - 1)
    found = np.unique(np.flatnonzero(last & mask) // plan.per_packet)
    return [int(at) for at in found]


def judge_reading(
    findings: Findings, section: Section, alignment: Alignment, plan: DumpPlan, reading: Reading
) -> None:
    """Add findings on the words and the filler."""
    if reading.stray:
        _judge_stray_bits(findings, section, alignment, plan, reading.stray)
    if reading.filler:
        _judge_filler(findings, section, alignment, plan, reading.filler)
    if reading.looks is not None:
        reading.looks.judge(findings, section.offset)


def _judge_stray_bits(
    findings: Findings, section: Section, alignment: Alignment, plan: DumpPlan, stray: list[int]
) -> None:
    unused = (1 << unused_bits(plan.header.bits)) - 1
    systematic = len(stray) > 1 and 2 * len(stray) > section.packets
    for index in stray[:1] if systematic else stray:
        at = packet_place(section, alignment, index)
        where = f"Packet {at.packet:,} has"
        if systematic:
            all_packets = counted(section.packets, "packet")
            where = f"{len(stray):,} of {all_packets}, first packet {at.packet:,}, have"
        last = section.row(index)[DATA][plan.width - 1 :: plan.width]
        findings.tell(
            "unused bits set",
            at,
            subject=where,
            bits=plan.header.bits,
            mask=0x7F & ~unused,
            worst=int(np.bitwise_or.reduce(last & np.uint8(unused))),
        )


def _judge_filler(
    findings: Findings, section: Section, alignment: Alignment, plan: DumpPlan, filler: bytes
) -> None:
    place = plan.packets - 1
    index = place if alignment.places is None else int(np.flatnonzero(alignment.places == place)[0])
    at = packet_place(section, alignment, index)
    start = section.offset_of(index) + DATA.stop - len(filler)
    findings.tell(
        "filler is not 00",
        replace(at, byte=start),
        place=place,
        what=_filler_kind(section, index, filler, plan.width),
        bytes=counted(len(filler), "byte"),
        found=spelled(filler),
    )


def _filler_kind(section: Section, index: int, filler: bytes, width: int) -> str:
    """Name what stands in place of the filler (PKT-08)."""
    silence = (b"\x40" + bytes(width - 1)) * PACKET_DATA_BYTES
    if filler == silence[: len(filler)]:
        return "silence in the middle of the range"
    if index > 0:
        earlier: Rows = section.take(np.array([index - 1], np.int64))
        if data_of(earlier)[0, -len(filler) :].tobytes() == filler:
            return "what the packet before held there"
    return "other bytes"
