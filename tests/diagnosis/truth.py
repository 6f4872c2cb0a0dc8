"""The oracle: whether a fault is to be seen, and where.  It knows no rule and no cause.

Theory of operation.  The same run is rehearsed without its fault.  Where nothing in the view
differs, nobody can see the fault, and the right answer is that nothing is wrong.
"""

import re
from typing import Final

from emulator.dump.capture import Capture, Direction
from harness.files.recorded import Recorded

_PACKET: Final = bytes((0xF0, 0x7E))
_SUB_ID_AT: Final = 3
_HANDSHAKE: Final = re.compile(rb"\xf0\x7e[\x00-\x7f]([\x7b-\x7f])[\x00-\x7f]\xf7")
_WAIT: Final = b"\x7c"  # M1 p. 36
_DATA_PACKET: Final = 0x02  # M1 p. 37
_HEADERS: Final = (b"\x01", b"\x05\x05")  # M1 p. 36; CA-019 p. 2

Said = tuple[Direction, int, bytes]


def heard(recorded: Recorded) -> list[Said]:
    """Return what a view shows: direction, time (0 where it has none) and bytes, in order."""
    passages = [
        each
        for each in recorded.capture.passages
        if each.direction in recorded.directions and each.data
    ]
    if recorded.is_timed:
        return [(each.direction, each.end_ns, each.data) for each in passages]
    joined: list[Said] = []
    for each in passages:
        if joined and joined[-1][0] is each.direction:
            joined[-1] = (each.direction, 0, joined[-1][2] + each.data)
        else:
            joined.append((each.direction, 0, each.data))
    return joined


def is_visible(recorded: Recorded, without: Recorded) -> bool:
    """Whether two recordings of one view differ."""
    return heard(recorded) != heard(without)


def place_of_difference(capture: Capture, without: Capture) -> int | None:
    """Return the packet that was under way, or answered, when the bytes of two captures part."""
    there, back = (_first_difference(capture, without, way) for way in Direction)
    if there[0] <= back[0]:
        return last_packet(without.bytes_of(Direction.TO_UNIT)[: there[1] + 1])
    upto = capture.passages[: back[0]]
    return last_packet(b"".join(p.data for p in upto if p.direction is Direction.TO_UNIT))


def _first_difference(capture: Capture, without: Capture, way: Direction) -> tuple[int, int]:
    """Return passage and byte of the first difference one way; behind all of them for none."""
    mine, theirs = capture.bytes_of(way), without.bytes_of(way)
    pairs = enumerate(zip(mine, theirs, strict=False))
    byte = next((at for at, (one, other) in pairs if one != other), min(len(mine), len(theirs)))
    passed = 0
    for at, passage in enumerate(capture.passages):
        if passage.direction is way:
            passed += len(passage.data)
            if passed > byte:
                return at, byte
    return len(capture.passages), byte


def last_packet(data: bytes) -> int | None:
    """Return which packet of a dump begins last in what was sent; None: a header, or nothing."""
    count: int | None = None
    at = data.find(_PACKET)
    while at >= 0:
        kind = data[at + _SUB_ID_AT] if at + _SUB_ID_AT < len(data) else None
        if kind == _DATA_PACKET:
            count = 0 if count is None else count + 1
        elif data[at + _SUB_ID_AT :].startswith(_HEADERS):
            count = None
        at = data.find(_PACKET, at + 1)
    return count


def packets_answered(capture: Capture) -> bool:
    """Whether any handshake came from the unit once a packet had gone out (M1 p. 38)."""
    begun = False
    for passage in capture.passages:
        if passage.direction is Direction.TO_UNIT:
            begun = begun or last_packet(passage.data) is not None
        elif begun and any(
            passage.data[at + _SUB_ID_AT : at + _SUB_ID_AT + 1] >= b"\x7b"
            for at in range(len(passage.data))
            if passage.data[at : at + len(_PACKET)] == _PACKET
        ):
            return True
    return False


def stands_at_wait(capture: Capture) -> bool:
    """Return whether the last handshake of the unit was WAIT (M1 p. 35)."""
    data = capture.bytes_of(Direction.FROM_UNIT)
    found = _HANDSHAKE.findall(data)
    return bool(found) and found[-1] == _WAIT
