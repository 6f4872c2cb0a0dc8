"""The point of no return: the packet after which a dump could not end well.

Theory of operation.  Some signs say that a dump is lost; the rest is seen in its exchanges: what
came damaged, or was rejected, and was not sent again.  Whatever stands first in the dump counts.
What was healed by sending again is no loss, and a dump that the unit sends back as it was sent was
none, whatever happened.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.wire.constants import LOOP_OFF
from dryload.emulator.wire.prose import capitalised
from dryload.harness.diagnose.scene import DumpScene, Scene, named, was_told
from dryload.harness.diagnose.sign import Sign
from dryload.harness.judge.dialogue.exchanges import ACK, NAK, Ended, Exchange
from dryload.harness.judge.finding import Place

_MANY: Final = 2  # sendings of a last packet that show that nothing better comes (our choice)
_OPEN: Final = (Ended.HELD, Ended.CUT, Ended.UNKNOWN, Ended.FELL_BACK)
_OVER: Final = (Ended.STOPPED, Ended.GIVEN_UP, Ended.REPLACED, Ended.SHORT)
_SILENT: Final = "answers cease"
_LOSSES: Final = {
    "HSK-12": "the unit ended the dump at {it} (CANCEL).",
    "differs from the source": "{it} was not that of the source, and its checksum was right, so "
    "nobody noticed.",
    "field not the source's": "{it} had other values than that of the source; it has no checksum, "
    "so nobody noticed.",
    "words not kept": "the unit acknowledged {it} and kept something else.",
    _SILENT: "from {it} on the unit did not answer any more, so nothing shows that it took "
    "anything.",
}
"""Signs after which a dump is lost where they show, and how that is told."""


class NoReturn(Struct, frozen=True, kw_only=True):
    """Where a dump was lost."""

    dump: int
    """Which dump of the capture, from 0 on."""
    at: Place
    why: str
    """A whole sentence."""


def point_of_no_return(scene: Scene, signs: Sequence[Sign]) -> tuple[NoReturn, ...]:
    """Return for each dump to the unit that did not end well where it was lost."""
    found = []
    for dump in scene.sent:
        mine = [each for each in signs if each.dump == dump.index]
        losses = [*_of_signs(dump, mine), *_of_exchanges(dump)]
        first = min(losses, default=None, key=lambda each: _order(each.at))
        if first is not None and not _is_back_whole(dump, mine):
            found.append(first)
    return tuple(found)


def _order(at: Place) -> int:
    return -1 if at.packet is None else at.packet


def _of_signs(dump: DumpScene, signs: Sequence[Sign]) -> Iterator[NoReturn]:
    for each in signs:
        if each.name not in _LOSSES or each.at is None:
            continue
        # What is neutral may have happened on the way back.
        is_none = each.values.get("neutral") or _is_free(dump, each)
        if each.name == _SILENT:
            is_none = each.values["every"] or dump.ended in _OPEN
        if not is_none:
            it = "the header" if each.at.packet is None else f"packet {each.at.packet:,}"
            why = capitalised(_LOSSES[each.name].format(it=it))
            yield NoReturn(dump=dump.index, at=each.at, why=why)


def _is_free(dump: DumpScene, sign: Sign) -> bool:
    """Whether only the number, or points of a loop that is off, are others than the source's."""
    is_off = dump.header is not None and dump.header.loop_type == LOOP_OFF
    field = sign.values.get("field")
    return field == "sample_number" or (is_off and field in ("loop_start", "loop_end"))


def _of_exchanges(dump: DumpScene) -> Iterator[NoReturn]:
    yield from _of_header(dump)
    planned = dump.planned
    # What is behind the end was torn off a packet, or belongs to no dump.
    packets = [each for each in dump.packets if planned is None or (each.place or 0) < planned]
    for at, exchange in enumerate(packets):
        if exchange.jump:
            yield from _missing(dump, exchange, packets[at + 1 :])
        if at + 1 < len(packets) or _is_done_with(dump, exchange):
            yield from _of_packet(dump, exchange)
    yield from _at_the_end(dump)
    yield from _not_kept(dump)


def _of_header(dump: DumpScene) -> Iterator[NoReturn]:
    """Yield a header that is damaged or missing, and packets that the unit did not take."""
    first = dump.talk.exchanges[0]
    is_right = first.place is None and any(each.is_sound for each in first.sendings)
    taken = any(was_told(each, ACK) for each in dump.packets)
    if dump.scene.both and dump.packets and not is_right and not taken:
        damaged = first.place is None
        what = "The header arrived damaged" if damaged else "Packets came and no header before them"
        yield _lost(dump, first, f"{what}, so the unit knew of no dump.")


def _missing(dump: DumpScene, exchange: Exchange, later: Sequence[Exchange]) -> Iterator[NoReturn]:
    came, place = {each.place for each in later}, exchange.place or 0
    missing = [each for each in range(place - exchange.jump, place) if each not in came]
    if missing:
        first, last = missing[0], missing[-1]
        which = f"Packet {first:,}" if first == last else f"Packets {first:,} to {last:,}"
        why = f"{which} never came, and the sender went on with packet {place:,}."
        yield _lost(dump, exchange, why, packet=first)


def _of_packet(dump: DumpScene, exchange: Exchange) -> Iterator[NoReturn]:
    """Yield a packet that never came right, or was rejected, and was not sent again."""
    which = named(exchange).capitalize()
    damaged = [each for each in exchange.sendings if not each.is_sound]
    accepted = was_told(exchange, ACK)
    if damaged and accepted and not _took_sound(exchange):
        yield _lost(dump, exchange, f"{which} came damaged, and the unit took it as right (ACK).")
    elif len(damaged) == len(exchange.sendings):
        yield _lost(dump, exchange, f"{which} came damaged, and nothing better followed.")
    elif not accepted and _is_rejected(exchange):
        why = f"The unit said no (NAK) to {named(exchange)}, and it was not sent again."
        yield _lost(dump, exchange, why)


def _is_done_with(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether the sender surely sends the last packet that it sent no more."""
    if dump.ended in _OPEN or (dump.talk.is_torn_off and exchange is dump.talk.exchanges[-1]):
        return False
    reply = exchange.last_reply
    if reply is not None and reply.kind is ACK:
        return True
    after = exchange.sendings[-1].place if reply is None else reply.heard.place
    later = dump.scene.spoke(dump.talk.direction)[-1].place > after
    return later or len(exchange.sendings) >= _MANY


def _is_rejected(exchange: Exchange) -> bool:
    """Whether no was the last word, and no sending followed that may have been taken."""
    last = exchange.last_reply
    if last is None or not last.binds or last.kind is not NAK:
        return False
    return not any(each.is_sound for each in exchange.sendings[last.sending + 1 :])


def _took_sound(exchange: Exchange) -> bool:
    """Whether no damaged sending was the one that the unit said yes to first."""
    taken = [each for each in exchange.replies if each.kind is ACK]
    return not taken or any(exchange.sendings[each.sending].is_sound for each in taken)


def _at_the_end(dump: DumpScene) -> Iterator[NoReturn]:
    """Yield where a dump that was not sent to its end broke off."""
    last = dump.talk.exchanges[-1]
    if dump.ended not in _OVER or (dump.talk.is_full and was_told(last, ACK)):
        return
    if dump.ended is Ended.SHORT and dump.talk.is_full:
        return
    why = f"After {named(last)} it was over: {dump.ended}."
    behind = dump.ended is Ended.SHORT
    next_one = 0 if last.place is None else last.place + 1
    yield _lost(dump, last, why, packet=next_one if behind else last.place)


def _not_kept(dump: DumpScene) -> Iterator[NoReturn]:
    """Yield a packet that got no answer, and that the unit has not kept."""
    from dryload.harness.judge.kept import Kept

    found = dump.stored if dump.scene.both and not dump.is_taken else None
    lost = (Kept.WORDS, Kept.LEFT_OUT, Kept.TOO_SHORT)
    if found is None or found.kept not in lost or found.is_neutral:
        return
    exchange = next((each for each in dump.packets if each.place == found.packet), None)
    if exchange is not None and not exchange.replies:
        why = f"{named(exchange).capitalize()} got no answer, and the unit has not kept it."
        yield _lost(dump, exchange, why)


def _is_back_whole(dump: DumpScene, signs: Sequence[Sign]) -> bool:
    """Whether the unit sent the sample back as it was meant to be."""
    back = dump.returned
    if back is None or back.ended is not Ended.WHOLE or dump.ended is not Ended.WHOLE:
        return False
    if any(each.name == "field not the source's" for each in signs):
        return False
    from dryload.harness.judge.kept import is_as_sent

    return is_as_sent(dump.talk, back.talk, dump.source)


def _lost(dump: DumpScene, exchange: Exchange, why: str, *, packet: int | None = None) -> NoReturn:
    heard = exchange.sendings[0]
    at = dump.place(heard, exchange)
    if packet is not None:
        at = replace(dump.place_at(packet, heard, exchange), byte=at.byte)
    return NoReturn(dump=dump.index, at=at, why=why)
