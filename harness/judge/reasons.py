"""What may explain a number of packets that the header does not call for.

Theory of operation.  An explanation is a number of words in packets of so many words.  It is taken
only if that gives exactly the packets that are there, and if the last packet ends where
it says: what follows there is filler.  A transfer that broke off ends in the middle of the sound.
"""

from collections.abc import Iterator
from typing import Final

import numpy as np
from msgspec import Struct

from dryload.emulator.wire.constants import MAX_21_BIT, PACKET_DATA_BYTES
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.emulator.wire.packets import DATA
from dryload.emulator.wire.prose import counted
from dryload.harness.files.sections import Section
from dryload.harness.judge.finding import Verdict
from dryload.harness.judge.plan import DumpPlan, turned

_LENGTH_GROUPS: Final = {DumpHeader: 3, ExtendedHeader: 5}
_FULL_WIDTHS: Final = (14, 21, 28)  # widths that fill their bytes (WRD-03)
_WORD_BYTES: Final = (2, 3, 4)
_LAPS: Final = range(1, 9)  # multiples of 21 bits that are tried
_LOOKED_AT: Final = 64  # packets in which unused ends are looked for


class Reason(Struct, frozen=True):
    """An explanation: words in all, how they are packed, and what to say."""

    clause: str
    words: int
    width: int
    """Bytes of a word."""
    per_packet: int
    message: str
    do: str
    verdict: Verdict | None = None


def reasons(section: Section, plan: DumpPlan, reached: int) -> Iterator[Reason]:
    """Yield what explains `reached` packets, the likeliest first."""
    for reason in (*_other_lengths(plan), *_other_widths(plan), *_part_filled(section, plan)):
        if -(-reason.words // reason.per_packet) == reached and _ends_so(
            section, reason, reached, is_short=reached < plan.packets
        ):
            yield reason


def _ends_so(section: Section, reason: Reason, reached: int, *, is_short: bool) -> bool:
    """Return whether the last packet ends where an explanation says, and on purpose."""
    used = (reason.words - (reached - 1) * reason.per_packet) * reason.width
    data = section.row(section.packets - 1)[DATA]
    if used == PACKET_DATA_BYTES:
        return not is_short
    return bool(data[used - reason.width : used].any()) and not data[used:].any()


def _other_lengths(plan: DumpPlan) -> Iterator[Reason]:
    """Yield lengths that the header may have been meant to say."""
    header = plan.header
    channels = max(header.channels, 1)
    standard = isinstance(header, DumpHeader)

    def reason(
        clause: str, length: int, message: str, do: str, verdict: Verdict | None = None
    ) -> Reason:
        words = length * channels
        return Reason(clause, words, plan.width, plan.per_packet, message, do, verdict)

    length = turned(header.length, _LENGTH_GROUPS[type(header)])
    yield reason(
        "HDR-12" if standard else "EXT-03",
        length,
        f"The bytes of the length look reversed: it reads {header.length:,}, and {length:,} "
        "would fit.",
        "Write the low seven bits first.",
        Verdict.NOTED,
    )
    for lap in _LAPS if standard else ():
        length = header.length + lap * (MAX_21_BIT + 1)
        yield reason(
            "HDR-13",
            length,
            f"The length in the header is cut off: {length:,} words would fit the packets, "
            f"and what is left of that in 21 bits is {header.length:,}.",
            "Send the extended header, or cut the sample in pieces.",
        )
    for size in (plan.width, -(-header.bits // 8)):
        length = header.length // size
        yield reason(
            "HDR-06",
            length,
            f"The length in the header seems to count bytes: at {size} bytes a word "
            f"{counted(length, 'word')} would fit.",
            "Give the length in words.",
        )
    if channels > 1:
        yield Reason(
            "EXT-06",
            header.length,
            plan.width,
            plan.per_packet,
            "The length in the header seems to count the words of all channels together.",
            "Give the length of one channel in the header.",
        )


def _other_widths(plan: DumpPlan) -> Iterator[Reason]:
    """Yield other numbers of bytes that a word may have been packed into."""
    bits = plan.header.bits
    for width in _WORD_BYTES:
        if width == plan.width:
            continue
        yield Reason(
            "WRD-03" if bits in _FULL_WIDTHS and width == plan.width + 1 else "WRD-01",
            plan.words,
            width,
            PACKET_DATA_BYTES // width,
            f"The packets are as many as {width} bytes a word would fill; words of {bits} bits "
            f"take {plan.width}.",
            f"Pack every word into {plan.width} bytes, or set the width that was packed.",
        )


def _part_filled(section: Section, plan: DumpPlan) -> Iterator[Reason]:
    """Look for packets that hold fewer words than there is room for."""
    most = min(section.packets - 1, _LOOKED_AT)
    if most < 1:
        return
    ends = section.take(np.arange(most))[:, DATA].any(axis=0)
    used = int(np.flatnonzero(ends)[-1]) + 1 if ends.any() else 0
    held = -(-used // plan.width)
    if 0 < held < plan.per_packet:
        yield Reason(
            "WRD-02",
            plan.words,
            plan.width,
            held,
            f"The packets hold {held} words and then filler; there is room for {plan.per_packet}.",
            f"Put {plan.per_packet} words into every packet but the last.",
        )
