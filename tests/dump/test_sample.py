"""What a receiver makes of a dump, and what a sample is (M1 pp. 37-39, CA-019 pp. 1-4)."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from msgspec import structs

from dryload.emulator.dump.outgoing import (
    sample_from,
)
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.wire.messages import (
    DumpHeader,
    ExtendedHeader,
    LoopPoints,
    SampleName,
)
from tests import oracle


def silence(frames: int = 4, *, bits: int = 16, channels: int = 1, **more: object) -> Sample:
    words = np.zeros(frames * channels, np.int16 if bits <= 16 else np.int32)
    fields: dict[str, object] = {"rate": Fraction(44100), **more}
    return Sample(words=words, bits=bits, channels=channels, **fields)  # type: ignore[arg-type]  # by name


# What comes back.

HEADER = DumpHeader(
    device_id=0,
    sample_number=1,
    bits=16,
    period_ns=22676,
    length=5,
    loop_start=1,
    loop_end=4,
    loop_type=0,
)


def loop_message(number: int, end: int) -> LoopPoints:
    return LoopPoints(
        device_id=0, sample_number=1, loop_number=number, loop_type=1, loop_start=0, loop_end=end
    )


def data_of(*words: int, filler: int = 0) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    raw = oracle.words_to_bytes(words, 16) + bytes(filler)
    return np.frombuffer(raw, np.uint8)


def test_filler_is_cut_off() -> None:  # WRD-13
    sample = sample_from(HEADER, data_of(1, 2, 3, 4, 5, filler=105))

    assert sample.words.tolist() == [1, 2, 3, 4, 5]
    assert sample.sustain == Loop(start=1, end=4, loop_type=0)


def test_missing_words_are_missing_in_whole_frames() -> None:
    stereo = ExtendedHeader(
        device_id=0,
        sample_number=1,
        bits=16,
        rate_hz=44100,
        rate_fraction=0,
        length=4,
        loop_start=0,
        loop_end=0,
        loop_type=0x7F,
        channels=2,
    )

    assert sample_from(HEADER, data_of(1, 2)).words.tolist() == [1, 2]
    assert sample_from(stereo, data_of(1, 2, 3)).words.tolist() == [1, 2]
    nobody = structs.replace(stereo, channels=0)  # EXT-05
    assert sample_from(nobody, data_of(1, 2, 3)).channels == 1


def test_a_loop_message_for_loop_0_is_the_sustain_loop() -> None:  # LOP-02
    sample = sample_from(HEADER, data_of(), [loop_message(0, 3), loop_message(2, 4)])

    assert sample.sustain == Loop(start=0, end=3, loop_type=1)
    assert sample.loops == ((2, Loop(start=0, end=4, loop_type=1)),)


def test_a_second_message_for_a_loop_replaces_the_first() -> None:  # LOP-03
    sample = sample_from(HEADER, data_of(), [loop_message(2, 3), loop_message(2, 4)])

    assert sample.loops == ((2, Loop(start=0, end=4, loop_type=1)),)


def test_delete_all_deletes_all_and_is_no_loop_itself() -> None:  # LOP-04
    more = [loop_message(1, 3), loop_message(16_383, 0), loop_message(2, 4)]
    sample = sample_from(HEADER, data_of(), more)

    assert sample.loops == ((2, Loop(start=0, end=4, loop_type=1)),)
    # Loop 0 is a loop like any other (LOP-02).
    assert sample.sustain == NO_LOOP
    again = sample_from(HEADER, data_of(), [*more, loop_message(0, 2)])
    assert again.sustain == Loop(start=0, end=2, loop_type=1)


def test_the_last_name_counts_and_odd_letters_are_shown_as_such() -> None:
    names = [
        SampleName(device_id=0, sample_number=1, language=b"", name=name)
        for name in (b"thunder", b"gulls\xe9")
    ]
    assert sample_from(HEADER, data_of(), names).name == "gulls\ufffd"


@pytest.mark.parametrize("bits", [7, 29])
def test_a_header_without_a_width_gives_no_sample(bits: int) -> None:
    with pytest.raises(ValueError, match="8 to 28"):
        sample_from(structs.replace(HEADER, bits=bits), data_of())


# Samples.


def test_a_sample_knows_its_frames_and_period() -> None:
    sample = silence(6, channels=3)
    assert sample.frames == 6
    assert sample.period_ns == 22676


@pytest.mark.parametrize(
    ("bits", "words"),
    [
        (16, np.zeros(4, np.int32)),
        (8, np.zeros(4, np.int16)),
        (17, np.zeros(4, np.int16)),
        (16, np.zeros((2, 2), np.int16)),
        (16, np.zeros(4, np.float32)),
    ],
)
def test_words_are_a_flat_array_of_the_narrowest_type(
    bits: int, words: np.ndarray[tuple[int, ...], np.dtype[np.generic]]
) -> None:
    with pytest.raises(ValueError, match="flat array of int"):
        Sample(words=words, bits=bits, rate=Fraction(1))  # type: ignore[arg-type]  # wrong on purpose


@pytest.mark.parametrize("wrong", [{"rate": Fraction(0)}, {"channels": 0}, {"channels": 3}])
def test_what_no_header_can_say_is_refused(wrong: dict[str, object]) -> None:
    fields: dict[str, object] = {"rate": Fraction(44100), "channels": 1, **wrong}
    with pytest.raises(ValueError, match="positive and frames whole"):
        Sample(words=np.zeros(4, np.int16), bits=16, **fields)  # type: ignore[arg-type]  # wrong on purpose


@given(st.fractions(min_value=Fraction(1, 1000), max_value=10**10))
@example(Fraction(2_000_000_000, 45_353))  # 22,676.5 ns: halfway
@example(Fraction(2_000_000_000, 45_355))  # 22,677.5 ns
def test_the_period_is_the_nearest_whole_number_of_ns(rate: Fraction) -> None:
    # The oracle is round() of Python's own fractions, to the even one of two equally near (HDR-05).
    assert silence(rate=rate).period_ns == round(Fraction(10**9) / rate)
