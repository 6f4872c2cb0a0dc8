"""The unit says nothing: it fell silent, is overrun, or knows no extended header."""

from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.messages import DumpHeader, ExtendedHeader, IdentityReply
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_answers_seen import (
    ACK,
    GAP_NS,
    HABIT,
    NAK,
    TIME_NS,
    is_plain,
    named,
    suspect,
)
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.exchanges import Ended, Exchange
from harness.judge.dialogue.ledger import in_words
from harness.judge.plain import counted
from harness.judge.timed_messages import TimedMessage

_OPEN_NS: Final = 25_000_000
"""A pause that a sender leaves where it heard no answer: 20 ms (M1 p. 39), and a little more."""
_SURELY_NS: Final = 18_000_000
"""The 20 ms of an open loop, less what drift may take (our choice)."""
_QUIET_NS: Final = 2_500_000_000
"""A capture that goes on so long shows that no answer came (our choice)."""


def silences(scene: Scene) -> Iterator[Suspicion]:
    """Suspect that the unit no longer listens where answers cease before the end."""
    for dump in scene.sent if scene.both else ():
        silent = _ceased(dump)
        if not dump.talk.replies or not silent or _are_doubled(silent):
            continue
        sendings = [one for each in silent for one in each.sendings]
        if not all(_is_clear(one) for one in sendings) or any(each.jump for each in silent):
            continue
        if not _is_over(dump, silent, len(sendings)):
            continue
        back = dump.returned
        if back is not None and back.ended is Ended.WHOLE:
            continue  # it heard everything
        yield suspect(
            "unit fell silent",
            _how_silent(dump, silent, len(sendings)),
            dump,
            f"From {named(silent[0])} on the unit said nothing to "
            f"{counted(len(sendings), 'message')}."
            + (" It answered other things later." if _spoke_later(dump) else ""),
            heard=silent[0].sendings[0],
            exchange=silent[0],
        )


def _is_clear(heard: TimedMessage) -> bool:
    """Whether a message is right and came in one piece; clocks and resets inside do not matter."""
    return heard.is_sound and heard.gaps_ns < GAP_NS


def _ceased(dump: DumpScene) -> list[Exchange]:
    silent: list[Exchange] = []
    for each in reversed(dump.packets):
        if each.replies:
            break
        silent.insert(0, each)
    return silent


def _are_doubled(silent: list[Exchange]) -> bool:
    """Whether something sends what is not answered a second time at once."""
    return any(
        one.body == other.body and other.start_ns - one.end_ns < TIME_NS
        for exchange in silent
        for one, other in pairwise(exchange.sendings)
    )


def _is_over(dump: DumpScene, silent: list[Exchange], sendings: int) -> bool:
    """Whether it is more than the last answer that is missing."""
    if dump.talk.is_full and len(silent) == 1:
        return False  # some units do not answer the last one
    if sendings >= HABIT:
        return True
    quiet_ns = dump.scene.sight.last_ns - dump.talk.last_ns
    return dump.ended is Ended.STOPPED or (dump.scene.is_timed and quiet_ns > _QUIET_NS)


def _how_silent(dump: DumpScene, silent: list[Exchange], sendings: int) -> Strength:
    if len(silent) == len(dump.packets):
        return Strength.WEAK  # it may answer no packets at all
    if _spoke_later(dump) and sendings >= HABIT:
        return Strength.STRONG
    return Strength.FAIR


def _spoke_later(dump: DumpScene) -> bool:
    known = DumpHeader, ExtendedHeader, IdentityReply
    return any(
        isinstance(each.message, known) and each.end_ns > dump.talk.last_ns
        for each in dump.scene.spoke(Direction.FROM_UNIT)
    )


def overruns(scene: Scene) -> Iterator[Suspicion]:
    """Suspect an input that is too slow where packets come without waiting and some are lost."""
    arrived = bool(scene.shows_damage(Direction.TO_UNIT))
    for dump in scene.sent if scene.both and scene.is_timed else ():
        close = list(_close(dump))
        slow = sum(
            any(each.kind is ACK and each.end_ns > start_ns for each in one.replies)
            for one, start_ns, _ in close
        )
        if len(close) < HABIT or not dump.talk.replies:
            continue
        hasty = [pause_ns for *_, pause_ns in close if pause_ns < _SURELY_NS]
        if slow < HABIT and 4 * len(hasty) < 3 * (len(dump.packets) - 1):
            continue  # it is rather a sender of the open loop, and answers are missing
        lost = [each for each in dump.packets[1:-1] if not each.replies]
        lost += [each for each in dump.packets[1:] if _was_rejected(each)]
        if not lost or not all(is_plain(one) for each in dump.packets for one in each.sendings):
            continue
        if any(each.jump for each in dump.packets):
            continue
        yield suspect(
            "unit input overruns",
            Strength.STRONG if arrived and slow >= HABIT and not hasty else Strength.FAIR,
            dump,
            f"{counted(len(close), 'packet')} came before the one before was answered, "
            f"{in_words(max(min(pause_ns for *_, pause_ns in close), 0))} after it; the unit took "
            "some and not others.",
            heard=lost[0].sendings[0],
            exchange=lost[0],
        )


def _was_rejected(exchange: Exchange) -> bool:
    return any(each.kind is NAK for each in exchange.replies)


def _close(dump: DumpScene) -> Iterator[tuple[Exchange, int, int]]:
    """Yield each packet that the next one did not wait for, when that began, and the pause."""
    for one, other in pairwise(dump.packets):
        sent, heard = one.sendings[-1], other.sendings[0]
        start_ns = heard.start_ns
        if any(sent.end_ns <= each.end_ns <= start_ns for each in one.replies):
            continue
        pause_ns = dump.scene.sight.pause_ns(sent, heard)
        if pause_ns <= _OPEN_NS:
            yield one, start_ns, pause_ns


def extended(scene: Scene) -> Iterator[Suspicion]:
    """Suspect an older unit where an extended header and its packets get no answer (T54)."""
    for dump in scene.sent if scene.both else ():
        header = dump.header
        if not isinstance(header, ExtendedHeader) or dump.talk.replies or not dump.packets:
            continue
        standard = [
            each
            for each in scene.sent
            if isinstance(each.header, DumpHeader)
            and any(reply.kind is ACK for reply in each.talk.replies)
        ]
        same = [e for e in standard if e.header and e.header.sample_number == header.sample_number]
        if not (standard or _spoke_later(dump)):
            continue
        yield suspect(
            "extended header not known",
            Strength.STRONG if same else Strength.FAIR,
            dump,
            f"The extended header and {counted(len(dump.packets), 'packet')} got no answer"
            + (", and the same with the standard header did." if same else ", and the unit lives."),
            heard=dump.headers[0] if dump.headers else None,
            exchange=dump.talk.exchanges[0],
        )


def last_answers(scene: Scene) -> Iterator[Suspicion]:
    """Tell of units that do not answer the last packet (T31)."""
    for dump in scene.sent if scene.both else ():
        last = dump.talk.exchanges[-1]
        others = dump.packets[:-1]
        if dump.ended is not Ended.WHOLE or last.replies or len(last.sendings) != 1:
            continue
        if not others or not all(each.replies for each in others) or not is_plain(last.best):
            continue
        quiet_ns = scene.sight.last_ns - dump.talk.last_ns
        if not scene.is_timed or quiet_ns < _OPEN_NS:
            continue
        yield suspect(
            "final answer missing",
            Strength.SURE,
            dump,
            f"{named(last).capitalize()}, the last one, got no answer, and all others did.",
            heard=last.sendings[0],
            exchange=last,
        )


def jumps(scene: Scene) -> Iterator[Suspicion]:
    """Tell of units that go on where a packet is missing (T25)."""
    for dump in scene.sent if scene.both else ():
        for exchange in dump.packets:
            if exchange.jump and any(each.kind is ACK and each.fits for each in exchange.replies):
                yield suspect(
                    "unit goes on after a jump",
                    Strength.SURE,
                    dump,
                    f"Before {named(exchange)} {counted(exchange.jump, 'packet')} did not come, "
                    "and the unit took it all the same (ACK).",
                    heard=exchange.sendings[0],
                    exchange=exchange,
                )
                break


SILENCE_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    silences,
    overruns,
    extended,
    last_answers,
    jumps,
)
