"""NAK to what is right as recorded, and ACK to what is not."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from emulator.wire.constants import BYTE_NS
from emulator.wire.prose import counted
from harness.diagnose.scene import (
    ACK,
    HABIT,
    NAK,
    TIME_NS,
    DumpScene,
    Scene,
    are_plain,
    is_plain,
    named,
    was_told,
)
from harness.diagnose.sign import Sign, sign
from harness.diagnose.signs.numbering import custom_of, told_by
from harness.judge.dialogue.exchanges import Ended, Exchange, Reply
from harness.judge.timed_messages import TimedMessage

_JUST_BEGUN_NS: Final = 5_000_000
"""Within this a unit says no to what it has half of, as another message begins (our choice)."""


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
    fits = custom_of(told_by(dump, ACK)).fits
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
    if BYTE_NS <= reply.end_ns - after.start_ns < soon_ns:
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


REJECTIONS: Final = (rejections,)
