"""The shortest true account of how the words of B differ from those of A.

Theory of operation.  Several accounts are made: in place or aligned, as the words are or after
something was done to every word.  Each is exact, since its last part lists whatever is left over;
the one that needs the fewest words wins.  A statement about every word, or an alignment, has to
make the account much shorter, or else the plain one stands: nothing is explained by luck.
"""

from typing import Final

import numpy as np
from msgspec.structs import replace

from dryload.emulator.wire.sizes import words_per_packet
from dryload.emulator.wire.words import Words
from dryload.harness.judge.account import OF_EVERY_WORD, Account, Content, Kind, WordDifference
from dryload.harness.judge.align import align
from dryload.harness.judge.alteration import altered, candidates, narrowed_from
from dryload.harness.judge.places import SamplePair, differences

_STATEMENT: Final = 6  # words that it costs to say something of every word
_COSTS: Final = {Kind.WIDENED: 0, Kind.BITS_STUCK: 16}
_PLACE: Final = 4  # words that it costs to name a place
_GOOD: Final = 8  # a single statement this short is not worth a search for a shorter one
_SHORTER: Final = 2  # times shorter, before an alignment is believed
_MUCH_SHORTER: Final = 8  # times shorter, before something is said of every word
_ALIGNED: Final = 3  # things done to every word that are tried together with an alignment


def common_scale(words: Words, bits: int, to: int) -> Words:
    """Return words of `bits` significant bits as words of `to`, left-justified, as int32."""
    wide = words.astype(np.int32)
    return wide << np.int32(to - bits) if to > bits else wide


def explain(
    a: Words,
    b: Words,
    *,
    bits: tuple[int, int],
    channels: tuple[int, int] = (1, 1),
    packet_bits: int | None = None,
) -> Account:
    """Return what makes B differ from A, exactly and as shortly as we can; empty for equal words.

    `bits` are the significant bits of A and of B, and `packet_bits` those that decide how many
    words a packet holds: A's, unless it is B that is a dump.
    """
    wide = max(bits)
    scaled_a, scaled_b = common_scale(a, bits[0], wide), common_scale(b, bits[1], wide)
    pair = SamplePair(scaled_a, scaled_b, wide, words_per_packet(packet_bits or bits[0]))
    widened = (WordDifference(kind=Kind.WIDENED, bits=bits[1]),) if bits[0] != bits[1] else ()
    if np.array_equal(scaled_a, scaled_b):
        return widened
    plain = differences(pair)
    if _is_good(plain):
        return (*widened, *plain)
    if (whole := _of_channels(pair, channels[0])) is not None:
        return (whole,)
    best = plain if _is_one_value(pair.b) else _better(pair, bits, plain)
    if best[0].kind in OF_EVERY_WORD or 2 * _words_told(best) > len(pair.b):
        return best
    return (*widened, *best)


def _cost(account: Account) -> int:
    """Return how much has to be said to make B of A: the less, the better the account.

    A statement costs a few words, and so does each word of B that nothing but B itself tells.
    """
    statements = sum(
        _COSTS.get(each.kind, _STATEMENT) if each.kind in OF_EVERY_WORD else _PLACE
        for each in account
    )
    return statements + _words_told(account)


def _words_told(account: Account) -> int:
    """Return how many words of B nothing but B itself tells."""
    others = sum(each.words for each in account if each.content is Content.OTHER)
    return others + sum(each.different for each in account if each.kind is Kind.CHANGED)


def _better(pair: SamplePair, bits: tuple[int, int], plain: Account) -> Account:
    """Return the shortest account that is believed."""
    best = plain
    common = min(len(pair.a), len(pair.b))
    likely = candidates(pair.a[:common], pair.b[:common], pair.bits, own_bits=bits)
    for how in likely:
        account = (how, *differences(_after(pair, how)))
        best = _believed(account, best, plain)
        if len(account) == 1:
            break  # it is exact, and those that follow are less likely
    if (coarse := _coarser(pair, bits[0])) is not None:
        best = _believed((coarse,), best, plain)
    if not _is_good(best):
        best = _believed(_aligned(pair), best, plain)
        for how in likely[:_ALIGNED]:
            best = _believed((how, *_aligned(_after(pair, how))), best, plain)
    return best


def _is_good(account: Account) -> bool:
    """Return whether no shorter account is worth a search."""
    one, *more = account
    return not more and (one.kind in OF_EVERY_WORD or _cost(account) <= _GOOD)


def _believed(account: Account, best: Account, plain: Account) -> Account:
    """Return `account` if it is better by enough, else `best`."""
    exact = len(account) == 1
    every_word = account[0].kind in OF_EVERY_WORD
    factor = 1 if exact else _MUCH_SHORTER if every_word else _SHORTER
    is_better = factor * _cost(account) <= _cost(plain) and _cost(account) < _cost(best)
    return account if is_better else best


def _coarser(pair: SamplePair, own_bits: int) -> WordDifference | None:
    """Return how A came from B by dropping bits, None if it didn't.

    A few words of B that have bits of their own are no sign that B is the finer of the two.
    """
    if len(pair.a) != len(pair.b) or _is_one_value(pair.a):
        return None
    if 4 * np.count_nonzero(pair.a != pair.b) < np.count_nonzero(pair.b):
        return None
    how = narrowed_from(pair.b, pair.a, pair.bits, own_bits)
    return replace(how, coarse="A") if how is not None else None


def _after(pair: SamplePair, how: WordDifference) -> SamplePair:
    return replace(pair, a=altered(pair.a, how, pair.bits))


def _aligned(pair: SamplePair) -> Account:
    """Return the account of two samples that are laid against each other, as packets would be."""
    account = differences(pair, align(pair.a, pair.b, step=pair.step))
    if _words_told(account) or any(part.kind in (Kind.LOST, Kind.ADDED) for part in account):
        # It may be no matter of packets.
        by_words = differences(pair, align(pair.a, pair.b, step=pair.step, whole=False))
        account = min(account, by_words, key=_cost)
    return account


def _of_channels(pair: SamplePair, channels: int) -> WordDifference | None:
    """Return the difference where B holds A's channels in another way."""
    if channels == 1 or len(pair.a) % channels:
        return None
    frames = pair.a.reshape(-1, channels)
    if channels == 2 and np.array_equal(frames[:, ::-1].reshape(-1), pair.b):
        return WordDifference(kind=Kind.CHANNELS_SWAPPED)
    for channel in range(channels):
        if np.array_equal(frames[:, channel], pair.b):
            return WordDifference(kind=Kind.ONE_CHANNEL, value=channel)
    return None


def _is_one_value(words: Words) -> bool:
    return not len(words) or bool((words == words[0]).all())
