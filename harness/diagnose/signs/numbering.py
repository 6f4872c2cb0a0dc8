"""Answers with other numbers or device IDs than they should have."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Final, NamedTuple

from emulator.wire.constants import ALL_CALL, PACKET_NUMBERS
from emulator.wire.messages import HandshakeKind
from emulator.wire.prose import counted
from harness.diagnose.scene import (
    ACK,
    NAK,
    WAIT,
    DumpScene,
    Scene,
    are_plain,
    is_plain,
    named,
)
from harness.diagnose.sign import Sign, sign
from harness.judge.dialogue.exchanges import (
    Exchange,
    Reply,
)

_PROVED: Final = 3  # answers that show a custom of their own
_MANY: Final = 6  # answers that show that there is none


class _Odd(NamedTuple):
    exchange: Exchange
    reply: Reply
    due: int


class Custom(NamedTuple):
    """How a unit numbers its answers."""

    text: str
    """ "" for the standard's own rule."""
    fits: Callable[[int, int], bool]
    """Whether a packet of this number may be answered with that one."""
    odd: list[_Odd]


Told = list[tuple[Exchange, Reply]]


def numbers(scene: Scene) -> Iterator[Sign]:
    """Tell a custom of numbering (T28) from single answers that break it."""
    for dump in scene.sent if scene.both else ():
        told = told_by(dump, ACK)
        custom = custom_of(told)
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


def told_by(dump: DumpScene, kind: HandshakeKind) -> Told:
    """Return the replies of one kind to packets that were right, each with what it answers."""
    return [
        (exchange, reply)
        for exchange in dump.packets
        for reply in exchange.replies
        if reply.kind is kind and not reply.late and is_plain(exchange.sendings[reply.sending])
    ]


def custom_of(told: Told) -> Custom:
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
        return Custom("The numbers in its answers follow no rule.", lambda number, said: True, [])
    return own


def _rule(text: str, due: Callable[[int], int], told: Told) -> Custom:
    odd = [
        _Odd(exchange, reply, due(exchange.number))
        for exchange, reply in told
        if reply.message.packet_number != due(exchange.number)
    ]
    return Custom(text, lambda number, said: said == due(number), odd)


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
    told = told_by(dump, WAIT)
    odd = custom_of(told).odd
    return odd if 2 * len(odd) < len(told) else []


def _odd_noes(dump: DumpScene, custom: Custom) -> Iterator[_Odd]:
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


NUMBERING: Final = (numbers, devices)
