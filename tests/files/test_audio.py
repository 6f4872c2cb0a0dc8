"""Audio files to words and back: against exact arithmetic and the standard library's WAV module."""

import io
import math
import sys
import wave
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.wire.words import word_dtype
from dryload.harness.files import audio, audio_out, rates
from dryload.harness.files.audio import Recording, resample, words_of
from dryload.harness.files.problem import Problem
from tests import oracle
from tests.files.test_dumpfile import Piped
from tests.files.test_midifile import file_of, track
from tests.vectors.periods import PERIODS

HALF = Fraction(1, 2)
widths = st.integers(8, 28)


def wav(values: list[int], *, width: int, channels: int = 1, rate: int = 44_100) -> bytes:
    """A WAV file of whole numbers, written by the standard library; `width` in bytes."""
    offset = 128 if width == 1 else 0  # one-byte words of a WAV file are unsigned
    target = io.BytesIO()
    with wave.open(target, "wb") as file:
        file.setparams((channels, width, rate, 0, "NONE", ""))
        file.writeframes(
            b"".join((v + offset).to_bytes(width, "little", signed=width > 1) for v in values)
        )
    return target.getvalue()


def put(folder: Path, content: bytes, name: str = "gulls.wav") -> str:
    path = folder / name
    path.write_bytes(content)
    return str(path)


def read_bytes(content: bytes) -> Recording:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stdin", Piped(content))
        return audio.read("-")


def refused(path: str) -> str:
    with pytest.raises(Problem) as caught:
        audio.read(path)
    assert str(caught.value).isprintable()
    return str(caught.value)


def nearest(value: Fraction, bits: int) -> int:
    """The plain rule: the nearest word, ties upwards, and never beyond the range."""
    top = 1 << (bits - 1)
    return max(-top, min(top - 1, math.floor(value * top + HALF)))


@st.composite
def sources(draw: st.DrawFn) -> tuple[list[int], int, int]:
    """Words of whole frames, their width in bytes and the number of channels."""
    width, channels = draw(st.integers(1, 4)), draw(st.integers(1, 3))
    top = 2 ** (8 * width - 1)
    values = st.integers(-top, top - 1) | st.sampled_from([-top, -top + 1, -1, 0, 1, top - 1])
    frames = draw(st.integers(1, 20)) * channels
    return draw(st.lists(values, min_size=frames, max_size=frames)), width, channels


@given(sources(), widths)
def test_whole_numbers_become_the_nearest_words(
    source: tuple[list[int], int, int], bits: int
) -> None:
    values, width, channels = source
    recording = read_bytes(wav(values, width=width, channels=channels))
    made = words_of(recording, bits=bits)
    full = 2 ** (8 * width - 1)
    assert made.words.tolist() == [nearest(Fraction(value, full), bits) for value in values]
    assert made.words.dtype == word_dtype(bits)
    assert (made.channels, made.clipped, made.no_numbers) == (channels, 0, 0)


@given(sources(), widths)
def test_a_mix_is_rounded_once(source: tuple[list[int], int, int], bits: int) -> None:
    values, width, channels = source
    made = words_of(
        read_bytes(wav(values, width=width, channels=channels)), bits=bits, channel="mix"
    )
    full = 2 ** (8 * width - 1) * channels
    sums = [sum(values[at : at + channels]) for at in range(0, len(values), channels)]
    assert made.words.tolist() == [nearest(Fraction(total, full), bits) for total in sums]
    assert made.channels == 1


@given(sources(), st.data())
def test_one_channel_is_that_channel(
    source: tuple[list[int], int, int], data: st.DataObject
) -> None:
    values, width, channels = source
    channel = data.draw(st.integers(1, channels))
    recording = read_bytes(wav(values, width=width, channels=channels))
    bits = 8 * width if width < 4 else 28
    made = words_of(recording, bits=bits, channel=channel)
    wanted = values[channel - 1 :: channels]
    if width < 4:
        assert made.words.tolist() == wanted  # the same width: the same words
    else:
        assert made.words.tolist() == [nearest(Fraction(value, 2**31), 28) for value in wanted]


@pytest.mark.parametrize("channel", [0, 3, -1])
def test_a_channel_that_is_not_there(channel: int) -> None:
    recording = read_bytes(wav([1, 2], width=2, channels=2))
    with pytest.raises(ValueError, match="there are 2"):
        words_of(recording, bits=16, channel=channel)


floats = (
    st.floats(-1.5, 1.5)
    | st.floats(allow_nan=False)
    | st.sampled_from([1.0, -1.0, math.inf, -math.inf, 0.49999999999999994 / 2**15, -0.0])
)


def float_wav(values: list[float], *, channels: int = 1, subtype: str = "DOUBLE") -> bytes:
    target = io.BytesIO()
    soundfile.write(
        target, np.array(values).reshape(-1, channels), 48_000, format="WAV", subtype=subtype
    )
    return target.getvalue()


@given(st.lists(floats, min_size=1, max_size=30), widths)
def test_floating_point_is_scaled_and_clipped(values: list[float], bits: int) -> None:
    made = words_of(read_bytes(float_wav(values)), bits=bits)
    finite = [math.copysign(2.0, value) if math.isinf(value) else value for value in values]
    assert made.words.tolist() == [nearest(Fraction(value), bits) for value in finite]
    assert made.clipped == sum(abs(value) > 1 for value in values)
    assert made.no_numbers == 0


def test_what_is_no_number_becomes_silence_and_is_counted() -> None:
    made = words_of(read_bytes(float_wav([math.nan, 0.5, math.nan])), bits=16)
    assert (made.words.tolist(), made.no_numbers, made.clipped) == ([0, 16384, 0], 2, 0)


def test_a_mix_of_infinities_is_no_number() -> None:
    recording = read_bytes(float_wav([math.inf, -math.inf, 1.0, 0.0], channels=2))
    made = words_of(recording, bits=8, channel="mix")
    assert (made.words.tolist(), made.no_numbers) == ([0, 64], 1)


def test_a_long_recording_is_converted_in_blocks_that_do_not_show(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    values = [(7919 * i) % 65536 - 32768 for i in range(3000)]
    recording = read_bytes(wav(values, width=2, channels=3))
    at_once = words_of(recording, bits=12, channel="mix").words
    monkeypatch.setattr(audio, "_BLOCK", 7)
    assert words_of(recording, bits=12, channel="mix").words.tolist() == at_once.tolist()


@given(widths, st.integers(1, 3), st.sampled_from([".wav", ".aiff", ".AIF", ".flac"]), st.data())
def test_every_bit_survives_a_file(
    bits: int, channels: int, ending: str, data: st.DataObject
) -> None:
    if ending == ".flac" and bits > 24:
        ending = ".wav"
    top = 2 ** (bits - 1)
    size = data.draw(st.integers(1, 20)) * channels
    words = data.draw(st.lists(st.integers(-top, top - 1), min_size=size, max_size=size))
    content = audio_out.made(
        np.array(words, word_dtype(bits)),
        bits=bits,
        channels=channels,
        rate=22_050,
        path="x" + ending,
    )
    if ending in {".flac", ".wav"}:
        expected = {8: 8, 16: 16, 24: 24}.get(-(-bits // 8) * 8, 32)
        info = soundfile.info(io.BytesIO(content))
        assert info.subtype.lstrip("PCM_US") == str(expected)
    back = read_bytes(content)
    assert back.rate == 22_050
    assert back.channels == channels
    assert words_of(back, bits=bits).words.tolist() == words


@pytest.mark.parametrize(
    ("bits", "width"), [(8, 1), (9, 2), (12, 2), (16, 2), (17, 3), (24, 3), (25, 4), (28, 4)]
)
def test_the_standard_library_reads_the_same_words_left_justified(bits: int, width: int) -> None:
    words = [-(2 ** (bits - 1)), -1, 0, 1, 2 ** (bits - 1) - 1]
    content = audio_out.made(
        np.array(words, word_dtype(bits)), bits=bits, channels=1, rate=44_100, path="x.wav"
    )
    with wave.open(io.BytesIO(content)) as file:
        assert (file.getsampwidth(), file.getframerate()) == (width, 44_100)
        raw = file.readframes(len(words))
    offset = 128 if width == 1 else 0
    found = [
        int.from_bytes(raw[at : at + width], "little", signed=width > 1) - offset
        for at in range(0, len(raw), width)
    ]
    assert found == [word << (8 * width - bits) for word in words]


@pytest.mark.parametrize(
    ("path", "bits", "channels", "rate", "said"),
    [
        ("x.flac", 25, 1, 44_100, "FLAC cannot keep words of 25 bits: 24 at most"),
        ("x.flac", 16, 9, 44_100, "FLAC cannot keep 9 channels"),
        ("x.flac", 16, 1, 700_000, "FLAC cannot keep 700,000 Hz"),
        ("x.aiff", 16, 1, 1_000_000_000, "AIFF cannot keep 1,000,000,000 Hz"),
        ("x.syx", 16, 1, 44_100, "audio files are written as .wav, .flac"),
        ("wav", 16, 1, 44_100, "audio files are written as .wav, .flac"),
    ],
)
def test_what_a_format_cannot_keep(
    path: str, bits: int, channels: int, rate: int, said: str
) -> None:
    words = np.zeros(channels, word_dtype(bits))
    with pytest.raises(Problem, match=said):
        audio_out.made(words, bits=bits, channels=channels, rate=rate, path=path)


@pytest.mark.parametrize("rate", [1, 655_350])
def test_the_ends_of_what_a_format_can_keep(rate: int) -> None:
    for path in ("x.flac", "x.wav", "x.aiff"):
        content = audio_out.made(np.zeros(8, np.int8), bits=8, channels=8, rate=rate, path=path)
        assert read_bytes(content).rate == rate


@pytest.mark.parametrize(("hz", "period"), [(hz, period) for hz, period, _ in PERIODS])
def test_a_period_gives_the_common_rate_that_was_meant(hz: int, period: int) -> None:
    assert rates.whole_rate(Fraction(10**9, period))[0] == hz


@pytest.mark.parametrize(
    ("rate", "whole", "said"),
    [
        (Fraction(44_100), 44_100, ""),
        (Fraction(10**9, 22_675), 44_100, "44,101.43 Hz, is taken as 44,100 Hz"),
        (Fraction(10**9, 22_676), 44_100, "44,099.49 Hz, is taken as 44,100 Hz"),
        (Fraction(10**9, 22_680), 44_092, "44,091.71 Hz, is rounded to 44,092 Hz"),
        (Fraction(44_101), 44_101, ""),  # a whole number is nobody's rounding
        (Fraction(44_100_000, 1001), 44_056, "44,055.94 Hz, is rounded to 44,056 Hz"),
        (Fraction(1, 3), 1, "0.33 Hz, is rounded to 1 Hz"),
        # 0.01 % of 8,000 Hz is 0.8 Hz.
        (Fraction(80_008, 10), 8_000, "is taken as 8,000"),
        (Fraction(80_009, 10), 8_001, "is rounded to 8,001"),
    ],
)
def test_whole_rates(rate: Fraction, whole: int, said: str) -> None:
    found, remark = rates.whole_rate(rate)
    assert found == whole
    assert said in remark if said else not remark


def test_no_resampling_where_the_rate_is_right_already() -> None:
    recording = read_bytes(wav([1, 2, 3], width=2))
    assert resample(recording, Fraction(44_100)) is recording


def test_resampling_keeps_a_tone_and_its_level() -> None:
    """A tone of 1 kHz at half of full scale, computed, from 48 to 24 kHz."""
    tone = [round(2**22 * math.sin(math.tau * i / 48)) for i in range(4800)]
    made = resample(read_bytes(wav(tone, width=3, rate=48_000)), Fraction(24_000))
    assert made.rate == 24_000
    assert made.frames.shape == (2400, 1)
    wanted = [0.5 * math.sin(math.tau * i / 24) for i in range(2400)]
    middle = slice(200, 2200)  # the filter has no past at the ends
    assert made.frames[middle, 0].tolist() == pytest.approx(wanted[middle], abs=1e-5)


def test_resampling_takes_away_what_the_new_rate_cannot_hold() -> None:
    tone = [round(2**22 * math.sin(math.tau * i * 10 / 48)) for i in range(4800)]  # 10 kHz
    made = resample(read_bytes(wav(tone, width=3, rate=48_000)), Fraction(16_000))
    assert np.abs(made.frames[200:-200]).max() < 1e-4


def test_resampling_that_leaves_nothing_or_too_much(monkeypatch: pytest.MonkeyPatch) -> None:
    recording = read_bytes(wav([1] * 100, width=2))
    with pytest.raises(Problem, match="would leave no sound"):
        resample(recording, Fraction(1, 1000))
    monkeypatch.setattr(audio, "MOST_WORDS", 200)
    assert len(resample(recording, Fraction(88_200)).frames) == 200
    monkeypatch.setattr(audio, "MOST_WORDS", 199)
    with pytest.raises(Problem, match="too long: 200 frames"):
        resample(recording, Fraction(88_200))


@pytest.mark.parametrize(
    ("content", "source"),
    [
        (wav([1], width=1), "8-bit"),
        (wav([1], width=3), "24-bit"),
        (float_wav([0.5]), "floating-point"),
        (float_wav([0.5], subtype="ULAW"), "U-Law"),
    ],
    ids=["8-bit", "24-bit", "floating-point", "U-Law"],  # the bytes of one hold the time of day
)
def test_how_the_source_was_kept_is_told(content: bytes, source: str) -> None:
    assert read_bytes(content).source == source


def test_a_file_that_was_cut_short_says_so(tmp_path: Path) -> None:
    content = wav(list(range(1000)), width=2)
    recording = audio.read(put(tmp_path, content[:-500]))
    assert len(recording.frames) == 750
    assert recording.remarks == ("the audio file is cut short: 500 bytes are missing",)
    assert audio.read(put(tmp_path, content)).remarks == ()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (oracle.dump(bits=16, words=[0] * 40, sample_number=1, period_ns=22_676), "already a dump"),
        (file_of(track()), "is a Standard MIDI File, not an audio file"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "is a PNG picture, not an audio file"),
        (b"the gulls\n", "is a text file, not an audio file"),
        (b"\xf1" * 1000, "not a readable audio file: Format not recognised"),
        (b"RIFF\0\0\0\0WAVE", "not a readable audio file"),
        (wav([], width=2), "holds no sound: 0 words"),
        (b"", "is empty"),
        (b"fLaC" + bytes(100), "not a readable audio file"),
    ],
)
def test_what_is_no_audio_file_is_named(tmp_path: Path, content: bytes, said: str) -> None:
    assert said in refused(put(tmp_path, content))


@pytest.mark.parametrize("kind", ["OGG", "MP3", "CAF", "AU", "AIFF", "FLAC"])
def test_other_formats_that_the_library_knows(tmp_path: Path, kind: str) -> None:
    tone = np.sin(np.arange(8000) / 20) / 2
    target = io.BytesIO()
    soundfile.write(target, tone, 44_100, format=kind)
    recording = audio.read(put(tmp_path, target.getvalue(), "tone"))
    assert (len(recording.frames), int(recording.rate)) == (8000, 44_100)
    words = words_of(recording, bits=16).words[2000:6000] / 2**15
    assert np.abs(words - tone[2000:6000]).max() < 0.02  # some formats keep the sound, not its bits


def test_a_format_that_can_only_be_read_from_end_to_end(tmp_path: Path) -> None:
    target = io.BytesIO()
    soundfile.write(target, np.zeros(100, np.int16), 44_100, format="XI")
    assert "not a readable audio file" in refused(put(tmp_path, target.getvalue()))


def test_a_flac_file_that_breaks_off(tmp_path: Path) -> None:
    target = io.BytesIO()
    soundfile.write(target, np.arange(20_000, dtype=np.int16), 44_100, format="FLAC")
    assert "is not a readable audio file" in refused(put(tmp_path, target.getvalue()[:-2000]))


def test_an_mp3_file_that_breaks_off_is_refused_quietly(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The audio library would print a traceback where it seeks to nowhere."""
    target = io.BytesIO()
    soundfile.write(target, np.zeros(5000, np.int16), 44_100, format="MP3")
    assert "is not a readable audio file" in refused(put(tmp_path, target.getvalue()[:60]))
    assert "Traceback" not in capsys.readouterr().err


def test_a_recording_that_is_too_long(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audio, "MOST_WORDS", 999)
    path = put(tmp_path, wav([0] * 1000, width=2, channels=2))
    assert "too long: 500 frames of 2 channels" in refused(path)


@pytest.mark.parametrize("name", ["no such file", ""])
def test_no_file(tmp_path: Path, name: str) -> None:
    assert "there is no such file" in refused(str(tmp_path / name / "gulls.wav"))
