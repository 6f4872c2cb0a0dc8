"""Sizes and 7-bit integers against tables typed from M1 p. 39 and the oracle."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.wire.constants import (
    BYTE_NS,
    EXTENDED_LOOP_TYPES,
    HEADER_LIMIT_NS,
    MAX_21_BIT,
    MAX_28_BIT,
    MAX_35_BIT,
    MAX_SAMPLE_NUMBER,
    PACKET_BYTES,
    PACKET_DATA_BYTES,
    PACKET_LIMIT_NS,
    PACKET_NUMBERS,
)
from dryload.emulator.wire.sevenbit import from_groups, to_groups
from dryload.emulator.wire.sizes import bytes_per_word, packets_for, unused_bits, words_per_packet
from tests import oracle
from tests.vectors import timeline, words
from tests.vectors.periods import PERIODS, SLOWEST_PERIOD_NS


@pytest.mark.parametrize("width", words.WIDTHS, ids=lambda width: str(width.bits))
def test_widths_are_those_of_the_table(width: words.Width) -> None:  # M1 p. 39
    assert bytes_per_word(width.bits) == width.bytes_per_word
    assert words_per_packet(width.bits) == width.words_per_packet
    assert 0x7F & ~((1 << unused_bits(width.bits)) - 1) == width.low_byte_mask


@pytest.mark.parametrize("count", words.PACKET_COUNTS, ids=lambda c: f"{c.words}x{c.bits}")
def test_packet_counts_are_those_of_the_table(count: words.PacketCount) -> None:  # M1 p. 39
    assert packets_for(count.words, count.bits) == count.packets


@pytest.mark.parametrize("bits", [-1, 0, 7, 29, 128])
def test_a_width_outside_8_to_28_is_a_value_error_that_names_it(bits: int) -> None:  # M1 p. 37
    for function in (bytes_per_word, words_per_packet, unused_bits):
        with pytest.raises(ValueError, match=f"8 to 28, not {bits}"):
            function(bits)
    with pytest.raises(ValueError, match="8 to 28"):
        packets_for(1, bits)


@given(st.integers(8, 28), st.integers(0, 2**35))
def test_packet_counts_agree_with_the_oracle(bits: int, length: int) -> None:
    assert packets_for(length, bits) == oracle.packet_count(length, bits)


@given(st.integers(1, 5), st.data())
def test_groups_agree_with_the_oracle_and_come_back(count: int, data: st.DataObject) -> None:
    value = data.draw(st.integers(0, 128**count - 1))

    assert to_groups(value, count) == oracle.n7(value, count)
    assert from_groups(to_groups(value, count)) == value


@pytest.mark.parametrize(("rate", "period_ns", "data"), PERIODS)
def test_periods_of_common_rates(rate: int, period_ns: int, data: str) -> None:  # M1 p. 37
    assert to_groups(period_ns, 3) == bytes.fromhex(data)
    assert abs(period_ns * rate - 1_000_000_000) * 2 <= rate  # the nearest nanosecond


@pytest.mark.parametrize("count", range(1, 6))
def test_what_does_not_fit_is_a_value_error_on_both_sides(count: int) -> None:
    for value in (-1, 128**count):
        with pytest.raises(ValueError, match=f"{value} does not fit in {count} groups"):
            to_groups(value, count)


def test_the_numbers_of_the_standard() -> None:
    assert PACKET_BYTES == oracle.PACKET_BYTES
    assert PACKET_DATA_BYTES == oracle.DATA_BYTES
    assert PACKET_NUMBERS == 2**7  # one byte of 7 bits (M1 p. 37)
    assert MAX_SAMPLE_NUMBER == 2**14 - 1  # two (M1 p. 37)
    assert MAX_21_BIT == 2**21 - 1 == SLOWEST_PERIOD_NS  # three (M1 p. 37)
    assert MAX_28_BIT == 2**28 - 1  # four (CA-019 p. 2)
    assert MAX_35_BIT == 2**35 - 1  # five (CA-019 p. 2)
    assert BYTE_NS == timeline.BYTE_NS
    assert HEADER_LIMIT_NS == timeline.HEADER_WAIT_NS
    assert PACKET_LIMIT_NS == timeline.PACKET_WAIT_NS
    assert len(EXTENDED_LOOP_TYPES) == 10  # CA-019 pp. 2-3
