"""Audio files: the sound in them as sample words.

Theory of operation.  A source of whole numbers is read as such, left-justified in 32 bits; as
floating-point numbers of 64 bits they are still exact, so a word keeps all that fits.  A narrower
word is the nearest one, ties upwards, and the highest one where that would overflow.  Only a source
of floating-point numbers, or one that was resampled, can be beyond full scale; those words become
the highest or the lowest one, never wrap (WRD-10), and are counted.
"""

import io
from fractions import Fraction
from typing import Any, Final, Literal

import numpy as np
import soundfile
import soxr
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from dryload.emulator.ports.hush import hushed
from dryload.emulator.wire.words import Words, word_dtype
from dryload.harness.files import opening
from dryload.harness.files.kinds import AUDIO_ADVICE, DUMP, HEAD_BYTES, kind_of
from dryload.harness.files.problem import Problem

Channel = int | Literal["mix", "both"]
"""A channel counted from 1, all of them mixed to one, or all of them side by side."""

LARGEST: Final = 256 << 20
MOST_WORDS: Final = 100_000_000
"""Words that are read at most: more than a day on the line."""
_FLOATING: Final = {"FLOAT", "DOUBLE", "VORBIS", "OPUS"}
_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FULL_SCALE: Final = 2.0**31  # of words left-justified in 32 bits
_BLOCK: Final = 1 << 20  # frames that are converted at a time


class Recording(Struct, frozen=True, kw_only=True, eq=False):
    """A sound as it was in its file."""

    frames: NDArray[np.int32] | NDArray[np.float64]
    """Shape (frames, channels): int32, left-justified, or float64 with 1.0 as full scale."""
    rate: Fraction
    """In Hz."""
    source: str
    """How its words were kept: "16-bit", "floating-point"."""
    remarks: tuple[str, ...] = ()

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.frames.shape[1])


class Converted(Struct, frozen=True, kw_only=True, eq=False):
    """Words made from a recording."""

    words: Words
    """Flat and interleaved, of the type `word_dtype(bits)`."""
    channels: int
    clipped: int
    """Words that were beyond full scale and became the highest or lowest one."""
    no_numbers: int
    """Words that were not numbers and became 0."""


class _AudioBytes(io.BytesIO):
    """Bytes in memory that the audio library may search beyond their ends."""

    def seek(self, offset: int, whence: int = 0, /) -> int:
        """Seek, or stay where a broken file would send us to nowhere."""
        try:
            return super().seek(offset, whence)
        except ValueError:
            return self.tell()


def read(path: str) -> Recording:
    """Return the sound of an audio file, "-" being standard input; a Problem if that fails."""
    name = opening.shown(path)
    with opening.source(path) as file:
        content = opening.read_all(file, name, LARGEST)
    _refuse_other_kinds(name, content)
    try:
        with hushed(), soundfile.SoundFile(_AudioBytes(content)) as sound:
            if sound.frames * sound.channels > MOST_WORDS:
                raise Problem(
                    f"{name} is too long: {sound.frames:,} frames of {sound.channels} channels.",
                    do="A dump of it would take more than a day on the line: shorten it first.",
                )
            recording = _recording(sound)
    except (RuntimeError, ValueError, MemoryError) as problem:
        reason = str(getattr(problem, "error_string", problem)).removeprefix("Error : ").rstrip(".")
        if "does not exist" in reason:  # what the library says about an unknown format
            reason = "its format is not known"
        raise Problem(
            f"{name} is not a readable audio file: {reason}.",
            do="WAV, AIFF, FLAC and Ogg files are supported.",
        ) from problem
    if not recording.frames.size:
        raise Problem(f"{name} holds no sound: 0 words.")
    return replace(recording, remarks=_cut_short(content))


def _refuse_other_kinds(name: str, content: bytes) -> None:
    # Asked before the library is: it would take a dump for an audio file, and not read it well.
    kind = DUMP if content.startswith(b"\xf0\x7e") else kind_of(content[:HEAD_BYTES])
    if kind is DUMP:
        raise Problem(f"{name} is already a dump.", do="dryload decode converts it to audio.")
    if kind is not None and kind.advice != AUDIO_ADVICE:
        raise Problem(f"{name} is {kind.name}, not an audio file.")


def _recording(sound: soundfile.SoundFile) -> Recording:
    floating = sound.subtype in _FLOATING or sound.subtype.startswith("MPEG")
    bits = _BITS.get(sound.subtype)
    if not sound.seekable():
        raise ValueError("it can only be read from end to end")
    kept = "float64" if floating else "int32"
    # Block by block: a broken header may announce more than any memory holds.
    parts = [sound.read(0, dtype=kept, always_2d=True)]
    while len(part := sound.read(_BLOCK, dtype=kept, always_2d=True)):
        parts.append(part)
    return Recording(
        frames=np.concatenate(parts),
        rate=Fraction(sound.samplerate),
        source=f"{bits}-bit" if bits else "floating-point" if floating else sound.subtype_info,
    )


def _cut_short(content: bytes) -> tuple[str, ...]:
    orders: dict[bytes, Literal["little", "big"]] = {b"RIFF": "little", b"FORM": "big"}
    order = orders.get(content[:4])
    if order is not None:
        size = int.from_bytes(content[4:8], order) + 8
        # A recorder that lost its power leaves 0 or all ones.
        if len(content) < size < 0xFFFF_0000:
            return (f"the audio file is cut short: {size - len(content):,} bytes are missing",)
    return ()


def resample(recording: Recording, rate: Fraction) -> Recording:
    """Return a recording at another rate; the same one where it has that rate already."""
    if rate == recording.rate:
        return recording
    length = recording.frames.shape[0] * rate / recording.rate
    if length * recording.channels > MOST_WORDS:
        raise Problem(f"{float(rate):g} Hz would make it too long: {int(length):,} frames.")
    frames: NDArray[Any] = recording.frames
    if frames.dtype == np.int32:
        frames = frames / _FULL_SCALE
    made = soxr.resample(frames, float(recording.rate), float(rate), quality="VHQ")
    if not made.size:
        raise Problem(f"{float(rate):g} Hz would leave no sound.", do="Choose a higher rate.")
    return replace(recording, frames=made.reshape(-1, recording.channels), rate=rate)


def words_of(recording: Recording, *, bits: int, channel: Channel = "both") -> Converted:
    """Return the words of a recording; ValueError for a channel that it doesn't have."""
    if isinstance(channel, int):
        if not 1 <= channel <= recording.channels:
            raise ValueError(f"there is no channel {channel}: there are {recording.channels}")
        frames: NDArray[Any] = recording.frames[:, channel - 1 : channel]
    else:
        frames = recording.frames
    mixed = channel == "mix"
    parts = [
        _converted(frames[start : start + _BLOCK], bits, mixed)
        for start in range(0, len(frames), _BLOCK)
    ]
    return Converted(
        words=np.concatenate([words for words, _, _ in parts]),
        channels=1 if mixed else frames.shape[1],
        clipped=sum(clipped for _, clipped, _ in parts),
        no_numbers=sum(no_numbers for _, _, no_numbers in parts),
    )


def _converted(block: NDArray[Any], bits: int, mixed: bool) -> tuple[Words, int, int]:
    """Return the words of some frames, and how many were clipped and no numbers."""
    top = float(1 << (bits - 1))
    if block.dtype == np.int32:
        block = block / _FULL_SCALE  # exact, and so is a tie of a mix: 53 bits are enough for both
    with np.errstate(over="ignore", invalid="ignore"):  # infinities are clipped like the rest
        values = block.mean(axis=1) if mixed else block.reshape(-1)
        strange = np.isnan(values)
        values = np.where(strange, 0.0, values)
        clipped = int(np.count_nonzero(np.abs(values) > 1.0))
        scaled = np.clip(values * top, -top, top)
        words = np.floor(scaled)
        words += scaled - words >= 0.5  # adding 0.5 before would round twice
        words = np.minimum(words, top - 1)
    return words.astype(word_dtype(bits)), clipped, int(np.count_nonzero(strange))
