"""Packets and headers that arrived damaged: in what way, and what all the damage has in common.

Theory of operation.  All damaged packets of a dump are looked at together.  What strikes in one bit
or in the device ID is told as that; the rest by its kind.  What
was sent like that, each time or in the source too, is told by `content`: a recording behind the
damage looks like it, so what is regular is looked for in both.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.codec import Foreign, Malformed
from dryload.emulator.wire.constants import PACKET_BYTES
from dryload.emulator.wire.packets import DATA
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.splitter import PieceKind
from dryload.harness.diagnose.scene import PACKET_NS, DumpScene, Scene, named
from dryload.harness.diagnose.sign import Sign, sign
from dryload.harness.diagnose.signs.content import used_in_last
from dryload.harness.judge.damage import (
    Damage,
    Hit,
    changed_bits,
    damage_of,
    device_byte,
    differs_in_device,
    held_bit,
    is_header_start,
    remains_of,
    sum_is_off_by,
)
from dryload.harness.judge.dialogue.exchanges import Exchange
from dryload.harness.judge.timed_messages import TimedMessage

_MANY: Final = 3  # damages that make a rule of what they have in common (our choice)
_SHORTER: Final = (Hit.LOST, Hit.CUT, Hit.END_LOST)


class _DamagedPacket(NamedTuple):
    """One damaged packet."""

    exchange: Exchange
    heard: TimedMessage
    damage: Damage
    reference: bytes | None
    """The packet as it should be, if that is known."""


def damaged(scene: Scene) -> Iterator[Sign]:
    """Tell of packets that arrived damaged, by what all of it has in common or else by its kind."""
    if scene.at_host:
        return
    loose = remains_of(scene.spoke(Direction.TO_UNIT))
    for dump in scene.sent:
        found = list(_found(dump, loose)) if dump.damaged else []
        struck = {id(each.exchange): each.exchange for each in found}
        sent_so = {at for at, each in struck.items() if _was_sent_so(dump, each)}
        arrived = [each for each in found if id(each.exchange) not in sent_so]
        regular = _device(dump, found)
        if not scene.is_file:
            regular = (_device_of_source(dump) if found else None) or _bit(dump, found) or regular
        if regular is not None:
            yield regular
        else:
            yield from _by_kind(dump, arrived)


def _found(
    dump: DumpScene, loose: Mapping[int, Sequence[TimedMessage]]
) -> Iterator[_DamagedPacket]:
    references: dict[int, bytes | None] = {}  # of what comes damaged thousands of times
    for exchange, heard in dump.damaged:
        if not heard.is_torn_off:
            if id(exchange) not in references:
                references[id(exchange)] = _reference(dump, exchange)
            reference = references[id(exchange)]
            damage = damage_of(heard, loose.get(heard.place, ()), reference)
            yield _DamagedPacket(exchange, heard, damage, reference)


def _reference(dump: DumpScene, exchange: Exchange) -> bytes | None:
    if exchange.best.is_sound:
        return exchange.best.body
    if dump.source is not None and exchange.place is not None:
        right = dump.source.whole(exchange.place)
        if right is not None:
            return right
    return None


def _was_sent_so(dump: DumpScene, exchange: Exchange) -> bool:
    return not exchange.best.is_sound and dump.in_every_sending(exchange)


# What all of it has in common.


def _sign(
    dump: DumpScene,
    one: _DamagedPacket,
    rule: str,
    *texts: str,
    hit: str = "",
    is_proved: bool = False,
    is_main: bool = True,
    is_cut_short: bool = False,
    shown: str = "",
) -> Sign:
    return sign(
        "damaged",
        dump,
        *texts,
        heard=one.heard,
        exchange=one.exchange,
        shown=shown,
        rule=rule,
        hit=hit,
        proved=is_proved,
        main=is_main,
        foreign=is_cut_short,
    )


def _device(dump: DumpScene, found: Sequence[_DamagedPacket]) -> Sign | None:
    """Find one other device ID with which every checksum is right (DEV-04)."""
    if dump.sound or not all(each.heard.is_whole_packet for each in found):
        return None
    if any(device_byte(one.body) == device_byte(right) for _, one, right in _beside_source(dump)):
        return None
    off = {sum_is_off_by(each.heard.body) for each in found}
    ids = {device_byte(each.heard.body) for each in found}
    if len(off) != 1 or len(ids) != 1 or len({each.exchange.place for each in found}) < 2:
        return None
    (by,), (now,) = off, ids
    if by in (0, now, 0x7E, 0x7E ^ now) and not dump.found("DEV-04"):
        return None  # a checksum that leaves something out looks the same
    text = f"Every packet is for device {now}, and every checksum is right for device {now ^ by}."
    shown = found[0].heard.body[:5].hex(" ").upper()
    return _sign(dump, found[0], "device", text, shown=shown)


def _device_of_source(dump: DumpScene) -> Sign | None:
    """Find packets that are those of the source, checksum and all, but for the device ID."""
    pairs = _beside_source(dump)
    if not pairs or not all(differs_in_device(one.body, right) for _, one, right in pairs):
        return None
    exchange, one, right = pairs[0]
    text = (
        f"Packet {exchange.place:,} arrived for device {device_byte(one.body)}; the source has it "
        f"for device {device_byte(right)}, with the same checksum and the same sound."
    )
    found = _DamagedPacket(exchange, one, damage_of(one, (), right), right)
    shown = one.body[:5].hex(" ").upper()
    return _sign(dump, found, "device", text, is_proved=True, shown=shown)


def _beside_source(dump: DumpScene) -> list[tuple[Exchange, TimedMessage, bytes]]:
    """Return each whole packet beside that of the source, where the source's checksum is right."""
    return [
        (exchange, exchange.best, right)
        for exchange in (dump.packets if dump.source is not None else ())
        if exchange.place is not None
        and dump.source is not None
        and exchange.best.is_whole_packet
        and (right := dump.source.whole(exchange.place)) is not None
        and sum_is_off_by(right) == 0
    ]


def _bit(dump: DumpScene, found: Sequence[_DamagedPacket]) -> Sign | None:
    """Find one bit that is the same in every byte and was not sent so.

    Where as many bytes of a packet are struck as its checksum overlooks, nothing is damaged.
    """
    pairs = _beside_source(dump)
    off = {by for _, one, right in pairs for by in changed_bits(one.body, right)}
    if not pairs:
        off = {sum_is_off_by(e.heard.body) if e.heard.is_whole_packet else 0 for e in found}
    if not found and not pairs:
        off = _bits_in_filler(dump)
    if len(off) != 1 or (by := off.pop()).bit_count() != 1:
        return None
    held = held_bit(by, [each.best for each in dump.packets if each.best.is_whole_packet])
    # A bit that is clear everywhere may be one that the width does not use.
    if held is None or not (pairs or held or len(found) >= _MANY):
        return None
    value = "set" if held else "clear"
    text = (
        f"Bit {by.bit_length() - 1} is {value} in every byte of the sound, and it was not sent so."
    )
    exchange = dump.packets[0]
    heard = exchange.sendings[0]
    one = found[0] if found else _DamagedPacket(exchange, heard, damage_of(heard, (), None), None)
    return _sign(dump, one, "bit", text, is_proved=bool(pairs))


def _bits_in_filler(dump: DumpScene) -> set[int]:
    """Return what stands behind the last word, where 00 is due (PKT-08)."""
    used = used_in_last(dump)
    if used is None or not dump.talk.is_full or not dump.packets[-1].best.is_whole_packet:
        return set()
    return set(dump.packets[-1].best.body[DATA][used:])


# Damage by its kind.


def _by_kind(dump: DumpScene, found: Sequence[_DamagedPacket]) -> Iterator[Sign]:
    kinds: dict[str, list[_DamagedPacket]] = {}
    for each in found:
        name = "lost" if each.damage.hit in _SHORTER else each.damage.hit.value
        kinds.setdefault(name, []).append(each)
    most = Counter({name: len(mine) for name, mine in kinds.items()})
    exclusive = (each for each in dump.talk.besides if each.piece.kind is PieceKind.EXCLUSIVE)
    strange = {each.place for each in exclusive}
    for name, mine in kinds.items():
        place = mine[0].heard.place
        is_main = not _is_ever_alike(dump, mine) and all(
            (most[other], -others[0].heard.place) <= (most[name], -place)
            for other, others in kinds.items()
        )
        yield _sign(
            dump,
            mine[0],
            "",
            *_sentences(dump, mine),
            hit=name,
            is_proved=_is_proved(dump, mine[0]),
            is_main=is_main,
            shown=mine[0].damage.shown,
            is_cut_short=any(each.heard.place + 1 in strange for each in mine),
        )


def _is_proved(dump: DumpScene, one: _DamagedPacket) -> bool:
    """Whether bytes that the source has are missing where they arrive, and never came later."""
    if not dump.scene.shows_arrived or one.reference is None or dump.source is None:
        return False
    return one.damage.hit in _SHORTER and not one.exchange.best.is_sound


def _is_ever_alike(dump: DumpScene, mine: Sequence[_DamagedPacket]) -> bool:
    """Whether one packet came again and again with the same damage, and nothing else came.

    The line hardly strikes alike so often; who sends a wrong checksum does.
    """
    if dump.sound or len(mine) < _MANY or any(each.reference is not None for each in mine):
        return False
    return len({(each.exchange.place, each.heard.body) for each in mine}) == 1


def _sentences(dump: DumpScene, mine: Sequence[_DamagedPacket]) -> Iterator[str]:
    one = mine[0]
    damage, where = one.damage, f"Packet {one.exchange.place:,}"
    match damage.hit:
        case Hit.ALTERED:
            yield f"{where} arrived with a checksum that does not fit its bytes."
        case Hit.ADDED:
            yield f"{where} arrived {counted(damage.count, 'byte')} too long."
        case Hit.NOTE:
            channel = int(damage.shown[:2], 16) % 16 + 1
            yield f"{where} breaks off at a message for channel {channel}, and goes on behind it."
        case Hit.CUT | Hit.END_LOST:
            yield f"{where} breaks off after {damage.length} of its 127 bytes."
        case Hit.LOST:
            yield f"{where} arrived {counted(damage.count, 'byte')} too short."
    if one.exchange.best.is_sound:
        yield "It was right when it was sent again, so it had been sent right."
    elif one.reference is not None:
        yield "The source has it right."
    places = {each.exchange.place for each in mine}
    if len(places) > 1:
        yield f"In all that happened to {len(places):,} of {len(dump.packets):,} packets."


# Headers and pieces.


def headers(scene: Scene) -> Iterator[Sign]:
    """Tell of a header that arrived without its form."""
    if scene.shows_sent:
        return
    spoken = scene.spoke(Direction.TO_UNIT)
    whole = {id(each) for dump in scene.sent if dump.header is not None for each in dump.headers}
    starts = {id(dump.talk.sent[0][1]) for dump in scene.sent if dump.header is None}
    headless = {id(before) for before, heard in pairwise(spoken) if id(heard) in starts}
    for heard in spoken:
        if id(heard) in whole or heard.is_torn_off:
            continue
        torn = is_header_start(heard) and not heard.is_sound
        if torn or (id(heard) in headless and _may_be_header(heard)):
            yield sign(
                "header damaged",
                None,
                f"The header arrived with {len(heard.body)} bytes and not in its form, so the unit "
                "cannot know of a dump.",
                at=scene.place(heard),
                shown=heard.body[:24].hex(" ").upper(),
            )
            return


def _may_be_header(heard: TimedMessage) -> bool:
    """Whether something in front of packets without a header may be what is left of one."""
    is_exclusive = heard.piece.kind in (PieceKind.EXCLUSIVE, PieceKind.CUT)
    return is_exclusive and (
        heard.message is None or isinstance(heard.message, Malformed | Foreign)
    )


# Messages that break off.


def broken_off(scene: Scene) -> Iterator[Sign]:
    """Tell of the one packet that breaks off with more missing than its end."""
    if scene.shows_sent:
        return
    for dump in scene.sent:
        if len(dump.damaged) != 1:
            continue  # a cable that was out spoils one message, and then they are whole or missing
        for at, (exchange, heard) in enumerate(dump.talk.sent):
            after = dump.talk.sent[at + 1] if at + 1 < len(dump.talk.sent) else None
            how = _how_broken_off(dump, exchange, heard, after)
            if how is not None:
                text, is_gap = how
                yield sign(
                    "broken off",
                    dump,
                    f"{named(exchange).capitalize()} {text}",
                    heard=heard,
                    exchange=exchange,
                    # Behind the last packet nothing is due: nothing shows that nothing passed.
                    last=dump.talk.is_full and after is None,
                    gap=is_gap,
                )
                break


def _how_broken_off(
    dump: DumpScene,
    exchange: Exchange,
    heard: TimedMessage,
    after: tuple[Exchange, TimedMessage] | None,
) -> tuple[str, bool] | None:
    """Return how a packet breaks off, and whether something is missing behind it."""
    piece = heard.piece
    short_of_end = len(heard.body) == PACKET_BYTES - 1
    if heard.is_sound or exchange.place is None or (short_of_end and not heard.is_torn_off):
        return None
    is_gap = after is not None and after[0].jump > 0
    if piece.kind is PieceKind.CUT and after is None:
        if heard.is_torn_off and not _is_known(dump.scene):
            return None  # the recording may have ended there
        return "breaks off in its middle, and nothing of the dump came after it.", False
    if piece.kind is PieceKind.CUT and is_gap:
        return "breaks off in its middle, and what was due next never came.", True
    if dump.scene.is_timed and heard.gaps_ns >= PACKET_NS:
        return "breaks off; what comes behind the pause is the end of another one.", is_gap
    return None


def _is_known(scene: Scene) -> bool:
    """Whether it is known that the capture was taken on the cable or behind it."""
    return scene.shows_damage(Direction.TO_UNIT) is True and not scene.is_file


DAMAGE: Final = (damaged, headers, broken_off)
