"""Audio files: the sound in them as sample words.

Theory of operation.  A source of whole numbers is read as such, left-justified in 32 bits; as
floating-point numbers of 64 bits they are still exact, so a word keeps all that fits.  A narrower
word is the nearest one, ties upwards, and the highest one where that would overflow.  Only a source
of floating-point numbers, or one that was resampled, can be beyond full scale; those words become
the highest or the lowest one, never wrap (WRD-10), and are counted.
"""

import io
from fractions import Fraction
from math import log2
from typing import Any, Final, Literal

import numpy as np
import soundfile
import soxr
from msgspec import Struct
from msgspec.structs import replace
from numpy.random import PCG64
from numpy.typing import NDArray

from dryload.emulator.dump.sample import Loop
from dryload.emulator.ports.hush import hushed
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.words import Words, word_dtype
from dryload.harness.files import instrument, opening
from dryload.harness.files.kinds import AUDIO_ADVICE, DUMP, HEAD_BYTES, kind_of
from dryload.harness.files.problem import Problem

Channel = int | Literal["mix", "both"]
"""A channel counted from 1, all of them mixed to one, or all of them side by side."""

LARGEST: Final = 256 << 20
MOST_WORDS: Final = 100_000_000
"""Words that are read at most: more than a day on the line."""
_FLOATING: Final = {"FLOAT", "DOUBLE", "VORBIS", "OPUS"}
_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
FLOATING_BITS: Final = 24
"""Width that a sound of floating-point numbers is taken to have (our choice)."""
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
    loop: Loop | None = None
    """In frames."""
    root: int | None = None
    """MIDI note number of the key at which it has its own pitch."""
    fine_cents: float = 0.0
    """How far its own pitch lies above that key."""
    remarks: tuple[str, ...] = ()

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.frames.shape[1])

    @property
    def bits(self) -> int:
        """Bits of its words; those of floating-point numbers have `FLOATING_BITS`."""
        bits = self.source.removesuffix("-bit")
        return int(bits) if bits.isdigit() else FLOATING_BITS

    def is_exact_in(self, bits: int) -> bool:
        """Whether words of `bits` hold its own, so that nothing is rounded."""
        return self.frames.dtype == np.int32 and self.bits <= bits


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
    told = instrument.read(content, frames=len(recording.frames), rate=int(recording.rate))
    return replace(
        recording,
        rate=told.rate or recording.rate,
        loop=told.loop,
        root=told.root,
        fine_cents=told.fine_cents,
        remarks=(*_cut_short(content), *told.remarks),
    )


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


def as_floats(recording: Recording) -> NDArray[np.float64]:
    """Return the frames of a recording with 1.0 as full scale, which is exact."""
    frames: NDArray[Any] = recording.frames
    return frames / _FULL_SCALE if frames.dtype == np.int32 else frames


def taken(recording: Recording, channel: Channel) -> Recording:
    """Return one channel of a recording, or all mixed to one; ValueError for one it hasn't."""
    frames: NDArray[Any] = recording.frames
    if channel == "both" or (recording.channels == 1 and channel == "mix"):
        return recording
    if channel != "mix":
        if not 1 <= channel <= recording.channels:
            raise ValueError(f"there is no channel {channel}: there are {recording.channels}")
        return replace(recording, frames=frames[:, channel - 1 : channel])
    scale = _FULL_SCALE if frames.dtype == np.int32 else 1.0
    with np.errstate(over="ignore", invalid="ignore"):
        # Exact for whole numbers: 53 bits hold their sum, so that a mix is rounded once.
        parts = [
            (frames[at : at + _BLOCK] / scale).mean(axis=1, keepdims=True)
            for at in range(0, len(frames), _BLOCK)
        ]
    return replace(recording, frames=np.concatenate(parts))


def resample(recording: Recording, rate: Fraction) -> Recording:
    """Return a recording at another rate; the same one where it has that rate already.

    Its loop begins at the nearest frame and has the nearest whole number of frames; what that does
    to its pitch is remarked.
    """
    if rate == recording.rate:
        return recording
    length = recording.frames.shape[0] * rate / recording.rate
    if length * recording.channels > MOST_WORDS:
        raise Problem(f"{float(rate):g} Hz would make it too long: {int(length):,} frames.")
    made = soxr.resample(as_floats(recording), float(recording.rate), float(rate), quality="VHQ")
    if not made.size:
        raise Problem(f"{float(rate):g} Hz would leave no sound.", do="Choose a higher rate.")
    frames = made.reshape(-1, recording.channels)
    loop, remarks = _resampled_loop(recording.loop, rate / recording.rate, len(frames))
    remarks = (*recording.remarks, *remarks)
    return replace(recording, frames=frames, rate=rate, loop=loop, remarks=remarks)


def _resampled_loop(
    loop: Loop | None, ratio: Fraction, frames: int
) -> tuple[Loop | None, tuple[str, ...]]:
    if loop is None:
        return None, ()
    exact = (loop.end + 1 - loop.start) * ratio
    length = min(max(round(exact), 1), frames)
    start = min(round(loop.start * ratio), frames - length)
    made = replace(loop, start=start, end=start + length - 1)
    if exact == length:
        return made, ()
    cents = 1200 * log2(exact / length)
    said = (
        f"the loop is {counted(length, 'frame')} long now and not {float(exact):,.2f}: "
        f"it sounds {abs(cents):.2g} cents {'higher' if cents > 0 else 'lower'}"
    )
    return made, (said,)


def words_of(
    recording: Recording, *, bits: int, channel: Channel = "both", dither: bool = False
) -> Converted:
    """Return the words of a recording; ValueError for a channel that it doesn't have.

    Dither is triangular noise of less than one step, added where words are rounded, and the same
    for the same recording.
    """
    recording = taken(recording, channel)
    frames: NDArray[Any] = recording.frames
    noise = PCG64(0) if dither and not recording.is_exact_in(bits) else None
    parts = [
        _converted(frames[start : start + _BLOCK].reshape(-1), bits, noise)
        for start in range(0, len(frames), _BLOCK)
    ]
    return Converted(
        words=np.concatenate([words for words, _, _ in parts]),
        channels=recording.channels,
        clipped=sum(clipped for _, clipped, _ in parts),
        no_numbers=sum(no_numbers for _, _, no_numbers in parts),
    )


def _converted(values: NDArray[Any], bits: int, noise: PCG64 | None) -> tuple[Words, int, int]:
    """Return the words of some values, and how many were clipped and no numbers."""
    top = float(1 << (bits - 1))
    if values.dtype == np.int32:
        values = values / _FULL_SCALE
    with np.errstate(over="ignore", invalid="ignore"):  # infinities are clipped like the rest
        strange = np.isnan(values)
        scaled = np.where(strange, 0.0, values) * top
        if noise is not None:
            scaled += _triangular(noise, len(scaled))
        clipped = int(np.count_nonzero(np.abs(scaled) > top))
        scaled = np.clip(scaled, -top, top)
        words = np.floor(scaled)
        words += scaled - words >= 0.5  # adding 0.5 before would round twice
        words = np.minimum(words, top - 1)
    return words.astype(word_dtype(bits)), clipped, int(np.count_nonzero(strange))


def _triangular(noise: PCG64, count: int) -> NDArray[np.float64]:
    """Return random numbers between -1 and 1, those near 0 the likeliest.

    They are made of the bits themselves, which are the same in every release of numpy.
    """
    raw = noise.random_raw(count)
    return ((raw >> 32).astype(np.float64) - (raw & 0xFFFF_FFFF).astype(np.float64)) / 2.0**32
