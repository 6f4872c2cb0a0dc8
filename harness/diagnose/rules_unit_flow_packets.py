"""The unit rejects what is right, or takes what is wrong."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_answers_numbers import fits_custom
from harness.diagnose.rules_answers_seen import (
    ACK,
    HABIT,
    NAK,
    TIME_NS,
    answers,
    is_plain,
    named,
    suspect,
)
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.exchanges import Exchange, Reply
from harness.judge.plain import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """A sound packet that was rejected."""

    exchange: Exchange
    noes: list[Reply]

    @property
    def for_ever(self) -> bool:
        """Whether it was never accepted."""
        return not any(each.kind is ACK for each in self.exchange.replies)


def rejections(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the unit where packets that are right are rejected (T11, T13).

    Where the capture does not show what arrived at the unit, damage on the way is likelier.
    """
    arrived = bool(scene.shows_damage(Direction.TO_UNIT))
    for dump in scene.sent if scene.both else ():
        yield from _of_header(dump, arrived)
        found = list(_rejected(dump))
        if not found or _is_doubled_unasked(dump):
            continue
        inside = list(_lost_inside(dump, found, arrived))
        yield from inside
        first = found[0]
        accepted = any(r.kind is ACK for each in dump.packets for r in each.replies)
        stuck = [each for each in found if each.for_ever and len(each.noes) >= HABIT]
        if len(found) == 1 and stuck and not inside:
            yield _told(dump, first, _ONE, _strength(arrived, accepted))
            yield _told(dump, first, _GOOD, _strength(arrived, not accepted))
        else:
            sure = len(found) >= HABIT or sum(len(each.noes) for each in found) >= HABIT
            yield _told(dump, first, _GOOD, _strength(arrived, sure), len(found))


def _of_header(dump: DumpScene, arrived: bool) -> Iterator[Suspicion]:
    """Suspect the unit where it says no to the header, and never yes, though that is right.

    What NAK to a header means is open in the standard (M1 p. 39).
    """
    header = dump.talk.exchanges[0]
    noes = [each for each in dump.header_replies if each.kind is NAK and each.binds]
    if not noes or any(each.kind is not NAK for each in header.replies) or dump.packets:
        return
    if all(is_plain(each) for each in header.sendings):
        yield _told(dump, Rejected(exchange=header, noes=noes), _GOOD, _strength(arrived, True))


def _lost_inside(dump: DumpScene, found: list[Rejected], arrived: bool) -> Iterator[Suspicion]:
    """Suspect that the unit loses bytes inside: some packets rejected and some passed over."""
    first = found[0].exchange
    silent = [
        each
        for each in dump.packets[:-1]
        if any(not answers(each, at) for at in range(len(each.sendings)))
    ]
    if not arrived or sum(len(each.noes) for each in found) < HABIT or not silent:
        return
    if not all(is_plain(one) for each in dump.packets for one in each.sendings):
        return
    yield suspect(
        "unit input overruns",
        Strength.STRONG,
        dump,
        f"{counted(len(found), 'packet')} were rejected (NAK) and {counted(len(silent), 'packet')} "
        "got no answer at once, although all are right as recorded.",
        heard=first.sendings[0],
        exchange=first,
    )


def _is_doubled_unasked(dump: DumpScene) -> bool:
    """Whether a message stands twice in a row though nobody had said no to it."""
    return any(
        one.body == other.body
        and other.start_ns - one.end_ns < TIME_NS
        and not any(each.sending == at for each in exchange.replies)
        for exchange in dump.talk.exchanges
        for at, (one, other) in enumerate(pairwise(exchange.sendings))
    )


_ONE: Final = "unit rejects one packet for ever"
_GOOD: Final = "unit rejects good packets"


def _strength(arrived: bool, sure: bool) -> Strength:
    if not arrived:
        return Strength.WEAK
    return Strength.STRONG if sure else Strength.FAIR


def _rejected(dump: DumpScene) -> Iterator[Rejected]:
    for exchange in dump.packets:
        if exchange.jump:
            return  # whatever is rejected from here on, the unit misses a packet
        if dump.planned is not None and (exchange.place or 0) >= dump.planned:
            return
        noes = [
            each
            for each in exchange.replies
            if each.kind is NAK and _is_about(dump, exchange, each)
        ]
        if noes:
            yield Rejected(exchange=exchange, noes=noes)
        elif not exchange.best.is_sound:
            return  # it never had this one


def _is_about(dump: DumpScene, exchange: Exchange, reply: Reply) -> bool:
    """Whether a no is about a sending that is right."""
    if not (reply.fits or fits_custom(dump, exchange, reply)):
        return False
    sending = exchange.sendings[reply.sending]
    ours = dump.talk.device_id is None or sending.device_id == dump.talk.device_id
    return ours and is_plain(sending)


def _told(
    dump: DumpScene, one: Rejected, cause: str, strength: Strength, packets: int = 1
) -> Suspicion:
    times = counted(len(one.noes), "time")
    more = f" So were {packets:,} packets in all." if packets > 1 else ""
    return suspect(
        cause,
        strength,
        dump,
        f"{named(one.exchange).capitalize()} was rejected (NAK) {times}, and it is right as "
        f"recorded.{more}",
        heard=one.exchange.sendings[one.noes[0].sending],
        exchange=one.exchange,
        shown=one.noes[0].heard.body.hex(" "),
    )


def takes_damage(scene: Scene) -> Iterator[Suspicion]:
    """Suspect that the unit does not look at checksums: ACK to a packet that came damaged (T58)."""
    arrived = bool(scene.shows_damage(Direction.TO_UNIT))
    for dump in scene.sent if scene.both else ():
        for exchange in dump.packets:
            found = _taken_damaged(exchange)
            if found is None:
                continue
            sending = exchange.sendings[found.sending]
            form = sending.is_whole_packet
            yield suspect(
                "unit takes damaged packets",
                Strength.STRONG if arrived and form else Strength.FAIR,
                dump,
                f"{named(exchange).capitalize()} "
                + ("has a wrong checksum" if form else "has not its full form")
                + ", and the unit said yes to it (ACK).",
                heard=sending,
                exchange=exchange,
                shown=found.heard.body.hex(" "),
            )
            break


def _taken_damaged(exchange: Exchange) -> Reply | None:
    for reply in exchange.replies:
        is_yes = reply.kind is ACK and reply.fits and not reply.late
        if is_yes and not exchange.sendings[reply.sending].is_sound:
            return reply
    return None


PACKET_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (rejections, takes_damage)
