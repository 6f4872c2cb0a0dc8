"""What the tests of explanations share: random words, damage, and explanations found true."""

from __future__ import annotations

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from dryload.harness.judge.account import Account, WordDifference
from dryload.harness.judge.explanation import explain
from tests.judge import rebuild
from tests.oracle import words_per_packet

Array = NDArray[np.int32]
WIDTHS = (8, 14, 15, 16, 21, 22, 28)  # both ends of each size of word, M1 p. 39, and 16
few = settings(max_examples=40, deadline=None)  # a machine under load is no failure
widths = st.sampled_from(WIDTHS)
seeds = st.integers(0, 2**32)


def noise(seed: int, words: int, bits: int) -> Array:
    top = 1 << (bits - 1)
    return np.random.default_rng(seed).integers(-top, top, words).astype(np.int32)


def array(words: list[int]) -> Array:
    return np.array(words, np.int32)


def explained(a: Array, b: Array, bits: int, b_bits: int | None = None) -> Account:
    """The explanation, once it has been found true."""
    b_bits = b_bits or bits
    account = explain(a, b, bits=(bits, b_bits))
    wide = max(bits, b_bits)
    rebuild.check(
        account,
        [word << (wide - bits) for word in a.tolist()],
        [word << (wide - b_bits) for word in b.tolist()],
        wide,
        words_per_packet(bits),
    )
    assert explain(a, b, bits=(bits, b_bits)) == account
    return account


def only(account: Account) -> WordDifference:
    assert len(account) == 1, account
    return account[0]


def joined(a: Array, step: int, order: list[int]) -> Array:
    """Packets of A in another order; the last of them may be short."""
    return np.concatenate([a[packet * step : (packet + 1) * step] for packet in order])
