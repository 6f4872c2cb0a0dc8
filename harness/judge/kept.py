"""What became of a sample in the unit: the words that arrived beside the words that came back.

Theory of operation.  A unit may keep other widths than it is sent and lose low bits by it, and may
have taken a packet twice, or the filler behind the last word as well; each of these explains all
words at once and is tried before single words are called wrong.  What was damaged, on the way there
or on the way back, is left out of the comparison.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum, auto
from typing import Final

import numpy as np
from numpy.typing import NDArray

from emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_BYTES, PACKET_DATA_BYTES
from emulator.wire.messages import DataPacket, HandshakeKind, Header
from emulator.wire.packets import DATA
from emulator.wire.sizes import packets_for, words_per_packet
from emulator.wire.words import unpack_words
from harness.judge.against_source import Source
from harness.judge.damage import data_bytes
from harness.judge.dialogue.exchanges import DumpExchange, Exchange
from harness.judge.timed_messages import TimedMessage

_FEW: Final = 8  # words that a lost low bit has to show in before it is called a habit (our choice)
_MANY: Final = 4_096  # packets of which nearly all may be missing; a header can call for any number
Words = NDArray[np.int64]
Known = NDArray[np.bool_]


class Kept(Enum):
    """What a unit made of a sample."""

    SAME = auto()
    OTHER_WIDTH = auto()
    """The same words with fewer or more bits; nothing else."""
    FILLER = auto()
    TWICE = auto()
    LEFT_OUT = auto()
    """One packet is missing."""
    TOO_SHORT = auto()
    """Only the beginning."""
    TOO_LONG = auto()
    """All of it, and other words behind it."""
    SILENT = auto()
    """Nothing but one and the same word."""
    ANOTHER = auto()
    """A sample that has nothing to do with it."""
    WORDS = auto()
    """Some words differ."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stored:
    """What the comparison came to."""

    kept: Kept
    packet: int | None = None
    """Packet of the dump to the unit where the first difference is."""
    words: tuple[tuple[int, int, int], ...] = ()
    """Differing words: index, as sent, as it came back."""
    packets: tuple[int, ...] = ()
    """All packets that hold differing words."""
    change: str = ""
    """What became of the width, in words."""
    is_neutral: bool = False
    """Whether the way back may have done it: few bytes of one packet, its checksum the same."""

    @property
    def is_all_there(self) -> bool:
        """Whether every word was kept, with other words behind them at most."""
        return self.kept in (Kept.SAME, Kept.OTHER_WIDTH, Kept.FILLER)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Side:
    """The words of one dump, by their places; some may not be known."""

    words: Words
    """Filler included."""
    known: Known
    length: int
    """Words that the header announces."""
    bits: int
    step: int
    """Words a packet."""


def packets_of(dump: DumpExchange) -> list[Exchange]:
    """Return the packets of a dump, its header aside."""
    return [each for each in dump.exchanges if each.place is not None]


def side_of(dump: DumpExchange) -> Side | None:
    """Return the words of a dump; None where its header says nothing usable."""
    if dump.header is None:
        return None
    packets = packets_of(dump)
    last = max((each.place or 0 for each in packets), default=-1)
    bodies = {each.place or 0: body for each in packets if (body := _certain(each))}
    return _side(dump.header, last + 1, bodies)


def _side_of_source(source: Source) -> Side | None:
    count = len(source.packets)
    bodies = {place: body for place in range(count) if (body := source.whole(place))}
    return _side(source.header, count, bodies)


def _side(header: Header, reached: int, bodies: Mapping[int, bytes]) -> Side | None:
    """Return the words of packets by their places; the header calls for nearly all `reached`."""
    if not MIN_BITS <= header.bits <= MAX_BITS:
        return None
    length = header.length * header.channels
    planned = packets_for(length, header.bits)
    count = max(planned, reached)
    if not planned or count > planned + 1 or planned > max(_MANY, 8 * reached):
        return None
    data = np.zeros((count, PACKET_DATA_BYTES), np.uint8)
    known = np.zeros(count, np.bool_)
    for place, body in bodies.items():
        data[place] = np.frombuffer(body[DATA], np.uint8)
        known[place] = True
    step = words_per_packet(header.bits)
    width = PACKET_DATA_BYTES // step
    return Side(
        words=unpack_words(data[:, : step * width].reshape(-1), header.bits).astype(np.int64),
        known=np.repeat(known, step),
        length=length,
        bits=header.bits,
        step=step,
    )


def _certain(exchange: Exchange) -> bytes | None:
    """Return the one sound form in which a packet came; None where that is not certain."""
    bodies = {each.body for each in exchange.sendings if _is_packet(each)}
    taken = [exchange.sendings[each.sending] for each in exchange.replies if _is_yes(each.kind)]
    if len(bodies) != 1 or any(not each.is_sound for each in taken):
        return None  # what the unit took may have been a damaged one
    return bodies.pop()


def _is_packet(heard: TimedMessage) -> bool:
    whole = isinstance(heard.message, DataPacket) and len(heard.body) == PACKET_BYTES
    return whole and heard.is_sound


def _is_yes(kind: HandshakeKind) -> bool:
    return kind is HandshakeKind.ACK


def stored(dump: DumpExchange, back: DumpExchange) -> Stored | None:
    """Return what the unit made of a whole dump, by what it sent back; None where nobody can tell.

    Packets of both have to be at their places.
    """
    if not _is_comparable(dump, back):
        return None
    sent, got = side_of(dump), side_of(back)
    if sent is None or got is None or not sent.known.any() or not got.known.any():
        return None
    found = _compared(sent, got)
    if found.kept is Kept.TWICE:
        return _at_repeated(dump, sent, got, found)
    if found.kept is Kept.WORDS and sent.bits == got.bits and len(found.packets) == 1:
        return replace(found, is_neutral=_is_neutral(dump, back, found.packets[0]))
    return found


def _is_comparable(dump: DumpExchange, back: DumpExchange) -> bool:
    if back.header is None or dump.header is None or dump.header.channels != back.header.channels:
        return False
    return not any(each.jump for side in (dump, back) for each in packets_of(side))


def _compared(sent: Side, got: Side) -> Stored:
    common = min(sent.length, got.length)
    change = _width_change(sent, got, common)
    if change is not None and got.length == sent.length:
        return Stored(kept=Kept.OTHER_WIDTH if change else Kept.SAME, change=change)
    if change is not None and got.length > sent.length and _is_filler(sent, got):
        return Stored(kept=Kept.FILLER, packet=(sent.length - 1) // sent.step, change=change)
    if (moved := _moved(sent, got)) is not None:
        return moved
    if change is not None and got.length > sent.length:
        return Stored(kept=Kept.TOO_LONG, packet=(sent.length - 1) // sent.step)
    if change is not None and got.length < sent.length:
        return Stored(kept=Kept.TOO_SHORT, packet=got.length // sent.step)
    return Stored(kept=Kept.SILENT) if _is_silent(got) else _differing(sent, got, common)


def _is_silent(got: Side) -> bool:
    mine = got.words[: got.length][got.known[: got.length]]
    deepest = -(1 << got.bits - 1)
    return len(mine) >= _FEW and bool((mine == mine[0]).all()) and int(mine[0]) in (0, deepest)


def _differing(sent: Side, got: Side, common: int) -> Stored:
    here = sent.known[:common] & got.known[:common]
    differing = np.flatnonzero(here & ~_alike(sent, got, common))
    if not len(differing):
        return Stored(kept=Kept.SAME)  # by what is known
    if got.length != sent.length and 2 * len(differing) > int(here.sum()):
        return Stored(kept=Kept.ANOTHER)
    indices = [int(at) for at in differing]
    return Stored(
        kept=Kept.WORDS,
        packet=indices[0] // sent.step,
        words=tuple((at, int(sent.words[at]), int(got.words[at])) for at in indices),
        packets=tuple(sorted({at // sent.step for at in indices})),
    )


def _alike(sent: Side, got: Side, count: int) -> Known:
    return _same(sent, got, slice(0, count), slice(0, count))


def _same(sent: Side, got: Side, here: slice, there: slice) -> Known:
    """Return which words are the same, one that was cut or rounded included."""
    one, other = sent.words[here], got.words[there]
    surplus = sent.bits - got.bits
    same: Known
    if surplus <= 0:
        same = other >> -surplus == one
    else:
        same = (one >> surplus == other) | (_rounded(one, surplus, got.bits) == other)
    return same


def _rounded(words: Words, surplus: int, bits: int) -> Words:
    near: Words = (words + (1 << surplus - 1)) >> surplus
    return np.minimum(near, (1 << bits - 1) - 1)


def _width_change(sent: Side, got: Side, count: int) -> str | None:
    """Return what was done to all words alike, "" where nothing was; None where no width fits."""
    here = sent.known[:count] & got.known[:count]
    one, other = sent.words[:count][here], got.words[:count][here]
    if not len(one):
        return None
    if got.bits == sent.bits:
        return "" if (one == other).all() else _low_bits_lost(one, other, sent.bits)
    of = f"{sent.bits} bits a word were sent and {got.bits} came back"
    if got.bits > sent.bits:
        same = (other >> (got.bits - sent.bits) == one).all()
        return f"{of}, which loses nothing" if same else None
    surplus = sent.bits - got.bits
    for form, how in (
        (one >> surplus, "the lowest are cut off"),
        (_rounded(one, surplus, got.bits), "the words are rounded"),
    ):
        if (form == other).all():
            return f"{of}: {how}"
    return None


def _low_bits_lost(one: Words, other: Words, bits: int) -> str | None:
    """Return how many low bits are always 0, where the header still says the old width."""
    used = int(np.bitwise_or.reduce(other))
    lost = (used & -used).bit_length() - 1 if used else 0
    if not 0 < lost <= bits - MIN_BITS or int((one != other).sum()) < _FEW:
        return None
    for form, how in (
        (one >> lost, "are cut off"),
        (_rounded(one, lost, bits - lost), "are rounded away"),
    ):
        if (form << lost == other).all():
            return (
                f"{bits} bits a word were sent, and of those that came back the lowest {lost} "
                + how
            )
    return None


def _is_filler(sent: Side, got: Side) -> bool:
    """Whether what is too many is what filled the last packet."""
    room = -sent.length % sent.step
    more = got.length - sent.length
    if not room or more > room:
        return False
    tail, known = got.words[sent.length : got.length], got.known[sent.length : got.length]
    sent_tail = sent.words[sent.length : got.length]
    surplus = sent.bits - got.bits
    kept = sent_tail >> surplus if surplus >= 0 else sent_tail << -surplus
    return bool(known.any() and (~known | (kept == tail)).all())


def _moved(sent: Side, got: Side) -> Stored | None:
    """Return which packet came twice or not at all, if that explains everything."""
    common = min(sent.length, got.length)
    here = sent.known[:common] & got.known[:common]
    differing = np.flatnonzero(here & ~_alike(sent, got, common))
    packets = -(-sent.length // sent.step)
    first = int(differing[0]) // sent.step if len(differing) else packets
    # All before the first difference is right, so it is the packet before that came twice.
    if first and got.length >= sent.length and _is_moved(sent, got, first, -sent.step):
        return Stored(kept=Kept.TWICE, packet=first - 1)
    if first < packets and got.length <= sent.length and _is_moved(sent, got, first, sent.step):
        return Stored(kept=Kept.LEFT_OUT, packet=first)
    return None


def _is_moved(sent: Side, got: Side, place: int, by: int) -> bool:
    """Whether from a packet on all words stand `by` words earlier in what came back."""
    start = place * sent.step
    stop = min(got.length, len(sent.words) - by if by > 0 else sent.length - by)
    if by > 0:
        stop = min(stop, sent.length - by)
    if stop - start < 1 or start + by < 0:
        return False
    if not _is_there(got, sent, stop, by):
        return False
    moved, kept = slice(start + by, stop + by), slice(start, stop)
    here = sent.known[moved] & got.known[kept]
    return int(here.sum()) >= 1 and bool(_same(sent, got, moved, kept)[here].all())


def _is_there(got: Side, sent: Side, stop: int, by: int) -> bool:
    """Whether as many words came back as would have then, or as were announced."""
    return got.length in (sent.length, sent.length - by) or stop == got.length


def _at_repeated(dump: DumpExchange, sent: Side, got: Side, found: Stored) -> Stored:
    """Of packets that hold the same prefer the one that was sent twice."""
    again = [each.place for each in packets_of(dump) if len(each.sendings) > 1]
    for place in again if found.kept is Kept.TWICE else ():
        if place is not None and place != found.packet and _fits_at(sent, got, place):
            return Stored(kept=Kept.TWICE, packet=place)
    return found


def _fits_at(sent: Side, got: Side, place: int) -> bool:
    before = slice(0, min((place + 1) * sent.step, got.length))
    here = sent.known[before] & got.known[before]
    same = _same(sent, got, before, before)[here].all()
    return bool(same) and _is_moved(sent, got, place + 1, -sent.step)


def _is_neutral(dump: DumpExchange, back: DumpExchange, place: int) -> bool:
    bodies = [
        next((_certain(each) for each in packets_of(side) if each.place == place), None)
        for side in (dump, back)
    ]
    one, other = bodies
    if one is None or other is None:
        return False
    changed = np.frombuffer(one[DATA], np.uint8) ^ np.frombuffer(other[DATA], np.uint8)
    return not int(np.bitwise_xor.reduce(changed))


def is_as_sent(dump: DumpExchange, back: DumpExchange, source: Source | None) -> bool:
    """Whether every word came back as it is in the source, or without one as it was sent.

    A width that the unit changed does not matter.
    """
    sent, got = side_of(dump), side_of(back)
    if source is not None:
        sent = _side_of_source(source)
    if sent is None or got is None:
        return False
    if not sent.known[: sent.length].all() or not got.known[: got.length].all():
        return False
    return _compared(sent, got).kept in (Kept.SAME, Kept.OTHER_WIDTH)


def is_alike(dump: DumpExchange, back: DumpExchange) -> bool:
    """Whether what came back may be what was sent, and not an older sample of its number.

    Half of the words at least have to begin with the same byte, which units of another width keep.
    """
    sent, got = _first_bytes(dump), _first_bytes(back)
    least = min(len(sent), len(got))
    if not least or 2 * least < max(len(sent), len(got)):
        return False
    return 2 * sum(one == other for one, other in zip(sent, got, strict=False)) >= least


def _first_bytes(dump: DumpExchange) -> bytes:
    header = dump.header
    if header is None or not MIN_BITS <= header.bits <= MAX_BITS:
        return b""
    sound = [each.best for each in packets_of(dump) if each.best.is_sound]
    size = PACKET_DATA_BYTES // words_per_packet(header.bits)
    return data_bytes(sound)[::size][: header.length * max(header.channels, 1)]
