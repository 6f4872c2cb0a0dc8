"""Where the time of a transfer goes, read off the capture of it."""

from collections.abc import Sequence
from enum import StrEnum
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Direction, Passage
from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.wire.codec import kind_of
from dryload.emulator.wire.constants import BYTE_NS, FIRST_REALTIME
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import DataPacket, Handshake, HandshakeKind

_TO_UNIT: Final = Direction.TO_UNIT
_FIRST_REALTIME: Final = bytes([FIRST_REALTIME])
_REALTIME: Final = bytes(range(FIRST_REALTIME, 0x100))
_KIND: Final[int] = FIXED[Handshake].span("kind").start


class Wait(StrEnum):
    """What a transfer waits for while nothing is on the line."""

    HEADER = "the unit to answer the header"
    STORING = "the unit to store packets"
    NO_HEADER_ANSWER = "an answer to the header that never came"
    NO_PACKET_ANSWER = "answers to packets that never came"
    HELD = "the unit, which asked to wait"
    PERSON = "somebody to press confirm"
    OTHER = "something else"


class Times(Struct, frozen=True, kw_only=True):
    """One transfer in nanoseconds; `line + waiting = total`."""

    line_ns: int
    """While bytes were on the line, whichever way."""
    floor_ns: int
    """What header and packets alone need on the cable: nothing can be faster."""
    total_ns: int
    waits: tuple[tuple[Wait, int], ...]
    """Longest first."""

    @property
    def waiting_ns(self) -> int:
        """Time in which nothing was on the line."""
        return self.total_ns - self.line_ns


NO_TIMES: Final = Times(line_ns=0, floor_ns=0, total_ns=0, waits=())


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

    def add(reason: Wait, ns: int) -> None:
        waits[reason] = waits.get(reason, 0) + ns

    busy_until_ns = start_ns
    before: Passage | None = None  # what ended last; an echo of what was sent is no answer (HSK-21)
    sent = b""
    has_sent_packet = False
    # Clock and active sensing are nobody's answer: a line with nothing else on it waits.
    said = [passage for passage in passages if says_something(passage.data)]
    said.sort(key=_start_ns)
    for passage in said:
        direction, until_ns, data = passage
        gap_ns = until_ns - BYTE_NS * len(data) - busy_until_ns
        if gap_ns > 0:
            add(_reason(before, passage, has_sent_packet), gap_ns)
        is_echo = False
        if direction is _TO_UNIT:
            has_sent_packet = has_sent_packet or kind_of(_plain(data)) is DataPacket
            sent = data
        else:
            is_echo = data == sent
        if not is_echo and (before is None or until_ns >= before.end_ns):
            before = passage
        if until_ns > busy_until_ns:  # noqa: PLR1730  # every passage comes by here
            busy_until_ns = until_ns
    if end_ns > busy_until_ns:
        add(_unanswered(before, has_sent_packet), end_ns - busy_until_ns)
    total_ns = end_ns - start_ns + person_ns
    return Times(
        line_ns=total_ns - sum(waits.values()),
        floor_ns=floor_ns,
        total_ns=total_ns,
        waits=tuple(sorted(waits.items(), key=lambda wait: -wait[1])),
    )


def says_something(data: bytes) -> bool:
    """Whether there is more than clock, active sensing and the like in what passed (FRM-02)."""
    return (data[:1] < _FIRST_REALTIME and bool(data)) or bool(data.translate(None, _REALTIME))


def _start_ns(passage: Passage) -> int:
    return passage.end_ns - BYTE_NS * len(passage.data)


def _reason(before: Passage | None, passage: Passage, has_sent_packet: bool) -> Wait:
    answers = passage.direction is not _TO_UNIT
    if answers and before is not None and before.direction is _TO_UNIT:
        return Wait.STORING if has_sent_packet else Wait.HEADER
    return _unanswered(before, has_sent_packet)


def _unanswered(before: Passage | None, has_sent_packet: bool) -> Wait:
    if before is None:
        return Wait.OTHER
    if before.direction is not _TO_UNIT:
        return Wait.HELD if _is_wait(before) else Wait.OTHER
    return Wait.NO_PACKET_ANSWER if has_sent_packet else Wait.NO_HEADER_ANSWER


def _is_wait(passage: Passage) -> bool:
    return _plain(passage.data)[_KIND : _KIND + 1] == bytes([HandshakeKind.WAIT])


def _plain(data: bytes) -> bytes:
    """Return what passed without real-time bytes (FRM-03)."""
    return data.translate(None, _REALTIME)
