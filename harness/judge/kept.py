"""What became of a sample in the unit: what came back, against what was sent.

Theory of operation.  The words of both dumps are compared as `dryload diff` compares two samples,
and the account of the difference is read for what units do: keep another width, store a packet
twice or not at all, or keep the filler after the last word as well.  A packet of which nobody
knows how it arrived, or which was damaged on the way back, is taken to be the same on both sides.
"""

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from dryload.emulator.wire.constants import MIN_BITS, PACKET_BYTES, PACKET_DATA_BYTES
from dryload.emulator.wire.messages import HandshakeKind, Header
from dryload.emulator.wire.packets import DATA
from dryload.emulator.wire.words import Words, unpack_words
from dryload.harness.judge.account import Account, Content, Kind, Rounding
from dryload.harness.judge.against_source import Source
from dryload.harness.judge.alteration import divided
from dryload.harness.judge.dialogue.exchanges import DumpExchange, Exchange
from dryload.harness.judge.explanation import explain
from dryload.harness.judge.plan import DumpPlan, plan_of

_FEW: Final = 8  # words that have to show a habit of the unit (our choice)
_MANY: Final = 4_096  # packets of which nearly all may be missing; a header can call for any number
_A_CHIP: Final = 4  # bits that one chip of a memory may hold
_NEARLY: Final = 0.9
_BY_WIDTH: Final = {
    Rounding.CUT: "the lowest are cut off",
    Rounding.ROUNDED: "the words are rounded",
}
"""How units lose low bits."""


class Kept(StrEnum):
    """What a unit made of a sample."""

    SAME = "same"
    OTHER_WIDTH = "other width"
    """The same words with fewer or more bits; nothing else."""
    FILLER = "filler"
    TWICE = "twice"
    LEFT_OUT = "left out"
    """One packet is missing."""
    TOO_SHORT = "too short"
    """Only the beginning."""
    TOO_LONG = "too long"
    """All of it, and other words behind it."""
    SILENT = "silent"
    """Nothing but one and the same word."""
    ANOTHER = "another"
    """A sample that has nothing to do with it."""
    WORDS = "words"
    """Some words differ."""


class Misread(StrEnum):
    """What words that differ have in common, as memory at fault makes it and no cable."""

    NOTHING = ""
    SOME_BITS = "some bits"
    """They differ in the same few bits, and other words not at all."""
    FROM_ELSEWHERE = "from elsewhere"
    """They are words that were sent a power of two of words away, or two such powers."""
    ONE_WORD = "one word"
    """They are all one and the same."""


class Stored(Struct, frozen=True, kw_only=True, eq=False):
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
    misread: Misread = Misread.NOTHING

    @property
    def is_all_there(self) -> bool:
        """Whether every word was kept, with other words behind them at most."""
        return self.kept in (Kept.SAME, Kept.OTHER_WIDTH, Kept.FILLER)


class _DumpWords(Struct, frozen=True, eq=False):
    """The words of one dump in their places, filler included; some may not be known."""

    plan: DumpPlan
    rows: NDArray[np.uint8]
    """Data bytes of shape (packets, 120)."""
    words: Words
    known: NDArray[np.bool_]

    @property
    def bits(self) -> int:
        """Significant bits."""
        return self.plan.header.bits

    def known_beside(self, other: "_DumpWords") -> NDArray[np.intp]:
        """Return the words, filler aside, that both know or that the other does not have."""
        known = self.known[: self.plan.words].copy()
        common = min(self.plan.words, other.plan.words)
        known[:common] &= other.known[:common]
        return np.flatnonzero(known)


def stored(dump: DumpExchange, back: DumpExchange) -> Stored | None:
    """Return what the unit made of a whole dump, by what it sent back; None where nobody can tell.

    Packets of both have to be at their places.
    """
    if any(each.jump for side in (dump, back) for each in _packets_of(side)):
        return None
    sent, got = _words_of(dump), _words_of(back)
    if sent is None or got is None or not sent.known.any() or not got.known.any():
        return None
    if sent.plan.header.channels != got.plan.header.channels:
        return None
    again = [each.place or 0 for each in _packets_of(dump) if len(each.sendings) > 1]
    return _compared(sent, got, again)


def is_as_sent(dump: DumpExchange, back: DumpExchange, source: Source | None) -> bool:
    """Whether every word came back as it is in the source, or without one as it was sent.

    A width that the unit changed does not matter.
    """
    sent, got = _words_of(dump), _words_of(back)
    if source is not None:
        sent = _words_in_places(
            source.header, {at: source.whole(at) for at in range(len(source.packets))}
        )
    if sent is None or got is None:
        return False
    is_known = all(each.known[: each.plan.words].all() for each in (sent, got))
    return is_known and _compared(sent, got).kept in (Kept.SAME, Kept.OTHER_WIDTH)


def is_alike(dump: DumpExchange, back: DumpExchange) -> bool:
    """Whether what came back may be what was sent, and not an older sample of its number.

    Half of the words at least have to begin with the same byte, which units of another width keep.
    """
    sent, got = _words_of(dump), _words_of(back)
    if sent is None or got is None:
        return False
    least, most = sorted((sent.plan.words, got.plan.words))
    here = sent.known[:least] & got.known[:least]
    one, other = (each.words[:least] >> (each.bits - 7) for each in (sent, got))
    return 2 * least >= most and 2 * int((one == other)[here].sum()) >= int(here.sum()) > 0


def _packets_of(dump: DumpExchange) -> list[Exchange]:
    return [each for each in dump.exchanges if each.place is not None]


def _words_of(dump: DumpExchange) -> _DumpWords | None:
    certain = {each.place or 0: _certain(each) for each in _packets_of(dump)}
    return _words_in_places(dump.header, certain)


def _words_in_places(
    header: Header | None, packets: Mapping[int, bytes | None]
) -> _DumpWords | None:
    """Return the words of packets by their places; None where the header calls for other ones."""
    plan, reached = plan_of(header), max(packets, default=-1) + 1
    if plan is None or not 0 < plan.packets <= max(_MANY, 8 * reached):
        return None
    if reached > plan.packets + 1:
        return None
    rows = np.zeros((max(plan.packets, reached), PACKET_DATA_BYTES), np.uint8)
    known = np.zeros(len(rows), np.bool_)
    for place, body in packets.items():
        if body is not None:
            rows[place] = np.frombuffer(body[DATA], np.uint8)
            known[place] = True
    words = unpack_words(rows.reshape(-1), plan.header.bits).astype(np.int32)
    return _DumpWords(plan, rows, words, np.repeat(known, plan.per_packet))


def _certain(exchange: Exchange) -> bytes | None:
    """Return the one sound form in which a packet came; None where that is not certain."""
    bodies = {each.body for each in exchange.sendings if each.is_sound}
    taken = [each.sending for each in exchange.replies if each.kind is HandshakeKind.ACK]
    if len(bodies) != 1 or any(not exchange.sendings[at].is_sound for at in taken):
        return None  # what the unit took may have been a damaged one
    body = bodies.pop()
    return body if len(body) == PACKET_BYTES else None


def _compared(sent: _DumpWords, got: _DumpWords, again: Sequence[int] = ()) -> Stored:
    """Return what became of the words; `again` are the packets that were sent more than once."""
    one, other, change = _at_one_width(sent, got)
    known, length = sent.known_beside(got), got.plan.words
    a, b = one[known], other[got.known_beside(sent)]
    bits, step = min(sent.bits, got.bits), sent.plan.per_packet
    account = explain(a, b, bits=(bits, bits), packet_bits=sent.bits)
    if lost := _low_bits_lost(account, a, b, bits):
        account, change = (), lost
    match [each.kind for each in account]:
        case []:
            return Stored(kept=Kept.OTHER_WIDTH if change else Kept.SAME, change=change)
        case [Kind.GOES_ON]:
            if np.array_equal(one[:length], other[:length]):
                return Stored(kept=Kept.FILLER, packet=sent.plan.packets - 1, change=change)
            return Stored(kept=Kept.TOO_LONG, packet=sent.plan.packets - 1)
        case [Kind.ENDS_EARLY]:
            return Stored(kept=Kept.TOO_SHORT, packet=length // step)
    return _moved(account, known, step, again) or _differing(sent, got, one, other)


def _at_one_width(sent: _DumpWords, got: _DumpWords) -> tuple[Words, Words, str]:
    """Return the words of both at the smaller width, as units do it, and what was done to them."""
    surplus = sent.bits - got.bits
    if not surplus:
        return sent.words, got.words, ""
    of = f"{sent.bits} bits a word were sent and {got.bits} came back"
    if surplus < 0:
        return sent.words, got.words >> -surplus, f"{of}, which loses nothing"
    most = (1 << (got.bits - 1)) - 1
    common = min(sent.plan.words, got.plan.words)
    forms = [
        (np.minimum(divided(sent.words, surplus, rounding), most), got.words, f"{of}: {how}")
        for rounding, how in _BY_WIDTH.items()
    ]
    return max(forms, key=lambda form: np.count_nonzero(form[0][:common] == form[1][:common]))


def _moved(
    account: Account, known: NDArray[np.intp], step: int, again: Sequence[int]
) -> Stored | None:
    """Return which packet came twice or not at all, if that explains everything.

    The account counts the words that are `known`, which says where they stand in the dump.
    """
    first, ends = account[0], {each.kind for each in account[1:]}
    packet = int(known[first.word]) // step if first.word is not None else 0
    if first.kind is Kind.DOUBLED and first.packets == 1 and ends <= {Kind.ENDS_EARLY}:
        # Of packets that hold the same, it is one that was sent twice.
        low, high = first.alike or (0, -1)
        behind = {place: int(np.searchsorted(known, (place + 1) * step)) for place in again}
        alike = [place for place in again if low <= behind[place] <= high]
        return Stored(kept=Kept.TWICE, packet=alike[0] if alike else packet)
    if first.kind is Kind.TAIL and first.content is Content.REPEATED and first.value == step:
        return Stored(kept=Kept.TWICE, packet=packet - 1)
    if first.kind is Kind.MISSING and first.packets == 1 and ends <= {Kind.GOES_ON}:
        return Stored(kept=Kept.LEFT_OUT, packet=packet)
    return None


def _low_bits_lost(account: Account, sent: Words, got: Words, bits: int) -> str:
    """Return how many low bits are always 0, where the header still says the old width."""
    how = account[0] if len(account) == 1 else None
    if how is None or how.kind is not Kind.NARROWED or how.coarse != "B" or how.bits < MIN_BITS:
        return ""
    if how.rounding not in _BY_WIDTH or np.count_nonzero(sent != got) < _FEW:
        return ""
    return (
        f"{bits} bits a word were sent, and of those that came back the lowest {bits - how.bits} "
        f"are {'cut off' if how.rounding is Rounding.CUT else 'rounded away'}"
    )


def _differing(sent: _DumpWords, got: _DumpWords, one: Words, other: Words) -> Stored:
    """Return which words differ, each in its place; `one` and `other` are of one width."""
    mine = got.words[: got.plan.words][got.known[: got.plan.words]]
    if len(mine) >= _FEW and (mine == mine[0]).all() and mine[0] in (0, -(1 << (got.bits - 1))):
        return Stored(kept=Kept.SILENT)
    common = min(sent.plan.words, got.plan.words)
    here = sent.known[:common] & got.known[:common]
    differing = np.flatnonzero(here & (one[:common] != other[:common])).tolist()
    if not differing:
        return Stored(kept=Kept.SAME)  # by what is known
    if got.plan.words != sent.plan.words and 2 * len(differing) > int(here.sum()):
        return Stored(kept=Kept.ANOTHER)
    packets = tuple(dict.fromkeys(at // sent.plan.per_packet for at in differing))
    is_one = sent.bits == got.bits and len(packets) == 1
    changed = sent.rows[packets[0]] ^ got.rows[packets[0]] if is_one else np.ones(1, np.uint8)
    return Stored(
        kept=Kept.WORDS,
        packet=packets[0],
        words=tuple((at, int(sent.words[at]), int(got.words[at])) for at in differing),
        packets=packets,
        is_neutral=not np.bitwise_xor.reduce(changed),
        misread=_misread(sent, got, np.array(differing), packets),
    )


def _misread(
    sent: _DumpWords, got: _DumpWords, at: NDArray[np.intp], packets: Sequence[int]
) -> Misread:
    """Return what the words at these places have in common."""
    if len(at) < _FEW or sent.bits != got.bits:
        return Misread.NOTHING
    sums = (np.bitwise_xor.reduce(sent.rows[each] ^ got.rows[each]) for each in packets)
    if not any(sums):
        return Misread.NOTHING  # damage on the way leaves every sum as it is
    came = got.words[at]
    if (came == came[0]).all():
        return Misread.ONE_WORD
    bits = int(np.bitwise_or.reduce(came ^ sent.words[at])) & ((1 << sent.bits) - 1)
    if bits.bit_count() <= _A_CHIP and len(at) < min(sent.plan.words, got.plan.words):
        return Misread.SOME_BITS
    found = []
    for distance in (1 << power for power in range(sent.plan.words.bit_length())):
        for way in (distance, -distance):
            there = np.clip(at + way, 0, sent.plan.words - 1)
            found.append((sent.words[there] == came) & (there == at + way))
    best = max(found, key=np.count_nonzero)
    most = max(np.count_nonzero(best | other) for other in found)
    return Misread.FROM_ELSEWHERE if most >= _NEARLY * len(at) else Misread.NOTHING
