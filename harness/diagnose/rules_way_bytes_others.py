"""The header that arrives spoiled, and what others send on the same cable."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.codec import Foreign, Malformed
from emulator.wire.constants import FAMILY, FIRST_REALTIME, START, SYSTEM_RESET
from emulator.wire.messages import DumpRequest
from emulator.wire.splitter import PieceKind
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import ACK, NAK, answers, finals, suspect
from harness.diagnose.rules_file_common import is_file
from harness.diagnose.scene import DumpScene, Scene
from harness.files.recorded import TakenAt
from harness.judge.timed_messages import TimedMessage

_CHANNEL: Final = range(0x80, 0xF0)
_BEGINS: Final = bytes((START, FAMILY))


def header(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way of a header that arrived without its form."""
    if scene.recorded.taken_at is TakenAt.HOST or is_file(scene):
        return
    whole = {id(each) for dump in scene.sent if dump.header is not None for each in dump.headers}
    headless = {
        id(before)
        for before, heard in pairwise(scene.spoke(Direction.TO_UNIT))
        if any(dump.header is None and dump.talk.sent[0][1] is heard for dump in scene.sent)
    }
    for heard in scene.spoke(Direction.TO_UNIT):
        if id(heard) in whole or heard.is_torn_off:
            continue
        if not (_is_header(heard) and not heard.is_sound) and not (
            id(heard) in headless and _may_be_header(heard)
        ):
            continue
        yield Suspicion(
            cause="header spoiled on the way",
            strength=Strength.STRONG,
            evidence=(
                Evidence(
                    text=f"The header arrived with {len(heard.body)} bytes and not in its form, "
                    "so the unit cannot know of a dump.",
                    at=scene.place(heard),
                    shown=heard.body[:24].hex(" ").upper(),
                ),
            ),
            at=scene.place(heard),
        )
        return


def _is_header(heard: TimedMessage) -> bool:
    """Whether a System Exclusive message, whole or torn, was a header (M1 p. 37, CA-019 p. 2)."""
    body = heard.body
    if heard.piece.kind not in (PieceKind.EXCLUSIVE, PieceKind.CUT):
        return False
    return body[:2] == _BEGINS and (body[3:4] == b"\x01" or body[3:5] == b"\x05\x05")


def _may_be_header(heard: TimedMessage) -> bool:
    """Whether something in front of packets without a header may be what is left of one."""
    is_exclusive = heard.piece.kind in (PieceKind.EXCLUSIVE, PieceKind.CUT)
    return is_exclusive and (
        heard.message is None or isinstance(heard.message, Malformed | Foreign)
    )


def counted_in(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a unit that rejects just the packets with a real-time byte inside (T15, T19)."""
    for dump in scene.sent:
        with_it, rejected = 0, []
        for exchange in dump.packets:
            for at, sending in enumerate(exchange.sendings):
                last = answers(exchange, at)[-1:]
                inside = bool(sending.piece.realtime)
                if not sending.is_sound:
                    continue
                if any(each.kind is NAK for each in last):
                    if not inside:
                        break  # rejected without one
                    rejected.append((exchange, sending))
                elif inside and any(each.kind is ACK for each in last):
                    with_it += 1
        if not rejected or with_it:
            continue
        exchange, sending = rejected[0]
        offset, byte = sending.piece.realtime[0]
        yield suspect(
            "real-time bytes taken for data",
            Strength.STRONG,
            dump,
            f"Packet {exchange.place:,} is right once the clock byte inside is set aside, and the "
            "unit rejected it (NAK).",
            heard=sending,
            exchange=exchange,
            shown=f"{byte:02X} at byte {offset - sending.piece.offset} of the packet",
        )


def reset(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a reset after which the unit says nothing more; tell of one that did no harm."""
    for dump in scene.sent:
        sent = dump.talk.sent
        for at, (exchange, sending) in enumerate(sent):
            if not _has(sending, SYSTEM_RESET):
                continue
            number = f"packet {exchange.place:,}" if exchange.place is not None else "the header"
            silent = _is_silent_from(dump, at)
            yield suspect(
                "reset on the cable" if silent else "reset passed by",
                Strength.STRONG,
                dump,
                f"A reset (FF) passed inside {number}"
                + (", and from there on the unit answered no packet." if silent else "."),
                heard=sending,
                exchange=exchange,
            )
            break


def _is_silent_from(dump: DumpScene, at: int) -> bool:
    """Whether the unit had answered and answers nothing from a message on."""
    talk = dump.talk
    if not dump.scene.both or not talk.replies:
        return False
    place = talk.sent[at][0].place
    is_last = at + 1 >= len(talk.sent) or (
        place is not None and dump.planned is not None and place >= dump.planned - 1
    )
    if is_last and not _is_not_kept(dump):
        return False  # some units never answer the last one (HSK-13)
    left = {id(exchange): exchange for exchange, _ in talk.sent[at:]}
    return not any(finals(exchange) for exchange in left.values())


def _is_not_kept(dump: DumpScene) -> bool:
    """Whether the sample was asked for afterwards and did not come."""
    last = dump.talk.sent[-1][1].place
    header = dump.header
    return dump.returned is None and any(
        isinstance(each.message, DumpRequest)
        and header is not None
        and each.message.sample_number == header.sample_number
        and each.place > last
        for each in dump.scene.asked
    )


def others(scene: Scene) -> Iterator[Suspicion]:
    """Tell of notes between the messages of a dump, and of a clock."""
    for dump in scene.sent:
        inside = next((each for _, each in dump.talk.sent if _has(each, FIRST_REALTIME)), None)
        if inside is not None:
            yield suspect(
                "clock on the cable",
                Strength.STRONG,
                dump,
                "There are clock bytes (F8) inside messages of the dump.",
                heard=inside,
            )
        note = next((each for each in dump.talk.besides if _is_channel(each)), None)
        if note is not None:
            yield suspect(
                "others talk on the cable",
                Strength.STRONG,
                dump,
                f"There are messages for channel {note.body[0] % 16 + 1} among those of the dump.",
                heard=note,
                shown=note.body.hex(" ").upper(),
            )


def _has(heard: TimedMessage, byte: int) -> bool:
    return any(value == byte for _, value in heard.piece.realtime)


def _is_channel(heard: TimedMessage) -> bool:
    piece = heard.piece
    return piece.kind is PieceKind.SHORT and piece.body[0] in _CHANNEL


OTHER_RULES: Final = (header, counted_in, reset, others)
