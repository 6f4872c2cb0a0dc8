"""Packets that are wrong by themselves in every sending: checksums, forms, ends, device IDs."""

from collections.abc import Iterator
from typing import Final

from emulator.wire.constants import ALL_CALL, PACKET_BYTES, PACKET_DATA_BYTES, PACKET_NUMBERS
from emulator.wire.messages import DataPacket
from emulator.wire.packets import join
from emulator.wire.sizes import bytes_per_word, words_per_packet
from emulator.wire.splitter import PieceKind
from harness.diagnose.against_source import is_as_source
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_file_common import (
    all_sound,
    found,
    in_every_sending,
    place_of,
    shown,
    shows_sent,
    source_of,
    strength,
    suspect,
    times,
)
from harness.diagnose.scene import DumpScene
from harness.judge.dialogue.exchanges import Exchange
from harness.judge.sums import WAYS

_HEAD, _TAIL = 5, 2  # bytes of a packet before and behind its data, M1 p. 37
_MANY: Final = 3  # torn packets of one dump that rather speak for the way
_FEW: Final = 2  # bytes that two flipped bits or a swap can change
_STOPPED_BY_80: Final = 4  # bytes of a packet before its number


def wrong_sums(dump: DumpScene) -> Iterator[Suspicion]:
    """Checksums that are wrong each time a packet is sent."""
    wrong = [each for each in _unsound(dump) if isinstance(each.best.message, DataPacket)]
    if not wrong or found(dump, "DEV-04"):
        return
    if not dump.sound:
        name = _wrong_way(wrong)
        if name is not None:
            yield _wrong_range(dump, wrong, name)
            return
    proven = [each for each in wrong if in_every_sending(dump, each)]
    alone = not dump.sound
    if not proven and alone and source_of(dump) is None:  # a bit that is stuck would do it as well
        proven = [each for each in wrong if len(each.sendings) > 1 and _is_steady(each)]
        alone = bool(proven)
    else:
        alone = False
    if proven:
        first = proven[0]
        in_source = (source := source_of(dump)) is not None and is_as_source(first, source)
        yield suspect(
            dump,
            "checksums wrong in the dump",
            Strength.SURE if in_source else Strength.FAIR if alone else strength(dump),
            f"Packet {first.place:,} was sent {times(len(first.sendings))}, each time with the "
            "same wrong checksum."
            if len(first.sendings) > 1
            else f"The checksum of packet {first.place:,} does not fit its bytes.",
            *(["The source has the packet just so."] if in_source else []),
            *([f"{len(proven) - 1:,} more packets are like it."] if len(proven) > 1 else []),
            at=place_of(dump, first),
            bytes_shown=shown(first.best.body),
        )


def _is_steady(exchange: Exchange) -> bool:
    return len({each.body for each in exchange.sendings}) == 1


def _wrong_way(wrong: list[Exchange]) -> str | None:
    rows = join([each.best.body for each in wrong[:512]])
    for name, way in WAYS:
        if bool((way(rows) == rows[:, PACKET_BYTES - _TAIL]).all()):
            return name
    return None


def _wrong_range(dump: DumpScene, wrong: list[Exchange], name: str) -> Suspicion:
    first = wrong[0]
    if len(wrong) == 1:
        how = strength(dump) if in_every_sending(dump, first) else Strength.FAIR
        how = min(how, Strength.STRONG)
    else:
        how = Strength.SURE
    return suspect(
        dump,
        "checksum of the wrong range",
        how,
        f"The checksum of {'every packet' if len(wrong) > 1 else 'the packet'} that was sent is "
        f"wrong, and it is {name}.",
        at=place_of(dump, first),
        bytes_shown=shown(first.best.body),
    )


def _unsound(dump: DumpScene) -> list[Exchange]:
    """Return the packets that are right in no sending."""
    if all_sound(dump):
        return []
    return [each for each in dump.packets if not each.best.is_sound]


def torn(dump: DumpScene) -> Iterator[Suspicion]:
    """Packets that have not their form in any sending."""
    last = None if dump.planned is None else dump.planned - 1
    found_torn = []
    for each in _unsound(dump):
        if isinstance(each.best.message, DataPacket):
            continue
        if _number_above(each):
            yield _not_wrapped(dump, each)
            return
        if each.place == last and (missing := _short_by_filler(dump, each)):
            yield _last_short(dump, each, missing)
        elif not each.best.is_torn_off and in_every_sending(dump, each):
            found_torn.append(each)
    if found_torn:
        yield _damaged(dump, found_torn)


def _number_above(exchange: Exchange) -> bool:
    """Whether a packet stops where its number would be 80 or more."""
    place = exchange.place
    if place is None or place < PACKET_NUMBERS:
        return False
    return all(
        len(each.body) == _STOPPED_BY_80
        and each.piece.kind is PieceKind.CUT
        and each.piece.ended_by == min(place, 0xFF)
        for each in exchange.sendings
    )


def _not_wrapped(dump: DumpScene, exchange: Exchange) -> Suspicion:
    return suspect(
        dump,
        "numbers do not wrap",
        Strength.SURE,
        f"Packet {exchange.place:,} bears the number {exchange.place:X} instead of "
        f"{(exchange.place or 0) % PACKET_NUMBERS:02X}; such a byte ends the message.",
        at=place_of(dump, exchange),
        bytes_shown=f"{shown(exchange.best.body)} {exchange.best.piece.ended_by:02X}",
    )


def _short_by_filler(dump: DumpScene, exchange: Exchange) -> int:
    """Return how many bytes of filler are all that a last packet lacks, else 0."""
    used = used_in_last(dump)
    body = exchange.best.body
    if used is None or used >= PACKET_DATA_BYTES or len(body) != _HEAD + used + _TAIL:
        return 0
    total = 0
    for byte in body[1:-_TAIL]:
        total ^= byte
    ends = exchange.best.piece.kind is PieceKind.EXCLUSIVE
    return PACKET_DATA_BYTES - used if ends and total & 0x7F == body[-_TAIL] else 0


def used_in_last(dump: DumpScene) -> int | None:
    """Return how many data bytes of the last packet hold words, None where nobody can tell."""
    header = dump.header
    if header is None or not dump.planned:
        return None
    words = header.length * header.channels
    left = words - (dump.planned - 1) * words_per_packet(header.bits)
    return left * bytes_per_word(header.bits)


def _last_short(dump: DumpScene, exchange: Exchange, missing: int) -> Suspicion:
    doubtful = missing <= 2 * _FEW and len(exchange.sendings) == 1 and not shows_sent(dump)
    return suspect(
        dump,
        "last packet short",
        Strength.FAIR if doubtful else Strength.SURE,
        f"The last packet, {exchange.place:,}, is {len(exchange.best.body)} bytes long instead of "
        f"{PACKET_BYTES}: just the {missing} bytes after the last word are lacking.",
        at=place_of(dump, exchange),
        bytes_shown=shown(exchange.best.body),
    )


def _damaged(dump: DumpScene, mine: list[Exchange]) -> Suspicion:
    first = mine[0]
    body, piece = first.best.body, first.best.piece
    if piece.kind is PieceKind.EXCLUSIVE:
        what = f"is {len(body)} bytes long instead of {PACKET_BYTES}"
    elif piece.ended_by is None or piece.ended_by == 0xF0:
        what = f"has no end (F7) after its {len(body)} bytes"
    else:
        what = f"is broken off after {len(body)} bytes by another message"
    how = strength(dump)
    if len(mine) >= _MANY and source_of(dump) is None:
        how = Strength.FAIR
    ended_by = "" if piece.ended_by is None else f" {piece.ended_by:02X}"
    return suspect(
        dump,
        "packet damaged in the dump",
        how,
        f"Packet {first.place:,} {what}"
        + (", each time it was sent." if len(first.sendings) > 1 else "."),
        *([f"{len(mine) - 1:,} more packets are damaged."] if len(mine) > 1 else []),
        at=place_of(dump, first),
        bytes_shown=shown(body) + ended_by,
    )


def filler(dump: DumpScene) -> Iterator[Suspicion]:
    """What stands behind the last word."""
    used, last = used_in_last(dump), dump.packets[-1] if dump.packets else None
    if used is None or last is None or dump.planned is None or last.place != dump.planned - 1:
        return
    if not last.best.is_sound or len(last.best.body) != PACKET_BYTES:
        return
    rest = last.best.body[_HEAD + used : -_TAIL]
    odd = sum(byte != 0 for byte in rest)
    if not odd or ((source := source_of(dump)) is not None and not is_as_source(last, source)):
        return
    known = shows_sent(dump) or source_of(dump) is not None
    if not known and _is_one_damage(last.best.body, used, rest):
        yield suspect(
            dump,
            "damage that no receiver can see",
            Strength.FAIR,
            f"Behind the last word everything is 00 but for {odd} bytes, and the checksum fits.",
            at=place_of(dump, last),
            bytes_shown=shown(rest),
        )
        return
    yield suspect(
        dump,
        "filler not zero",
        strength(dump),
        f"Behind the last word, in packet {last.place:,}, {odd} of {len(rest)} bytes are not 00.",
        at=place_of(dump, last),
        bytes_shown=shown(rest),
    )


def _is_one_damage(body: bytes, used: int, rest: bytes) -> bool:
    """Whether a swap with the last word, or two flipped bits, would leave such filler behind."""
    odd = [byte for byte in rest if byte]
    if len(rest) <= _FEW or len(set(odd)) > 1 or len(odd) > _FEW:
        return False
    swapped = len(odd) == 1 and rest[0] == odd[0] and body[_HEAD + used - 1] == 0
    return swapped or odd[0].bit_count() == 1


def too_many(dump: DumpScene) -> Iterator[Suspicion]:
    """A packet after the one that holds the last word, with nothing in it."""
    planned = dump.planned
    if not planned:
        return
    beyond = [each for each in dump.packets if each.place is not None and each.place >= planned]
    if len(beyond) != 1 or len(dump.packets) != planned + 1:
        return
    extra = beyond[0]
    sound = all_sound(dump)
    if not sound or extra.number != planned % PACKET_NUMBERS or any(extra.best.body[_HEAD:-_TAIL]):
        return
    full = used_in_last(dump) == PACKET_DATA_BYTES
    yield suspect(
        dump,
        "packet too many",
        strength(dump),
        f"After packet {planned - 1:,}, which holds the last word, an empty one follows.",
        *(["The one before is exactly full."] if full else []),
        at=place_of(dump, extra),
        bytes_shown=shown(extra.best.body),
    )


def other_device(dump: DumpScene) -> Iterator[Suspicion]:
    """Packets that are right and meant for another device than the dump."""
    owner = dump.talk.device_id
    sound = dump.sound
    strange = [each for each in sound if each.best.body[2] not in (owner, ALL_CALL)]
    if not strange or owner in (None, ALL_CALL):
        return
    all_of_them = len(strange) == len(sound) and len(sound) > 1
    # A header has no checksum: its ID may have been altered on the way.
    how = strength(dump, Strength.FAIR if len(strange) == len(sound) else Strength.STRONG)
    first = strange[0]
    yield suspect(
        dump,
        "packet for another device in the dump",
        how,
        f"The header is meant for device {owner}, every packet for device {first.best.body[2]}."
        if all_of_them
        else f"Packet {first.place:,} is meant for device {first.best.body[2]}, the dump for "
        f"device {owner}; its checksum fits.",
        at=place_of(dump, first),
        bytes_shown=shown(first.best.body),
    )
