"""Answers with other numbers or device IDs than they should have."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from typing import Final, NamedTuple

from emulator.wire.constants import ALL_CALL, PACKET_NUMBERS
from emulator.wire.messages import HandshakeKind
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import (
    ACK,
    NAK,
    WAIT,
    exchange_of,
    is_doubled_there,
    is_plain,
    named,
    suspect,
)
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.exchanges import Exchange, Reply
from harness.judge.finding import Verdict
from harness.judge.plain import counted

_ALTERED: Final = "answers altered on the way back"


class _Odd(NamedTuple):
    exchange: Exchange
    reply: Reply
    due: int


def answer_numbers(scene: Scene) -> Iterator[Suspicion]:
    """Tell a custom of numbering (T28) from single answers that break it."""
    for dump in scene.sent if scene.both else ():
        told = _told(dump, ACK)
        custom = _custom(told)
        if custom.text:
            yield suspect(
                "unit numbers answers its own way",
                Strength.SURE,
                dump,
                custom.text,
                heard=told[0][1].heard,
                exchange=told[0][0],
            )
        quiet = _undisturbed(dump)
        odd = [*custom.odd, *_odd_others(dump), *_odd_waits(dump)]
        odd = [each for each in odd if id(each.exchange) in quiet]
        if odd and not is_doubled_there(dump):
            odd.sort(key=lambda each: each.reply.end_ns)
            yield from _misnumbered(dump, odd, len(told))


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
    if not all(is_plain(each) for each in exchange.sendings):
        return False
    again_ns = exchange.sendings[1].start_ns
    return any(each.sending == 0 and each.end_ns <= again_ns for each in exchange.replies)


def _told(dump: DumpScene, kind: HandshakeKind) -> list[tuple[Exchange, Reply]]:
    return [
        (exchange, reply)
        for exchange in dump.packets
        for reply in exchange.replies
        if reply.kind is kind and not reply.late and is_plain(exchange.sendings[reply.sending])
    ]


class _Custom(NamedTuple):
    text: str
    """ "" for the standard's own rule."""
    fits: Callable[[int, int], bool]
    """Whether a packet of this number may be answered with that one."""
    odd: list[_Odd]


def _custom(told: list[tuple[Exchange, Reply]]) -> _Custom:
    """Return by what rule most answers are numbered, and the others.

    Some units add something to the packet's number, some always say the same; both show in what
    most of them say.  Where the standard's rule fits hardly any and no other one does, numbers say
    nothing.
    """
    own = _rule("", lambda number: number, told)
    if not told:
        return own
    ahead = _commonest((said - number) % PACKET_NUMBERS for number, said in map(_numbers, told))
    always = _commonest(said for _, said in map(_numbers, told))
    ways = [
        own,
        _rule(_text_ahead(ahead), lambda number: (number + ahead) % PACKET_NUMBERS, told),
        _rule(_text_always(always), lambda number: always, told),
    ]
    best = min(ways, key=lambda each: len(each.odd))  # of equal ones the standard's
    fitting = len(told) - len(best.odd)
    # A custom is kept to by most, and explains far more than the standard's own rule.
    is_shown = fitting >= _PROVED or best.text in _COMMON
    if is_shown and 2 * len(best.odd) <= min(len(told), len(own.odd)):
        return best
    if len(told) >= _MANY and 4 * (len(told) - len(own.odd)) <= len(told):
        return _Custom("The numbers in its answers follow no rule.", lambda number, said: True, [])
    return own


def _rule(text: str, due: Callable[[int], int], told: list[tuple[Exchange, Reply]]) -> _Custom:
    odd = [
        _Odd(exchange, reply, due(exchange.number))
        for exchange, reply in told
        if reply.message.packet_number != due(exchange.number)
    ]
    return _Custom(text, lambda number, said: said == due(number), odd)


def _numbers(told: tuple[Exchange, Reply]) -> tuple[int, int]:
    exchange, reply = told
    return exchange.number, reply.message.packet_number


def _commonest(numbers: Iterable[int]) -> int:
    return Counter(numbers).most_common(1)[0][0]


def _text_ahead(ahead: int) -> str:
    if ahead == 1:
        return "Its answers name the packet that it expects next."
    if ahead == PACKET_NUMBERS - 1:
        return "Its answers name the packet before."
    return f"Its answers name the packet {ahead} further on."


def _text_always(number: int) -> str:
    return f"Its answers always say {number}."


_COMMON: Final = (_text_ahead(1), _text_always(0))
_PROVED: Final = 3  # answers that show any other rule
_MANY: Final = 6  # answers that show that there is none


def _odd_waits(dump: DumpScene) -> list[_Odd]:
    """Return the few WAITs that are numbered otherwise than all others."""
    told = _told(dump, WAIT)
    odd = _custom(told).odd
    return odd if 2 * len(odd) < len(told) else []


_CUSTOMS: Final[tuple[tuple[str, Callable[[int], int]], ...]] = (
    ("", lambda number: number),
    (
        "Its answers name the packet that it expects next.",
        lambda number: (number + 1) % PACKET_NUMBERS,
    ),
    ("Its answers always say 0.", lambda number: 0),
)


def _odd_others(dump: DumpScene) -> list[_Odd]:
    """Return the NAKs that name a packet other than theirs, where that packet was right itself."""
    return [
        _Odd(exchange, reply, exchange.number)
        for exchange in dump.packets
        for reply in exchange.replies
        if reply.kind is NAK and not reply.fits and not reply.late and not exchange.jump
        and not fits_custom(dump, exchange, reply)
        and is_plain(exchange.sendings[reply.sending])
    ]  # fmt: skip


def _misnumbered(dump: DumpScene, odd: list[_Odd], told: int) -> Iterator[Suspicion]:
    offsets = {(each.reply.message.packet_number - each.due) % PACKET_NUMBERS for each in odd}
    first = odd[0]
    said = first.reply.message.packet_number
    turned = (said ^ first.due).bit_count() == 1
    if len(odd) == 1:
        by_chance = turned and offsets != {1}
        wrong, altered = _either(altered=by_chance)
    else:
        wrong, altered = _either(altered=len(offsets) > 1)
        wrong = Strength.STRONG if wrong is Strength.FAIR and told else wrong
    text = (
        f"The answer to {named(first.exchange)} names packet number {said} where {first.due} was "
        f"due; {counted(len(odd), 'answer')} in all do not fit."
    )
    for cause, strength in (("answers with a wrong number", wrong), (_ALTERED, altered)):
        yield suspect(
            cause,
            strength,
            dump,
            text,
            heard=first.reply.heard,
            exchange=first.exchange,
            shown=first.reply.heard.body.hex(" "),
        )


def _either(*, altered: bool) -> tuple[Strength, Strength]:
    """Return how much speaks for a unit that errs, and for answers that were changed."""
    return (Strength.WEAK, Strength.FAIR) if altered else (Strength.FAIR, Strength.WEAK)


def fits_custom(dump: DumpScene, exchange: Exchange, reply: Reply) -> bool:
    """Whether a number is by the unit's own custom, so that the answer was an ACK once."""
    custom = _custom(_told(dump, ACK))
    return bool(custom.text) and custom.fits(exchange.number, reply.message.packet_number)


def answer_devices(scene: Scene) -> Iterator[Suspicion]:
    """Suspect another unit, or another setting, where answers carry a device ID of their own."""
    for dump in scene.sent if scene.both else ():
        replies = dump.talk.replies
        own = _own_device(dump)
        strange = [
            each for each in replies if own is not None and each.message.device_id not in own
        ]
        if not strange:
            continue
        reply = strange[0]
        exchange = exchange_of(dump, reply)
        said = reply.message.device_id
        alone = len(strange) == 1 and len(replies) > 1
        due = min(own or {ALL_CALL})
        by_chance = alone and (said ^ due).bit_count() == 1 and (said - due) % PACKET_NUMBERS != 1
        other, altered = _either(altered=by_chance)
        evidence = Evidence(
            text=f"The answer to {named(exchange)} comes from device {said}, and the dump is for "
            f"device {due}; {counted(len(strange), 'answer')} of {len(replies):,} do so.",
            at=dump.place(reply.heard, exchange),
            shown=reply.heard.body.hex(" "),
        )
        found = [("answers with another device ID", other if alone else Strength.STRONG)]
        found += [(_ALTERED, altered)] if alone else []
        for cause, strength in found:
            yield Suspicion(
                cause=cause,
                strength=strength,
                evidence=(evidence,),
                at=evidence.at,
                dump=dump.index,
            )


def _own_device(dump: DumpScene) -> set[int] | None:
    """Return which device IDs its answers may carry; None where nobody can know."""
    own = dump.talk.device_id
    if own is None:
        return None
    if own != ALL_CALL:
        return {own, ALL_CALL}
    counts = Counter(each.message.device_id for each in dump.talk.replies)
    common = counts.most_common(1)
    return {common[0][0], ALL_CALL} if common and common[0][1] > 1 else None


def customs(scene: Scene) -> Iterator[Suspicion]:
    """Tell of customs that the judge calls bent and that do no harm."""
    for dump in scene.sent:
        for finding in dump.findings:
            cause = _CUSTOM_OF.get(finding.clause)
            if cause is not None and finding.verdict is Verdict.BENT:
                yield Suspicion(
                    cause=cause,
                    strength=Strength.SURE,
                    evidence=(Evidence(text=finding.message, at=finding.at),),
                    at=finding.at,
                    dump=dump.index,
                )


_CUSTOM_OF: Final = {
    "HSK-02": "unit numbers answers its own way",
    "EXT-08": "extended header without need",
}

NUMBER_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    customs,
    answer_numbers,
    answer_devices,
)
