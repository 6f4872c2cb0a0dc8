"""Checksums and device IDs: which packets fail, and one reason for all where there is one."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dryload.emulator.wire.constants import ALL_CALL
from dryload.emulator.wire.packets import CHECKSUM, DEVICE_ID, NUMBER, Rows, data_of
from dryload.emulator.wire.prose import counted
from dryload.harness.files.sections import Section
from dryload.harness.judge.finding import Findings, Place
from dryload.harness.judge.order import Alignment, packet_place

Bytes = NDArray[np.uint8]

_SEVERAL: Final = 2  # packets that one other device ID has to mend: for a single one some ID does
_TRIED: Final = 512  # packets on which other ways of summing are tried


def _xor(columns: Bytes) -> Bytes:
    summed: Bytes = np.bitwise_xor.reduce(columns, axis=1)
    return summed & np.uint8(0x7F)


def _data_sum(rows: Rows) -> NDArray[np.uint32]:
    total: NDArray[np.uint32] = data_of(rows).sum(axis=1, dtype=np.uint32)
    return total


_WAYS: Final[tuple[tuple[str, Callable[[Rows], NDArray[np.integer[Any]]]], ...]] = (
    ("the exclusive-or with F0 included", lambda rows: _xor(rows[:, 0:125])),
    ("the exclusive-or from the device ID on, without 7E", lambda rows: _xor(rows[:, 2:125])),
    ("the exclusive-or from the 02 on", lambda rows: _xor(rows[:, 3:125])),
    ("the exclusive-or from the packet number on", lambda rows: _xor(rows[:, 4:125])),
    ("the exclusive-or of the data bytes alone", lambda rows: _xor(rows[:, 5:125])),
    (
        "a sum instead of an exclusive-or",
        lambda rows: rows[:, 1:125].sum(axis=1, dtype=np.uint32) & 0x7F,
    ),
    ("a sum of the data bytes", lambda rows: _data_sum(rows) & 0x7F),
    (
        "the negative sum of the data bytes",
        lambda rows: (0x80 - (_data_sum(rows) & 0x7F)) & 0x7F,
    ),
    ("always 00", lambda rows: np.zeros(len(rows), np.uint8)),
)
"""Ways in which encoders get PKT-05 wrong: in words, and what they come to for each packet."""


def wrong_way_of(rows: Rows) -> str:
    """Return in which wrong way the checksums of all these packets were made; "" where in none."""
    carried = rows[:, CHECKSUM]
    return next((name for name, way in _WAYS if np.array_equal(way(rows), carried)), "")


def judge_sums(
    findings: Findings,
    section: Section,
    alignment: Alignment,
    failing: NDArray[np.int64],
    sums: Bytes,
) -> None:
    """Add findings for the packets at `failing`, which ought to carry `sums`."""
    if not len(failing):
        return
    if len(failing) == section.packets and len(failing) >= _SEVERAL:
        rows = section.take(failing[:_TRIED])
        if _one_way(findings, section, rows, sums[:_TRIED]):
            return
    for index, right in zip(failing.tolist(), sums.tolist(), strict=True):
        at = packet_place(section, alignment, index)
        found = int(section.row(index)[CHECKSUM])
        findings.tell("checksum wrong", at, place=at.packet, right=right, found=found)


def _one_way(findings: Findings, section: Section, rows: Rows, sums: Bytes) -> bool:
    """Name what all packets have in common, if anything."""
    carried = rows[:, CHECKSUM]
    at = Place(byte=section.offset_of(0), packet=0, packet_number=int(rows[0, NUMBER]))
    shift = int(sums[0] ^ carried[0])
    device = int(rows[0, DEVICE_ID])
    other_id = device ^ shift
    same_id = np.array_equal(sums ^ np.uint8(shift), carried)
    names = {"packets": section.packets, "right": int(sums[0]), "found": int(carried[0])}
    if way := wrong_way_of(rows):
        also = f" The same comes out if the device ID was changed from {other_id} on the way."
        findings.tell(
            "checksums made wrong", at, way=way, also=also if same_id else "", names=names
        )
        return True
    if not same_id:
        return False
    findings.tell("checksums off by the same bits", at, names=names)
    findings.tell("device ID changed on the way", at, owner=other_id, device=device)
    return True


# Device IDs.


def judge_ids(findings: Findings, section: Section, alignment: Alignment, owner: int) -> None:
    """Add findings on packets whose device ID is not the one that leads the dump."""
    ids = section.column(DEVICE_ID)
    strange = np.flatnonzero(ids != owner)
    if not len(strange):
        return
    values = np.unique(ids)
    if len(values) == 1:
        _judge_header_id(findings, section, owner, int(values[0]))
        return
    if owner == ALL_CALL:
        # Whoever takes the dump goes by its own ID, which is the one that most packets bear.
        owner = int(np.argmax(np.bincount(ids, minlength=128)))
        strange = np.flatnonzero((ids != owner) & (ids != ALL_CALL))
    for index in strange.tolist():
        at, device = packet_place(section, alignment, index), int(ids[index])
        names = {"place": at.packet, "device": device, "owner": owner}
        findings.tell("packet for another device", at, names=names)
        if device != ALL_CALL:
            findings.tell("packet missing for the unit", at, names=names)


def _judge_header_id(findings: Findings, section: Section, owner: int, device: int) -> None:
    at = Place(byte=section.offset_of(0), packet=0, packet_number=int(section.row(0)[NUMBER]))
    findings.tell("header for another device", at, owner=owner, device=device)
    if ALL_CALL not in (owner, device):
        packets = counted(section.packets, "packet")
        findings.tell(
            "all packets missing for the unit", at, owner=owner, device=device, packets=packets
        )
