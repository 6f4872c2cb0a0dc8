"""A naive diagnosis to stand beside the real one: one symptom, one cause, from the raw messages."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.checksum import checksum
from emulator.wire.codec import Malformed, decode
from emulator.wire.messages import DataPacket, DumpHeader, ExtendedHeader, Handshake, HandshakeKind
from emulator.wire.sizes import packets_for
from emulator.wire.splitter import PieceKind
from harness.files.recorded import Recorded
from harness.judge.timed_messages import TimedMessage, timed_messages
from tests.diagnosis.alike import NOTHING

_LATE_NS: Final = 20_000_000
_Kind = HandshakeKind


def naive(recorded: Recorded) -> str:
    """Return the first thing that catches the eye, NOTHING where nothing does."""
    messages = list(timed_messages(recorded.capture, recorded.directions))
    there = [each for each in messages if each.direction is Direction.TO_UNIT]
    back = [decode(e.piece.body) for e in messages if e.direction is Direction.FROM_UNIT]
    replies = [each.kind for each in back if isinstance(each, Handshake)]
    return _by_bytes(there) or _by_replies(recorded, replies, back) or _by_order(there, messages)


def _by_bytes(there: list[TimedMessage]) -> str:
    for each in there:
        message = decode(each.piece.body)
        if isinstance(message, DataPacket) and message.checksum != checksum(message):
            return "bytes altered on the way"
        if each.piece.kind is PieceKind.CUT:
            return "message ends lost"
        if isinstance(message, Malformed):
            return (
                "bytes lost on the way" if len(each.piece.body) < 127 else "bytes added on the way"
            )
    return NOTHING


def _by_replies(recorded: Recorded, replies: list[_Kind], back: Sequence[object]) -> str:
    if Direction.FROM_UNIT not in recorded.directions:
        return NOTHING
    if not back:
        return "nothing comes back"
    if _Kind.NAK in replies:
        return "bytes altered on the way"
    if replies[-1:] == [_Kind.CANCEL]:
        return "unit refuses the sample" if len(replies) == 1 else "memory full"
    return "unit waits for somebody" if replies[-1:] == [_Kind.WAIT] else NOTHING


def _by_order(there: list[TimedMessage], messages: list[TimedMessage]) -> str:
    decoded = [decode(each.piece.body) for each in there]
    headers = [each for each in decoded if isinstance(each, DumpHeader | ExtendedHeader)]
    numbers = [each.packet_number for each in decoded if isinstance(each, DataPacket)]
    if not headers:
        return "header missing"
    for one, other in pairwise(numbers):
        if other != (one + 1) % 128:
            return "answers lost on the way back" if one == other else "messages lost on the way"
    if len(numbers) != _planned(headers[0]):
        return "packets missing in the dump"
    is_late = any(
        isinstance(decode(before.piece.body), DataPacket)
        and isinstance(decode(after.piece.body), Handshake)
        and after.end_ns - before.end_ns > _LATE_NS
        for before, after in pairwise(messages)
    )
    return "answers late" if is_late else NOTHING


def _planned(header: DumpHeader | ExtendedHeader) -> int | None:
    try:
        return packets_for(header.length * header.channels, header.bits)
    except ValueError:
        return None
