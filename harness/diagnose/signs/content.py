"""Packets that are wrong as they were sent: checksums, forms, the end, device IDs.

Theory of operation.  What a sender sends wrongly it sends wrongly every time.  A file and a capture
taken at the host hold what was sent; a capture of the line holds what arrived, and then a packet
must have come twice alike, or be sound, or be in the source as well.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from emulator.wire.constants import ALL_CALL, PACKET_BYTES, PACKET_DATA_BYTES, PACKET_NUMBERS
from emulator.wire.messages import DataPacket
from emulator.wire.prose import counted
from emulator.wire.sizes import bytes_per_word, words_per_packet
from emulator.wire.splitter import PieceKind
from harness.diagnose.scene import DumpScene, Scene
from harness.diagnose.sign import Sign, sign
from harness.diagnose.signs.order import shown
from harness.judge.against_source import is_as_source
from harness.judge.damage import (
    filler_of,
    is_short_by_filler,
    may_be_hit_behind,
    stops_at_number,
    wrong_way_of,
)
from harness.judge.dialogue.exchanges import Exchange

_SUMMED: Final = 512  # packets on which other ways of summing are tried
_MANY: Final = 3  # torn packets of one dump that rather speak for the way
_FEW: Final = 4  # bytes of filler that damage to two bytes may have taken


def content(scene: Scene) -> Iterator[Sign]:
    """Tell of packets that are wrong as they were sent."""
    for dump in scene.sent:
        unsound = [] if dump.is_all_sound else [e for e in dump.packets if not e.best.is_sound]
        whole = [each for each in unsound if isinstance(each.best.message, DataPacket)]
        yield from _sums(dump, whole)
        yield from _torn(dump, [each for each in unsound if each not in whole])
        if not dump.is_header_altered:
            yield from _filler(dump)
        yield from _other_device(dump)


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
            packets=len(wrong),
            sent=dump.in_every_sending(first),
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
        alone=alone,
    )


def _is_steady(exchange: Exchange) -> bool:
    bodies = {each.body for each in exchange.sendings}
    return len(exchange.sendings) > 1 and len(bodies) == 1


def _torn(dump: DumpScene, torn: Sequence[Exchange]) -> Iterator[Sign]:
    """Tell of packets that have not their form in any sending."""
    found: list[Exchange] = []
    for each in torn:
        place = each.place or 0
        if place >= PACKET_NUMBERS and all(stops_at_number(one, place) for one in each.sendings):
            yield sign(
                "number above 7F",
                dump,
                f"Packet {place:,} bears the number {place:X} instead of "
                f"{place % PACKET_NUMBERS:02X}; such a byte ends the message.",
                heard=each.sendings[0],
                exchange=each,
                shown=f"{shown(each.best.body)} {each.best.piece.ended_by:02X}",
            )
            return
        used = (
            used_in_last(dump) if dump.planned is not None and place == dump.planned - 1 else None
        )
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
            many=len(found) >= _MANY and dump.source is None,
            proved=dump.scene.shows_sent,
        )


def used_in_last(dump: DumpScene) -> int | None:
    """Return how many data bytes of the last packet hold words, None where nobody can tell."""
    header = dump.header
    if header is None or not dump.planned:
        return None
    left = header.length * header.channels - (dump.planned - 1) * words_per_packet(header.bits)
    return left * bytes_per_word(header.bits)


def _short(dump: DumpScene, exchange: Exchange, missing: int) -> Sign:
    few = missing <= _FEW and len(exchange.sendings) == 1 and not dump.scene.shows_sent
    return sign(
        "last packet short",
        dump,
        f"The last packet, {exchange.place:,}, is {len(exchange.best.body)} bytes long instead of "
        f"{PACKET_BYTES}: just the {missing} bytes after the last word are lacking.",
        heard=exchange.sendings[0],
        exchange=exchange,
        shown=shown(exchange.best.body),
        few=few,
    )


def _how_torn(exchange: Exchange) -> str:
    body, piece = exchange.best.body, exchange.best.piece
    if piece.kind is PieceKind.EXCLUSIVE:
        return f"is {len(body)} bytes long instead of {PACKET_BYTES}"
    if piece.ended_by is None or piece.ended_by == 0xF0:
        return f"has no end (F7) after its {len(body)} bytes"
    return f"is broken off after {len(body)} bytes by another message"


def _filler(dump: DumpScene) -> Iterator[Sign]:
    """Tell of what stands behind the last word (T33)."""
    used, last = used_in_last(dump), dump.packets[-1] if dump.packets else None
    if used is None or last is None or dump.planned is None or last.place != dump.planned - 1:
        return
    if not last.best.is_sound or len(last.best.body) != PACKET_BYTES:
        return
    rest = filler_of(last.best, used)
    odd = sum(byte != 0 for byte in rest)
    if not odd or (dump.source is not None and not is_as_source(last, dump.source)):
        return
    known = dump.scene.shows_sent or dump.source is not None
    yield sign(
        "filler not zero",
        dump,
        f"Behind the last word, in packet {last.place:,}, {odd} of {len(rest)} bytes are not 00.",
        heard=last.sendings[0],
        exchange=last,
        shown=shown(rest),
        sent=dump.scene.shows_sent,
        hit=not known and may_be_hit_behind(last.best, used),
    )


def _other_device(dump: DumpScene) -> Iterator[Sign]:
    """Tell of packets that are right and meant for another device than the dump."""
    owner, sound = dump.talk.device_id, dump.sound
    strange = [each for each in sound if each.best.device_id not in (owner, ALL_CALL)]
    if not strange or owner in (None, ALL_CALL):
        return
    first, all_of_them = strange[0], len(strange) == len(sound)
    device = first.best.device_id
    yield sign(
        "packet for another device",
        dump,
        f"The header is meant for device {owner}, every packet for device {device}."
        if all_of_them and len(sound) > 1
        else f"Packet {first.place:,} is meant for device {device}, the dump for device {owner}; "
        "its checksum fits.",
        heard=first.sendings[0],
        exchange=first,
        shown=shown(first.best.body),
        sent=dump.scene.shows_sent,
        # A header has no checksum: its ID may have been altered on the way.
        every=all_of_them,
    )


CONTENT: Final = (content,)
