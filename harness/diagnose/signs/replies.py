"""What the unit said: refusals, rejections, and answers that are odd in form, number or time."""

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from emulator.dump.capture import Direction
from emulator.wire.codec import Malformed
from emulator.wire.constants import ALL_CALL, MAX_BITS, MIN_BITS, PACKET_NUMBERS
from emulator.wire.messages import Handshake, HandshakeKind
from emulator.wire.prose import counted
from emulator.wire.splitter import PieceKind
from harness.diagnose.scene import (
    ACK,
    CANCEL,
    EOF,
    HABIT,
    NAK,
    TIME_NS,
    WAIT,
    DumpScene,
    Scene,
    are_plain,
    finals,
    is_plain,
    named,
    waits_first,
    was_told,
)
from harness.diagnose.sign import Sign, sign
from harness.diagnose.signs.silence import has_left_time, is_late
from harness.judge.dialogue.exchanges import (
    Ended,
    Exchange,
    Reply,
)
from harness.judge.dialogue.ledger import in_words
from harness.judge.timed_messages import TimedMessage

_SHORTEST, _LONGEST = 4, 8  # bytes of a handshake that lost or gained two (M1 p. 36)
_SOON_NS: Final = 40_000_000  # twice what an answer to a packet may take, M1 p. 36
_COPY_NS: Final = 60_000_000  # two answers of two units come close together (our choice)
_GOES_ON_NS: Final = 100_000_000  # what shows that a capture does not end here (our choice)
_JUST_BEGUN_NS: Final = 5_000_000
"""Within this a unit says no to what it has half of, as another message begins (our choice)."""
_LONG_NS: Final = 1_500_000_000
"""Silence after WAIT that is more than a pause (our choice; the standard has no limit)."""
_PROVED: Final = 3  # answers that show a custom of their own
_MANY: Final = 6  # answers that show that there is none
_BYTE_NS: Final = 320_000


# CANCEL and WAIT.


def ends(scene: Scene) -> Iterator[Sign]:
    """Tell where the unit refused or ended a dump (T06, T07, T08), or holds it up (T09, T60)."""
    for dump in scene.sent if scene.both else ():
        yield from _refused(dump)
        yield from _cancelled(scene, dump)
        yield from _waits(dump)
        yield from _disturbed(scene, dump)


def _refused(dump: DumpScene) -> Iterator[Sign]:
    told = [each for each in dump.header_replies if each.kind is CANCEL and each.binds]
    if not told or not all(each.is_sound for each in dump.headers):
        return  # a damaged header has every right to be refused
    header, source = dump.header, dump.source
    possible = header is not None and MIN_BITS <= header.bits <= MAX_BITS and header.length > 0
    if source is not None and dump.scene.shows_arrived:
        possible = possible and dump.headers[-1].body == source.header_bytes
    yield sign(
        "header refused",
        dump,
        "The unit answered the header with CANCEL"
        + (", before any packet." if not dump.packets else "."),
        heard=dump.headers[-1],
        exchange=dump.talk.exchanges[0],
        shown=told[0].heard.body.hex(" "),
        possible=possible,
        reversed=bool(dump.found("HDR-12")),
    )


def _cancel_in(dump: DumpScene) -> tuple[Exchange, Reply] | None:
    for reply in dump.replies(CANCEL):
        exchange = dump.exchange_of(reply)
        if exchange.place is not None and reply.binds:
            return exchange, reply
    return None


def _cancelled(scene: Scene, dump: DumpScene) -> Iterator[Sign]:
    """Tell of a dump that the unit ended although all was right."""
    found = _cancel_in(dump)
    if found is None or _has_reason(dump, found[0]):
        return
    exchange, reply = found
    history, more = _other_times(scene, dump, exchange)
    yield sign(
        "cancelled",
        dump,
        f"The unit answered {named(exchange)} with CANCEL, and that packet and all before it are "
        "right.",
        more,
        heard=exchange.sendings[-1],
        exchange=exchange,
        shown=reply.heard.body.hex(" "),
        history=history,
    )


def _has_reason(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether something else that was seen explains why the unit ended the dump."""
    place = exchange.place or 0
    if dump.planned is not None and place >= dump.planned:
        return True  # a packet too many
    until = [each for each in dump.packets if (each.place or 0) <= place]
    if any(each.jump for each in until) or any(was_told(each, NAK) for each in until[-2:]):
        return True  # rejected again and again, it is given up in the end
    if any(was_told(each, NAK) and not was_told(each, ACK) for each in until):
        return True
    # A packet that came damaged and was taken when it came again is done with.
    return not all(map(are_plain, until[-2:]))


def _other_times(scene: Scene, dump: DumpScene, exchange: Exchange) -> tuple[str, str]:
    """Say what became of the same dump other times: a word, and a sentence."""
    place = exchange.place or 0
    before = [bool(each.replies) for each in dump.packets if (each.place or 0) < place]
    if any(before) and not all(before):
        return "gap", "A packet before it had got no answer."
    others = [e for e in scene.sent if e is not dump and e.header == dump.header is not None]
    ended = [end[0].place for end in map(_cancel_in, others) if end is not None]
    if ended and all(each == place for each in ended):
        times = counted(len(ended) + 1, "time")
        return "same place", f"It was sent {times}, and each time ended at this packet."
    if ended or any(each.talk.packets > place + 1 for each in others):
        return "other place", "The same dump went further another time."
    if any(_had_room(each, dump, place) for each in scene.sent):
        return "room later", "Another dump, later, had room for more packets."
    return "", ""


def _had_room(later: DumpScene, dump: DumpScene, place: int) -> bool:
    """Whether a later dump that was taken whole is longer than what was taken of this one.

    An earlier one says nothing: it may be what filled the memory.
    """
    if later.index <= dump.index or later.header is None or dump.header is None:
        return False
    taken = later.ended is Ended.WHOLE and all(was_told(e, ACK) for e in later.packets[:-1])
    return taken and later.talk.packets > place + 1 and later.header.bits == dump.header.bits


def _waits(dump: DumpScene) -> Iterator[Sign]:
    """Tell of WAIT and nothing after it."""
    last = dump.talk.exchanges[-1]
    reply = last.last_reply
    if reply is None or reply.kind is not WAIT or not reply.binds:
        return
    if last.jump or not are_plain(last):
        return
    quiet_ns = _quiet_ns(dump, reply)
    if quiet_ns is None:
        return
    usual = sum(waits_first(each) for each in dump.talk.exchanges)
    then = f" for {in_words(quiet_ns)}" if quiet_ns > _LONG_NS else ""
    if dump.ended is Ended.STOPPED and not then:  # it may have been about to answer
        then = " before the dump was stopped"
    yield sign(
        "wait without end",
        dump,
        f"The unit asked for patience (WAIT) at {named(last)} and then gave no answer{then}.",
        f"Before, WAIT was followed by an answer {counted(usual, 'time')}." if usual else "",
        heard=last.sendings[-1],
        exchange=last,
        shown=reply.heard.body.hex(" "),
        seconds=quiet_ns // 1_000_000_000,
        usual=usual > 0,
    )


def _quiet_ns(dump: DumpScene, reply: Reply) -> int | None:
    """Return how long nobody spoke of the dump after a WAIT; None where it need not be over."""
    spoke = dump.scene.spoke(Direction.TO_UNIT)
    after = next((each for each in spoke if each.end_ns > reply.end_ns), None)
    is_stopped = dump.ended is Ended.STOPPED
    if not dump.scene.is_timed:
        return 0 if after is not None or is_stopped else None
    end_ns = dump.scene.sight.last_ns if after is None else after.start_ns
    quiet_ns = end_ns - reply.end_ns
    return quiet_ns if quiet_ns > _LONG_NS or is_stopped else None


def _disturbed(scene: Scene, dump: DumpScene) -> Iterator[Sign]:
    """Tell of a message in the middle of a WAIT after which no packet came (T60, HSK-22)."""
    if dump.ended in (Ended.WHOLE, Ended.REFUSED) or not dump.replies(WAIT):
        return
    last, until = dump.talk.exchanges[-1], dump.talk.sent[-1][1].place
    spoke = [each.place for each in scene.spoke(Direction.TO_UNIT)]
    answers = {id(each) for one in scene.followed.course.asked for each in one.answers}
    for other in (*dump.talk.others, *scene.followed.course.loose):
        place = other.place
        if other.direction is not Direction.FROM_UNIT or place < until or id(other) in answers:
            continue
        before = [each for each in dump.talk.replies if each.heard.place < place]
        if not before or before[-1].kind is not WAIT or before[-1] not in last.replies:
            continue
        if any(before[-1].heard.place < each < place for each in spoke):
            continue
        yield sign(
            "message during WAIT",
            dump,
            f"After the unit had asked for patience (WAIT) at {named(last)}, it sent something "
            "else, and no packet followed.",
            heard=other,
            exchange=last,
            shown=other.piece.raw[:8].hex(" "),
            readable=not isinstance(other.message, Malformed),
            over=dump.ended is not Ended.CUT and not dump.talk.is_full,
            still=last.last_reply is before[-1],
            loose=other not in dump.talk.others,
        )
        return


# NAK, and ACK to what is wrong.


def rejections(scene: Scene) -> Iterator[Sign]:
    """Tell of NAKs to what is right as recorded (T11 to T13), and of ACKs to what is not (T58)."""
    for dump in scene.sent if scene.both else ():
        yield from _header_rejected(dump)
        yield from _packets_rejected(dump)
        if not scene.shows_arrived and not scene.is_file:
            yield from _mended(dump)
            yield from _late_noes(dump)
        yield from _took_damaged(dump)
        yield from _took_after_jump(dump)


def _header_rejected(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a header that is right and only ever rejected; what that means is open (M1 p. 39)."""
    header = dump.talk.exchanges[0]
    noes = [each for each in dump.header_replies if each.kind is NAK and each.binds]
    only = all(each.kind is NAK for each in header.replies)
    if noes and only and not dump.packets and are_plain(header):
        yield _rejected(dump, [(header, noes)], for_ever=True, inside=False)


_Noes = tuple[Exchange, list[Reply]]


def _packets_rejected(dump: DumpScene) -> Iterator[Sign]:
    found = list(_noes(dump))
    if not found:
        return
    silent = [e for e in dump.packets[:-1] if len({r.sending for r in e.replies}) < len(e.sendings)]
    many = sum(len(noes) for _, noes in found) >= HABIT
    inside = bool(silent) and many and all(map(are_plain, dump.packets))
    for_ever = not was_told(found[0][0], ACK) and len(found[0][1]) >= HABIT
    yield _rejected(dump, found, for_ever=for_ever, inside=inside)


def _rejected(dump: DumpScene, found: Sequence[_Noes], *, for_ever: bool, inside: bool) -> Sign:
    exchange, noes = found[0]
    more = f" So were {len(found):,} packets in all." if len(found) > 1 else ""
    return sign(
        "rejected though right",
        dump,
        f"{named(exchange).capitalize()} was rejected (NAK) {counted(len(noes), 'time')}, and it "
        f"is right as recorded.{more}",
        "Other packets got no answer at once." if inside else "",
        heard=exchange.sendings[noes[0].sending],
        exchange=exchange,
        shown=noes[0].heard.body.hex(" "),
        packets=len(found),
        noes=sum(len(each) for _, each in found),
        for_ever=for_ever,
        arrived=dump.scene.shows_arrived,
        accepted=any(was_told(each, ACK) for each in dump.packets),
        header=exchange.place is None,
        taken=was_told(exchange, ACK) or _is_last_again(dump, exchange),
        all=sum(r.kind is NAK and r.fits for e in dump.packets for r in e.replies),
        inside=inside,
        twice=_is_doubled_unasked(dump),
    )


def _is_last_again(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether it is the last packet, sent again: a unit that has all says nothing more."""
    again = len(exchange.sendings) > 1 and exchange.replies[-1].sending == 0
    return again and dump.ended is Ended.WHOLE and exchange is dump.talk.exchanges[-1]


def _noes(dump: DumpScene) -> Iterator[_Noes]:
    fits = _custom(_told(dump, ACK)).fits
    for exchange in dump.packets:
        if exchange.jump:
            return  # whatever is rejected from here on, the unit misses a packet
        if dump.planned is not None and (exchange.place or 0) >= dump.planned:
            return
        noes = [
            reply
            for reply in exchange.replies
            if reply.kind is NAK
            and (reply.fits or fits(exchange.number, reply.message.packet_number))
            and _is_right(dump, exchange.sendings[reply.sending])
        ]
        if noes:
            yield exchange, noes
        elif not exchange.best.is_sound:
            return  # it never had this one


def _is_right(dump: DumpScene, heard: TimedMessage) -> bool:
    ours = dump.talk.device_id is None or heard.device_id == dump.talk.device_id
    return ours and is_plain(heard)


def _is_doubled_unasked(dump: DumpScene) -> bool:
    """Whether a message stands twice in a row though nobody had said no to it."""
    return any(
        one.body == two.body
        and two.start_ns - one.end_ns < TIME_NS
        and not dump.answers(exchange, at)
        for exchange in dump.talk.exchanges
        for at, (one, two) in enumerate(pairwise(exchange.sendings))
    )


def _mended(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a packet that left right, was rejected and then taken: only what left is known."""
    naks = sorted(each.end_ns for each in dump.replies(NAK))
    for exchange in dump.packets if naks else ():
        if len(exchange.sendings) < 2 or not is_plain(exchange.sendings[0]):
            continue
        one, two = exchange.sendings[:2]
        # What comes last may be meant for the next packet, which has begun.
        since, until = one.start_ns, two.start_ns
        asked = bisect_left(naks, since) < bisect_right(naks, until)
        same = all(each.body == one.body for each in exchange.sendings)
        if asked and same and was_told(exchange, ACK):
            yield sign(
                "rejected and then taken",
                dump,
                f"The unit said that packet {exchange.place:,} came damaged (NAK) and took the "
                "same packet when it was sent again.",
                heard=one,
                exchange=exchange,
            )
            return


def _late_noes(dump: DumpScene) -> Iterator[Sign]:
    """Tell of packets that are rejected only as the next message begins: their ends are missing."""
    if not dump.scene.is_timed or dump.scene.shows_arrived:
        return
    noes = sorted(dump.replies(NAK), key=lambda each: each.end_ns)
    ends = [each.end_ns for each in noes]
    soon_ns = _JUST_BEGUN_NS + dump.scene.sight.tolerance_ns
    steps = dump.steps
    late: dict[int, tuple[Exchange, TimedMessage]] = {}
    since = -1  # where the silence began that goes on
    for at, (exchange, _, heard, after) in enumerate(steps):
        if after is None or exchange.place is None or not _is_silent(dump, heard, after):
            since = -1
            continue
        since = at if since < 0 else since
        first = bisect_left(ends, after.start_ns)
        stop = bisect_right(ends, after.end_ns + TIME_NS)
        two = steps[at + 1][0]
        if any(_is_late_no(exchange, two, after, each, soon_ns) for each in noes[first:stop]):
            late.setdefault(id(steps[since][0]), (steps[since][0], steps[since][2]))
    if not late:
        return
    exchange, heard = next(iter(late.values()))
    many = f"{len(late)} times, the first after" if len(late) > 1 else "After"
    yield sign(
        "rejected late",
        dump,
        f"{many} {named(exchange)}, the unit was silent and said no (NAK) only when the next "
        "message began: the end had not arrived.",
        heard=heard,
        exchange=exchange,
        count=len(late),
    )


def _is_late_no(
    one: Exchange, two: Exchange, after: TimedMessage, reply: Reply, soon_ns: int
) -> bool:
    """Whether a no came as another message began, or after it to the one it ran together with."""
    # An answer that had come before is why the message was sent again.
    if _BYTE_NS <= reply.end_ns - after.start_ns < soon_ns:
        return True
    behind = reply.message.packet_number == one.number != two.number
    return behind and 0 <= reply.end_ns - after.end_ns < TIME_NS


def _is_silent(dump: DumpScene, one: TimedMessage, two: TimedMessage) -> bool:
    """Whether there was time for an answer to a message, and none before the next one."""
    ended_ns, began_ns = one.end_ns, two.start_ns
    if began_ns - ended_ns < TIME_NS or not is_plain(one):
        return False
    return bisect_right(dump.reply_ends, ended_ns) == bisect_left(dump.reply_ends, began_ns)


def _took_damaged(dump: DumpScene) -> Iterator[Sign]:
    for exchange, at, heard, _ in dump.steps if dump.damaged else ():
        yes = [e for e in dump.answers(exchange, at) if e.kind is ACK and e.fits and not e.late]
        if yes and exchange.place is not None and not heard.is_sound:
            form = heard.is_whole_packet
            what = "has a wrong checksum" if form else "has not its full form"
            yield sign(
                "damage accepted",
                dump,
                f"{named(exchange).capitalize()} {what}, and the unit said yes to it (ACK).",
                heard=heard,
                exchange=exchange,
                shown=yes[0].heard.body.hex(" "),
                form=form,
                arrived=dump.scene.shows_arrived,
            )
            return


def _took_after_jump(dump: DumpScene) -> Iterator[Sign]:
    for exchange in dump.packets:
        if exchange.jump and any(each.kind is ACK and each.fits for each in exchange.replies):
            yield sign(
                "jump accepted",
                dump,
                f"Before {named(exchange)} {counted(exchange.jump, 'packet')} did not come, and "
                "the unit took it all the same (ACK).",
                heard=exchange.sendings[0],
                exchange=exchange,
            )
            return


# Answers that are odd in form.


def form(scene: Scene) -> Iterator[Sign]:
    """Tell of answers that are none any more, of EOF as an answer, and of two answers (T50)."""
    spoken = _not_answers(scene) if scene.both else []
    for dump in scene.sent if scene.both else ():
        yield from _wrecks(dump, spoken)
        for reply in dump.replies(EOF)[:1]:
            exchange = dump.exchange_of(reply)
            yield sign(
                "answered with EOF",
                dump,
                f"{named(exchange).capitalize()} was answered with EOF, which only a sender says.",
                heard=reply.heard,
                exchange=exchange,
                shown=reply.heard.body.hex(" "),
            )
        if not dump.has_waits:  # there a WAIT that was changed looks like a second answer
            yield from _two_answers(dump)


def _wrecks(dump: DumpScene, spoken: Sequence[TimedMessage]) -> Iterator[Sign]:
    """Tell where something else came in place of an answer."""
    for exchange, at, sending, after in dump.steps if spoken else ():
        told = [each for each in dump.answers(exchange, at) if each.kind not in (WAIT, EOF)]
        wreck = _in_place_of(spoken, sending, told[0].heard if told else after)
        if wreck is None or (told and (waits_first(exchange) or not dump.has_waits)):
            continue
        torn = wreck.piece.kind in (PieceKind.CUT, PieceKind.STRAY)
        yield sign(
            "no answer any more",
            dump,
            f"In place of an answer to {named(exchange)} something came that is none.",
            heard=wreck,
            exchange=exchange,
            shown=wreck.piece.raw[:16].hex(" "),
            torn=torn or isinstance(wreck.message, Malformed),
        )
        return


def _not_answers(scene: Scene) -> list[TimedMessage]:
    """Return what the unit said that may have been a handshake, what came back aside."""
    echoed = {id(heard) for heard, _ in scene.followed.course.echoes}
    asked = {each.heard.body for each in scene.followed.course.asked}
    return [
        each
        for each in scene.spoke(Direction.FROM_UNIT)
        if id(each) not in echoed and each.body not in asked and _may_be_answer(scene, each)
    ]


def _may_be_answer(scene: Scene, heard: TimedMessage) -> bool:
    piece = heard.piece
    if isinstance(heard.message, Handshake):
        return False
    goes_on_ns = scene.sight.last_ns - heard.end_ns if scene.is_timed else 0
    if heard.is_torn_off and goes_on_ns < _GOES_ON_NS:
        return False  # rather the capture ends there
    if piece.kind is PieceKind.EXCLUSIVE:
        return _SHORTEST <= len(piece.body) <= _LONGEST
    if piece.kind is PieceKind.SHORT:
        return len(piece.body) == 1  # not a note of somebody's
    return piece.kind in (PieceKind.CUT, PieceKind.STRAY) and len(piece.body) <= _LONGEST


def _in_place_of(
    spoken: Sequence[TimedMessage], sending: TimedMessage, after: TimedMessage | None
) -> TimedMessage | None:
    since_ns = sending.end_ns
    until_ns = since_ns + _SOON_NS
    if after is not None:
        until_ns = min(until_ns, after.end_ns)
    at = bisect_left(spoken, since_ns, key=lambda each: each.end_ns)
    return spoken[at] if at < len(spoken) and spoken[at].end_ns <= until_ns else None


def _two_answers(dump: DumpScene) -> Iterator[Sign]:
    doubled = [each for each in dump.talk.exchanges if _is_answered_twice(dump.scene, each)]
    if not doubled:
        return
    first, second = doubled[0], finals(doubled[0])[1]
    yield sign(
        "two answers",
        dump,
        f"{named(first).capitalize()} was sent once and answered "
        f"{counted(len(finals(first)), 'time')}; so were {counted(len(doubled), 'message')} in "
        "all.",
        heard=second.heard,
        exchange=first,
        shown=second.heard.body.hex(" "),
        devices=len({each.message.device_id for each in finals(first)}),
        arrived=dump.scene.shows_arrived,
    )


def _is_answered_twice(scene: Scene, exchange: Exchange) -> bool:
    mine = [each for each in finals(exchange) if each.kind in (ACK, NAK)]
    if len(exchange.sendings) != 1 or len(mine) < 2 or not is_plain(exchange.sendings[0]):
        return False
    one, other = mine[0], mine[1]
    close = not scene.is_timed or other.end_ns - one.end_ns < _COPY_NS
    return close and (one.kind is other.kind or one.message.device_id != other.message.device_id)


# Answers that are late.


def times(scene: Scene) -> Iterator[Sign]:
    """Tell of answers that come behind their time (T23)."""
    for dump in scene.sent if scene.both and scene.is_timed else ():
        late = [
            (exchange, at, reply)
            for exchange, at, reply in _late(dump)
            if not dump.has_waits or reply.kind is WAIT
        ]
        if not late:
            continue
        exchange, at, reply = late[0]
        took_ns = reply.end_ns - exchange.sendings[at].end_ns
        due = "2 s" if exchange.place is None else "20 ms"
        yield sign(
            "answers late",
            dump,
            f"The answer to {named(exchange)} came {in_words(took_ns)} after its end; due are "
            f"{due}.",
            f"In all {counted(len(late), 'message')} were answered too late."
            if len(late) > 1
            else "",
            heard=exchange.sendings[at],
            exchange=exchange,
            # Where the sender waited for each of them, nothing came of it.
            waited=all(_was_waited_for(dump, one, answer) for one, _, answer in late),
            arrived=dump.scene.shows_arrived,
        )


def _late(dump: DumpScene) -> Iterator[tuple[Exchange, int, Reply]]:
    for exchange in dump.talk.exchanges:
        if not exchange.replies or not are_plain(exchange):
            continue
        for at in range(len(exchange.sendings)):
            mine = dump.answers(exchange, at)
            # A late no is about what the unit has not understood.
            if mine and mine[0].kind not in (NAK, CANCEL) and is_late(dump, exchange, at):
                yield exchange, at, mine[0]
                break
        else:
            # It was sent again before it was answered, and then answered twice.
            sendings = exchange.sendings
            again = len(sendings) >= HABIT and not dump.answers(exchange, 0)
            enough = again and len(finals(exchange)) >= len(sendings)
            if enough and has_left_time(dump, sendings[0], sendings[1]):
                yield exchange, 0, exchange.replies[0]


def _was_waited_for(dump: DumpScene, exchange: Exchange, reply: Reply) -> bool:
    """Whether the sender said nothing between a message and its answer."""
    since_ns = exchange.sendings[0].end_ns
    starts = dump.starts
    return bisect_right(starts, since_ns) == bisect_left(starts, reply.end_ns)


# Answers with other numbers or device IDs than they should have.


class _Odd(NamedTuple):
    exchange: Exchange
    reply: Reply
    due: int


class _Custom(NamedTuple):
    text: str
    """ "" for the standard's own rule."""
    fits: Callable[[int, int], bool]
    """Whether a packet of this number may be answered with that one."""
    odd: list[_Odd]


_Told = list[tuple[Exchange, Reply]]


def numbers(scene: Scene) -> Iterator[Sign]:
    """Tell a custom of numbering (T28) from single answers that break it."""
    for dump in scene.sent if scene.both else ():
        told = _told(dump, ACK)
        custom = _custom(told)
        if custom.text:
            exchange, reply = told[0]
            heard = reply.heard
            yield sign("numbers by a custom", dump, custom.text, heard=heard, exchange=exchange)
        quiet = _undisturbed(dump)
        odd = [*custom.odd, *_odd_noes(dump, custom), *_odd_waits(dump)]
        odd = [each for each in odd if id(each.exchange) in quiet]
        if odd and not dump.is_doubled_there:
            yield _misnumbered(dump, min(odd, key=lambda each: each.reply.end_ns), odd, len(told))


def _undisturbed(dump: DumpScene) -> set[int]:
    """Return the exchanges at which a message came right, and its answer before it came again.

    The message before it came once, so that no answer to it can be meant.
    """
    exchanges = dump.talk.exchanges
    once = [len(each.sendings) == 1 and is_plain(each.sendings[0]) for each in exchanges]
    return {
        id(each)
        for at, each in enumerate(exchanges)
        if all(once[max(at - 1, 0) : at]) and (once[at] or _was_answered_first(each))
    }


def _was_answered_first(exchange: Exchange) -> bool:
    if not are_plain(exchange):
        return False
    again_ns = exchange.sendings[1].start_ns
    return any(each.sending == 0 and each.end_ns <= again_ns for each in exchange.replies)


def _told(dump: DumpScene, kind: HandshakeKind) -> _Told:
    return [
        (exchange, reply)
        for exchange in dump.packets
        for reply in exchange.replies
        if reply.kind is kind and not reply.late and is_plain(exchange.sendings[reply.sending])
    ]


def _custom(told: _Told) -> _Custom:
    """Return by what rule most answers are numbered, and the others.

    Some units add something to the packet's number, some always say the same; both show in what
    most of them say.  Where the standard's rule fits hardly any and no other one does, numbers say
    nothing.
    """
    own = _rule("", lambda number: number, told)
    if not told:
        return own
    pairs = [(exchange.number, reply.message.packet_number) for exchange, reply in told]
    ahead = _commonest((said - number) % PACKET_NUMBERS for number, said in pairs)
    always = _commonest(said for _, said in pairs)
    ways = [
        own,
        _rule(_text_ahead(ahead), lambda number: (number + ahead) % PACKET_NUMBERS, told),
        _rule(_text_always(always), lambda number: always, told),
    ]
    best = min(ways, key=lambda each: len(each.odd))  # of equal ones the standard's
    # A custom is kept to by most, and explains far more than the standard's own rule.
    is_shown = len(told) - len(best.odd) >= _PROVED or best.text in _COMMON
    if is_shown and 2 * len(best.odd) <= min(len(told), len(own.odd)):
        return best
    if len(told) >= _MANY and 4 * (len(told) - len(own.odd)) <= len(told):
        return _Custom("The numbers in its answers follow no rule.", lambda number, said: True, [])
    return own


def _rule(text: str, due: Callable[[int], int], told: _Told) -> _Custom:
    odd = [
        _Odd(exchange, reply, due(exchange.number))
        for exchange, reply in told
        if reply.message.packet_number != due(exchange.number)
    ]
    return _Custom(text, lambda number, said: said == due(number), odd)


def _commonest(values: Iterable[int]) -> int:
    return Counter(values).most_common(1)[0][0]


def _text_ahead(ahead: int) -> str:
    if ahead == 1:
        return "Its answers name the packet that it expects next."
    if ahead == PACKET_NUMBERS - 1:
        return "Its answers name the packet before."
    return f"Its answers name the packet {ahead} further on."


def _text_always(number: int) -> str:
    return f"Its answers always say {number}."


_COMMON: Final = (_text_ahead(1), _text_always(0))


def _odd_waits(dump: DumpScene) -> list[_Odd]:
    """Return the few WAITs that are numbered otherwise than all others."""
    told = _told(dump, WAIT)
    odd = _custom(told).odd
    return odd if 2 * len(odd) < len(told) else []


def _odd_noes(dump: DumpScene, custom: _Custom) -> Iterator[_Odd]:
    """Yield the NAKs that name a packet other than theirs, where that packet was right itself."""
    for exchange in dump.packets if dump.replies(NAK) else ():
        for reply in exchange.replies:
            odd = reply.kind is NAK and not (reply.fits or reply.late or exchange.jump)
            number = reply.message.packet_number
            usual = custom.text and custom.fits(exchange.number, number)
            if odd and not usual and is_plain(exchange.sendings[reply.sending]):
                yield _Odd(exchange, reply, exchange.number)


def _misnumbered(dump: DumpScene, first: _Odd, odd: Sequence[_Odd], told: int) -> Sign:
    offsets = {(each.reply.message.packet_number - each.due) % PACKET_NUMBERS for each in odd}
    said = first.reply.message.packet_number
    if len(odd) == 1:
        by_chance = (said ^ first.due).bit_count() == 1 and offsets != {1}
    else:
        by_chance = len(offsets) > 1
    return sign(
        "wrong number in an answer",
        dump,
        f"The answer to {named(first.exchange)} names packet number {said} where {first.due} was "
        f"due; {counted(len(odd), 'answer')} in all do not fit.",
        heard=first.reply.heard,
        exchange=first.exchange,
        shown=first.reply.heard.body.hex(" "),
        chance=by_chance,
        habit=not by_chance and len(odd) > 1 and told > 0,
    )


def devices(scene: Scene) -> Iterator[Sign]:
    """Tell of answers that carry a device ID of their own."""
    for dump in scene.sent if scene.both else ():
        replies, own = dump.talk.replies, _own_devices(dump)
        strange = [each for each in replies if own and each.message.device_id not in own]
        if not strange:
            continue
        reply, due = strange[0], min(own)
        exchange, said = dump.exchange_of(reply), reply.message.device_id
        alone = len(strange) == 1 and len(replies) > 1
        yield sign(
            "other device in an answer",
            dump,
            f"The answer to {named(exchange)} comes from device {said}, and the dump is for "
            f"device {due}; {counted(len(strange), 'answer')} of {len(replies):,} do so.",
            heard=reply.heard,
            exchange=exchange,
            shown=reply.heard.body.hex(" "),
            alone=alone,
            chance=alone and (said ^ due).bit_count() == 1 and (said - due) % PACKET_NUMBERS != 1,
        )


def _own_devices(dump: DumpScene) -> set[int]:
    """Return which device IDs its answers may carry; none where nobody can know."""
    own = dump.talk.device_id
    if own is None:
        return set()
    if own != ALL_CALL:
        return {own, ALL_CALL}
    common = Counter(each.message.device_id for each in dump.talk.replies).most_common(1)
    return {common[0][0], ALL_CALL} if common and common[0][1] > 1 else set()


REPLIES: Final = (ends, rejections, form, times, numbers, devices)
