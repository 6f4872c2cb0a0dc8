"""A folder as the Lantern Street theatre has it before a unit is loaded; all of it invented."""

from __future__ import annotations

import wave
from collections.abc import Sequence
from io import BytesIO
from math import pi, sin
from pathlib import Path
from typing import Final

from tests import oracle
from tests.files.chunks import SmplLoop, smpl, with_chunks

PERIODS: Final = {44_100: 22_676, 22_050: 45_351, 11_025: 90_703}  # ns (M1 p. 37: nearest)
WIDTHS: Final = (8, 12, 14, 16, 16, 16, 20, 24)
FAR_TOO_LONG: Final = 20_000_000
"""Words of the recording that no unit can have, however it is changed."""


def tone(count: int, bits: int, period: int = 97) -> list[int]:
    """A decaying tone."""
    top = (1 << (bits - 1)) - 1
    return [
        round(top * 0.8 * (1 - i / (2 * count)) * sin(2 * pi * i / period)) for i in range(count)
    ]


def dump(number: int, count: int, *, bits: int = 16, rate: int = 22_050, name: str = "") -> bytes:
    """A dump by the plain codec, with a name behind it if it has one."""
    words = tone(count, bits, 50 + number)
    made = oracle.dump(bits=bits, words=words, sample_number=number, period_ns=PERIODS[rate])
    if name:
        made += oracle.sample_name(sample_number=number, name=name.encode())
    return made


def wav(
    words: Sequence[int],
    *,
    bytes_each: int = 2,
    channels: int = 1,
    rate: int = 22_050,
    loop: tuple[int, int] | None = None,
    root: int | None = None,
) -> bytes:
    """A WAV file by the standard library, its `smpl` chunk by hand; `words` are interleaved."""
    content = b"".join(word.to_bytes(bytes_each, "little", signed=True) for word in words)
    made = _plain_wav(content, bytes_each, channels, rate)
    if loop is None and root is None:
        return made
    loops = [] if loop is None else [SmplLoop(*loop)]
    return with_chunks(
        made, smpl(loops, key=60 if root is None else root, period=round(1e9 / rate))
    )


def _plain_wav(content: bytes, bytes_each: int, channels: int, rate: int) -> bytes:
    target = BytesIO()
    with wave.open(target, "wb") as file:
        file.setparams((channels, bytes_each, rate, 0, "NONE", ""))
        file.writeframes(content)
    return target.getvalue()


def broken_dump() -> bytes:
    """A dump in which one data byte of the second packet is another one."""
    made = bytearray(dump(9, 120))
    made[21 + 127 + 50] ^= 0x08
    return bytes(made)


def fill(folder: Path) -> None:
    """Put 64 files into a folder, some of them in folders below; hidden ones do not count."""
    files: dict[str, bytes] = {}
    for at in range(32):
        bits = WIDTHS[at % len(WIDTHS)]
        rate = list(PERIODS)[at % 3]
        name = f"Cue {at}" if at % 2 else ""
        number = 3 if at in (5, 11, 17) else at  # as dumps from several places have it
        files[f"dumps/cue-{at:02}.syx"] = dump(
            number, 300 + 137 * at, bits=bits, rate=rate, name=name
        )
    files["dumps/two.syx"] = dump(40, 500) + dump(41, 700, bits=12)
    files["dumps/again.syx"] = files["dumps/cue-04.syx"]
    files["dumps/torn.syx"] = broken_dump()
    for at in range(20):
        words = tone(1_000 + 211 * at, 16, 60 + at)
        loop = (400, 400 + 20 * (60 + at) - 1) if at % 2 and at > 6 else None
        files[f"sounds/gull {at}.wav"] = wav(words, loop=loop, root=48 + at if at % 3 else None)
    both = [word for each in tone(900, 16) for word in (each, -each // 2)]
    for at in range(3):
        files[f"sounds/wings {at}.wav"] = wav(both, channels=2, rate=44_100)
    files["sounds/bell.wav"] = wav(tone(2_500, 24), bytes_each=3, rate=44_100)
    files["sounds/whole show.wav"] = _plain_wav(bytes([128]) * FAR_TOO_LONG, 1, 1, 11_025)
    files["sounds/torn.wav"] = b"RIFF\x24\0\0\0WAVEfmt "
    files["notes.txt"] = b"The gulls come before the thunder.\n"
    files["list.txt"] = b"cue, sound\n"
    files["foyer.jpg"] = b"\xff\xd8\xff\xe0" + bytes(200)
    assert len(files) == 64, len(files)
    files[".hidden.syx"] = dump(0, 40)
    for path, content in files.items():
        (folder / path).parent.mkdir(exist_ok=True)
        (folder / path).write_bytes(content)
