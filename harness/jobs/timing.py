"""Where the time of a transfer goes, read off the capture of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from emulator.dump.capture import Direction, Passage
from emulator.dump.sender import Outgoing
from emulator.wire.constants import BYTE_NS, FIRST_REALTIME
from emulator.wire.messages import HandshakeKind

_KIND: Final = 3  # offset of a handshake's sub-ID


class Wait(StrEnum):
    """What a transfer waits for while nothing is on the line."""

    HEADER = "the unit to answer the header"
    STORING = "the unit to store packets"
    NO_HEADER_ANSWER = "an answer to the header that never came"
    NO_PACKET_ANSWER = "answers to packets that never came"
    HELD = "the unit, which asked to wait"
    PERSON = "somebody to press confirm"
    OTHER = "something else"


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """One transfer in nanoseconds; `line + waiting = total`, where both directions never overlap."""

    line_ns: int
    """Bytes on the line, both directions."""
    floor_ns: int
    """What header and packets alone need on the cable: nothing can be faster."""
    total_ns: int
    waits: tuple[tuple[Wait, int], ...]
    """Longest first."""

    @property
    def waiting_ns(self) -> int:
        """Time in which nothing was on the line."""
        return self.total_ns - self.line_ns


def floor_of(outgoing: Outgoing) -> int:
    """Return what header and packets need on the cable."""
    return BYTE_NS * (len(outgoing.header) + sum(len(packet) for packet in outgoing.packets))


def times_of(
    passages: Sequence[Passage], *, start_ns: int, end_ns: int, floor_ns: int, person_ns: int = 0
) -> Times:
    """Return the times of a transfer that ran from `start_ns` to `end_ns`.

    `person_ns` is how long somebody was waited for before `start_ns`; it counts.
    """
    waits: dict[Wait, int] = {Wait.PERSON: person_ns} if person_ns else {}
    busy_until_ns = start_ns
    before: Passage | None = None
    headers = 0
    for passage in passages:
        if passage.data[0] >= FIRST_REALTIME:
            continue  # clock and active sensing are nobody's answer
        gap_ns = passage.end_ns - BYTE_NS * len(passage.data) - busy_until_ns
        if gap_ns > 0:
            reason = _reason(before, passage, headers)
            waits[reason] = waits.get(reason, 0) + gap_ns
        headers += passage.direction is Direction.TO_UNIT
        before = passage
        busy_until_ns = max(busy_until_ns, passage.end_ns)
    if end_ns > busy_until_ns:
        last = Wait.OTHER if before is None else _unanswered(before, headers)
        waits[last] = waits.get(last, 0) + end_ns - busy_until_ns
    total_ns = end_ns - start_ns + person_ns
    return Times(
        line_ns=total_ns - sum(waits.values()),
        floor_ns=floor_ns,
        total_ns=total_ns,
        waits=tuple(sorted(waits.items(), key=lambda wait: -wait[1])),
    )


def _reason(before: Passage | None, passage: Passage, sent: int) -> Wait:
    if before is None:
        return Wait.OTHER
    if before.direction is Direction.FROM_UNIT:
        return Wait.HELD if _is_wait(before) else Wait.OTHER
    if passage.direction is Direction.TO_UNIT:
        return _unanswered(before, sent)
    return Wait.HEADER if sent <= 1 else Wait.STORING


def _unanswered(before: Passage, sent: int) -> Wait:
    if before.direction is Direction.FROM_UNIT:
        return Wait.HELD if _is_wait(before) else Wait.OTHER
    return Wait.NO_HEADER_ANSWER if sent <= 1 else Wait.NO_PACKET_ANSWER


def _is_wait(passage: Passage) -> bool:
    data = passage.data
    return len(data) > _KIND and data[_KIND] == HandshakeKind.WAIT
