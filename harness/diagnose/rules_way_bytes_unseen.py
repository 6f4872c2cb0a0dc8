"""What is known of damage where its bytes are not: at the host, and of what hardly arrived."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.splitter import PieceKind
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_answers_seen import ACK, NAK, is_plain, suspect
from harness.diagnose.rules_file_common import is_file
from harness.diagnose.scene import Scene
from harness.files.recorded import TakenAt
from harness.judge.dialogue.exchanges import Exchange
from harness.judge.plain import counted

_TOO_SHORT: Final = 4  # bytes by which no message is known


def rejected(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way of what was rejected though it left right, where only that is known (T12)."""
    if not scene.both or scene.shows_damage(Direction.TO_UNIT):
        return
    for dump in scene.sent if not is_file(scene) else ():
        naks = [each.end_ns for each in dump.replies(NAK)]
        for exchange in dump.packets if naks else ():
            if not _healed(exchange, naks):
                continue
            yield suspect(
                "bytes altered on the way",
                Strength.FAIR,
                dump,
                f"The unit said that packet {exchange.place:,} came damaged (NAK) and took the "
                "same packet when it was sent again.",
                heard=exchange.sendings[0],
                exchange=exchange,
            )
            break


def _healed(exchange: Exchange, naks: Sequence[int]) -> bool:
    """Whether a packet that left right was rejected and then taken.

    A unit that did not get its number says that of another one.
    """
    if len(exchange.sendings) < 2 or not is_plain(exchange.sendings[0]):
        return False
    if any(one.body != other.body for one, other in pairwise(exchange.sendings)):
        return False
    one, two = exchange.sendings[:2]
    was_rejected = any(one.start_ns <= at_ns <= two.start_ns for at_ns in naks)
    # What comes last may be meant for the next packet, which has begun.
    return was_rejected and any(each.kind is ACK for each in exchange.replies)


def fragments(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way of the beginning of a message of which too little is left to say more."""
    if scene.recorded.taken_at is TakenAt.HOST or is_file(scene):
        return
    for dump in scene.sent:
        for heard in dump.talk.besides:
            piece = heard.piece
            if piece.kind is not PieceKind.CUT or len(piece.body) > _TOO_SHORT:
                continue
            after = next((e for e, each in dump.talk.sent if each.place > heard.place), None)
            yield suspect(
                "bytes lost on the way",
                Strength.STRONG,
                dump,
                f"Of a message no more than {counted(len(piece.body), 'byte', 'bytes')} arrived.",
                heard=heard,
                exchange=after,
                shown=piece.body.hex(" ").upper(),
            )
            break


UNSEEN_RULES: Final = (rejected, fragments)
