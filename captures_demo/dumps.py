"""The good dumps of the demo: which sound, in which width, under which number.

Theory of operation.  `demo_sounds` names every sample once, as words and what a header says of
them; `good_files` makes files of them.  Sample numbers are the places at the theatre's desk: music
box 0, thunder 1, gulls 2, ship's bell 3, tick 4.  Device ID 0 suits the unit `lantern-desk`, 16 the
unit `double-bill`, which takes long words and two channels.
"""

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from functools import cache
from typing import Final

import numpy as np
from msgspec import Struct

from captures_demo import sounds
from captures_demo.sounds import ONE, PEAK, Signal
from dryload.emulator.dump.outgoing import HeaderKind, Outgoing, outgoing, whole_sequence
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.wire.constants import ALL_CALL, LOOP_FORWARD
from dryload.emulator.wire.words import word_dtype
from dryload.harness.jobs.convert import file_of

MUSIC_BOX, THUNDER, GULLS, SHIPS_BELL, TICK = range(5)
DOUBLE_BILL_ID: Final = 16

NOTE_ON_AND_OFF: Final = bytes((0x90, 0x3C, 0x40, 0x80, 0x3C, 0x40))  # M1 table I
# 7D is the ID for use that is not commercial (M1 p. 34); the text is "lantern".
FOREIGN_EXCLUSIVE: Final = bytes((0xF0, 0x7D, *b"lantern", 0xF7))
TIMING_CLOCK: Final = b"\xf8"
CLOCK_EVERY: Final = 65  # bytes: 20.8 ms, 24 clocks a beat at 120 beats a minute


class Sound(Struct, frozen=True, kw_only=True):
    """One sample of the demo and how it is sent."""

    sample: Sample
    number: int
    device_id: int = 0
    header: HeaderKind = "auto"

    @property
    def dump(self) -> Outgoing:
        """All messages of its dump."""
        return outgoing(
            self.sample, number=self.number, device_id=self.device_id, header=self.header
        )

    @property
    def data(self) -> bytes:
        """Its dump as a file."""
        return joined(self.dump)


def joined(dump: Outgoing) -> bytes:
    """Return all bytes of a dump."""
    return b"".join(whole_sequence(dump))


def tick(count: int, rate: int) -> sounds.Words:
    """Return the tick that starts the show: `count` words of a tone that dies away, in 24 bits."""
    tone = sounds.sine(sounds.phase_of(np.full(count, 2_200_000, dtype=np.int64), rate))
    falling = ONE * np.arange(count, 0, -1, dtype=np.int64) // count
    fading = sounds.times(sounds.times(tone, sounds.decay(count, 1, rate)), falling)
    return sounds.raised_to(fading, PEAK).astype(np.int32)


def excerpt(words: sounds.Words, count: int, fade: int) -> sounds.Words:
    """Return the first `count` words, the last `fade` of them fading out, at the usual peak."""
    cut: Signal = words[:count].astype(np.int64)
    cut[-fade:] = cut[-fade:] * np.arange(fade - 1, -1, -1, dtype=np.int64) // fade
    return sounds.raised_to(cut, PEAK).astype(np.int32)


def passing(words: sounds.Words) -> sounds.Words:
    """Return two channels, left then right (CA-019 p. 3): the sound flies from left to right."""
    wide = words.astype(np.int64)
    right = ONE // 8 + ONE * 3 // 4 * np.arange(wide.size, dtype=np.int64) // wide.size
    both = np.stack((sounds.times(wide, ONE - right), sounds.times(wide, right)), axis=1)
    return sounds.raised_to(both.reshape(-1), PEAK).astype(np.int32)


def _sample(
    words24: sounds.Words,
    bits: int,
    rate: int,
    *,
    channels: int = 1,
    loop: tuple[int, int] | None = None,
    name: str = "",
) -> Sample:
    sustain = NO_LOOP if loop is None else Loop(start=loop[0], end=loop[1], loop_type=LOOP_FORWARD)
    return Sample(
        words=sounds.to_bits(words24, bits).astype(word_dtype(bits)),
        bits=bits,
        rate=Fraction(rate),
        channels=channels,
        sustain=sustain,
        name=name,
    )


def _bell(bits: int, rate: int, *, device_id: int = 0, name: str = "") -> Sound:
    loop = sounds.ships_bell_loop(rate)
    sample = _sample(sounds.ships_bell(rate), bits, rate, loop=loop, name=name)
    return Sound(sample=sample, number=SHIPS_BELL, device_id=device_id)


def _bell_stroke(bits: int = 16) -> Sound:
    """Return the first 0.2 s of the bell: small, with a loop and a name."""
    words = excerpt(sounds.ships_bell(11_025), 2_205, 200)
    loop = sounds.loop_points(words, earliest=1_200, shortest=200, longest=600)
    sample = _sample(words, bits, 11_025, loop=loop, name="Bell stroke")
    return Sound(sample=sample, number=SHIPS_BELL)


def _tick(bits: int, *, words: int = 41, device_id: int = 0) -> Sound:
    sample = _sample(tick(words, 22_050), bits, 22_050)
    return Sound(sample=sample, number=TICK, device_id=device_id)


@cache
def demo_sounds() -> Mapping[str, Sound]:
    """Return every sound of the demo by the name of its file."""
    gulls = sounds.gulls(16_000)
    music_box = _sample(sounds.music_box(22_050), 16, 22_050)
    thunder = _sample(sounds.thunder(11_025), 12, 11_025)
    crack = _sample(excerpt(sounds.thunder(11_025), 1_170, 300), 12, 11_025)
    cry = _sample(excerpt(sounds.gulls(16_000), 5_160, 800), 16, 16_000)
    flight = _sample(passing(gulls), 24, 16_000, channels=2)
    stereo_tick = _sample(passing(tick(41, 22_050)), 16, 22_050, channels=2)
    return {
        "music-box": Sound(sample=music_box, number=MUSIC_BOX),
        "thunder": Sound(sample=thunder, number=THUNDER),
        "gulls": Sound(sample=_sample(gulls, 16, 16_000), number=GULLS),
        "ships-bell": _bell(16, 22_050, name="Ship's bell"),
        "ships-bell-8-bit": _bell(8, 11_025),
        "ships-bell-24-bit": _bell(24, 22_050, device_id=DOUBLE_BILL_ID),
        "gulls-stereo": Sound(sample=flight, number=GULLS, device_id=DOUBLE_BILL_ID),
        "thunder-crack": Sound(sample=crack, number=THUNDER),
        "gull-cry": Sound(sample=cry, number=GULLS),
        "bell-stroke": _bell_stroke(),
        "bell-stroke-14-bit": _bell_stroke(14),
        "tick": _tick(16),
        "tick-fills-its-packet": _tick(16, words=40),
        "tick-to-all-units": _tick(16, device_id=ALL_CALL),
        "tick-14-bit": _tick(14),
        "tick-21-bit": _tick(21, device_id=DOUBLE_BILL_ID),
        "tick-28-bit": _tick(28, device_id=DOUBLE_BILL_ID),
        "tick-stereo": Sound(sample=stereo_tick, number=TICK, device_id=DOUBLE_BILL_ID),
    }


DESK: Final = ("music-box", "thunder", "gulls", "ships-bell")


def good_files() -> Iterator[tuple[str, bytes]]:
    """Yield the name and the bytes of every good file."""
    known = demo_sounds()
    for name, sound in known.items():
        yield f"{name}.syx", sound.data
    yield "lantern-street-desk.syx", desk([known[name].data for name in DESK])
    crack = known["thunder-crack"]
    yield "thunder-crack.sds", crack.data
    yield "thunder-crack.mid", file_of([crack.dump], "thunder-crack.mid")
    yield "thunder-crack-with-clock.syx", with_clock(crack.data)


def desk(dumps: Sequence[bytes]) -> bytes:
    """Return the four dumps with what else passes along a desk's cable between them."""
    between = (FOREIGN_EXCLUSIVE, NOTE_ON_AND_OFF, FOREIGN_EXCLUSIVE + NOTE_ON_AND_OFF, b"")
    return b"".join(dump + other for dump, other in zip(dumps, between, strict=True))


def with_clock(data: bytes) -> bytes:
    """Return the bytes with a timing clock after every 65, inside messages too (M1 p. 30)."""
    pieces = [data[at : at + CLOCK_EVERY] for at in range(0, len(data), CLOCK_EVERY)]
    return TIMING_CLOCK.join(pieces)
