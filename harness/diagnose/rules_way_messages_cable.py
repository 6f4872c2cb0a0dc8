"""A cable that is out: messages that break off, and what is missing behind them."""

from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.constants import BYTE_NS, PACKET_BYTES
from emulator.wire.splitter import PieceKind
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import (
    NAK,
    TIME_NS,
    is_plain,
    named,
    suspect,
)
from harness.diagnose.rules_file_common import is_file
from harness.diagnose.scene import DumpScene, Scene
from harness.files.recorded import TakenAt
from harness.judge.dialogue.exchanges import Exchange, Reply
from harness.judge.timed_messages import TimedMessage

_PACKET_NS: Final = PACKET_BYTES * BYTE_NS
_CABLE: Final = "cable out"
_SOON_NS: Final = 5_000_000
"""Within this a unit says no to what it has half of, as another message begins (our choice)."""


def torn(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the cable where a message breaks off and more than its end is missing."""
    if scene.recorded.taken_at is TakenAt.HOST or is_file(scene):
        return
    for dump in scene.sent:
        sent = dump.talk.sent
        if len(dump.damaged) != 1:
            continue  # a cable that was out spoils one message, and then they are whole or missing
        for at, (exchange, heard) in enumerate(sent):
            how = _how_torn(dump, exchange, heard, sent[at + 1] if at + 1 < len(sent) else None)
            if how is None:
                continue
            strength, text = how
            what = named(exchange)
            text = f"{what[0].upper()}{what[1:]} {text}"
            at_end = dump.talk.is_full and at == len(sent) - 1
            # Behind the last packet nothing is due, so nothing shows that the cable stayed out.
            cause = "message ends lost" if at_end else _CABLE
            yield suspect(cause, strength, dump, text, heard=heard, exchange=exchange)
            break


def _how_torn(
    dump: DumpScene,
    exchange: Exchange,
    heard: TimedMessage,
    after: tuple[Exchange, TimedMessage] | None,
) -> tuple[Strength, str] | None:
    piece = heard.piece
    short_of_end = len(heard.body) == PACKET_BYTES - 1
    if heard.is_sound or exchange.place is None or (short_of_end and not heard.is_torn_off):
        return None
    if piece.kind is PieceKind.CUT and after is None:
        if heard.is_torn_off and not _is_known(dump.scene):
            return None  # the recording may have ended there
        return Strength.FAIR, "breaks off in its middle, and nothing of the dump came after it."
    if piece.kind is PieceKind.CUT and after is not None and after[0].jump:
        return Strength.STRONG, "breaks off in its middle, and what was due next never came."
    if dump.scene.is_timed and heard.gaps_ns >= _PACKET_NS:
        missing = after is not None and after[0].jump
        strength = Strength.STRONG if missing else Strength.FAIR
        return strength, "breaks off; what comes behind the pause is the end of another one."
    return None


def _is_known(scene: Scene) -> bool:
    """Whether it is known that the capture was taken behind the cable, and not by whom."""
    return scene.recorded.taken_at in (TakenAt.LINE, TakenAt.UNIT)


def scraps(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the cable where the capture ends with the first bytes of a message."""
    heard = scene.followed.heard[-1] if scene.followed.heard else None
    if heard is None or heard.piece.kind is not PieceKind.CUT or not heard.is_torn_off:
        return
    if not _is_known(scene) or is_file(scene) or scene.shows_damage(heard.direction) is False:
        return
    dump = scene.sent[-1] if scene.sent else None
    if dump is None or any(each is heard for _, each in dump.talk.sent):
        return
    last = dump.talk.exchanges[-1]
    to_unit = heard.direction is Direction.TO_UNIT
    if dump.talk.is_full and to_unit:
        return
    exchange = last
    if to_unit:  # what comes behind the last one, of which too little came to be called a packet
        place = 0 if last.place is None else last.place + 1
        exchange = Exchange(place=place, number=place)
    yield suspect(
        _CABLE,
        Strength.WEAK,
        dump,
        f"{'What came' if to_unit else 'The answer'} after {named(last)} breaks off, and nothing "
        "came after that.",
        heard=heard,
        exchange=exchange,
        shown=heard.piece.raw[:8].hex(" "),
    )


def nothing_but_a_piece(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the cable where all that ever arrived is the first part of a header."""
    if not _is_known(scene) or is_file(scene) or not scene.shows_damage(Direction.TO_UNIT):
        return
    said = list(scene.spoke(Direction.TO_UNIT))
    if len(said) != 1 or not said[0].is_torn_off or list(scene.spoke(Direction.FROM_UNIT)):
        return
    place = scene.place(said[0])
    text = "All that arrived is the first part of one message."
    yield Suspicion(
        cause=_CABLE,
        strength=Strength.WEAK,
        evidence=(Evidence(text=text, at=place, shown=said[0].piece.raw[:8].hex(" ")),),
        at=place,
    )


def late_noes(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the cable where a unit rejects a packet only as the same packet begins again.

    It waited for an end that never came; only what left is known.
    """
    if not scene.both or not scene.is_timed or scene.shows_damage(Direction.TO_UNIT):
        return
    for dump in scene.sent if not is_file(scene) else ():
        late = list(_late_noes(dump))
        if not late:
            continue
        exchange, heard = late[0]
        many = len({id(each) for each, _ in late})
        if many > 1:
            yield suspect(
                "message ends lost",
                Strength.FAIR,
                dump,
                f"{many} times, the first after {named(exchange)}, the unit was silent and said "
                "no (NAK) only when the next message began: the ends had not arrived.",
                heard=heard,
                exchange=exchange,
            )
            continue
        yield suspect(
            _CABLE,
            Strength.WEAK,
            dump,
            f"The unit was silent after {named(exchange)}, and said no (NAK) only when the next "
            "message began: its end had not arrived.",
            heard=heard,
            exchange=exchange,
        )


def _late_noes(dump: DumpScene) -> Iterator[tuple[Exchange, TimedMessage]]:
    """Yield where the silence began before each no that came as another message began."""
    sent, noes = dump.talk.sent, dump.replies(NAK)
    soon_ns = _SOON_NS + dump.scene.sight.tolerance_ns
    for at, (one, two) in enumerate(pairwise(sent)) if noes else ():
        began_ns = two[1].start_ns
        # An answer that had come before is why the message was sent again.
        prompted = any(BYTE_NS <= each.end_ns - began_ns < soon_ns for each in noes)
        if (
            (prompted or _is_behind(one[0], two, noes))
            and one[0].place is not None
            and _is_silent(dump, one[1], two[1])
        ):
            yield _where_silence_began(dump, at)


def _is_behind(one: Exchange, two: tuple[Exchange, TimedMessage], noes: list[Reply]) -> bool:
    """Whether the answer to the next packet is a no to this one, with which it ran together."""
    ended_ns = two[1].end_ns
    return any(
        each.message.packet_number == one.number != two[0].number
        and 0 <= each.end_ns - ended_ns < TIME_NS
        for each in noes
    )


def _where_silence_began(dump: DumpScene, at: int) -> tuple[Exchange, TimedMessage]:
    sent = dump.talk.sent
    while at and sent[at - 1][0].place is not None:
        if not _is_silent(dump, sent[at - 1][1], sent[at][1]):
            break
        at -= 1
    return sent[at]


def _is_silent(dump: DumpScene, one: TimedMessage, two: TimedMessage) -> bool:
    """Whether there was time for an answer to a message, and none before the next one."""
    ended_ns, began_ns = one.end_ns, two.start_ns
    if began_ns - ended_ns < TIME_NS or not is_plain(one):
        return False
    return not any(ended_ns < each.end_ns < began_ns for each in dump.talk.replies)


CABLE_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    torn,
    scraps,
    nothing_but_a_piece,
    late_noes,
)
