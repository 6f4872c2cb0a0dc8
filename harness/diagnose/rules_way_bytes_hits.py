"""What damaged packets have in common: lost, added and altered bytes, one here or one by rule.

Theory of operation.  All damaged packets of a dump are looked at together.  What strikes at one
length, at one distance or in one bit is told as that; the rest is told by the kind of its first.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise
from math import comb
from typing import Final, NamedTuple

from emulator.dump.capture import Direction
from emulator.wire.constants import PACKET_BYTES
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.damage import (
    Damage,
    Hit,
    damage_of,
    lost_at,
    put_together,
    remains_of,
    sum_is_off_by,
)
from harness.diagnose.rules_file_common import in_every_sending, source_of
from harness.diagnose.scene import DumpScene, Scene
from harness.files.recorded import TakenAt
from harness.judge.dialogue.exchanges import Exchange
from harness.judge.plain import counted
from harness.judge.timed_messages import TimedMessage

_SENDINGS: Final = 8  # of one packet that are put together (our choice)
_MANY: Final = 3  # damages that make a rule of what they have in common (our choice)
_FAMILY_BYTE: Final = 0x7E
_NAMES: Final = {
    Hit.ALTERED: "bytes altered on the way",
    Hit.LOST: "bytes lost on the way",
    Hit.CUT: "bytes lost on the way",
    Hit.END_LOST: "bytes lost on the way",
    Hit.ADDED: "bytes added on the way",
    Hit.NOTE: "another sender on the cable",
}
_DISTANCES: Final = range(48, 2_100)  # bytes from one loss to the next (our choice)
_MOST_OF: Final = 0.6  # of the steps; losses between messages are not seen (our choice)
_TOO_LIKELY: Final = 0.02  # distances that would fit by chance (our choice)
_UNLIKELY: Final = 0.0001


class _Found(NamedTuple):
    """One damaged packet."""

    exchange: Exchange
    heard: TimedMessage
    damage: Damage
    reference: bytes | None


_Rule = Callable[[DumpScene, Sequence[_Found]], Suspicion | None]


def hits(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way of what arrived damaged (T11, T12, T14, T15, T18, T51, T53)."""
    if scene.recorded.taken_at is TakenAt.HOST:
        return
    loose = remains_of(scene.spoke(Direction.TO_UNIT))
    for dump in scene.sent:
        found = list(_damaged(dump, loose)) if dump.damaged else []
        on_the_way = [each for each in found if not _was_sent_so(dump, each.exchange)]
        # A file may have been recorded behind the damage: what is regular says so.
        yield from (
            _by_rule(dump, on_the_way, (_ends, _cut, _stuck))
            or _by_rule(dump, found, (_rewritten, _regular))
            or _by_kind(dump, on_the_way)
        )


def _damaged(dump: DumpScene, loose: Mapping[int, Sequence[TimedMessage]]) -> Iterator[_Found]:
    """Yield what is damaged, wherever that happened."""
    for exchange, heard in dump.damaged:
        if heard.is_torn_off:
            continue
        reference = _reference(dump, exchange)
        damage = damage_of(heard, loose.get(heard.place, ()), reference)
        yield _Found(exchange, heard, damage, reference)


def _reference(dump: DumpScene, exchange: Exchange) -> bytes | None:
    """Return the packet as it should be, if that is known."""
    if exchange.best.is_sound:
        return exchange.best.body
    source = source_of(dump)
    if source is not None and exchange.place is not None:
        right = source.whole(exchange.place)
        if right is not None:
            return right
    return put_together([each.body for each in exchange.sendings[:_SENDINGS]])


def _was_sent_so(dump: DumpScene, exchange: Exchange) -> bool:
    return not exchange.best.is_sound and in_every_sending(dump, exchange)


def _by_rule(dump: DumpScene, found: Sequence[_Found], rules: Sequence[_Rule]) -> list[Suspicion]:
    """Return what all of the damage has in common, if it has."""
    for rule in rules if found else ():
        if (suspicion := rule(dump, found)) is not None:
            return [suspicion]
    return []


def _ends(dump: DumpScene, found: Sequence[_Found]) -> Suspicion | None:
    if any(each.damage.hit is not Hit.END_LOST for each in found):
        return None
    if len(found) + _tails(dump, PACKET_BYTES - 1) < 2 or dump.sound:
        return None
    return _told(
        dump,
        "message ends lost",
        Strength.SURE if len(found) >= _MANY else Strength.STRONG,
        found[0],
        f"{_all(found)} arrived with 126 of its 127 bytes: the last one, F7, is missing.",
    )


def _tails(dump: DumpScene, length: int) -> int:
    """Return how many messages the capture ends in, just at this length: none or one."""
    last = dump.talk.sent[-1][1]
    return int(last.is_torn_off and len(last.body) == length)


def _cut(dump: DumpScene, found: Sequence[_Found]) -> Suspicion | None:
    lengths = {each.damage.length for each in found}
    if len(lengths) > 1 or len(found) + _tails(dump, min(lengths)) < 2 or dump.sound:
        return None
    if any(each.damage.hit is not Hit.CUT for each in found):
        return None
    return _told(
        dump,
        "messages cut at a length",
        Strength.SURE if len(found) >= _MANY else Strength.STRONG,
        found[0],
        f"{_all(found)} ends after {lengths.pop()} of its 127 bytes.",
    )


def _rewritten(dump: DumpScene, found: Sequence[_Found]) -> Suspicion | None:
    """Find one other device ID with which every checksum is right (DEV-04)."""
    if dump.sound or not all(each.heard.is_whole_packet for each in found):
        return None
    off = {sum_is_off_by(each.heard.body) for each in found}
    ids = {each.heard.body[2] for each in found}
    if len(off) != 1 or len(ids) != 1 or len({each.exchange.place for each in found}) < 2:
        return None
    (by,), (now,) = off, ids
    if by in (0, now, _FAMILY_BYTE, _FAMILY_BYTE ^ now):
        return None  # a checksum that leaves something out looks the same
    return _told(
        dump,
        "device ID rewritten on the way",
        Strength.STRONG,
        found[0],
        f"Every packet is for device {now}, and every checksum is right for device {now ^ by}.",
        shown=found[0].heard.body[:5].hex(" ").upper(),
    )


def _stuck(dump: DumpScene, found: Sequence[_Found]) -> Suspicion | None:
    """Find one bit that is the same in every byte and by which every checksum is off."""
    if len(found) < _MANY or not all(each.heard.is_whole_packet for each in found):
        return None
    off = {sum_is_off_by(each.heard.body) for each in found}
    if len(off) != 1 or (by := off.pop()).bit_count() != 1:
        return None
    data = b"".join(each.best.body[5:125] for each in dump.packets if each.best.is_whole_packet)
    values = {byte & by for byte in data}
    others = {byte & ~by for byte in data}
    if len(values) != 1 or len(others) < _MANY:
        return None
    return _told(
        dump,
        "stuck data bit",
        Strength.STRONG,
        found[0],
        f"Bit {by.bit_length() - 1} is {'set' if values.pop() else 'clear'} in every byte of the "
        "sound, and the checksums say that it was not always so.",
    )


def _regular(dump: DumpScene, found: Sequence[_Found]) -> Suspicion | None:
    """Find the distance at which bytes are lost (T53)."""
    losses = [each for each in found if each.damage.hit in (Hit.LOST, Hit.CUT, Hit.END_LOST)]
    if len(losses) < _MANY or len(losses) < len(found) - 1:
        return None
    steps = list(pairwise(_spans(dump, losses)))
    # Whoever loses every Nth byte loses it in the stream that was sent; a divisor of N fits too.
    for distance in reversed(_DISTANCES):
        fit = [_width(one, other) for one, other in steps if _fits(one, other, distance)]
        if len(fit) < max(_MANY - 1, _MOST_OF * len(steps)):
            continue
        chance = _by_chance(fit, len(steps), distance)
        if chance > _TOO_LIKELY:
            continue
        return _told(
            dump,
            "every Nth byte lost",
            Strength.SURE if chance < _UNLIKELY else Strength.STRONG,
            losses[0],
            f"A byte is missing {len(losses)} times, and mostly {distance} bytes after the one "
            "before it, or twice that.",
        )
    return None


_Span = tuple[int, int]


def _fits(one: _Span, other: _Span, distance: int) -> bool:
    """Whether two losses can be one distance apart, or two of them."""
    least, most = other[0] - one[1], other[1] - one[0]
    return least <= distance <= most or least <= 2 * distance <= most


def _width(one: _Span, other: _Span) -> int:
    return other[1] - one[0] - (other[0] - one[1]) + 1


def _by_chance(fit: Sequence[int], steps: int, distance: int) -> float:
    """Return how many distances would fit as well if bytes were lost anywhere."""
    expected = float(len(_DISTANCES) * comb(steps, len(fit)))
    for width in fit:
        expected *= min(2 * width / distance, 1.0)
    return expected


def _spans(dump: DumpScene, losses: Sequence[_Found]) -> Iterator[_Span]:
    """Yield between which bytes of the stream that was sent each loss is."""
    before = 0
    for each in losses:
        start = each.heard.piece.offset + before
        if each.reference is not None and each.damage.hit is not Hit.END_LOST:
            first, last = lost_at(each.heard.body, each.reference)
        elif each.damage.hit is Hit.END_LOST:
            first = last = PACKET_BYTES - 1
        else:
            first, last = 1, PACKET_BYTES - 2
        yield start + first, start + last
        before += each.damage.count


def _by_kind(dump: DumpScene, found: Sequence[_Found]) -> Iterator[Suspicion]:
    if not found:
        return
    kinds: dict[str, list[_Found]] = {}
    for each in found:
        kinds.setdefault(_NAMES[each.damage.hit], []).append(each)
    most = Counter({name: len(mine) for name, mine in kinds.items()})
    first = min(kinds, key=lambda name: (-most[name], kinds[name][0].heard.place))
    for name, mine in kinds.items():
        is_likely = name == first and not _is_ever_alike(dump, mine)
        how = Strength.STRONG if is_likely else Strength.WEAK
        if is_likely and _is_certain(dump, mine[0]):
            how = Strength.SURE
        yield _told(dump, name, how, mine[0], *_sentences(dump, mine), shown=mine[0].damage.shown)


def _is_certain(dump: DumpScene, one: _Found) -> bool:
    """Whether bytes that the source has are missing where they arrive, and never came later."""
    if not dump.scene.shows_damage(Direction.TO_UNIT) or one.reference is None:
        return False
    is_short = one.damage.hit in (Hit.LOST, Hit.CUT, Hit.END_LOST)
    return is_short and source_of(dump) is not None and not one.exchange.best.is_sound


def _is_ever_alike(dump: DumpScene, mine: Sequence[_Found]) -> bool:
    """Whether one packet came again and again with the same damage, and nothing else came.

    The line hardly strikes alike so often; who sends a wrong checksum does.
    """
    if dump.sound or len(mine) < _MANY or any(each.reference is not None for each in mine):
        return False
    return len({(each.exchange.place, each.heard.body) for each in mine}) == 1


def _sentences(dump: DumpScene, mine: Sequence[_Found]) -> Iterator[str]:
    one = mine[0]
    damage, where = one.damage, _packet(one)
    match damage.hit:
        case Hit.ALTERED:
            yield f"{where} arrived with a checksum that does not fit its bytes."
        case Hit.ADDED:
            yield f"{where} arrived {counted(damage.count, 'byte', 'bytes')} too long."
        case Hit.NOTE:
            yield (
                f"{where} breaks off at a message for channel "
                f"{int(damage.shown[:2], 16) % 16 + 1}, and goes on behind it."
            )
        case Hit.CUT | Hit.END_LOST:
            yield f"{where} breaks off after {damage.length} of its 127 bytes."
        case _:
            yield f"{where} arrived {counted(damage.count, 'byte', 'bytes')} too short."
    if one.exchange.best.is_sound:
        yield "It was right when it was sent again, so it had been sent right."
    elif one.reference is not None:
        yield "The source has it right."
    places = {each.exchange.place for each in mine}
    if len(places) > 1:
        yield f"In all that happened to {len(places):,} of {len(dump.packets):,} packets."


def _all(found: Sequence[_Found]) -> str:
    return f"Each of {len(found):,} packets" if len(found) > 1 else _packet(found[0])


def _packet(found: _Found) -> str:
    return f"Packet {found.exchange.place:,}"


def _told(
    dump: DumpScene,
    cause: str,
    strength: Strength,
    one: _Found,
    *texts: str,
    shown: str = "",
) -> Suspicion:
    place = dump.place(one.heard, one.exchange)
    evidence = [
        Evidence(text=text, at=place if not turn else None, shown="" if turn else shown)
        for turn, text in enumerate(texts)
    ]
    return Suspicion(
        cause=cause, strength=strength, evidence=tuple(evidence), at=place, dump=dump.index
    )


HIT_RULES: Final = (hits,)
