"""The point of no return: the packet after which a dump could not end well.

Theory of operation.  Everything after which a dump is lost is looked for by itself; whatever
stands first in the capture counts.  What was healed by sending again is no loss, and a dump that
the unit sends back as it was sent was none, whatever happened.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from emulator.wire.constants import LOOP_OFF
from emulator.wire.messages import HandshakeKind
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.against_source import HeaderDifference
from harness.judge.dialogue.exchanges import Ended, Exchange
from harness.judge.finding import Place

_MANY: Final = 2  # packets without an answer at the end that make a silence for good (our choice)
_OPEN: Final = (Ended.HELD, Ended.CUT, Ended.UNKNOWN, Ended.FELL_BACK)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoReturn:
    """Where a dump was lost."""

    dump: int
    """Which dump of the capture, from 0 on."""
    at: Place
    why: str
    """A whole sentence."""


class _Loss(NamedTuple):
    order: int
    """Place of its message in the capture."""
    at: Place
    why: str


def point_of_no_return(scene: Scene) -> tuple[NoReturn, ...]:
    """Return for each dump to the unit that did not end well where it was lost."""
    found = []
    for dump in scene.sent:
        first = min(_losses(dump), default=None, key=lambda each: each.order)
        if first is not None and not _is_back_whole(dump):
            found.append(NoReturn(dump=dump.index, at=first.at, why=first.why))
    return tuple(found)


def _losses(dump: DumpScene) -> Iterator[_Loss]:
    yield from _of_header(dump)
    yield from _cancelled(dump)
    planned = dump.planned
    # What is behind the end was torn off a packet, or belongs to no dump.
    packets = tuple(each for each in dump.packets if planned is None or (each.place or 0) < planned)
    for at, exchange in enumerate(packets):
        later = packets[at + 1 :]
        if exchange.jump:
            yield from _missing(dump, exchange, later)
        yield from _of_packet(dump, exchange, is_passed=bool(later))
    yield from _at_the_end(dump)
    yield from _silence(dump)
    yield from _unlike_the_source(dump)
    yield from _stored_wrong(dump)


def _of_header(dump: DumpScene) -> Iterator[_Loss]:
    first = dump.talk.exchanges[0]
    if first.place is None:
        sound = any(each.is_sound for each in first.sendings)
        if not sound and dump.packets and dump.scene.both and not _is_accepted(dump.packets):
            yield _loss(dump, first, "The header arrived damaged, so the unit knew of no dump.")
    elif dump.header is None and dump.scene.both and not dump.talk.replies:
        yield _loss(
            dump, first, "Packets came and no header before them, so the unit knew of no dump."
        )


def _is_accepted(packets: tuple[Exchange, ...]) -> bool:
    return any(_said(each, HandshakeKind.ACK) for each in packets)


def _cancelled(dump: DumpScene) -> Iterator[_Loss]:
    for exchange in dump.talk.exchanges:
        reply = next(
            (one for one in exchange.replies if one.kind is HandshakeKind.CANCEL and one.binds),
            None,
        )
        if reply is None:
            continue
        why = (
            "The unit refused the sample at its header (CANCEL)."
            if exchange.place is None
            else f"The unit ended the dump at packet {exchange.place:,} (CANCEL)."
        )
        yield _loss(dump, exchange, why, order=reply.heard.place)


def _missing(dump: DumpScene, exchange: Exchange, later: tuple[Exchange, ...]) -> Iterator[_Loss]:
    assert exchange.place is not None
    came = {each.place for each in later}
    missing = [
        place
        for place in range(exchange.place - exchange.jump, exchange.place)
        if place not in came
    ]
    if not missing:
        return
    first = missing[0]
    at = dump.place(exchange.sendings[0], exchange)
    which = f"Packet {first:,}" if len(missing) == 1 else f"Packets {first:,} to {missing[-1]:,}"
    yield _Loss(
        exchange.sendings[0].place,
        Place(byte=at.byte, packet=first, packet_number=first % 128, time_ns=at.time_ns),
        f"{which} never came, and the sender went on with packet {exchange.place:,}.",
    )


def _of_packet(dump: DumpScene, exchange: Exchange, *, is_passed: bool) -> Iterator[_Loss]:
    """Yield a packet that never came right, or was rejected, and was not sent again."""
    if not is_passed and not _is_done_with(dump, exchange):
        return
    which = f"packet {exchange.place:,}"
    then = "the sender went on without sending it again"
    if not is_passed:
        then = "nothing better followed"
    damaged = [each for each in exchange.sendings if not each.is_sound]
    accepted = _said(exchange, HandshakeKind.ACK)
    if damaged and accepted and not _took_sound(exchange):
        why = f"{which} came damaged, and the unit took it as right (ACK)."
    elif len(damaged) == len(exchange.sendings):
        why = f"{which} came damaged, and {then}."
    elif not accepted and _is_rejected(exchange):
        why = f"the unit said no (NAK) to {which}, and {then}."
    else:
        return
    yield _loss(dump, exchange, why[0].upper() + why[1:])


def _is_done_with(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether the sender surely sends the last packet that it sent no more."""
    if dump.ended in _OPEN or (dump.talk.is_torn_off and exchange is dump.talk.exchanges[-1]):
        return False
    reply = exchange.last_reply
    if reply is not None and reply.kind is HandshakeKind.ACK:
        return True
    after = exchange.sendings[-1].place if reply is None else reply.heard.place
    later = dump.scene.spoke(dump.talk.direction)[-1].place > after
    return later or len(exchange.sendings) >= _MANY


def _is_rejected(exchange: Exchange) -> bool:
    """Whether no was the last word, and no sending followed that may have been taken."""
    last = exchange.last_reply
    if last is None or not last.binds or last.kind is not HandshakeKind.NAK:
        return False
    return not any(each.is_sound for each in exchange.sendings[last.sending + 1 :])


def _took_sound(exchange: Exchange) -> bool:
    """Whether no damaged sending was the one that the unit said yes to first."""
    taken = [each for each in exchange.replies if each.kind is HandshakeKind.ACK]
    return not taken or any(exchange.sendings[each.sending].is_sound for each in taken)


def _said(exchange: Exchange, kind: HandshakeKind) -> bool:
    return any(each.kind is kind for each in exchange.replies)


def _at_the_end(dump: DumpScene) -> Iterator[_Loss]:
    """Yield where a dump that was not sent to its end broke off."""
    last = dump.talk.exchanges[-1]
    where = "its header" if last.place is None else f"packet {last.place:,}"
    match dump.ended:
        case Ended.STOPPED:
            why = f"The sender broke the dump off after {where}."
        case Ended.GIVEN_UP if _said(last, HandshakeKind.NAK):
            why = f"The unit said no (NAK) to {where}, and the sender gave up."
        case Ended.GIVEN_UP:
            why = f"No answer to {where} came, and the sender gave up."
        case Ended.REPLACED:
            why = f"After {where} another dump began before this one was whole."
        case Ended.SHORT if not dump.talk.is_full:
            yield _never_sent(dump, last, where)
            return
        case _:
            return
    if dump.ended is Ended.STOPPED and dump.talk.is_full and _said(last, HandshakeKind.ACK):
        return
    yield _loss(dump, last, why, order=last.sendings[-1].place)


def _never_sent(dump: DumpScene, last: Exchange, where: str) -> _Loss:
    """Return the first packet behind the last one that came."""
    first = 0 if last.place is None else last.place + 1
    heard = last.sendings[-1]
    at = dump.place(heard, last)
    return _Loss(
        heard.place,
        Place(byte=at.byte, packet=first, packet_number=first % 128, time_ns=at.time_ns),
        f"Packet {first:,} never came: after {where} there was nothing more, and the header called "
        "for more.",
    )


def _silence(dump: DumpScene) -> Iterator[_Loss]:
    """Yield from where on a unit that had answered no longer did, to the end."""
    packets = dump.packets
    silent = []
    for each in reversed(packets):
        if each.replies:
            break
        silent.append(each)
    answered = len(silent) < len(packets)
    if dump.ended in _OPEN or not dump.scene.both or not answered or len(silent) < _MANY:
        return
    first = silent[-1]
    yield _loss(
        dump,
        first,
        f"From packet {first.place:,} on the unit did not answer any more, so nothing shows that "
        "it took anything.",
    )


def _unlike_the_source(dump: DumpScene) -> Iterator[_Loss]:
    compared = dump.compared
    if compared is None:
        return
    unseen = compared.unseen
    if len(unseen) > 1 and 2 * len(unseen) > compared.compared:
        return  # it is another dump
    if dump.headers and _harmful(dump, compared.fields):
        yield _loss(
            dump,
            dump.talk.exchanges[0],
            "The header had other values than that of the source; it has no checksum, so nobody "
            "noticed.",
        )
    if unseen:
        first = unseen[0]
        yield _loss(
            dump,
            first.exchange,
            f"Packet {first.place:,} was not that of the source, and its checksum was right, so "
            "nobody noticed.",
        )


def _harmful(dump: DumpScene, fields: Sequence[HeaderDifference]) -> list[HeaderDifference]:
    """Return the fields of a header that are others, so that the sample is another.

    To which number it goes is free, a period may be rounded, and a loop that is off has no points.
    """
    both = [each for each in fields if each.expected is not None and each.found is not None]
    is_off = dump.header is not None and dump.header.loop_type == LOOP_OFF
    free = {"sample_number"}
    if is_off and all(each.name != "loop_type" for each in both):
        free |= {"loop_start", "loop_end"}
    return [each for each in both if each.name not in free and not each.is_rounded]


def _stored_wrong(dump: DumpScene) -> Iterator[_Loss]:
    if not dump.scene.both or dump.returned is None:
        return
    from harness.judge.kept import Kept

    found = dump.stored
    if found is None or found.kept in (Kept.SAME, Kept.OTHER_WIDTH) or found.is_neutral:
        return  # where it is neutral, it may have happened on the way back
    why = {
        Kept.FILLER: "The unit kept the filler of the last packet as well.",
        Kept.TWICE: f"The unit stored packet {found.packet} twice.",
        Kept.LEFT_OUT: f"The unit acknowledged packet {found.packet} and did not store it.",
        Kept.TOO_LONG: "The unit kept other words behind the last one.",
        Kept.TOO_SHORT: f"The unit stored nothing after packet {found.packet}.",
        Kept.WORDS: f"The unit acknowledged packet {found.packet} and stored something else.",
    }.get(found.kept, "The unit took all of it and kept something else.")
    exchange = next(
        (each for each in dump.packets if each.place == found.packet), dump.talk.exchanges[-1]
    )
    if not dump.is_taken:
        if exchange.replies or found.kept not in (Kept.WORDS, Kept.LEFT_OUT, Kept.TOO_SHORT):
            return
        why = f"Packet {found.packet} got no answer, and the unit has not kept what it held."
    yield _loss(dump, exchange, why)


def _is_back_whole(dump: DumpScene) -> bool:
    """Whether the unit sent the sample back as it was meant to be."""
    back = dump.returned
    if back is None or back.ended is not Ended.WHOLE or dump.ended is not Ended.WHOLE:
        return False
    altered = () if dump.compared is None else dump.compared.fields
    harmful = _harmful(dump, altered)
    if any(getattr(back.header, each.name, None) != each.expected for each in harmful):
        return False
    from harness.judge.kept import is_as_sent

    return is_as_sent(dump.talk, back.talk, dump.source)


def _loss(dump: DumpScene, exchange: Exchange, why: str, *, order: int | None = None) -> _Loss:
    heard = exchange.sendings[0]
    place = heard.place if order is None else order
    return _Loss(place, dump.place(heard, exchange), why)


__all__ = ["NoReturn", "point_of_no_return"]
