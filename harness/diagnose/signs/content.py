"""Packets that are wrong as they were sent: their checksums and their form.

Theory of operation.  What a sender sends wrongly it sends wrongly every time.  A file and a capture
taken at the host hold what was sent; a capture of the line holds what arrived, and then a packet
must have come twice alike, or be sound, or be in the source as well.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from typing import Final

from dryload.emulator.wire.constants import END, PACKET_BYTES, PACKET_DATA_BYTES, PACKET_NUMBERS
from dryload.emulator.wire.messages import DataPacket
from dryload.emulator.wire.packets import CHECKSUM, join
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sizes import bytes_per_word, words_per_packet
from dryload.emulator.wire.splitter import PieceKind
from dryload.harness.diagnose.scene import DumpScene, Scene
from dryload.harness.diagnose.sign import Sign, shown, sign
from dryload.harness.judge.against_source import is_as_source
from dryload.harness.judge.damage import is_short_by_filler, stops_at_number
from dryload.harness.judge.dialogue.exchanges import Exchange
from dryload.harness.judge.sums import wrong_way_of
from dryload.harness.judge.timed_messages import TimedMessage

_SUMMED: Final = 512  # packets on which other ways of summing are tried
_NO_CHANCE: Final = 3  # packets, or sendings of one, that chance does not strike alike (our choice)
_MANY_TIMES, _MANY_HIGH = 2, 8  # packets, and bytes of each, that are no chance (our choice)
_FEW: Final = 4  # bytes of filler that damage to two bytes may have taken


def content(scene: Scene) -> Iterator[Sign]:
    """Tell of packets that are wrong as they were sent."""
    for dump in scene.sent:
        unsound = [] if dump.is_all_sound else [e for e in dump.packets if not e.best.is_sound]
        whole = [each for each in unsound if isinstance(each.best.message, DataPacket)]
        yield from _sums(dump, whole)
        torn = [each for each in unsound if each not in whole]
        yield from _eight_bits(dump, torn)
        yield from _torn(dump, torn)


def _sums(dump: DumpScene, wrong: Sequence[Exchange]) -> Iterator[Sign]:
    """Tell of checksums that are wrong each time a packet is sent."""
    only = bool(wrong) and _differ_in_sums(dump, wrong)
    single = len(wrong) == 1 and dump.scene.shows_sent  # it would fit any device ID
    if not wrong or (dump.found("DEV-04") and not single and not only):
        return
    first = wrong[0]
    way = "" if dump.sound else wrong_way_of(join([each.best.body for each in wrong[:_SUMMED]]))
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
            only=only,
        )
        return
    proven = list(wrong) if only else [each for each in wrong if dump.in_every_sending(each)]
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
        "All but the checksum is as the source has it, each time." if only else "",
        f"{len(proven) - 1:,} more packets are like it." if len(proven) > 1 else "",
        heard=first.sendings[0],
        exchange=first,
        shown=shown(first.best.body),
        proved=in_source or (dump.scene.shows_sent and not alone),
        only=only,
    )


def _differ_in_sums(dump: DumpScene, wrong: Sequence[Exchange]) -> bool:
    """Whether checksums are all that is not the source's, too often for chance to strike there."""
    sendings = [(each, heard) for each in wrong for heard in each.sendings]
    return len(sendings) >= _NO_CHANCE and all(
        dump.source is not None
        and each.place is not None
        and (right := dump.source.whole(each.place)) is not None
        and heard.body[:CHECKSUM] == right[:CHECKSUM]
        for each, heard in sendings
    )


def _torn(dump: DumpScene, torn: Sequence[Exchange]) -> Iterator[Sign]:
    """Tell of packets that do not have their form in any sending."""
    found: list[Exchange] = []
    for each in torn:
        used = used_in_last(dump) if each.place == (dump.planned or 0) - 1 else None
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


def _eight_bits(dump: DumpScene, torn: Sequence[Exchange]) -> Iterator[Sign]:
    """Tell of packets of the right length whose data bytes use all eight bits, each time.

    Each byte above 7F ends a message (M1 table VII), so that little of a packet is left of it.
    """
    if not torn or dump.sound:
        return
    spoken = dump.scene.spoke(dump.talk.direction)
    found = [_high_bytes(spoken, heard) for each in torn for heard in each.sendings]
    if len(found) >= _MANY_TIMES and min(found) >= _MANY_HIGH:
        first = torn[0]
        yield sign(
            "eight bits a byte",
            dump,
            f"Packet {first.place:,} holds {found[0]} bytes above 7F, and only with them is it as "
            f"long as a packet; so is each of the {counted(len(found), 'packet')} that came.",
            heard=first.sendings[0],
            exchange=first,
            shown=shown(first.best.piece.raw),
        )


def _high_bytes(spoken: Sequence[TimedMessage], heard: TimedMessage) -> int:
    """Return how many bytes above 7F are in what is as long as a packet, from F0 to F7; else 0."""
    count, end = 0, heard.piece.offset + PACKET_BYTES - 1
    for each in spoken[bisect_left(spoken, heard.place, key=lambda one: one.place) :]:
        offset, raw = each.piece.offset, each.piece.raw
        count += sum(byte > 0x7F for byte in raw)
        if offset <= end < offset + len(raw):
            return count - 2 if raw[end - offset] == END else 0
    return 0


def _stops_at_number(exchange: Exchange) -> bool:
    """Whether a packet breaks off at a number that goes on behind 7F (PKT-07)."""
    place = exchange.place or 0
    return place >= PACKET_NUMBERS and all(stops_at_number(e, place) for e in exchange.sendings)


def used_in_last(dump: DumpScene) -> int | None:
    """Return how many data bytes of the last packet hold words; None where nobody can tell."""
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
