"""Whatever a decoder gives back is judged, and the same words in any container are the same."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from dryload.harness.trial.changes import changed_dumps
from dryload.harness.trial.decoder_verdict import read
from dryload.harness.trial.dumps import DumpProbe, good_dumps
from dryload.harness.trial.hearing import in_wav
from dryload.harness.trial.task import CallAnswer, CallEnding, Heard

PROBES = [each for each in (*good_dumps((16, 12, 24)), *changed_dumps(16)) if each.task.size < 300]
GOOD = [each for each in PROBES if each.made_for is not None and each.task.size > 80]


def judged(probe: DumpProbe, heard: Heard) -> list[str]:
    answer = CallAnswer(ending=CallEnding.MADE, heard=heard)
    return [each.kind for each in read(probe, answer, lambda _: False).findings]


ANYTHING = st.builds(
    Heard,
    words=st.sampled_from(["i1", "u1", "<i2", ">i2", "i4", "u8", "i8", "f2", "f4", "f8"]).flatmap(
        lambda kind: arrays.arrays(kind, st.integers(0, 90))
    ),
    bits=st.integers(-3, 70) | st.just(10**9),
    rate=st.floats(),
    number=st.none() | st.integers(),
    loop=st.none() | st.tuples(st.integers(), st.integers(), st.integers()),
    name=st.none() | st.text(),
)


@given(st.sampled_from(PROBES), ANYTHING)
def test_nothing_that_comes_back_raises(probe: DumpProbe, heard: Heard) -> None:
    judged(probe, heard)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_a_wav_file_of_any_kind_that_holds_the_words_is_right(subtype: str) -> None:
    most = {"PCM_16": 16, "PCM_24": 24, "FLOAT": 24}.get(subtype, 28)
    tried = 0
    for probe in GOOD:
        sample = probe.meanings[0].sample
        if sample.bits > most:
            continue
        wide = sample.words.astype(np.int64) << (32 - sample.bits)
        target = io.BytesIO()
        rate = round(sample.rate)
        given_words = wide.astype(np.int32) if subtype.startswith("PCM") else wide / 2.0**31
        soundfile.write(target, given_words, rate, format="WAV", subtype=subtype)
        assert judged(probe, in_wav(target.getvalue())) == []
        tried += 1
    assert tried > 50


def test_one_bit_of_one_word_is_seen_in_any_container() -> None:
    for probe in GOOD:
        sample = probe.meanings[0].sample
        words = sample.words.astype(np.int64)
        words[-1] ^= 1
        rate = float(sample.rate)
        for given_words, bits in (
            (words, sample.bits),
            (words << (32 - sample.bits), 32),
            (words / 2.0 ** (sample.bits - 1), 0),
        ):
            assert judged(probe, Heard(words=given_words, bits=bits, rate=rate)) != []
