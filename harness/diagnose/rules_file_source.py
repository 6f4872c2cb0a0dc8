"""What only the source shows: words, fields and whole dumps that are not what was to be sent.

Theory of operation.  A difference in a packet whose checksum fits no receiver can see.  One or two
such packets are damage; where most of the words differ, the sender sent something else, or the
same words in another form.  What a unit sends back serves as well: damage on the way leaves the
checksum as it was, which what a unit does to words hardly ever does.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_BYTES
from emulator.wire.sevenbit import from_groups, to_groups
from emulator.wire.sizes import bytes_per_word, unused_bits
from harness.diagnose.against_source import (
    Compared,
    FieldDifference,
    PacketDifference,
    against,
)
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_file_common import (
    found,
    header_place,
    shown,
    shows_sent,
    source_of,
    suspect,
)
from harness.diagnose.scene import DumpScene, Scene, Source
from harness.judge.finding import Place

_UNSEEN: Final = "damage that no receiver can see"
_MOST_SHOWN: Final = 4
_MOST_BYTES: Final = 16  # of one packet that damage alters; more is another packet
_SPOILED: Final = 4  # bytes of the last packet; more than a swap or two flips can change
_NEUTRAL: Final = 4  # bytes of a packet that came back otherwise
_KEPT: Final = 8  # odd words of that packet that came back as they were
Rows = NDArray[np.uint8]


def differs(dump: DumpScene) -> Iterator[Suspicion]:
    """Packets that are right by their checksum and not those of the source."""
    source = source_of(dump)
    if source is None:
        return
    compared = against(dump, source)
    unseen = compared.unseen
    if _is_another(compared):
        name = _transformed(unseen, source)
        most = f"{len(unseen):,} of {compared.compared:,} packets are not those of the source"
        yield suspect(
            dump,
            name or "sent other than the source",
            Strength.SURE,
            f"{most}; every word is the source's in this other form."
            if name
            else f"{most}, though their checksums fit.",
            at=_place(dump, unseen[0]),
            bytes_shown=shown(unseen[0].found),
        )
        return
    if unseen and _is_spoiled_end(unseen, source):
        yield _told(dump, unseen, "last packet spoiled")
    elif unseen:
        yield _told(dump, unseen, _UNSEEN)
    yield from _fields(dump, compared.fields)


def _is_another(compared: Compared) -> bool:
    unseen = compared.unseen
    if not unseen:
        return False
    if len(unseen) == 1:
        return compared.compared == 1 and len(unseen[0].offsets) > _MOST_BYTES
    many = sum(len(each.offsets) > _SPOILED for each in unseen)
    return 2 * many > compared.compared


def _is_spoiled_end(unseen: Sequence[PacketDifference], source: Source) -> bool:
    last = unseen[0]
    header = source.header
    if len(unseen) > 1 or last.place != len(source.packets) - 1 or len(last.offsets) <= _SPOILED:
        return False
    if not MIN_BITS <= header.bits <= MAX_BITS:
        return False
    per_packet = 120 // bytes_per_word(header.bits)
    return header.length * header.channels % per_packet != 0


def _told(dump: DumpScene, unseen: Sequence[PacketDifference], cause: str) -> Suspicion:
    lines = tuple(
        Evidence(text=_in_words(each), at=_place(dump, each), shown=_bytes(each))
        for each in unseen[:_MOST_SHOWN]
    )
    more = len(unseen) - _MOST_SHOWN
    if more > 0:
        lines += (Evidence(text=f"{more:,} more packets differ from the source."),)
    return Suspicion(
        cause=cause,
        strength=Strength.SURE,
        evidence=lines,
        at=_place(dump, unseen[0]),
        dump=dump.index,
    )


def _in_words(each: PacketDifference) -> str:
    places = ", ".join(str(at) for at in each.offsets[:_MOST_SHOWN])
    count = len(each.offsets)
    more = f" and {count - _MOST_SHOWN} more" if count > _MOST_SHOWN else ""
    what = "byte" if count == 1 else "bytes"
    text = f"Packet {each.place:,} differs from the source in {what} {places}{more}"
    if each.words:
        word = each.words[0]
        text += f": word {word.index:,} is {word.found:,} instead of {word.expected:,}"
        if len(each.words) > 1:
            text += f", and {len(each.words) - 1} more"
    return text + ". Its checksum fits."


def _bytes(each: PacketDifference) -> str:
    pairs = [
        f"byte {at}: {each.found[at]:02X} instead of {each.expected[at]:02X}"
        for at in each.offsets[:_MOST_SHOWN]
        if at < min(len(each.found), len(each.expected))
    ]
    return "; ".join(pairs)


def _place(dump: DumpScene, each: PacketDifference) -> Place:
    place = dump.place(each.heard, each.exchange)
    at = each.offsets[0] if each.offsets else 0
    byte = None if place.byte is None else place.byte + at
    return Place(
        byte=byte, packet=each.place, packet_number=each.place % 128, time_ns=place.time_ns
    )


# The same words in another form.


def _rows(packets: Sequence[bytes], width: int) -> Rows:
    data = b"".join(each[5:125] for each in packets)
    return np.frombuffer(data, np.uint8).reshape(-1, width)


def _to_the_right(rows: Rows, bits: int) -> Rows:
    groups = rows.shape[1]
    values = np.zeros(len(rows), np.int64)
    for at in range(groups):
        values = values << 7 | rows[:, at]
    values >>= unused_bits(bits)
    columns = [values >> 7 * (groups - 1 - at) & 0x7F for at in range(groups)]
    return np.stack(columns, axis=1).astype(np.uint8)


def _top_bit(rows: Rows, _: int) -> Rows:
    turned = rows.copy()
    turned[:, 0] ^= 0x40
    return turned


_FORMS: Final[tuple[tuple[str, Callable[[Rows, int], Rows]], ...]] = (
    ("two's complement", _top_bit),
    ("word bytes reversed", lambda rows, _: rows[:, ::-1]),
    ("right-justified", _to_the_right),
)


def _transformed(unseen: Sequence[PacketDifference], source: Source) -> str | None:
    header = source.header
    if not MIN_BITS <= header.bits <= MAX_BITS:
        return None
    if any(len(each.expected) != PACKET_BYTES for each in unseen):
        return None
    width = bytes_per_word(header.bits)
    expected = _rows([each.expected for each in unseen], width)
    other = _rows([each.found for each in unseen], width)
    # Filler stays 00 in whatever form the words are.
    filler = ~expected.any(axis=1) & ~other.any(axis=1)
    for name, form in _FORMS:
        alike = (form(expected, header.bits) == other).all(axis=1) | filler
        if alike.all():
            return name
    return None


# The header.


def _fields(dump: DumpScene, fields: Sequence[FieldDifference]) -> Iterator[Suspicion]:
    odd = [each for each in fields if not _is_explained(dump, each)]
    if not odd or any(each.expected is None or each.found is None for each in odd):
        return
    names = {each.name for each in odd}
    if names == {"sample_number"} and (shows_sent(dump) or not _one_bit(odd[0])):
        return  # sent to another place, as one may
    texts = [
        f"The header says {each.found:,} for the {each.name.replace('_', ' ')}, the source "
        f"{each.expected:,}."
        for each in odd
    ]
    yield suspect(
        dump,
        _of_field(odd[0].name) if shows_sent(dump) else _UNSEEN,
        Strength.SURE,
        *texts,
        at=header_place(dump),
        bytes_shown=shown(dump.headers[-1].body),
        because=""
        if shows_sent(dump)
        else "The header arrived with other values than it was to have; it has no checksum, so "
        "nobody could see it.",
    )


def _of_field(name: str) -> str:
    if name in ("period_ns", "rate_hz", "rate_fraction"):
        return "period wrong"
    return {"length": "length wrong", "bits": "width not that of the words"}.get(
        name, "header wrong"
    )


def _one_bit(each: FieldDifference) -> bool:
    assert each.expected is not None
    assert each.found is not None
    return (each.expected ^ each.found).bit_count() == 1


def _is_explained(dump: DumpScene, each: FieldDifference) -> bool:
    """Whether another rule has a name for what the field became."""
    expected, other = each.expected, each.found
    if expected is None or other is None or dump.header is None:
        return False
    if not shows_sent(dump) and _one_bit(each):
        return False  # one bit is rather turned over than meant
    groups = 2 if each.name == "sample_number" else 3
    fits = each.name != "bits" and other < 1 << 7 * groups
    if fits and from_groups(to_groups(other, groups)[::-1]) == expected:
        return True
    reasons = {
        "period_ns": any("looks like" in finding.message for finding in found(dump, "HDR-11")),
        "length": other == expected * dump.header.channels or bool(found(dump, "HDR-06")),
        "loop_end": other == expected + 1 == dump.header.length or _is_zero_loop(dump),
        "loop_start": _is_zero_loop(dump),
        "loop_type": _is_zero_loop(dump),
        "bits": bool(found(dump, "WRD-01", "WRD-03", "WRD-05")),
    }
    return reasons.get(each.name, False)


def _is_zero_loop(dump: DumpScene) -> bool:
    header = dump.header
    return header is not None and header.loop_type == header.loop_start == header.loop_end == 0


# What the unit holds, by what it sends back.


def came_back(scene: Scene) -> Iterator[Suspicion]:
    """Packets that came back otherwise than they were sent, with checksums that fit both."""
    for dump in scene.sent:
        back = dump.returned
        if back is None or dump.header is None or back.header is None:
            continue
        sent = {each.place or 0: each.best.body for each in dump.packets if each.best.is_sound}
        if back.header.bits == dump.header.bits and back.header.length == dump.header.length:
            yield from _otherwise(scene, dump, back, sent)
    if not scene.sent:
        for back in scene.returned:
            source = back.source
            if source is None or back.header is None or back.header.bits != source.header.bits:
                continue
            wanted = dict(enumerate(source.packets))
            yield from _otherwise(scene, back, back, wanted)


def _otherwise(
    scene: Scene, dump: DumpScene, back: DumpScene, wanted: Mapping[int, bytes]
) -> Iterator[Suspicion]:
    found_here = []
    alike = 0
    for exchange in back.packets:
        expected = wanted.get(exchange.place or 0)
        other = exchange.best.body
        if expected is None or not exchange.best.is_sound or len(expected) != PACKET_BYTES:
            continue
        if expected[5:125] == other[5:125]:
            alike += 1
        elif _is_neutral(expected, other, back):
            found_here.append((exchange, expected, other))
        else:
            return
    if len(found_here) != 1:
        return
    exchange, expected, other = found_here[0]
    offsets = [at for at in range(5, 125) if expected[at] != other[at]]
    places = ", ".join(str(at) for at in offsets)
    yield suspect(
        dump,
        _UNSEEN,
        Strength.STRONG,
        f"Packet {exchange.place:,} came back from the unit with other values in bytes {places}, "
        "and its checksum fits both: on the way there or back, bytes changed places or the same "
        "bit was turned over twice.",
        at=scene.place(exchange.best, exchange),
        bytes_shown="; ".join(
            f"byte {at}: {other[at]:02X} instead of {expected[at]:02X}" for at in offsets
        ),
    )


def _is_neutral(expected: bytes, other: bytes, back: DumpScene) -> bool:
    """Whether few bytes differ, the checksum would not, and the rest was kept to the last bit."""
    offsets = [at for at in range(5, 125) if expected[at] != other[at]]
    total = 0
    for at in offsets:
        total ^= expected[at] ^ other[at]
    assert back.header is not None
    width = bytes_per_word(back.header.bits)
    lowest = 1 << unused_bits(back.header.bits)
    kept = sum(
        expected[at] == other[at] and bool(expected[at] & lowest)
        for at in range(5 + width - 1, 125, width)
    )
    return len(offsets) <= _NEUTRAL and not total and kept >= _KEPT
