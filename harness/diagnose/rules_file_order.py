"""Which packets a dump has, and in which order: first number, gaps, repeats, exchanges, the end."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Final

from emulator.wire.constants import PACKET_NUMBERS
from emulator.wire.messages import HandshakeKind
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_file_common import (
    all_sound,
    found,
    is_closed,
    is_file,
    no_time_before,
    place_of,
    shown,
    shows_sent,
    source_of,
    strength,
    suspect,
)
from harness.diagnose.scene import DumpScene
from harness.files.recorded import TakenAt
from harness.judge.dialogue.exchanges import Exchange
from harness.judge.dialogue.judge import Ended
from harness.judge.finding import Place
from harness.judge.timed_messages import TimedMessage

_NUMBER_AT: Final = 4  # M1 p. 37
_IN_TIME_NS: Final = 20_000_000  # a packet's answer is waited for so long, M1 p. 39
_OTHERWISE: Final = ("HDR-06", "HDR-07", "HDR-12", "HDR-13", "EXT-03", "EXT-06", "WRD-01", "WRD-03")
"""Clauses that explain another number of packets than the header calls for."""
_STILL_RUNS: Final = (Ended.SHORT, Ended.GIVEN_UP, Ended.CUT)


def begin_at_1(dump: DumpScene) -> Iterator[Suspicion]:
    """Numbers that run from 1 on."""
    if not dump.headers or len(dump.packets) < 1:
        return
    first = dump.packets[0]
    if first.number != 1 or first.jump != 1 or not first.best.is_sound or not _runs_on(dump):
        return
    in_source = _source_begins_at_1(dump)
    if in_source is False:
        return
    whole = dump.planned is not None and len(dump.packets) == dump.planned > 1
    early = no_time_before(dump, first, 1)
    if _is_short_of_one(dump) or not (whole or early or shows_sent(dump)):
        return
    yield suspect(
        dump,
        "numbers begin at 1",
        Strength.SURE if whole or shows_sent(dump) else Strength.STRONG,
        "The first packet bears the number 1 and the others go on from there"
        + (", and none is missing by the count." if whole else "."),
        *(["No packet can have been lost before it: there was no time for one."] if early else []),
        at=_at(dump, first, 0),
        bytes_shown=shown(first.best.body),
    )


def _is_short_of_one(dump: DumpScene) -> bool:
    last = dump.packets[-1].place
    return dump.planned is not None and last == dump.planned - 1


def _numbers(dump: DumpScene) -> list[int | None] | None:
    """Return the numbers of the packets of the source; None without one."""
    source = source_of(dump)
    return None if source is None else [_number_in(each) for each in source.packets]


def _number_in(packet: bytes) -> int | None:
    return packet[_NUMBER_AT] if len(packet) > _NUMBER_AT else None


def _source_begins_at_1(dump: DumpScene) -> bool | None:
    numbers = _numbers(dump)
    if numbers is None:
        return None
    return numbers[0:1] == [1] and 0 not in numbers[:3] and len(numbers) >= (dump.planned or 0)


def _runs_on(dump: DumpScene) -> bool:
    numbers = [each.number for each in dump.packets]
    return all((two - one) % PACKET_NUMBERS == 1 for one, two in pairwise(numbers))


def gaps(dump: DumpScene) -> Iterator[Suspicion]:
    """Packets that the sender leaves out in the middle."""
    if any(begin_at_1(dump)) or any(exchanged(dump)):
        return
    for exchange in dump.packets:
        if not exchange.jump or exchange.place is None or not exchange.best.is_sound:
            continue
        if dump.planned is None or exchange.place >= dump.planned:
            continue
        first = exchange.place - exchange.jump
        if _has(dump, first) or _comes_later(dump, exchange, first):
            continue
        early = no_time_before(dump, exchange, exchange.jump)
        if not (early or shows_sent(dump)):
            continue
        yield suspect(
            dump,
            "packets missing in the dump",
            strength(dump),
            f"Packet {exchange.place:,} follows packet {first - 1:,}: "
            + _are_missing(first, exchange.jump),
            *(["There was no time for it to come and be lost."] if early else []),
            at=_at(dump, exchange, first),
            bytes_shown=shown(exchange.best.body),
        )
        return


def _at(dump: DumpScene, exchange: Exchange, packet: int) -> Place:
    """Return where something shows, under the number of the packet that it is about."""
    place = place_of(dump, exchange)
    return replace(place, packet=packet, packet_number=packet % PACKET_NUMBERS)


def _are_missing(first: int, count: int) -> str:
    return f"packet {first:,} is missing." if count == 1 else f"{count} packets are missing."


def _has(dump: DumpScene, first: int) -> bool:
    """Whether the source has the missing packet."""
    numbers = _numbers(dump)
    near = None if numbers is None else numbers[max(first - 2, 0) : first + 3]
    return near is not None and first % PACKET_NUMBERS in near


def _comes_later(dump: DumpScene, exchange: Exchange, first: int) -> bool:
    """Whether the missing packet comes right behind."""
    after = dump.packets[dump.packets.index(exchange) + 1 :][:1]
    return bool(after) and after[0].number == first % PACKET_NUMBERS


def end_missing(dump: DumpScene) -> Iterator[Suspicion]:
    """Packets that the sender leaves out at the end."""
    planned = dump.planned
    if not planned or dump.talk.is_full or dump.ended not in _STILL_RUNS or _is_explained(dump):
        return
    if dump.packets and (dump.packets[0].jump or len(dump.packets) >= planned):
        return
    last = dump.talk.exchanges[-1]
    reached = 0 if last.place is None else last.place + 1
    if is_file(dump.scene):
        torn = dump.talk.is_torn_off
        at = reached - 1 if torn else reached
        yield suspect(
            dump,
            "packets missing in the dump",
            Strength.SURE if reached else Strength.WEAK,  # the unit may have refused it
            f"The dump breaks off in packet {at:,} of {planned:,}."
            if torn
            else f"The header calls for {planned:,} packets, and there are {reached:,}.",
            at=_at(dump, last, at),
        )
        return
    source = source_of(dump)
    if source is not None and len(source.packets) > reached:
        return
    how = _went_on(dump, last)
    if how is not None:
        yield suspect(
            dump,
            "packets missing in the dump",
            Strength.SURE if source_of(dump) is not None else how,
            f"The header calls for {planned:,} packets, and after {reached:,} the sender sent no "
            "more, although the unit had said yes (ACK) to the last message.",
            at=_at(dump, last, reached),
        )


def _is_explained(dump: DumpScene) -> bool:
    return bool(found(dump, *_OTHERWISE))


def _went_on(dump: DumpScene, last: Exchange) -> Strength | None:
    """Say how much it proves that a sender sent no more; None where it proves nothing."""
    reply = last.last_reply
    if reply is None or reply.kind is not HandshakeKind.ACK or not reply.fits or not reply.binds:
        return None
    if not is_closed(dump) or not all_sound(dump):
        return None
    if dump.scene.followed.course.echoes:
        return None  # the sender may have taken its own words for an answer
    at_host = dump.scene.recorded.taken_at is TakenAt.HOST
    if dump.talk.goes_on_ns is None and not dump.talk.handshakes:
        return Strength.FAIR if at_host else None
    if last.place is None:  # some senders stop at an ACK with a number that they do not expect
        return Strength.FAIR if at_host or not reply.message.packet_number else Strength.WEAK
    return Strength.STRONG if at_host else Strength.FAIR


def exchanged(dump: DumpScene) -> Iterator[Suspicion]:
    """Packets that the sender sends in the wrong order."""
    if not (shows_sent(dump) or is_closed(dump) or source_of(dump) is not None):
        return  # on the way one may pass the other
    for one, two in pairwise(dump.packets):
        if not _goes_back(one, two):
            continue
        place = (one.place or 0) - one.jump
        if _source_exchanges(dump, place) is False:
            continue
        yield _out_of_order(dump, one, place)
        return
    last = dump.packets[-1] if dump.packets else None  # where the unit did not go on
    if last is None or last.place is None or last.jump != 1 or not last.best.is_sound:
        return
    if _source_exchanges(dump, last.place - 1):
        yield _out_of_order(dump, last, last.place - 1)


def _out_of_order(dump: DumpScene, one: Exchange, place: int) -> Suspicion:
    known = shows_sent(dump) or source_of(dump) is not None
    return suspect(
        dump,
        "packets out of order in the dump",
        Strength.SURE if known else Strength.STRONG,
        f"Number {(place + 1) % PACKET_NUMBERS} was sent before number {place % PACKET_NUMBERS}"
        + (", and the unit had an answer for it." if one.replies else "."),
        at=_at(dump, one, place),
        bytes_shown=shown(one.best.body),
        because=f"Packets {place:,} and {place + 1:,} of the dump have changed places.",
    )


def _goes_back(one: Exchange, two: Exchange) -> bool:
    back = (one.number - two.number) % PACKET_NUMBERS
    if one.jump != 1 or back != 1 or two.best.body == one.best.body:
        return False
    return one.best.is_sound and two.best.is_sound


def _source_exchanges(dump: DumpScene, place: int) -> bool | None:
    """Whether the source has two packets in the wrong order; None without a source."""
    numbers = _numbers(dump)
    if numbers is None:
        return None
    both = [(place + 1) % PACKET_NUMBERS, place % PACKET_NUMBERS]
    return numbers[place : place + 2] == both


def twice(dump: DumpScene) -> Iterator[Suspicion]:
    """A packet that the sender sends again though nobody asked for it."""
    again = [each for each in dump.packets if _again(dump, each)]
    if not again:
        return
    first = again[0]
    if source_of(dump) is not None and not _twice_in_source(dump, first):
        return
    yield suspect(
        dump,
        "packet twice in the dump",
        strength(dump),
        f"Packet {first.place:,} was sent {len(first.sendings)} times, byte for byte the same"
        + (", although the unit had said yes (ACK) in time." if first.replies else "."),
        at=dump.place(first.sendings[1], first),
        bytes_shown=shown(first.best.body),
    )


def _again(dump: DumpScene, exchange: Exchange) -> bool:
    bodies = {each.body for each in exchange.sendings}
    if len(exchange.sendings) < 2 or len(bodies) > 1 or not exchange.best.is_sound:
        return False
    if is_file(dump.scene):
        return True
    if source_of(dump) is not None and _twice_in_source(dump, exchange):
        return True
    if not dump.scene.is_timed or not is_closed(dump):
        return False
    return _had_its_answer(dump, exchange, exchange.sendings[0], exchange.sendings[1])


def _had_its_answer(
    dump: DumpScene, exchange: Exchange, one: TimedMessage, two: TimedMessage
) -> bool:
    """Whether the first sending was acknowledged in time and before the second began."""
    sight = dump.scene.sight
    for reply in exchange.replies:
        if reply.kind is not HandshakeKind.ACK or not reply.fits or not reply.binds:
            return False
        began_ns = reply.heard.start_ns
        in_time = sight.sure_before(began_ns, one.end_ns + _IN_TIME_NS)
        return in_time and sight.surely_began_after(two, reply.end_ns)
    return False


def _twice_in_source(dump: DumpScene, exchange: Exchange) -> bool:
    source = source_of(dump)
    assert source is not None
    body = exchange.best.body
    return sum(each[4:] == body[4:] for each in source.packets) > 1


def headless(dump: DumpScene) -> Iterator[Suspicion]:
    """A dump that begins with a packet."""
    if dump.headers or not dump.packets or not shows_sent(dump):
        return
    first = dump.packets[0]
    number = first.best.packet_number
    if not is_file(dump.scene) and (number or dump.index):
        return  # the recording may have begun late
    yield suspect(
        dump,
        "header missing",
        Strength.SURE if not number else Strength.FAIR,
        f"{len(dump.packets):,} packets stand there without a header before them.",
        at=place_of(dump, first),
        bytes_shown=shown(first.best.body),
    )


__all__ = [
    "begin_at_1",
    "end_missing",
    "exchanged",
    "gaps",
    "headless",
    "twice",
]
