"""What the words look like, where they speak: of noise, silence and full scale nothing is said.

Theory of operation.  Two kinds of signs count.  Bits where none may be set prove something whatever
the sound is.  Everything else asks for a smooth sound: it must jump both ways as it stands, so that
a ramp, which wraps one way only, says nothing, and it must be smooth in the other reading.
"""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_DATA_BYTES
from emulator.wire.sizes import bytes_per_word, unused_bits
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_file_common import (
    all_sound,
    found,
    header_place,
    shows_sent,
    sound_data,
    source_of,
    strength,
    suspect,
)
from harness.diagnose.rules_file_sound import is_smooth_as_told, words_of
from harness.diagnose.scene import DumpScene
from harness.judge.dialogue.judge import Ended

_ENOUGH: Final = 64  # words below which nothing is said
_STEP: Final = 16  # a step of a smooth sound is at most this part of the range
_STILL: Final = 4  # parts of its mean step that a sound usually goes on by
_SHORT: Final = 8  # mean steps that a word may go on by across a jump
_KINDS: Final = 16  # steps of different size; full scale alternating has a few
_FOLLOWED: Final = 8192  # words
_WINDOW: Final = 64  # words that a forecast is made from
_ORDER: Final = 6  # words that it looks at
_BLOCK: Final = 8  # words that one forecast serves
_BEYOND: Final = 8  # words beyond full scale
_RARE: Final = 8  # steps of which one at least goes the other way
_FEW: Final = 2  # words that damage to two bytes can change
_TO_ITS_END: Final = (Ended.WHOLE, Ended.SHORT, Ended.GIVEN_UP, Ended.CUT)
Bytes = NDArray[np.uint8]
Numbers = NDArray[np.int64]


def misplaced_bits(dump: DumpScene) -> Iterator[Suspicion]:
    """Bits below the significant ones: reversed, to the right, or another width than it says."""
    header = dump.header
    if header is None or not found(dump, "WRD-05"):
        return
    width, unused = bytes_per_word(header.bits), unused_bits(header.bits)
    rows = np.frombuffer(sound_data(dump), np.uint8).reshape(-1, width)
    mask = np.uint8((1 << unused) - 1)
    stray = (rows[:, -1] & mask) != 0
    if not stray.any():
        return
    if int(stray.sum()) <= _FEW < len(rows):
        if not shows_sent(dump) and source_of(dump) is None:
            yield _stray(dump, rows, stray)
        return
    if 4 * int(stray.sum()) < int(rows.any(axis=1).sum()):
        return
    cause, text = _misplaced(rows, mask, header.bits, unused)
    yield suspect(
        dump,
        cause,
        Strength.SURE if shows_sent(dump) or len(rows) >= _ENOUGH else Strength.STRONG,
        f"{int(stray.sum()):,} of {len(rows):,} words have bits set below the {header.bits} that "
        "the header announces.",
        text,
        at=header_place(dump),
        bytes_shown=rows[np.flatnonzero(stray)[:4]].tobytes().hex(" ").upper(),
    )


def _misplaced(rows: Bytes, mask: np.uint8, bits: int, unused: int) -> tuple[str, str]:
    top_unused = np.uint8(0x7F & ~(0x7F >> unused))
    if not (rows[:, 0] & top_unused).any():
        return "right-justified", f"The top {unused} bits of every word are never used."
    if not (rows[:, 0] & mask).any():
        return (
            "word bytes reversed",
            f"The low {unused} bits of the first byte are never used, as it ought to be in the "
            "last one.",
        )
    return (
        "width not that of the words",
        f"Both ends of the words are in use, so they are wider than {bits} bits.",
    )


def _stray(dump: DumpScene, rows: Bytes, stray: NDArray[Any]) -> Suspicion:
    word = int(np.flatnonzero(stray)[0])
    exchange = dump.sound[word * rows.shape[1] // PACKET_DATA_BYTES]
    return suspect(
        dump,
        "damage that no receiver can see",
        Strength.FAIR,
        f"In packet {exchange.place:,} a bit is set below the significant ones, in no other word "
        "so, and the checksum fits.",
        at=dump.place(exchange.best, exchange),
        bytes_shown=rows[word].tobytes().hex(" ").upper(),
    )


def bytes_a_word(dump: DumpScene) -> Iterator[Suspicion]:
    """As many packets as another number of bytes a word would fill."""
    mine = found(dump, "WRD-01", "WRD-02", "WRD-03")
    header = dump.header
    if not mine or header is None or dump.planned is None or dump.ended not in _TO_ITS_END:
        return
    if not all_sound(dump) or is_smooth_as_told(dump):
        return
    fewer = len(dump.packets) < dump.planned  # so the words have fewer bits than the header says
    cause = "width not that of the words" if fewer and not found(dump, "WRD-02") else ""
    yield suspect(
        dump,
        cause or "wrong bytes a word",
        strength(dump),
        *(each.message for each in mine),
        at=header_place(dump),
    )


def spread_bits(dump: DumpScene) -> Iterator[Suspicion]:
    """Words in one byte more than their bits need: the last byte of each is always 0 (WRD-03)."""
    header = dump.header
    if header is None or not MIN_BITS <= header.bits <= MAX_BITS:
        return
    width = bytes_per_word(header.bits) + 1
    data = sound_data(dump)
    if width > MAX_BITS // 7 or len(data) < 2 * PACKET_DATA_BYTES:
        return
    rows = np.frombuffer(data, np.uint8).reshape(-1, width)
    used = rows.any(axis=1)
    if rows[:, -1].any() or int(used.sum()) < _ENOUGH or len(np.unique(rows[:, -2])) < _KINDS:
        return
    yield suspect(
        dump,
        "wrong bytes a word",
        Strength.SURE,
        f"Every {width}. byte of the sound is 0, as if each word took {width} bytes; words of "
        f"{header.bits} bits take {width - 1}.",
        at=header_place(dump),
        bytes_shown=data[: 4 * width].hex(" ").upper(),
    )


def reading(dump: DumpScene) -> Iterator[Suspicion]:
    """Two's complement, bytes the other way round, and peaks that wrapped."""
    header = dump.header
    if header is None or not MIN_BITS <= header.bits <= MAX_BITS or found(dump, "WRD-05"):
        return
    words = _words(dump)
    channels = max(header.channels, 1)
    if len(words) < _ENOUGH:
        return
    if not unused_bits(header.bits) and (looks := found(dump, "WRD-04")):
        yield _by_look(dump, "word bytes reversed", looks[0].message)
    half = 1 << (header.bits - 1)
    steps = words[channels:] - words[:-channels]
    true = np.abs(_wrapped(steps, half))  # whatever the reading, the same modulo the range
    mean = float(true.mean())
    jumps = np.flatnonzero((np.abs(steps) > half) & (true <= _SHORT * mean))
    if channels == 1 and len(jumps) == 1 and found(dump, "WRD-07") and _turns_once(words, half):
        yield _by_look(
            dump,
            "two's complement",
            "The sound begins at full scale and jumps by the whole range once; with the top bit of "
            "every word turned over it begins in the middle and is smooth.",
        )
        return
    if (
        not _both_ways(steps[jumps])
        or len(np.unique(true)) < _KINDS
        or _STILL * float(np.median(true)) < mean  # it stands still between its leaps
    ):
        return
    if found(dump, "WRD-07") and mean <= 2 * half / _STEP:
        yield _by_look(
            dump,
            "two's complement",
            "The sound jumps by the whole range as it stands, and is smooth with the top bit of "
            "every word turned over.",
        )
        return
    inside = int((np.abs(words) < half // 2).sum())
    if channels > 1 or 4 * inside < len(words) or not found(dump, "WRD-09"):
        return  # what is made louder by whole bits leaves the lowest one 0
    if _goes_beyond(words, half):
        at = int(jumps[0])
        yield _by_look(
            dump,
            "overload wraps",
            f"At word {at + channels:,} the sound leaps from {int(words[at]):,} to "
            f"{int(words[at + channels]):,}, in {len(jumps):,} places in all, and goes on as if it "
            "had passed full scale.",
        )


def end_of_zeros(dump: DumpScene) -> Iterator[Suspicion]:
    """A last packet of nothing but 00 after a smooth sound: full scale, where no sound goes."""
    header = dump.header
    last = dump.packets[-1] if len(dump.packets) > 1 else None
    if header is None or last is None or dump.planned is None or last.place != dump.planned - 1:
        return
    if not MIN_BITS <= header.bits <= MAX_BITS or not last.best.is_sound:
        return
    if any(last.best.body[5:125]) or not all_sound(dump):
        return
    per_packet = PACKET_DATA_BYTES // bytes_per_word(header.bits)
    before = _words(dump)[: (len(dump.packets) - 1) * per_packet]
    channels, half = max(header.channels, 1), 1 << (header.bits - 1)
    steps = np.abs(before[channels:] - before[:-channels])
    rises = len(np.unique(steps)) >= _KINDS // 2
    near = int(before[-channels:].min()) < -half + 2 * half // _STEP
    if not rises or near or int(steps.max(initial=0)) > 4 * half // _STEP:
        return
    yield suspect(
        dump,
        "last packet spoiled",
        Strength.STRONG,
        f"The last packet, {last.place:,}, holds nothing but 00, which is full scale, and the "
        "sound before it is smooth and far from there.",
        at=dump.place(last.best, last),
        bytes_shown=last.best.body[:16].hex(" ").upper(),
    )


def _by_look(dump: DumpScene, cause: str, text: str) -> Suspicion:
    return suspect(dump, cause, Strength.STRONG, text, at=header_place(dump))


def _words(dump: DumpScene) -> Numbers:
    header = dump.header
    assert header is not None
    return words_of(dump)[: header.length * max(header.channels, 1)]


def _both_ways(steps: Numbers) -> bool:
    return bool((steps > 0).any() and (steps < 0).any())


def _turns_once(words: Numbers, half: int) -> bool:
    """Whether a sound that leaps once begins in its middle and rises and falls, its top bit turned.

    A ramp that wraps only rises or only falls.
    """
    meant = _wrapped(words + half, half)
    steps = np.diff(meant)
    usual = float(np.abs(steps).mean())
    ways = int((steps > 0).sum()), int((steps < 0).sum())
    return (
        _RARE * min(ways) >= len(steps)
        and len(np.unique(np.abs(steps))) >= _KINDS
        and int(np.abs(steps).max()) <= 2 * half // _STEP
        and abs(int(meant[0])) <= _RARE * usual
    )


def _wrapped(steps: Numbers, half: int) -> Numbers:
    return (steps + half) % (2 * half) - half


def _goes_beyond(words: Numbers, half: int) -> bool:
    """Whether a sound, followed by what its last words foretell, goes beyond full scale and back.

    Each word may be meant a whole range higher or lower; of these the one nearest to the forecast
    is taken.  Noise cannot be foretold, so it says nothing.
    """
    heard = words[:_FOLLOWED].astype(np.float64)
    meant = heard.copy()
    missed = []
    for start in range(_WINDOW + _ORDER, len(heard), _BLOCK):
        weights = _forecast(meant[start - _WINDOW - _ORDER : start])
        for at in range(start, min(start + _BLOCK, len(heard))):
            due = float(weights @ meant[at - _ORDER : at])
            meant[at] = heard[at] + 2 * half * round((due - heard[at]) / (2 * half))
            missed.append(abs(meant[at] - due))
            if abs(meant[at]) >= 2 * half:
                return False
    beyond = int((np.abs(meant) >= half).sum())
    return beyond >= _BEYOND and float(np.median(missed)) < half / 5


def _forecast(past: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the weights by which each word follows best from those before it, oldest first."""
    rows = np.lib.stride_tricks.sliding_window_view(past, _ORDER)[:-1]
    return np.asarray(np.linalg.lstsq(rows, past[_ORDER:], rcond=1e-3)[0], np.float64)


__all__ = ["bytes_a_word", "end_of_zeros", "misplaced_bits", "reading", "spread_bits"]
