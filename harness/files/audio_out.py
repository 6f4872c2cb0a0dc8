"""Sample words as an audio file that keeps every bit of them."""

import io
from os.path import splitext
from typing import Final

import numpy as np
import soundfile
from msgspec import Struct

from dryload.emulator.wire.prose import listed
from dryload.emulator.wire.words import Words
from dryload.harness.files import instrument
from dryload.harness.files.instrument import Instrument
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem

_BLOCK: Final = 1 << 16  # frames that are written at a time


class _Format(Struct, frozen=True, kw_only=True):
    name: str
    subtypes: tuple[tuple[int, str], ...]
    """(bits, name), the narrowest first."""
    channels: int
    rate: int


_WAV: Final = _Format(
    name="WAV",
    subtypes=((8, "PCM_U8"), (16, "PCM_16"), (24, "PCM_24"), (32, "PCM_32")),
    channels=1024,
    rate=2**31 - 1,
)
_AIFF: Final = _Format(
    name="AIFF",
    # Not 8: of an odd number of one-byte words the library counts the filling byte as a word, too.
    subtypes=((16, "PCM_16"), (24, "PCM_24"), (32, "PCM_32")),
    channels=1024,
    rate=800_000_000,
)
_FLAC: Final = _Format(
    name="FLAC",
    subtypes=((8, "PCM_S8"), (16, "PCM_16"), (24, "PCM_24")),
    channels=8,
    rate=655_350,
)
_FORMATS: Final = {".wav": _WAV, ".flac": _FLAC, ".aif": _AIFF, ".aiff": _AIFF}


def check_name(path: str) -> None:
    """Raise a Problem if the ending of a name is not that of a writable audio format."""
    _format_of(path)


def form_of(path: str) -> str:
    """Return the format that the ending of a name asks for: WAV, AIFF or FLAC."""
    return _format_of(path).name


def made(
    words: Words,
    *,
    bits: int,
    channels: int,
    rate: int,
    path: str,
    said: Instrument | None = None,
) -> bytes:
    """Return an audio file of `words`, in the format of the name's ending, that keeps every bit.

    `rate` is in Hz; words narrower than the format's are left-justified in it.  `said` is what the
    format can say beside the words, as `instrument.kept` returns it.
    """
    kind = _format_of(path)
    subtype = next((name for most, name in kind.subtypes if bits <= most), None)
    if subtype is None:
        raise Problem(
            f"{kind.name} cannot keep words of {bits} bits: {kind.subtypes[-1][0]} at most.",
            do="Name a .wav file.",
        )
    if channels > kind.channels or rate > kind.rate:
        what = f"{channels} channels" if channels > kind.channels else f"{rate:,} Hz"
        raise Problem(f"{kind.name} cannot keep {what}.", do="Name a .wav file.")
    target = io.BytesIO()
    frames = words.reshape(-1, channels)
    with soundfile.SoundFile(
        target, "w", rate, channels=channels, format=kind.name, subtype=subtype
    ) as audio:
        for at in range(0, len(frames), _BLOCK):
            audio.write(frames[at : at + _BLOCK].astype(np.int32) << np.int32(32 - bits))
    content = target.getvalue()
    return content if said is None else instrument.written(content, said, rate=rate)


def _format_of(path: str) -> _Format:
    ending = splitext(path)[1].lower()
    kind = _FORMATS.get(ending)
    if kind is None:
        raise Problem(
            f"{shown(path)}: audio files are written as {listed(tuple(_FORMATS))}.",
            do="Give a name with one of these endings.",
        )
    return kind
