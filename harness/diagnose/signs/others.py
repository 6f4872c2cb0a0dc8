"""What else passed on the cable: clocks, resets, notes, and messages that came back."""

from collections.abc import Iterator
from typing import Final

from emulator.wire.constants import ACTIVE_SENSING, FIRST_REALTIME, SYSTEM_RESET
from emulator.wire.messages import DumpRequest, Handshake
from emulator.wire.prose import capitalised, counted
from emulator.wire.splitter import PieceKind
from harness.diagnose.scene import ACK, NAK, DumpScene, Scene, finals, named
from harness.diagnose.sign import Sign, sign
from harness.judge.timed_messages import TimedMessage

_CHANNEL: Final = range(0x80, 0xF0)
_REALTIME: Final = {FIRST_REALTIME: "clock byte", ACTIVE_SENSING: "byte of active sensing"}


def realtime(scene: Scene) -> Iterator[Sign]:
    """Tell of real-time bytes inside packets: those rejected for it, resets, a clock (T15, T19)."""
    for dump in scene.sent:
        yield from _rejected_for_it(dump)
        yield from _reset(dump)
        inside = next((each for _, each in dump.talk.sent if _has(each, FIRST_REALTIME)), None)
        if inside is not None:
            text = "There are clock bytes (F8) inside messages of the dump."
            yield sign("clock inside", dump, text, heard=inside)


def _has(heard: TimedMessage, byte: int) -> bool:
    return any(value == byte for _, value in heard.piece.realtime)


def _rejected_for_it(dump: DumpScene) -> Iterator[Sign]:
    """Tell where just the packets with a real-time byte inside are rejected."""
    rejected = []
    for exchange, at, heard, _ in dump.steps:
        last = dump.answers(exchange, at)[-1:]
        inside = bool(heard.piece.realtime)
        if exchange.place is None or not last or not heard.is_sound:
            continue
        if last[0].kind is NAK and inside:
            rejected.append((exchange, heard))
        elif last[0].kind is ACK and inside:
            return  # it can set them aside
    if not rejected:
        return
    exchange, heard = rejected[0]
    offset, byte = heard.piece.realtime[0]
    what = _REALTIME.get(byte, "real-time byte")
    yield sign(
        "rejected with a real-time byte",
        dump,
        f"Packet {exchange.place:,} is right once the {what} inside is set aside, and the unit "
        "rejected it (NAK).",
        heard=heard,
        exchange=exchange,
        shown=f"{byte:02X} at byte {offset - heard.piece.offset} of the packet",
    )


def _reset(dump: DumpScene) -> Iterator[Sign]:
    for at, (exchange, heard) in enumerate(dump.talk.sent):
        if _has(heard, SYSTEM_RESET):
            silent = _is_silent_from(dump, at)
            then = ", and from there on the unit answered no packet." if silent else "."
            text = f"A reset (FF) passed inside {named(exchange)}{then}"
            yield sign("reset inside", dump, text, heard=heard, exchange=exchange, silent=silent)
            return


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
    last, header = dump.talk.sent[-1][1].place, dump.header
    return dump.returned is None and any(
        isinstance(each.message, DumpRequest)
        and header is not None
        and each.message.sample_number == header.sample_number
        and each.place > last
        for each in dump.scene.asked
    )


def channel_messages(scene: Scene) -> Iterator[Sign]:
    """Tell of notes and the like between the messages of a dump."""
    for dump in scene.sent:
        note = next((each for each in dump.talk.besides if _is_channel(each)), None)
        if note is not None:
            channel = note.body[0] % 16 + 1
            text = f"There are messages for channel {channel} among those of the dump."
            shown = note.body.hex(" ").upper()
            yield sign("channel message between", dump, text, heard=note, shown=shown)


def _is_channel(heard: TimedMessage) -> bool:
    piece = heard.piece
    return piece.kind is PieceKind.SHORT and piece.body[0] in _CHANNEL


def echoes(scene: Scene) -> Iterator[Sign]:
    """Tell of messages that came back (T48)."""
    back = scene.echoes if scene.both else []
    # Both sides may say the same handshake of their own accord.
    found = [each for each in back if not isinstance(each[0].message, Handshake)]
    if not found:
        return
    heard, source = found[0]
    whose = {id(one): (dump, each) for dump in scene.sent for each, one in dump.talk.sent}
    dump, exchange = whose.get(id(source), (None, None))
    what = "a message" if exchange is None else named(exchange)
    more = f"; so did {counted(len(found), 'message')} in all" if len(found) > 1 else ""
    yield sign(
        "came back",
        dump,
        f"{capitalised(what)} came back as it was{more}.",
        at=scene.place(source, exchange),
        shown=heard.body[:6].hex(" "),
        count=len(found),
    )


OTHERS: Final = (realtime, channel_messages, echoes)
