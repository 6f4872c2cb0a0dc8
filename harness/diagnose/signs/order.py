"""Which packets a dump has, and in which order: the first number, gaps, exchanges, copies, the end.

Theory of operation.  Whether a packet was lost on its way or never sent is for the table: a sign
says what the source has, whether there was time for the packet, and whether the capture shows what
was sent (`sent`) or what arrived.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import PACKET_NUMBERS
from dryload.emulator.wire.packets import CHECKSUM, DATA, NUMBER
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sizes import words_per_packet
from dryload.harness.diagnose.scene import TIME_NS, DumpScene, Scene, finals, named
from dryload.harness.diagnose.sign import Sign, shown, sign
from dryload.harness.judge.damage import is_filled_up
from dryload.harness.judge.dialogue.exchanges import ACK, CANCEL, NAK, Ended, Exchange, Reply
from dryload.harness.judge.timed_messages import TimedMessage

_SHOWN: Final = 5  # numbers that are told
_ANSWER_NS: Final = 1_920_000
"""No answer takes less: a sender that was told no cannot begin again earlier (M1 p. 36)."""
_IN_TIME_NS: Final = 20_000_000  # a packet's answer is waited for so long, M1 p. 39
_FEW: Final = 4  # bytes that damage alters (our choice)
_VARIED: Final = 16  # byte values of a packet that is no silence (our choice)
_STUCK: Final = 3  # sendings that show that a sender hears no answer (our choice)
_LONG_NS: Final = 3_000_000_000
"""A capture that goes on so long after the last word shows that nothing followed (our choice)."""
_COUNTED_OTHERWISE: Final = (
    *("HDR-06", "HDR-07", "HDR-12", "HDR-13", "EXT-03", "EXT-06", "WRD-01", "WRD-03"),
)
"""Clauses that explain another number of packets than the header calls for."""


def order(scene: Scene) -> Iterator[Sign]:
    """Tell which packets of a dump are missing, exchanged, there twice or too many."""
    for dump in scene.sent:
        if dump.is_mixed:
            yield _mixed(dump)
            continue
        yield from _header_again(dump)
        odd = list(_misnumbered(dump))
        swaps = list(_swapped(dump))
        yield from (*odd, *swaps)
        if not swaps and not odd and dump.runs is None:
            yield from _missing(dump)
        yield from _again(dump)
        yield from _ends_early(dump)
        yield from _headless(dump)


# Numbers.


def _misnumbered(dump: DumpScene) -> Iterator[Sign]:
    """Tell of numbers that follow a rule of their own, where none is missing by the count."""
    packets, planned = dump.packets, dump.planned
    if (found := _counted_on(dump) or _renumbered(dump)) is not None:
        yield found
        return
    if not dump.headers or not packets or not dump.is_all_sound or dump.runs is not None:
        return
    numbers = [each.number for each in packets]
    due = [place % PACKET_NUMBERS for place in range(len(packets))]
    is_from_1 = numbers == [(number + 1) % PACKET_NUMBERS for number in due]
    whole = len(packets) == planned and planned > 1 and sorted(numbers) != sorted(due)
    early = is_from_1 and not dump.had_time_for(1, packets[0])
    if not (whole or early or (is_from_1 and dump.scene.shows_sent and not dump.talk.is_full)):
        return
    if dump.source is not None and dump.source.numbers[: len(numbers)] != numbers:
        return
    some = ", ".join(map(str, numbers[:_SHOWN]))
    odd = next(at for at, number in enumerate(numbers) if number != due[at])
    yield sign(
        "numbers by another rule",
        dump,
        f"The packets bear the numbers {some}{' and so on' * (len(numbers) > _SHOWN)}"
        + (", and none is missing by the count." if whole else "."),
        "No packet can have been lost before them: there was no time for one." if early else "",
        at=dump.place_at(odd, packets[odd].sendings[0], packets[odd]),
        shown=shown(packets[odd].best.body),
        again=False,
    )


def _header_again(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a header that came once more in the middle of its own dump, which then goes on."""
    before = dump.scene.dumps[dump.index - 1]
    if dump.runs is not None and dump.header == before.header:
        first = dump.packets[0]
        text = f"The header came again, and after it packet {first.number} and not packet 0."
        heard = dump.headers[-1]
        yield sign("header again", before, text, heard=heard, shown=shown(heard.body))


def _counted_on(dump: DumpScene) -> Sign | None:
    """Find packets that were rejected and came again under the next number, as if they were new."""
    found = [
        two
        for one, two in pairwise(dump.packets)
        if finals(one)
        and all(each.kind is NAK for each in finals(one))
        and two.number == (one.number + 1) % PACKET_NUMBERS
        and _is_same_sound(one.best, two.best)
    ]
    if not found:
        return None
    first = found[0]
    again = f", and so {counted(len(found), 'time')}" if len(found) > 1 else ""
    return sign(
        "numbers by another rule",
        dump,
        f"Packet {(first.place or 0) - 1:,} was rejected (NAK), and the next one, number "
        f"{first.number}, has the same sound{again}: it was sent again under a new number.",
        heard=first.best,
        exchange=first,
        shown=shown(first.best.body),
        again=True,
    )


def _renumbered(dump: DumpScene) -> Sign | None:
    """Find packets that are the source's but for their numbers, and the checksums with them."""
    compared = dump.compared
    if compared is None or dump.source is None or not compared.compared:
        return None
    found = [each for each in compared.unseen if set(each.offsets) == {NUMBER, CHECKSUM}]
    if len(found) < compared.compared:
        return None
    first = found[0]
    return sign(
        "numbers by another rule",
        dump,
        f"The packets are the source's, but the first one bears the number {first.found[NUMBER]} "
        f"in place of {first.expected[NUMBER]}, and so it goes on.",
        at=dump.place_at(first.place, first.heard, first.exchange),
        shown=shown(first.found),
        again=False,
    )


def _is_same_sound(one: TimedMessage, two: TimedMessage) -> bool:
    """Whether two packets hold the same bytes, a few that were damaged apart, and no silence."""
    if not (one.is_whole_packet and two.is_whole_packet):
        return False
    mine, its = one.body[DATA], two.body[DATA]
    apart = sum(a != b for a, b in zip(mine, its, strict=True))
    return apart <= (0 if one.is_sound else _FEW) and len(set(its)) >= _VARIED


def _mixed(dump: DumpScene) -> Sign:
    """Tell of two dumps of which each has packets between those of the other."""
    assert dump.runs is not None
    before, (before_it, its) = dump.scene.dumps[dump.index - 1], dump.runs
    first = dump.packets[0]
    return sign(
        "two dumps at once",
        before,
        f"A second header came in the middle of the dump, and after it {before_it} packets go on "
        f"with the numbers of the first one and {its} with those of the second, in turns.",
        at=dump.place_at(first.place or 0, first.sendings[0], first),
        shown=shown(dump.headers[-1].body) if dump.headers else "",
    )


def _missing(dump: DumpScene) -> Iterator[Sign]:
    """Tell of packets that never came while later ones did."""
    told = set()
    for at, exchange in enumerate(dump.packets):
        place = exchange.place or 0
        if not exchange.jump or not exchange.best.is_sound:
            continue
        if dump.planned is not None and place >= dump.planned:
            continue
        first = place - exchange.jump
        after = dump.packets[at + 1 : at + 2]
        source = _in_source(dump, first)
        timely = dump.had_time_for(exchange.jump, exchange)
        if (source, timely) in told:
            continue
        told.add((source, timely))
        many = "is" if exchange.jump == 1 else f"and {exchange.jump - 1} more are"
        yield sign(
            "packet missing",
            dump,
            f"Packet {place:,} arrived, and packet {first:,} {many} missing before it.",
            "" if timely else "There was no time for it to come and be lost.",
            at=dump.place_at(first, exchange.sendings[0], exchange),
            shown="" if timely and not dump.scene.shows_sent else shown(exchange.best.body),
            source=source,
            timely=timely,
            planned=dump.planned is not None,
            behind=bool(after) and after[0].number == first % PACKET_NUMBERS,
        )


def _in_source(dump: DumpScene, packet: int) -> str:
    """Say whether the source has a packet: its numbers may stand a little beside their places."""
    if dump.source is None:
        return "unknown"
    near = dump.source.numbers[max(packet - 2, 0) : packet + 3]
    return "has it" if packet % PACKET_NUMBERS in near else "lacks it"


def _swapped(dump: DumpScene) -> Iterator[Sign]:
    """Tell of two packets that have changed places."""
    for one, two in pairwise(dump.packets):
        if _goes_back(one, two):
            yield _swap(dump, one)
            return
    last = dump.packets[-1] if dump.packets else None  # where the unit did not go on
    if last is None or not last.place or last.jump != 1 or not last.best.is_sound:
        return
    if _order_in_source(dump, last.place - 1) == "swapped":
        yield _swap(dump, last)


def _goes_back(one: Exchange, two: Exchange) -> bool:
    """Whether a packet is followed by the one that was due before it."""
    if one.jump != 1 or (one.number - two.number) % PACKET_NUMBERS != 1:
        return False
    return one.best.is_sound and two.best.is_sound and one.best.body != two.best.body


def _swap(dump: DumpScene, one: Exchange) -> Sign:
    place = (one.place or 0) - 1
    return sign(
        "packets exchanged",
        dump,
        f"Packet {place + 1:,} came before packet {place:,}"
        + (", and the unit had an answer for it." if one.replies else "."),
        at=dump.place_at(place, one.sendings[0], one),
        shown=shown(one.best.body),
        source=_order_in_source(dump, place),
    )


def _order_in_source(dump: DumpScene, place: int) -> str:
    if dump.source is None:
        return "unknown"
    numbers, mine = dump.source.numbers, place % PACKET_NUMBERS
    if numbers[place : place + 2] == [(place + 1) % PACKET_NUMBERS, mine]:
        return "swapped"
    return "in order" if numbers[place : place + 1] == [mine] else "otherwise"


# Copies.


def _again(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a packet that came again, the same, though nobody had asked for it."""
    told = set()
    for exchange in dump.packets:
        for at in range(len(exchange.sendings) - 1):
            if not _is_unasked(dump, exchange, at):
                continue
            at_once = _at_once(dump, exchange, at)
            answered = dump.scene.is_timed and dump.is_closed and _had_answer(dump, exchange, at)
            source = "unknown"
            if dump.source is not None:
                source = "twice" if dump.source.has_twice(exchange.best.body) else "once"
            how = at_once, answered, source
            odd = at_once or answered or source == "twice" or dump.scene.is_file
            if odd and how not in told:
                told.add(how)
                yield sign(
                    "packet twice",
                    dump,
                    f"Packet {exchange.place:,} came {_times(_copies(exchange, at))}, byte for "
                    "byte the same, "
                    + (
                        "although the unit had said yes (ACK) before."
                        if answered
                        else "and nobody had asked for it again."
                    ),
                    heard=exchange.sendings[at + 1],
                    exchange=exchange,
                    shown=shown(exchange.best.body),
                    at_once=at_once,
                    answered=answered,
                    source=source,
                    stuck=_is_stuck(dump, exchange),
                )


def _is_stuck(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether a dump ends with a packet that is sent again and again and taken each time.

    That is so where the sender hears no answer, if it is not known that it does.
    """
    if exchange is not dump.packets[-1] or dump.talk.is_full:
        return False
    if dump.scene.shows_damage(Direction.FROM_UNIT):
        return False
    taken = {each.sending for each in exchange.replies if each.kind is ACK}
    return len(exchange.sendings) >= _STUCK and len(taken) == len(exchange.sendings)


def _is_unasked(dump: DumpScene, exchange: Exchange, at: int) -> bool:
    """Whether a sending was right, was sent once more as it was, and was not rejected."""
    one, two = exchange.sendings[at : at + 2]
    rejected = any(each.kind is NAK for each in dump.answers(exchange, at))
    return one.is_sound and one.body == two.body and not rejected


def _at_once(dump: DumpScene, exchange: Exchange, at: int) -> bool:
    one, two = exchange.sendings[at : at + 2]
    if not dump.scene.is_timed:
        enough = dump.answers(exchange, at) or len(finals(exchange)) >= len(exchange.sendings)
        return dump.scene.both and bool(enough)
    return two.start_ns - one.end_ns < (TIME_NS if dump.scene.both else _ANSWER_NS)


def _had_answer(dump: DumpScene, exchange: Exchange, at: int) -> bool:
    """Whether a sending was acknowledged in time and before the next one of it began."""
    sight, (one, two) = dump.scene.sight, exchange.sendings[at : at + 2]
    reply = next(iter(dump.answers(exchange, at)), None)
    if reply is None or reply.kind is not ACK or not (reply.fits and reply.binds):
        return False
    if not sight.surely_began_after(two, reply.end_ns):
        return False
    in_time = sight.sure_before(reply.heard.start_ns, one.end_ns + _IN_TIME_NS)
    return in_time or _is_patient(dump, exchange, reply.end_ns - one.end_ns)


def _is_patient(dump: DumpScene, exchange: Exchange, wait_ns: int) -> bool:
    """Whether the sender waited as long for another answer, and did not send again."""
    others = (each for each in dump.packets if each is not exchange and len(each.sendings) == 1)
    answered = (each for each in others if each.replies)
    return any(each.replies[0].end_ns - each.sendings[0].end_ns >= wait_ns for each in answered)


def _copies(exchange: Exchange, at: int) -> int:
    return sum(each.body == exchange.sendings[at].body for each in exchange.sendings)


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{count:,} times"


# The end.


def _ends_early(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a dump that is over before its last packet."""
    planned, last = dump.planned, dump.talk.exchanges[-1]
    if not planned or dump.talk.is_full:
        return
    reached = 0 if last.place is None else last.place + 1
    torn = dump.talk.is_torn_off
    at = reached - 1 if torn else reached
    reply = last.last_reply
    if dump.scene.is_file and torn:
        text = f"The dump breaks off in packet {at:,} of {planned:,}."
    else:
        text = f"The header calls for {counted(planned, 'packet')}; after {reached:,} of them "
        text += f"{_what_then(dump, last, reply)}."
    yield sign(
        "ends early",
        dump,
        text,
        at=dump.place_at(at, last.sendings[-1], last),
        how=_how_over(dump),
        reached=reached,
        source="unknown"
        if dump.source is None
        else "goes on"
        if len(dump.source.packets) > reached
        else "ends there",
        host=dump.scene.at_host,
        torn=torn,
        last=_last_word(last, reply),
        number=bool(reply is not None and reply.message.packet_number),
        sound=last.best.is_sound,
        all_sound=dump.is_all_sound,
        both=dump.scene.both,
        later=dump.talk.goes_on_ns is not None or bool(dump.talk.handshakes),
        over=_is_over(dump),
        echoes=bool(dump.scene.followed.course.echoes),
        # Another number of packets than it calls for, or than its numbers say, has its own sign.
        channels=_counts_all_channels(dump),
        filled=last.place is not None and is_filled_up(last.best),
        explained=dump.is_header_altered
        or _counts_all_channels(dump)
        or bool(dump.found(*_COUNTED_OTHERWISE))
        or bool(dump.packets and (dump.packets[0].jump or len(dump.packets) >= planned)),
        last_dump=dump.is_last and dump is dump.scene.sent[-1],
    )


def _counts_all_channels(dump: DumpScene) -> bool:
    """Whether there are as many packets as the length fills if it counts all channels."""
    header = dump.header
    if header is None or header.channels < 2 or not dump.is_all_sound:
        return False
    return len(dump.packets) == -(-header.length // words_per_packet(header.bits))


def _how_over(dump: DumpScene) -> str:
    names = {
        Ended.SHORT: "short",
        Ended.GIVEN_UP: "given up",
        Ended.STOPPED: "stopped",
        Ended.REPLACED: "replaced",
        Ended.CUT: "cut",
    }
    return names.get(dump.ended, "otherwise")


def _what_then(dump: DumpScene, last: Exchange, reply: Reply | None) -> str:
    if dump.ended is Ended.STOPPED:
        return "the sender broke it off (CANCEL)"
    if reply is not None and reply.kind is ACK:
        return f"no more came, although the unit had said yes (ACK) to {named(last)}"
    return "no more came"


def _last_word(last: Exchange, reply: Reply | None) -> str:
    """Say what was answered last: a word."""
    if reply is None:
        return "no answer"
    if reply.kind is not ACK:
        return "cancel" if reply.kind is CANCEL else "otherwise"
    if last.place is None:
        return "yes to the header"
    return "yes" if reply.fits and reply.binds else "yes, oddly"


def _is_over(dump: DumpScene) -> bool:
    """Whether a dump is surely over, and not only the capture."""
    if dump.ended is Ended.STOPPED:
        return True
    quiet_ns = dump.scene.sight.last_ns - dump.talk.active_ns
    return dump.ended in (Ended.GIVEN_UP, Ended.SHORT, Ended.REPLACED) and (
        dump.talk.goes_on_ns is not None or (dump.scene.is_timed and quiet_ns > _LONG_NS)
    )


def _headless(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a dump that begins with a packet."""
    first = dump.packets[0] if dump.packets and not dump.headers else None
    if first is None or dump.header is not None:
        return
    number, scene = first.best.packet_number, dump.scene
    yield sign(
        "no header",
        dump,
        f"{counted(len(dump.packets), 'packet')} came without a header before them"
        + (", and the unit said nothing." if scene.both and not dump.talk.replies else "."),
        heard=first.sendings[0],
        exchange=first,
        shown=shown(first.best.body),
        begins=number == 0,
        first=dump.index == 0,
        silent=scene.both and not dump.talk.replies,
        remains=_has_remains(dump, first.sendings[0]),
    )


def _has_remains(dump: DumpScene, packet: TimedMessage) -> bool:
    """Whether something came before a packet that may have been its header."""
    spoken = dump.scene.spoke(packet.direction)
    return any(e.place < packet.place and not e.is_sound for e in spoken)


ORDER: Final = (order,)
