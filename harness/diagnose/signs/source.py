"""What differs from the source, and what came back from the unit otherwise than it was sent.

Theory of operation.  A difference in a packet whose checksum fits no receiver can see.  One or two
such packets are damage; where most of the words differ, the sender sent something else, or the
same words in another form.  What a unit sends back serves as well: damage on the way leaves the
checksum as it was, which what a unit does to words hardly ever does.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from dryload.emulator.wire.constants import LOOP_OFF
from dryload.emulator.wire.messages import DumpHeader
from dryload.emulator.wire.prose import capitalised, counted
from dryload.harness.diagnose.scene import DumpScene, Scene, was_told
from dryload.harness.diagnose.sign import Sign, shown, sign
from dryload.harness.judge.against_source import (
    Compared,
    HeaderDifference,
    PacketDifference,
    form_of,
)
from dryload.harness.judge.dialogue.exchanges import ACK
from dryload.harness.judge.finding import Place
from dryload.harness.judge.kept import Kept, Stored

_MOST_SHOWN: Final = 4
_MOST_WORDS: Final = 3
_MOST_BYTES: Final = 16  # of one packet that damage alters; more is another packet
_SPOILED: Final = 4  # bytes of the last packet; more than a swap or two flips can change


def against_source(scene: Scene) -> Iterator[Sign]:
    """Tell of packets that are right by their checksum, and fields, that are not the source's."""
    for dump in scene.sent or scene.returned:
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
        if not all(map(_is_filled_up, unseen)):
            yield _differing(dump, unseen)
        yield from _fields(dump, compared.fields)


def _is_another(compared: Compared) -> bool:
    unseen = [each for each in compared.unseen if not each.is_filler]
    if len(unseen) < 2:
        return compared.compared == 1 and any(len(e.offsets) > _MOST_BYTES for e in unseen)
    return 2 * sum(len(each.offsets) > _SPOILED for each in unseen) > compared.compared


def _is_filled_up(each: PacketDifference) -> bool:
    """Whether only the filler differs, and is 00 as it should be (PKT-08)."""
    return each.is_filler and not any(each.found[at] for at in each.offsets)


def _differing(dump: DumpScene, unseen: Sequence[PacketDifference]) -> Sign:
    assert dump.source is not None
    last, planned = unseen[0], len(dump.source.packets)
    is_last = len(unseen) == 1 and last.place == planned - 1
    # Damage on the way that no receiver sees leaves the checksum and most bytes as they were.
    is_made = dump.source.is_last_partly_filled and (
        len(last.offsets) > _SPOILED or last.is_summed_anew
    )
    more = f"{len(unseen) - _MOST_SHOWN:,} more packets differ from the source."
    return sign(
        "differs from the source",
        dump,
        *map(_in_words, unseen[:_MOST_SHOWN]),
        more if len(unseen) > _MOST_SHOWN else "",
        at=_place(dump, last),
        shown=_bytes(last),
        end=is_last and (is_made or dump.scene.shows_sent),
        filler=all(each.is_filler for each in unseen),
        anew=any(each.is_summed_anew for each in unseen),
    )


def _in_words(each: PacketDifference) -> str:
    places = ", ".join(str(at) for at in each.offsets[:_MOST_SHOWN])
    count = len(each.offsets)
    more = f" and {count - _MOST_SHOWN} more" if count > _MOST_SHOWN else ""
    what = "byte" if count == 1 else "bytes"
    text = f"Packet {each.place:,} differs from the source in {what} {places}{more}"
    if each.words:
        at, word, came = each.words[0]
        text += f": word {at:,} is {came:,} instead of {word:,}"
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
    """Tell of fields that are not the source's; a period that is rounded otherwise is none."""
    odd = [each for each in differences if not each.is_rounded]
    if not odd or any(each.expected is None or each.found is None for each in odd):
        return
    is_bit = all(each.is_one_bit for each in odd)  # rather turned over than meant
    texts = [
        f"The header says {each.found:,} for the {each.name.replace('_', ' ')}, the source "
        f"{each.expected:,}."
        for each in odd
    ]
    body = shown(dump.headers[-1].body)
    field = odd[0].name
    is_elsewhere = {each.name for each in odd} == {"sample_number"}
    if is_elsewhere and (dump.scene.shows_sent or not is_bit):  # as one may
        yield sign("other number than the source", dump, *texts, at=dump.start, shown=body)
        return
    yield sign(
        "field not the source's",
        dump,
        *texts,
        at=dump.start,
        shown=body,
        bit=is_bit and not is_elsewhere,  # the number may be meant all the same
        field=field,
    )


# What the unit holds, by what it sends back.


def stored(scene: Scene) -> Iterator[Sign]:
    """Tell what a unit made of the words, by what it sends back."""
    for dump in scene.sent if scene.both else ():
        found = dump.stored
        if found is None or found.kept is Kept.SAME:
            continue
        exchange = next((each for each in dump.packets if each.place == found.packet), None)
        heard = None if exchange is None else exchange.best
        if found.change:
            text = f"{capitalised(found.change)}."
            yield sign("width changed", dump, text, heard=heard, exchange=exchange)
        if found.kept is not Kept.OTHER_WIDTH and dump.is_taken:
            yield sign(
                "words not kept",
                dump,
                _what_was_kept(found),
                heard=heard,
                exchange=exchange,
                shown="; ".join(
                    f"word {at:,}: {back:,} instead of {sent:,}"
                    for at, sent, back in found.words[:_MOST_WORDS]
                ),
                kept=found.kept.value,
                neutral=found.is_neutral,
                misread=found.misread.value,
                acknowledged=exchange is not None and was_told(exchange, ACK),
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


SOURCE: Final = (against_source, stored, header_kept)
