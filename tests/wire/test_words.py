"""Sample words to data bytes and back, against typed vectors and a plain codec (M1 p. 39)."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.wire.words import (
    DataBytes,
    Words,
    pack_words,
    unpack_checked,
    unpack_words,
    word_dtype,
)
from tests import oracle
from tests.vectors.words import WIDTHS, WORDS, Width

ALL_BITS = range(8, 29)
ALL_DTYPES = ("i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8", ">i2", ">i4")
each_width = pytest.mark.parametrize("width", WIDTHS, ids=lambda width: f"{width.bits} bits")
each_bits = pytest.mark.parametrize("bits", ALL_BITS)


def top_of(bits: int) -> int:
    return 1 << (bits - 1)


def words_of(bits: int) -> st.SearchStrategy[list[int]]:
    top = top_of(bits)
    edges = st.sampled_from([-top, 1 - top, -1, 0, 1, top - 2, top - 1])
    return st.lists(st.integers(-top, top - 1) | edges, max_size=130)


bits_and_words = st.sampled_from(ALL_BITS).flatmap(lambda b: st.tuples(st.just(b), words_of(b)))


def as_words(words: list[int], bits: int) -> Words:
    return np.array(words, word_dtype(bits))


def as_data(data: bytes) -> DataBytes:
    return np.frombuffer(data, np.uint8)


@pytest.mark.parametrize(("bits", "word", "typed"), WORDS)
def test_typed_words(bits: int, word: int, typed: str) -> None:
    data = bytes.fromhex(typed)
    assert pack_words(as_words([word], bits), bits).tobytes() == data
    assert unpack_words(as_data(data), bits).tolist() == [word]


@given(bits_and_words)
def test_any_words_are_the_bytes_of_the_plain_codec(case: tuple[int, list[int]]) -> None:
    bits, words = case
    packed = pack_words(as_words(words, bits), bits)
    assert packed.dtype == np.uint8
    assert packed.shape == (len(words) * oracle.bytes_per_word(bits),)
    assert packed.tobytes() == oracle.words_to_bytes(words, bits)


@given(bits_and_words)
def test_bytes_of_the_plain_codec_are_the_words(case: tuple[int, list[int]]) -> None:
    bits, words = case
    unpacked, stray = unpack_checked(as_data(oracle.words_to_bytes(words, bits)), bits)
    assert unpacked.dtype == word_dtype(bits)
    assert unpacked.shape == (len(words),)
    assert unpacked.tolist() == words
    assert stray is False


@pytest.mark.parametrize("bits", [8, 9, 10, 15])
def test_every_word_there_is(bits: int) -> None:
    words = list(range(-top_of(bits), top_of(bits)))
    data = oracle.words_to_bytes(words, bits)
    assert pack_words(as_words(words, bits), bits).tobytes() == data
    assert unpack_words(as_data(data), bits).tolist() == words


@each_width
def test_every_length_at_full_scale(width: Width) -> None:
    top = top_of(width.bits)
    for count in (*range(1, 8), 29, 30, 31, 1000):
        words = [(-top, top - 1)[i % 2] for i in range(count)]
        data = oracle.words_to_bytes(words, width.bits)
        assert len(data) == count * width.bytes_per_word
        assert pack_words(as_words(words, width.bits), width.bits).tobytes() == data, count
        assert unpack_words(as_data(data), width.bits).tolist() == words, count


@each_width
def test_whole_packets_are_taken_row_by_row(width: Width) -> None:
    count = 3 * width.words_per_packet
    words = [i * 37 % top_of(width.bits) - i % 128 for i in range(count)]
    data = as_data(oracle.words_to_bytes(words, width.bits)).reshape(3, 120)
    assert unpack_words(data, width.bits).tolist() == words


@each_width
def test_data_bytes_need_not_lie_together(width: Width) -> None:
    words = [i * 37 % top_of(width.bits) for i in range(2 * width.words_per_packet)]
    rows = np.full((2, 127), 0x7F, np.uint8)
    rows[:, 5:125] = as_data(oracle.words_to_bytes(words, width.bits)).reshape(2, 120)
    assert unpack_words(rows[:, 5:125], width.bits).tolist() == words


@each_width
def test_a_partial_word_is_refused(width: Width) -> None:
    for size in range(1, 2 * width.bytes_per_word):
        if size != width.bytes_per_word:
            with pytest.raises(ValueError, match=f"{size} data bytes"):
                unpack_checked(np.zeros(size, np.uint8), width.bits)


# Unused low bits: WRD-05, M1 p. 39.


@each_width
def test_each_unused_low_bit_is_seen_and_dropped(width: Width) -> None:
    words = [top_of(width.bits) - 1, -top_of(width.bits), 0, 1, -1]
    clean = oracle.words_to_bytes(words, width.bits)
    for where, bit in product((0, 1, 2, -1), range(7)):
        data = as_data(clean).copy()
        data.reshape(-1, width.bytes_per_word)[where, -1] |= 1 << bit
        unpacked, stray = unpack_checked(data, width.bits)
        used = bool(width.low_byte_mask >> bit & 1)
        assert stray is not used, (where, bit)
        if not used:
            assert unpacked.tolist() == words, (where, bit)


@each_width
def test_all_bits_that_may_be_set_are_not_stray(width: Width) -> None:
    word = [0x7F] * (width.bytes_per_word - 1) + [width.low_byte_mask]
    unpacked, stray = unpack_checked(as_data(bytes(word) * 7), width.bits)
    assert unpacked.tolist() == [top_of(width.bits) - 1] * 7
    assert stray is False


def test_stray_low_bits_in_the_filler_count_too() -> None:
    data = np.zeros((2, 120), np.uint8)
    data[1, -1] = 0x01
    assert unpack_checked(data, 16)[1]


# Types.


@each_bits
def test_the_narrowest_type_that_holds_the_words(bits: int) -> None:
    fitting = [t for t in (np.int8, np.int16, np.int32) if np.iinfo(t).max >= top_of(bits) - 1]
    assert word_dtype(bits) == fitting[0]


@pytest.mark.parametrize("bits", [-1, 0, 7, 29])
def test_the_standard_has_8_to_28_significant_bits(bits: int) -> None:
    with pytest.raises(ValueError, match="significant bits"):
        word_dtype(bits)
    with pytest.raises(ValueError, match="significant bits"):
        pack_words(np.zeros(4, np.int8), bits)
    with pytest.raises(ValueError, match="significant bits"):
        unpack_checked(np.zeros(4, np.uint8), bits)


@pytest.mark.parametrize("dtype", ALL_DTYPES)
def test_words_may_come_in_any_integer_type(dtype: str) -> None:
    limits = np.iinfo(dtype)
    for bits in ALL_BITS:
        low, high = max(limits.min, -top_of(bits)), min(limits.max, top_of(bits) - 1)
        words = np.array([low, high, 1, 0, high // 2], dtype)
        before = words.copy()
        expected = oracle.words_to_bytes(words.tolist(), bits)
        assert pack_words(words, bits).tobytes() == expected, bits
        assert (words == before).all()


@pytest.mark.parametrize("dtype", ALL_DTYPES)
def test_words_that_do_not_fit_are_refused(dtype: str) -> None:
    limits = np.iinfo(dtype)
    for bits in ALL_BITS:
        top = top_of(bits)
        for word in (-top - 1, -top - 2**bits, limits.min, top, top + 2**bits, limits.max):
            if limits.min <= word <= limits.max and not -top <= word < top:
                assert is_refused(np.array([0, 0, word, 0], dtype), bits), (bits, word)


def is_refused(words: Words, bits: int) -> bool:
    try:
        pack_words(words, bits)
    except ValueError as problem:
        return "do not fit" in str(problem)
    return False


def test_words_must_be_integers() -> None:
    with pytest.raises(ValueError, match="integer"):
        pack_words(np.zeros(4, np.float32), 16)


@each_bits
def test_words_need_not_lie_together(bits: int) -> None:
    every = as_words([i * 29 % top_of(bits) - i for i in range(60)], bits)
    for words in (every[::2], every[::-1], every[1::7]):
        expected = oracle.words_to_bytes(words.tolist(), bits)
        assert pack_words(words, bits).tobytes() == expected


def test_frames_are_packed_word_by_word() -> None:
    # Interleaved, left then right (CA-019 p. 3).
    frames = np.array([[1, -2], [3, -4], [5, -6]], np.int16)
    assert pack_words(frames, 16).tobytes() == oracle.words_to_bytes([1, -2, 3, -4, 5, -6], 16)


@each_bits
def test_results_are_nobody_elses_memory(bits: int) -> None:
    words = as_words([0, 1, 2, 3], bits)
    packed = pack_words(words, bits)
    assert not np.shares_memory(packed, words)
    unpacked = unpack_words(packed, bits)
    assert not np.shares_memory(unpacked, packed)
    assert unpacked.flags.writeable
