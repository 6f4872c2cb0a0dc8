"""What is altered alike in every packet: the device ID, or one bit of every byte.

Theory of operation.  What is alike everywhere can be told from single damage by one packet that
was compared with the source, or, for a bit, by hundreds of bytes in which it never varies.  Packets
that pass their checksum by chance are looked at as well, so that the first one is named.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.damage import sum_is_off_by
from harness.diagnose.rules_file_common import is_file, source_of, suspect
from harness.diagnose.scene import DumpScene, Scene
from harness.files.recorded import TakenAt
from harness.judge.dialogue.exchanges import Exchange

_ID_AT: Final = 2  # M1 p. 37
_DATA: Final = slice(5, 125)
_BEHIND_ID: Final = slice(3, 126)  # checksum included
_ENOUGH: Final = 240  # bytes in which a bit that is not stuck varies (our choice)
_VARIED: Final = 8  # values of the other bits; silence proves nothing (our choice)


def rewritten(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way of a device ID that the source has otherwise, checksum and all (T11)."""
    for dump in _struck(scene):
        pairs = _beside_source(dump)
        if not pairs or not all(_has_other_id(body, right) for _, body, right in pairs):
            continue
        exchange, body, right = pairs[0]
        yield suspect(
            dump,
            "device ID rewritten on the way",
            Strength.SURE,
            f"Packet {exchange.place:,} arrived for device {body[_ID_AT]}; the source has it for "
            f"device {right[_ID_AT]}, with the same checksum and the same sound.",
            at=dump.place(exchange.sendings[0], exchange),
            bytes_shown=body[:5].hex(" ").upper(),
        )


def stuck(scene: Scene) -> Iterator[Suspicion]:
    """Suspect one bit that has the same value in every byte of the sound (T11)."""
    for dump in _struck(scene):
        found = _by_source(dump) or _by_itself(dump)
        if found is None:
            continue
        by, is_set, exchange, how = found
        yield suspect(
            dump,
            "stuck data bit",
            how,
            f"Bit {by.bit_length() - 1} is {'set' if is_set else 'clear'} in every byte of the "
            "sound, and it was not sent so.",
            at=dump.place(exchange.sendings[0], exchange),
        )


_Compared = tuple[Exchange, bytes, bytes]
_Bit = tuple[int, bool, Exchange, Strength]


def _struck(scene: Scene) -> Iterator[DumpScene]:
    """Yield the dumps in which packets may have been altered behind the sender."""
    if scene.recorded.taken_at is TakenAt.HOST or is_file(scene):
        return
    yield from (dump for dump in scene.sent if dump.damaged)


def _beside_source(dump: DumpScene) -> list[_Compared]:
    """Return each whole packet beside that of the source, where the source's checksum is right."""
    source = source_of(dump)
    if source is None:
        return []
    return [
        (exchange, exchange.best.body, right)
        for exchange in dump.packets
        if exchange.place is not None
        and exchange.best.is_whole_packet
        and (right := source.whole(exchange.place)) is not None
        and sum_is_off_by(right) == 0
    ]


def _has_other_id(body: bytes, right: bytes) -> bool:
    return body[_ID_AT] != right[_ID_AT] and body[_BEHIND_ID] == right[_BEHIND_ID]


def _by_source(dump: DumpScene) -> _Bit | None:
    pairs = _beside_source(dump)
    data = [(body[_DATA], right[_DATA]) for _, body, right in pairs]
    off = {one ^ other for body, right in data for one, other in zip(body, right, strict=True)}
    off.discard(0)
    if len(off) != 1 or (by := off.pop()).bit_count() != 1:
        return None
    held = _held(by, [body for body, _ in data])
    if held is None:
        return None
    first = next(exchange for exchange, body, right in pairs if body[_DATA] != right[_DATA])
    return by, held, first, Strength.SURE


def _by_itself(dump: DumpScene) -> _Bit | None:
    off = {sum_is_off_by(heard.body) for _, heard in dump.damaged if heard.is_whole_packet}
    if len(off) != 1 or (by := off.pop()).bit_count() != 1:
        return None
    if not all(heard.is_whole_packet for _, heard in dump.damaged):
        return None
    bodies = [each.best.body[_DATA] for each in dump.packets if each.best.is_whole_packet]
    # A bit that is clear everywhere may be one that the width does not use.
    if not _held(by, bodies):
        return None
    return by, True, dump.damaged[0][0], Strength.STRONG


def _held(by: int, bodies: Sequence[bytes]) -> bool | None:
    """Return which value a bit has in every byte; None where it varies, or too little is there."""
    data = b"".join(bodies)
    if len(data) < _ENOUGH or len({byte & ~by for byte in data}) < _VARIED:
        return None
    values = {byte & by for byte in data}
    return bool(values.pop()) if len(values) == 1 else None


SAME_RULES: Final = (rewritten, stuck)
