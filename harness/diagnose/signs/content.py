"""Packets that are wrong as they were sent: their checksums and their form.

Theory of operation.  What a sender sends wrongly it sends wrongly every time.  A file and a capture
taken at the host hold what was sent; a capture of the line holds what arrived, and then a packet
must have come twice alike, or be sound, or be in the source as well.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from emulator.wire.constants import PACKET_BYTES, PACKET_DATA_BYTES, PACKET_NUMBERS
from emulator.wire.messages import DataPacket
from emulator.wire.prose import counted
from emulator.wire.sizes import bytes_per_word, words_per_packet
from emulator.wire.splitter import PieceKind
from harness.diagnose.scene import DumpScene, Scene
from harness.diagnose.sign import Sign, shown, sign
from harness.judge.against_source import is_as_source
from harness.judge.damage import is_short_by_filler, stops_at_number, wrong_way_of
from harness.judge.dialogue.exchanges import Exchange

_SUMMED: Final = 512  # packets on which other ways of summing are tried
_FEW: Final = 4  # bytes of filler that damage to two bytes may have taken


def content(scene: Scene) -> Iterator[Sign]:
    """Tell of packets that are wrong as they were sent."""
    for dump in scene.sent:
        unsound = [] if dump.is_all_sound else [e for e in dump.packets if not e.best.is_sound]
        whole = [each for each in unsound if isinstance(each.best.message, DataPacket)]
        yield from _sums(dump, whole)
        yield from _torn(dump, [each for each in unsound if each not in whole])


def _sums(dump: DumpScene, wrong: Sequence[Exchange]) -> Iterator[Sign]:
    """Tell of checksums that are wrong each time a packet is sent."""
    if not wrong or dump.found("DEV-04"):
        return
    first = wrong[0]
    way = "" if dump.sound else wrong_way_of([each.best for each in wrong[:_SUMMED]])
    if way:
        what = "every packet" if len(wrong) > 1 else "the packet"
        yield sign(
            "checksum of another range",
            dump,
            f"The checksum of {what} that was sent is wrong, and it is {way}.",
            heard=first.sendings[0],
            exchange=first,
            shown=shown(first.best.body),
            proved=len(wrong) > 1 or dump.in_every_sending(first),
        )
        return
    proven = [each for each in wrong if dump.in_every_sending(each)]
    alone = not proven and not dump.sound and dump.source is None
    if alone:  # a bit that is stuck would do it as well
        proven = [
            e for e in wrong if len(e.sendings) > 1 and len({s.body for s in e.sendings}) == 1
        ]
    if not proven:
        return
    first = proven[0]
    in_source = dump.source is not None and bool(is_as_source(first, dump.source))
    times = len(first.sendings)
    yield sign(
        "checksum sent wrong",
        dump,
        f"Packet {first.place:,} was sent {times} times, each time with the same wrong checksum."
        if times > 1
        else f"The checksum of packet {first.place:,} does not fit its bytes.",
        "The source has the packet just so." if in_source else "",
        f"{len(proven) - 1:,} more packets are like it." if len(proven) > 1 else "",
        heard=first.sendings[0],
        exchange=first,
        shown=shown(first.best.body),
        proved=in_source or (dump.scene.shows_sent and not alone),
    )


def _torn(dump: DumpScene, torn: Sequence[Exchange]) -> Iterator[Sign]:
    """Tell of packets that have not their form in any sending."""
    found: list[Exchange] = []
    for each in torn:
        used = _used_in_last(dump) if each.place == (dump.planned or 0) - 1 else None
        if used is not None and is_short_by_filler(each.best, used):
            yield _short(dump, each, PACKET_DATA_BYTES - used)
        elif not each.best.is_torn_off and dump.in_every_sending(each):
            found.append(each)
    if found:
        first = found[0]
        ended_by = first.best.piece.ended_by
        yield sign(
            "form sent wrong",
            dump,
            f"Packet {first.place:,} {_how_torn(first)}"
            + (", each time it was sent." if len(first.sendings) > 1 else "."),
            f"{counted(len(found) - 1, 'more packet')} damaged." if len(found) > 1 else "",
            heard=first.sendings[0],
            exchange=first,
            shown=shown(first.best.body) + ("" if ended_by is None else f" {ended_by:02X}"),
            number=_stops_at_number(first),
        )


def _stops_at_number(exchange: Exchange) -> bool:
    """Whether a packet breaks off at a number that goes on behind 7F (PKT-07)."""
    place = exchange.place or 0
    return place >= PACKET_NUMBERS and all(stops_at_number(e, place) for e in exchange.sendings)


def _used_in_last(dump: DumpScene) -> int | None:
    """Return how many data bytes of the last packet hold words, None where nobody can tell."""
    header = dump.header
    if header is None or not dump.planned:
        return None
    left = header.length * header.channels - (dump.planned - 1) * words_per_packet(header.bits)
    return left * bytes_per_word(header.bits)


def _short(dump: DumpScene, exchange: Exchange, missing: int) -> Sign:
    return sign(
        "last packet short",
        dump,
        f"The last packet, {exchange.place:,}, is {len(exchange.best.body)} bytes long instead of "
        f"{PACKET_BYTES}: just the {missing} bytes after the last word are lacking.",
        heard=exchange.sendings[0],
        exchange=exchange,
        shown=shown(exchange.best.body),
        few=missing <= _FEW and len(exchange.sendings) == 1 and not dump.scene.shows_sent,
    )


def _how_torn(exchange: Exchange) -> str:
    body, piece = exchange.best.body, exchange.best.piece
    if piece.kind is PieceKind.EXCLUSIVE:
        return f"is {len(body)} bytes long instead of {PACKET_BYTES}"
    if piece.ended_by is None or piece.ended_by == 0xF0:
        return f"has no end (F7) after its {len(body)} bytes"
    return f"is broken off after {len(body)} bytes by another message"


CONTENT: Final = (content,)
