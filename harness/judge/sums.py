"""Checksums and device IDs: which packets fail, and one reason for all where there is one."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from emulator.wire.constants import ALL_CALL
from emulator.wire.packets import CHECKSUM, DEVICE_ID, NUMBER, Rows, data_of
from emulator.wire.prose import counted
from harness.files.sections import Section
from harness.judge.finding import Answerable, Findings, Place
from harness.judge.order import Alignment

Bytes = NDArray[np.uint8]

_SEVERAL: Final = 2  # packets that one other device ID has to mend: for a single one some ID does
_TRIED: Final = 512  # packets on which other ways of summing are tried


def _xor(columns: Bytes) -> Bytes:
    summed: Bytes = np.bitwise_xor.reduce(columns, axis=1)
    return summed & np.uint8(0x7F)


def _data_sum(rows: Rows) -> NDArray[np.uint32]:
    total: NDArray[np.uint32] = data_of(rows).sum(axis=1, dtype=np.uint32)
    return total


WAYS: Final[tuple[tuple[str, Callable[[Rows], NDArray[np.integer[Any]]]], ...]] = (
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
        row = section.row(index)
        place = alignment.place_of(index)
        findings.add(
            "PKT-05",
            f"The checksum of packet {place:,} is wrong: data or checksum were altered.",
            at=Place(byte=section.offset_of(index), packet=place, packet_number=int(row[NUMBER])),
            expected=f"{right:02X}",
            found=f"{int(row[CHECKSUM]):02X}",
            do="Make or record the dump anew; a unit answers NAK or stores wrong words.",
        )


def _one_way(findings: Findings, section: Section, rows: Rows, sums: Bytes) -> bool:
    """Name what all packets have in common, if anything."""
    carried = rows[:, CHECKSUM]
    at = Place(byte=section.offset_of(0), packet=0, packet_number=int(rows[0, NUMBER]))
    every = f"The checksum is wrong in every packet ({section.packets:,})"
    shift = int(sums[0] ^ carried[0])
    other_id = int(rows[0, DEVICE_ID]) ^ shift
    same_id = np.array_equal(sums ^ np.uint8(shift), carried)
    for name, way in WAYS:
        if np.array_equal(way(rows), carried):
            also = (
                f" The same comes out if the device ID was changed from {other_id} on the way."
                if same_id
                else ""
            )
            findings.add(
                "PKT-05",
                f"{every}: it is {name}.",
                at=at,
                expected=f"{int(sums[0]):02X} in the first packet: exclusive-or of everything "
                "from 7E to the last data byte",
                found=f"{int(carried[0]):02X}",
                do=f"Correct the checksum in the encoder.{also}",
                who=Answerable.SENDER,
            )
            return True
    if not same_id:
        return False
    findings.add(
        "PKT-05",
        f"{every}, always by the same bits.",
        at=at,
        expected=f"{int(sums[0]):02X} in the first packet",
        found=f"{int(carried[0]):02X}",
        do="See what is said of the device ID.",
    )
    findings.add(
        "DEV-04",
        f"The device ID was changed on the way: with {other_id} instead of "
        f"{int(rows[0, DEVICE_ID])} every checksum is right.",
        at=at,
        expected=f"device ID {other_id}",
        found=f"device ID {int(rows[0, DEVICE_ID])}",
        do="Find what rewrites the ID (a router, a setting of the sender) and turn it off.",
        who=Answerable.SENDER,
    )
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
        _judge_strange(findings, section, alignment.place_of(index), index, owner)


def _judge_strange(
    findings: Findings, section: Section, place: int, index: int, owner: int
) -> None:
    found = int(section.row(index)[DEVICE_ID])
    at = Place(
        byte=section.offset_of(index), packet=place, packet_number=int(section.row(index)[NUMBER])
    )
    findings.add(
        "DEV-03",
        f"Packet {place:,} is addressed to device {found}, the dump to device {owner}.",
        at=at,
        expected=f"device ID {owner}",
        found=f"device ID {found}",
        do="Give every message of the dump the same ID and correct the checksum.",
    )
    if found != ALL_CALL:
        findings.add(
            "PKT-10",
            f"Packet {place:,} is missing for the unit: device {owner} passes over "
            f"what is meant for device {found}.",
            at=at,
            expected=f"packet {place:,} for device {owner}",
            found=f"device ID {found}",
            do="Give every message of the dump the same ID and correct the checksum.",
        )


def _judge_header_id(findings: Findings, section: Section, owner: int, found: int) -> None:
    at = Place(byte=section.offset_of(0), packet=0, packet_number=int(section.row(0)[NUMBER]))
    findings.add(
        "DEV-04",
        f"The header is addressed to device {owner}, every packet to device {found}.",
        at=at,
        expected=f"device ID {owner}",
        found=f"device ID {found}",
        do="Give header and packets the same ID and correct the checksums.",
    )
    if ALL_CALL not in (owner, found):
        findings.add(
            "PKT-10",
            f"All {counted(section.packets, 'packet')} are missing for the unit: device {owner} "
            f"passes over what is meant for device {found}.",
            at=at,
            expected=f"packets for device {owner}",
            found=f"device ID {found}",
            do="Give header and packets the same ID and correct the checksums.",
        )
