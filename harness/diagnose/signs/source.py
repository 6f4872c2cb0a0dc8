"""What differs from the source, and what came back from the unit otherwise than it was sent.

Theory of operation.  A difference in a packet whose checksum fits no receiver can see.  One or two
such packets are damage; where most of the words differ, the sender sent something else, or the
same words in another form.  What a unit sends back serves as well: damage on the way leaves the
checksum as it was, which what a unit does to words hardly ever does.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from emulator.wire.constants import LOOP_OFF
from emulator.wire.messages import DumpHeader
from emulator.wire.prose import counted
from emulator.wire.sevenbit import from_groups, to_groups
from harness.diagnose.scene import ACK, DumpScene, Scene, was_told
from harness.diagnose.sign import Evidence, Sign, sign
from harness.diagnose.signs.order import shown
from harness.judge.against_source import (
    Compared,
    HeaderDifference,
    PacketDifference,
    form_of,
    is_neutral,
)
from harness.judge.finding import Place
from harness.judge.kept import Kept, Stored

_MOST_SHOWN: Final = 4
_MOST_WORDS: Final = 3
_MOST_BYTES: Final = 16  # of one packet that damage alters; more is another packet
_SPOILED: Final = 4  # bytes of the last packet; more than a swap or two flips can change


def against_source(scene: Scene) -> Iterator[Sign]:
    """Tell of packets that are right by their checksum, and fields, that are not the source's."""
    for dump in scene.sent:
        compared = dump.compared
        if compared is None or dump.source is None:
            continue
        unseen = compared.unseen
        if _is_another(compared):
            pairs = [(each.expected, each.found) for each in unseen]
            form = form_of(pairs, dump.source.header.bits)
            most = f"{len(unseen):,} of {counted(compared.compared, 'packet')} are not the source's"
            yield sign(
                "other than the source",
                dump,
                f"{most}; every word is the source's in this other form."
                if form
                else f"{most}, though their checksums fit.",
                at=_place(dump, unseen[0]),
                shown=shown(unseen[0].found),
                form=form,
            )
            continue
        if unseen and all(each.is_filler for each in unseen):
            yield _other_filler(dump, unseen[0])
        elif unseen:
            yield _differing(dump, unseen)
        yield from _fields(dump, compared.fields)


def _is_another(compared: Compared) -> bool:
    unseen = [each for each in compared.unseen if not each.is_filler]
    if len(unseen) < 2:
        return compared.compared == 1 and any(len(e.offsets) > _MOST_BYTES for e in unseen)
    return 2 * sum(len(each.offsets) > _SPOILED for each in unseen) > compared.compared


def _differing(dump: DumpScene, unseen: Sequence[PacketDifference]) -> Sign:
    assert dump.source is not None
    last, planned = unseen[0], len(dump.source.packets)
    is_last = len(unseen) == 1 and last.place == planned - 1
    # Damage on the way that no receiver sees leaves the checksum and most bytes as they were.
    is_made = dump.source.is_last_partly_filled and (
        len(last.offsets) > _SPOILED or last.is_summed_anew
    )
    told = sign(
        "differs from the source",
        dump,
        at=_place(dump, last),
        end=is_last and (is_made or dump.scene.shows_sent),
    )
    lines = [
        Evidence(text=_in_words(each), at=_place(dump, each), shown=_bytes(each))
        for each in unseen[:_MOST_SHOWN]
    ]
    if len(unseen) > _MOST_SHOWN:
        more = f"{len(unseen) - _MOST_SHOWN:,} more packets differ from the source."
        lines.append(Evidence(text=more))
    return told.with_evidence(lines)


def _other_filler(dump: DumpScene, one: PacketDifference) -> Sign:
    return sign(
        "other filler",
        dump,
        _in_words(one),
        at=_place(dump, one),
        shown=_bytes(one),
        zeros=not any(one.found[at] for at in one.offsets),
        sent=dump.scene.shows_sent,
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
    elif each.is_filler:
        text += ", behind its last word"
    return text + ". Its checksum fits."


def _bytes(each: PacketDifference) -> str:
    pairs = [
        f"byte {at}: {each.found[at]:02X} instead of {each.expected[at]:02X}"
        for at in each.offsets[:_MOST_SHOWN]
        if at < min(len(each.found), len(each.expected))
    ]
    return "; ".join(pairs)


def _place(dump: DumpScene, each: PacketDifference) -> Place:
    at = dump.place_at(each.place, each.heard, each.exchange)
    byte = None if at.byte is None else at.byte + (each.offsets[0] if each.offsets else 0)
    return Place(byte=byte, packet=at.packet, packet_number=at.packet_number, time_ns=at.time_ns)


# The header.


def _fields(dump: DumpScene, differences: Sequence[HeaderDifference]) -> Iterator[Sign]:
    """Tell of fields that are not the source's, where no other sign has told of them."""
    for each in differences:
        if each.is_rounded:
            text = f"The header says {each.found:,} ns, the source {each.expected:,} ns."
            yield sign("period rounded", dump, text, at=dump.start)
    odd = [each for each in differences if not _is_told(dump, each) and not each.is_rounded]
    if not odd or any(each.expected is None or each.found is None for each in odd):
        return
    sent = dump.scene.shows_sent
    if {each.name for each in odd} == {"sample_number"} and (sent or not odd[0].is_one_bit):
        return  # sent to another place, as one may
    texts = [
        f"The header says {each.found:,} for the {each.name.replace('_', ' ')}, the source "
        f"{each.expected:,}."
        for each in odd
    ]
    body = shown(dump.headers[-1].body)
    yield sign(
        "field not the source's",
        dump,
        *texts,
        at=dump.start,
        shown=body,
        sent=sent,
        field=odd[0].name,
    )


def _is_told(dump: DumpScene, each: HeaderDifference) -> bool:
    """Whether another sign tells what the field became."""
    expected, other, header = each.expected, each.found, dump.header
    if expected is None or other is None or header is None:
        return False
    if not dump.scene.shows_sent and each.is_one_bit:
        return False  # one bit is rather turned over than meant
    groups = 2 if each.name == "sample_number" else 3
    fits = each.name != "bits" and other < 1 << 7 * groups
    if fits and from_groups(to_groups(other, groups)[::-1]) == expected:
        return True
    is_zero_loop = header.loop_type == header.loop_start == header.loop_end == 0
    told = {
        "period_ns": any("looks like" in found.message for found in dump.found("HDR-11")),
        "length": other == expected * header.channels or bool(dump.found("HDR-06")),
        "loop_end": other == expected + 1 == header.length or is_zero_loop,
        "loop_start": is_zero_loop,
        "loop_type": is_zero_loop,
        "bits": bool(dump.found("WRD-01", "WRD-03", "WRD-05")),
    }
    return told.get(each.name, False)


# What the unit holds, by what it sends back.


def came_back(scene: Scene) -> Iterator[Sign]:
    """Tell of a packet that came back otherwise, its checksum fitting both."""
    for dump in scene.sent:
        back = dump.returned
        if back is None or dump.header is None or back.header is None:
            continue
        wanted = {e.place or 0: e.best.body for e in dump.packets if e.best.is_sound}
        same = back.header.bits == dump.header.bits and back.header.length == dump.header.length
        if same:
            yield from _one_otherwise(dump, back, wanted)
    for back in scene.returned if not scene.sent else ():
        source = back.source
        if source is not None and back.header and back.header.bits == source.header.bits:
            yield from _one_otherwise(back, back, dict(enumerate(source.packets)))


def _one_otherwise(dump: DumpScene, back: DumpScene, wanted: Mapping[int, bytes]) -> Iterator[Sign]:
    found = []
    for exchange in back.packets:
        expected = wanted.get(exchange.place or 0)
        if expected is None or not exchange.best.is_sound or back.header is None:
            continue
        offsets = is_neutral(expected, exchange.best.body, back.header.bits)
        if offsets is None:
            return
        if offsets:
            found.append((exchange, expected, offsets))
    if len(found) != 1:
        return
    exchange, expected, offsets = found[0]
    other = exchange.best.body
    places = ", ".join(str(at) for at in offsets)
    yield sign(
        "packet came back otherwise",
        dump,
        f"Packet {exchange.place:,} came back from the unit with other values in bytes {places}, "
        "and its checksum fits both: on the way there or back, bytes changed places or the same "
        "bit was turned over twice.",
        at=dump.place(exchange.best, exchange),
        shown="; ".join(
            f"byte {at}: {other[at]:02X} instead of {expected[at]:02X}" for at in offsets
        ),
    )


def stored(scene: Scene) -> Iterator[Sign]:
    """Tell what a unit made of the words, by what it sends back (T24, T33, T54, T58)."""
    for dump in scene.sent if scene.both else ():
        found = dump.stored
        if found is None or found.kept is Kept.SAME:
            continue
        if found.change:
            yield _stored(dump, found, "width changed", f"{found.change}.")
        if found.kept is not Kept.OTHER_WIDTH and dump.is_taken:
            told = _stored(dump, found, "words not kept", _what_was_kept(found))
            mine = (each for each in dump.packets if each.place == found.packet)
            yield told.with_values(
                kept=found.kept.value,
                neutral=found.is_neutral,
                arrived=scene.shows_arrived,
                acknowledged=any(was_told(each, ACK) for each in mine),
            )


_KEPT: Final = {
    Kept.FILLER: "More words came back than the header announced, and the ones too many are those "
    "that filled up the last packet.",
    Kept.TWICE: "In what came back packet {packet:,} stands twice, and all that follows is late by "
    "one packet.",
    Kept.SILENT: "The unit said yes (ACK) to every packet, and an empty sample came back.",
    Kept.ANOTHER: "The unit said yes (ACK) to every packet, and another, older sample came back.",
    Kept.TOO_LONG: "Behind the last word that was sent, in packet {packet:,}, others came back.",
    Kept.LEFT_OUT: "The unit said yes (ACK) to packet {packet:,} and left it out.",
    Kept.TOO_SHORT: "The unit kept only what came before the middle of packet {packet:,}.",
}


def _what_was_kept(found: Stored) -> str:
    packet = found.packet
    if found.kept in _KEPT:
        return _KEPT[found.kept].format(packet=packet)
    index, sent, back = found.words[0]
    text = (
        f"Packet {packet:,} was acknowledged, and word {index:,} came back as {back:,} instead of "
        f"{sent:,}"
    )
    if len(found.words) == 1:
        return f"{text}."
    inside = f" in {counted(len(found.packets), 'packet')}" if len(found.packets) > 1 else ""
    return f"{text}; {counted(len(found.words), 'word')}{inside} differ in all."


def _stored(dump: DumpScene, found: Stored, kind: str, text: str) -> Sign:
    exchange = next((each for each in dump.packets if each.place == found.packet), None)
    words = found.words[:_MOST_WORDS]
    return sign(
        kind,
        dump,
        text[0].upper() + text[1:],
        heard=None if exchange is None else exchange.best,
        exchange=exchange,
        shown="; ".join(f"word {at:,}: {back:,} instead of {sent:,}" for at, sent, back in words),
    )


def header_kept(scene: Scene) -> Iterator[Sign]:
    """Tell of a header that came back with another period or another loop than it was sent with."""
    for dump in scene.sent if scene.both else ():
        back = dump.returned
        sent, got = dump.header, None if back is None else back.header
        if back is None or not isinstance(sent, DumpHeader) or not isinstance(got, DumpHeader):
            continue
        odd = []
        if abs(sent.period_ns - got.period_ns) > 1:
            odd.append(("period", sent.period_ns, got.period_ns))
        if sent.loop_type != LOOP_OFF and sent.length == got.length:
            odd += [
                (name.replace("_", " "), getattr(sent, name), getattr(got, name))
                for name in ("loop_type", "loop_start", "loop_end")
                if getattr(sent, name) != getattr(got, name)
            ]
        if odd:
            texts = [f"The {name} was sent as {a:,} and came back as {b:,}." for name, a, b in odd]
            body = shown(back.headers[-1].body)
            yield sign("header came back otherwise", dump, *texts, at=back.start, shown=body)


SOURCE: Final = (against_source, came_back, stored, header_kept)
