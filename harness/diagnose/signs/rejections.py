"""NAK to what is right as recorded."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.prose import counted
from dryload.harness.diagnose.scene import (
    HABIT,
    TIME_NS,
    DumpScene,
    Scene,
    are_plain,
    is_plain,
    named,
    was_told,
)
from dryload.harness.diagnose.sign import Sign, sign
from dryload.harness.judge.dialogue.exchanges import ACK, NAK, Ended, Exchange, Reply

_Noes = tuple[Exchange, list[Reply]]


def rejections(scene: Scene) -> Iterator[Sign]:
    """Tell of NAKs to what is right as recorded."""
    for dump in scene.sent if scene.both else ():
        found = [*_noes_to_header(dump), *_noes(dump)]
        told = _rejected(dump, found) if found else None
        if told is not None and not (_is_over_and_done(told) and _is_at_unit(scene)):
            yield told


def _is_over_and_done(told: Sign) -> bool:
    """Whether one packet was rejected once, and taken when it came again."""
    return bool(told.values["taken"] and told.values["alone"] and not told.values["again"])


def _is_at_unit(scene: Scene) -> bool:
    """Whether nothing can have altered the answers: the unit had its reason, and was served."""
    return scene.shows_arrived and not scene.shows_damage(Direction.FROM_UNIT)


def _noes_to_header(dump: DumpScene) -> Iterator[_Noes]:
    """Yield a header that is right and only ever rejected; what that means is open (M1 p. 39)."""
    header = dump.talk.exchanges[0]
    noes = [each for each in dump.header_replies if each.kind is NAK and each.binds]
    only = all(each.kind is NAK for each in header.replies)
    if noes and only and not dump.packets and are_plain(header):
        yield header, noes


def _noes(dump: DumpScene) -> Iterator[_Noes]:
    """Yield packets with the noes to what is right, where the unit has all that came before."""
    is_behind = False
    for exchange in dump.packets:
        if dump.planned is not None and (exchange.place or 0) >= dump.planned:
            return
        is_behind = is_behind or exchange.jump > 0
        noes = [
            reply
            for reply in exchange.replies
            if reply.kind is NAK and _is_right(dump, exchange, reply)
        ]
        if noes and not is_behind:
            yield exchange, noes
        if was_told(exchange, ACK):
            is_behind = False  # it goes on from here, whatever it lacks
        elif not noes and not exchange.best.is_sound:
            is_behind = True


def _is_right(dump: DumpScene, exchange: Exchange, reply: Reply) -> bool:
    """Whether a no is about a sending that is right: what a custom of numbering says counts too."""
    heard = exchange.sendings[reply.sending]
    is_ours = dump.talk.device_id is None or heard.device_id == dump.talk.device_id
    return is_ours and is_plain(heard) and (reply.fits or bool(dump.bent("HSK-02")))


def _rejected(dump: DumpScene, found: Sequence[_Noes]) -> Sign:
    exchange, noes = found[0]
    more = f" So were {len(found):,} packets in all." if len(found) > 1 else ""
    return sign(
        "rejected though right",
        dump,
        f"{named(exchange).capitalize()} was rejected (NAK) {counted(len(noes), 'time')}, and it "
        f"is right as recorded.{more}",
        heard=exchange.sendings[noes[0].sending],
        exchange=exchange,
        shown=noes[0].heard.body.hex(" "),
        again=len(found) >= HABIT or len(noes) >= HABIT,
        header=exchange.place is None,
        taken=was_told(exchange, ACK) or _is_last_again(dump, exchange),
        alone=sum(r.kind is NAK and r.fits for e in dump.packets for r in e.replies) == 1,
        twice=_is_doubled_unasked(dump),
    )


def _is_last_again(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether it is the last packet, sent again: a unit that has all says nothing more."""
    again = len(exchange.sendings) > 1 and exchange.replies[-1].sending == 0
    return again and dump.ended is Ended.WHOLE and exchange is dump.talk.exchanges[-1]


def _is_doubled_unasked(dump: DumpScene) -> bool:
    """Whether a message stands twice in a row though nobody had said no to it."""
    return any(
        one.body == two.body
        and two.start_ns - one.end_ns < TIME_NS
        and not dump.answers(exchange, at)
        for exchange in dump.talk.exchanges
        for at, (one, two) in enumerate(pairwise(exchange.sendings))
    )


REJECTIONS: Final = (rejections,)
