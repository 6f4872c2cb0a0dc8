"""Real recordings: speech and instruments from Debian packages, to a dump and back.

alsa-utils brings spoken words, freepats notes of instruments; neither is part of this project.
Where a package is not installed its tests are skipped and say so.
"""

import io
import struct
import wave
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from msgspec import Struct

from dryload.harness.files.audio_out import made
from dryload.harness.jobs.convert import EncodeOptions, FromFile, decode_file, encode, file_of
from tests import oracle

SPEECH = Path("/usr/share/sounds/alsa")
NOTES = Path("/usr/share/midi/freepats/Drum_000")
STEP = 40  # words of 16 bits in a packet (M1 p. 39)

pytestmark = pytest.mark.recording


class Take(Struct, frozen=True):
    """One recording: words of 16 bits, mono, and the rate in Hz."""

    name: str
    words: list[int]
    rate: int


def spoken() -> Iterator[Take]:
    """The spoken words, read by the standard library."""
    for path in sorted(SPEECH.glob("*.wav")):
        with wave.open(str(path)) as file:
            if (file.getnchannels(), file.getsampwidth()) == (1, 2):
                raw = file.readframes(file.getnframes())
                yield Take(path.name, np.frombuffer(raw, "<i2").tolist(), file.getframerate())


def played() -> Iterator[Take]:
    """The first note of each small instrument file.

    Its words follow 335 bytes of description: at 239 + 8 their size in bytes, at 239 + 20 the rate,
    at 239 + 55 what they are: bit 0 is set for 16-bit words, bit 1 for unsigned ones (common
    practice for such files).
    """
    for path in sorted(NOTES.glob("*.pat")):
        raw = path.read_bytes()
        size, rate, modes = (
            *struct.unpack_from("<I", raw, 247),
            *struct.unpack_from("<H", raw, 259),
            raw[294],
        )
        if modes & 3 == 1 and 335 + size <= len(raw) and size < 200_000:
            yield Take(path.name, np.frombuffer(raw[335 : 335 + size], "<i2").tolist(), rate)


def takes(source: Iterator[Take], package: str, most: int) -> list[object]:
    found = [pytest.param(take, id=take.name) for take, _ in zip(source, range(most), strict=False)]
    if found:
        return list(found)
    reason = f"no recordings here: the Debian package {package} is not installed"
    return [pytest.param(None, id=package, marks=pytest.mark.skip(reason=reason))]


TAKES = takes(spoken(), "alsa-utils", 4) + takes(played(), "freepats", 8)
every_take = pytest.mark.parametrize("take", TAKES)


def encoded(folder: Path, take: Take, ending: str = ".wav", bits: int = 16) -> bytes:
    """The dump that we make of a recording in an audio file."""
    path = folder / f"take{ending}"
    path.write_bytes(
        made(np.array(take.words, np.int16), bits=16, channels=1, rate=take.rate, path=path.name)
    )
    dump = encode(str(path), EncodeOptions(bits=bits)).dump
    return file_of([dump], "take.syx")


def decoded(folder: Path, dump: bytes) -> FromFile:
    path = folder / "take.syx"
    path.write_bytes(dump)
    return decode_file(str(path))


@every_take
def test_a_recording_is_loud_enough_to_prove_something(take: Take) -> None:
    """A control: silence would come back equal from any codec."""
    assert len(set(take.words)) > 100
    assert max(map(abs, take.words)) > 1000


@every_take
@pytest.mark.parametrize("ending", [".wav", ".flac", ".aiff"])
def test_a_recording_comes_back_as_it_was(tmp_path: Path, take: Take, ending: str) -> None:
    dump = encoded(tmp_path, take, ending)
    assert oracle.read_dump(dump).words == take.words
    found = decoded(tmp_path, dump)
    assert found.contents.is_whole
    assert found.sample.words.tolist() == take.words
    assert abs(found.sample.rate - take.rate) < Fraction(take.rate, 10_000)


@every_take
@pytest.mark.parametrize("bits", [8, 12, 24])
def test_a_recording_of_another_width_is_the_nearest(tmp_path: Path, take: Take, bits: int) -> None:
    step = Fraction(2) ** (16 - bits)  # of the other width, in steps of 16 bits
    highest = (2 ** (bits - 1) - 1) * step
    words = decoded(tmp_path, encoded(tmp_path, take, bits=bits)).sample.words.tolist()
    for word, source in zip(words, take.words, strict=True):
        assert abs(word * step - min(source, highest)) <= step / 2


def foreign(take: Take, count: int) -> bytes:
    """The dump that a general-purpose audio library makes of the first `count` words."""
    target = io.BytesIO()
    words = np.array(take.words[:count], np.int16)
    soundfile.write(target, words, take.rate, format="SDS", subtype="PCM_16")
    return target.getvalue()


@every_take
def test_a_foreign_dump_of_whole_packets_is_the_recording(tmp_path: Path, take: Take) -> None:
    count = len(take.words) // STEP * STEP
    dump = foreign(take, count)
    found = decoded(tmp_path, dump)
    assert found.contents.is_whole
    assert found.sample.words.tolist() == take.words[:count]
    cut = Take(take.name, take.words[:count], take.rate)
    assert encoded(tmp_path, cut)[21:] == dump[21:], "the packets are the same byte for byte"


@every_take
def test_a_foreign_dump_of_any_length_is_the_recording_up_to_its_spoiled_end(
    tmp_path: Path, take: Take
) -> None:
    """The library spoils a short last packet; see tests/outside/test_soundfile.py."""
    count = len(take.words)
    found = decoded(tmp_path, foreign(take, count))
    whole = count // STEP * STEP
    assert len(found.sample.words) == count
    assert found.sample.words[:whole].tolist() == take.words[:whole]


@every_take
def test_a_foreign_reader_hears_the_recording_in_our_dump(tmp_path: Path, take: Take) -> None:
    count = len(take.words) // STEP * STEP
    dump = encoded(tmp_path, Take(take.name, take.words[:count], take.rate))
    frames, rate = soundfile.read(io.BytesIO(dump), dtype="int16")
    assert frames.tolist() == take.words[:count]
    assert abs(rate - take.rate) <= take.rate / 10_000 + 1
