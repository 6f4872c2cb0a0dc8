"""What can be done to a sound: what is said of a change is what making it comes to."""

from __future__ import annotations

from fractions import Fraction
from math import log2

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.profile import load_profile
from dryload.emulator.unit.traits import WordTraits
from dryload.harness.files.audio import Recording
from dryload.harness.plan.change import MOST_LOSS, Offer, narrower, needed, smaller, unheard
from dryload.harness.plan.gather import Candidate
from dryload.harness.plan.make import PlanItem, made
from tests import oracle

PLAIN = WordTraits()
STEREO = WordTraits(accepts=(8, 12, 16, 24), channels=(1, 2))


def sound(
    frames: int = 4_000,
    *,
    channels: int = 1,
    rate: int = 44_100,
    bits: int = 16,
    loop: Loop | None = None,
    silent: int = 0,
    period: int = 100,
) -> Recording:
    """A sine at 0.8 of full scale, with silence behind it."""
    wave = 0.8 * np.sin(2 * np.pi * np.arange(frames) / period)
    wave[frames - silent :] = 0
    left = (np.rint(wave * (1 << (bits - 1))).astype(np.int64) << (32 - bits)).astype(np.int32)
    columns = np.stack([left] * channels, axis=1)
    return Recording(frames=columns, rate=Fraction(rate), source=f"{bits}-bit", loop=loop)


def forward(start: int, end: int, loop_type: int = 0x00) -> Loop:
    return Loop(start=start, end=end, loop_type=loop_type)


def ways(of: Recording, room: int, traits: WordTraits = PLAIN) -> list[Offer]:
    return smaller(of, needed(of, traits), room, traits)


@pytest.mark.parametrize(
    ("bits", "accepts", "kept"),
    [
        (16, (8, 12, 16), 16),
        (14, (12, 16), 16),  # nothing is lost
        (20, (12, 16), 16),  # the least is lost
        (10, (12, 16), 12),
        (24, (16, 20, 24, 28), 24),
    ],
)
def test_a_width_becomes_the_narrowest_that_loses_nothing_or_else_the_widest(
    bits: int, accepts: tuple[int, ...], kept: int
) -> None:
    offer = needed(sound(bits=bits), WordTraits(accepts=accepts))
    assert offer.shape.bits == kept
    assert (offer.change.bits, bool(offer.change.why)) == (
        (None, False) if kept == bits else (kept, True)
    )


def test_channels_are_mixed_only_where_the_unit_keeps_no_more() -> None:
    stereo = sound(channels=2)
    assert needed(stereo, STEREO).shape.words == 8_000
    mono = needed(stereo, PLAIN)
    assert (mono.change.channel, mono.shape.words) == ("mix", 4_000)


@pytest.mark.parametrize(
    ("of", "room", "says"),
    [
        (sound(channels=2), 4_500, ["2 channels mixed to one"]),  # half an octave
        (sound(channels=2), 6_500, ["44,100 Hz to 32,000 Hz"]),  # log2(44.1 / 32) = 0.46 of one
        (sound(), 2_100, ["44,100 Hz to 22,050 Hz"]),  # one octave; half the length would be two
        (sound(silent=1_500), 2_600, ["0.03 s of silence at the end cut"]),
        (sound(loop=forward(500, 1_999)), 2_100, ["2,000 frames behind the loop cut"]),
        (sound(rate=8_000), 3_600, ["cut after 0.45 s of 0.50 s"]),  # no lower rate
    ],
)
def test_the_least_loss_comes_first(of: Recording, room: int, says: list[str]) -> None:
    traits = STEREO if of.channels == 2 else PLAIN
    first = next(each for each in ways(of, room, traits) if each.shape.words <= room)
    assert list(first.change.why) == says


def test_losses_are_counted_in_octaves_and_end_where_it_is_another_sound() -> None:
    found = ways(sound(), 4_000)
    assert [each.shape.rate for each in found] == [32_000, 22_050, 16_000, 11_025]
    for each in found:
        assert each.loss == pytest.approx(log2(44_100 / each.shape.rate))
        assert each.loss <= MOST_LOSS
        assert each.shape.bandwidth_hz == each.shape.rate / 2
    assert ways(sound(), 50) == []


@pytest.mark.parametrize("loop_type", [0x02, 0x03, 0x42, 0x43])
def test_what_is_played_after_a_loop_is_left_is_not_cut(loop_type: int) -> None:
    assert unheard(sound(loop=forward(500, 1_999, loop_type))) == 0  # EXT-04
    assert unheard(sound(loop=forward(500, 1_999))) == 2_000


def test_silence_is_silence_beside_the_loudest_word() -> None:
    """A tail that is 50 dB below it is heard, however quiet the recording is; 70 dB is not."""
    for loud in (1.0, 0.01):
        for tail_db, gone in ((-50, 0), (-70, 1_000)):
            wave = loud * np.ones((2_000, 1))
            wave[1_000:] *= 10 ** (tail_db / 20)
            of = Recording(frames=wave, rate=Fraction(44_100), source="floating-point")
            assert unheard(of) == gone
    assert unheard(sound(4_000, silent=4_000)) == 0  # nothing but silence stays what it is


def test_a_shorter_loop_is_closed_where_the_wave_goes_on() -> None:
    """Of a sine with a period of 60 frames it is a whole number of periods, as it was."""
    of = sound(11_000, period=60, loop=forward(1_000, 10_299))
    found = [each.change for each in ways(of, 11_000) if each.change.loop and not each.change.rate]
    loops = [each.loop for each in found if each.loop is not None]
    assert [each.length for each in found] == [loop.end + 1 for loop in loops]
    lengths = [loop.end - loop.start + 1 for loop in loops]
    assert [length % 60 for length in lengths] == [0, 0, 0]
    # Two thirds, a half and a third of 9,300 frames, each within a twentieth.
    for length, about in zip(lengths, (6_200, 4_650, 3_100), strict=True):
        assert abs(length - about) <= about / 20


def test_fewer_bits_gain_packets_and_no_words() -> None:
    least = needed(sound(bits=24), STEREO)
    found = narrower(least, STEREO)
    assert [each.shape.bits for each in found] == [16, 12]  # three bytes a word, then two
    for each in found:
        assert each.shape.words == least.shape.words
        assert each.shape.packets == oracle.packet_count(4_000, each.shape.bits)
    # 6.02 n + 1.76 dB for 16 and 12 bits (textbook)
    assert [round(each.shape.noise_db, 2) for each in found] == [98.08, 74.0]


@given(
    frames=st.integers(300, 5_000),
    channels=st.integers(1, 2),
    rate=st.sampled_from([8_000, 11_025, 22_050, 44_100, 48_000]),
    looped=st.booleans(),
    part=st.floats(0.2, 1.2),
)
@settings(max_examples=25, deadline=None)
def test_a_change_that_is_made_is_no_larger_than_was_said(
    frames: int, channels: int, rate: int, looped: bool, part: float
) -> None:
    of = sound(
        frames,
        channels=channels,
        rate=rate,
        silent=frames // 5,
        loop=forward(frames // 4, frames * 3 // 4) if looped else None,
    )
    candidate = Candidate(file="x", dump=1, sound=of, name="", given=None)
    for each in ways(of, int(frames * channels * part), STEREO)[:8]:
        wanted = PlanItem(candidate=candidate, change=each.change, number=1, name="")
        dump = oracle.read_dump(_bytes(wanted))
        assert dump.channels == each.shape.channels
        words = len(dump.words)
        assert each.shape.words - 3 * dump.channels <= words <= each.shape.words
        assert each.words == frames * channels - each.shape.words
        assert (dump.loop_type == 0x00) is looped
        if looped:
            assert 0 <= dump.loop_start < dump.loop_end < dump.length


def _bytes(wanted: PlanItem) -> bytes:
    sent = made(wanted, load_profile("double-bill"), 0).dump.outgoing
    return b"".join((sent.header, *sent.packets))
