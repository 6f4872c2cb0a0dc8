"""The shortest true account of how the words of B differ from those of A.

Theory of operation.  Several accounts are made: in place or aligned, as the words are or after
something was done to every word.  Each is exact, since its last part lists whatever is left over;
the one that needs the fewest words wins.  A statement about every word, or an alignment, has to
make the account much shorter, or else the plain one stands: nothing is explained by luck.
"""

from dataclasses import replace
from typing import Final

import numpy as np

from emulator.wire.sizes import words_per_packet
from emulator.wire.words import Words
from harness.judge.account import OF_EVERY_WORD, Account, Difference, Kind, cost, words_told
from harness.judge.align import align
from harness.judge.alteration import altered, candidates, narrowed_from
from harness.judge.blocks import SamplePair
from harness.judge.places import differences

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
    step = words_per_packet(packet_bits or bits[0])
    pair = SamplePair(scaled_a, scaled_b, wide, step)
    widened = (Difference(kind=Kind.WIDENED, bits=bits[1]),) if bits[0] != bits[1] else ()
    if np.array_equal(scaled_a, scaled_b):
        return widened
    return _shortest(pair, bits, channels, widened)


def _shortest(
    pair: SamplePair, bits: tuple[int, int], channels: tuple[int, int], widened: Account
) -> Account:
    plain = differences(pair)
    if _is_good(plain):
        return (*widened, *plain)
    if (whole := _of_channels(pair, channels)) is not None:
        return (whole,)
    best = plain if _is_one_value(pair.b) else _better(pair, bits, plain)
    if best[0].kind in OF_EVERY_WORD or 2 * words_told(best) > len(pair.b):
        return best
    return (*widened, *best)


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
    return not more and (one.kind in OF_EVERY_WORD or cost(account) <= _GOOD)


def _believed(account: Account, best: Account, plain: Account) -> Account:
    """Return `account` if it is better by enough, else `best`."""
    exact = len(account) == 1
    every_word = account[0].kind in OF_EVERY_WORD
    factor = 1 if exact else _MUCH_SHORTER if every_word else _SHORTER
    return account if factor * cost(account) <= cost(plain) and cost(account) < cost(best) else best


def _coarser(pair: SamplePair, own_bits: int) -> Difference | None:
    """Return how A came from B by dropping bits, None if it didn't.

    A few words of B that have bits of their own are no sign that B is the finer of the two.
    """
    if len(pair.a) != len(pair.b) or _is_one_value(pair.a):
        return None
    if 4 * np.count_nonzero(pair.a != pair.b) < np.count_nonzero(pair.b):
        return None
    how = narrowed_from(pair.b, pair.a, pair.bits, own_bits)
    return replace(how, coarse="A") if how is not None else None


def _after(pair: SamplePair, how: Difference) -> SamplePair:
    return replace(pair, a=altered(pair.a, how, pair.bits))


def _aligned(pair: SamplePair) -> Account:
    """Return the account of two samples that are laid against each other, as packets would be."""
    account = _laid(pair, whole=True)
    if words_told(account) or any(part.kind in (Kind.LOST, Kind.ADDED) for part in account):
        # It may be no matter of packets.
        account = min(account, _laid(pair, whole=False), key=cost)
    return account


def _laid(pair: SamplePair, *, whole: bool) -> Account:
    return differences(pair, align(pair.a, pair.b, step=pair.step, whole=whole))


def _of_channels(pair: SamplePair, channels: tuple[int, int]) -> Difference | None:
    """Return the difference where B holds A's channels in another way."""
    count = channels[0]
    if count == 2 and len(pair.a) == len(pair.b):
        how = Difference(kind=Kind.CHANNELS_SWAPPED)
        if np.array_equal(altered(pair.a, how, pair.bits, count), pair.b):
            return how
    if count > 1 and len(pair.a) == count * len(pair.b):
        for channel in range(count):
            how = Difference(kind=Kind.ONE_CHANNEL, value=channel)
            if np.array_equal(altered(pair.a, how, pair.bits, count), pair.b):
                return how
    return None


def _is_one_value(words: Words) -> bool:
    return not len(words) or bool((words == words[0]).all())
