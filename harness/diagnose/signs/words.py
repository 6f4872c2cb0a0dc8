"""What the words of a dump look like, where they speak: of noise and silence nothing is said."""

from collections.abc import Iterator
from typing import Final

from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sizes import bytes_per_word, unused_bits
from dryload.harness.diagnose.scene import DumpScene, Scene
from dryload.harness.diagnose.sign import Sign, sign
from dryload.harness.judge.dialogue.exchanges import Ended
from dryload.harness.judge.misreading import Stray, WordsSeen

_MISPLACED: Final = "bits misplaced"
_ENOUGH: Final = 64  # words that prove what they show
_TO_ITS_END: Final = (Ended.WHOLE, Ended.SHORT, Ended.GIVEN_UP, Ended.CUT)
_WHERE: Final = {
    Stray.RIGHT: "The top {unused} bits of every word are never used.",
    Stray.REVERSED: "The low {unused} bits of the first byte are never used, as it ought to be in "
    "the last one.",
    Stray.WIDE: "Both ends of the words are in use, so they are wider than {bits} bits.",
}
_TURNED: Final = (
    "The sound jumps by the whole range wherever it passes its middle, and is smooth with the top "
    "bit of every word turned over."
)


def words(scene: Scene) -> Iterator[Sign]:
    """Tell of words in another notation, width or place than the header has."""
    for dump in scene.sent:
        seen = dump.words
        if seen is None or dump.is_header_altered:
            continue
        if dump.found("WRD-05"):
            yield from _stray(dump, seen)
        else:
            yield from _leaps(dump, seen)
        for finding in dump.found("WRD-04") if not unused_bits(seen.header.bits) else ():
            where = Stray.REVERSED.value
            yield sign(_MISPLACED, dump, finding.message, at=dump.start, where=where, proved=False)
        yield from _bytes_a_word(dump, seen)


def _stray(dump: DumpScene, seen: WordsSeen) -> Iterator[Sign]:
    """Tell of bits below the significant ones: reversed, to the right, or of another width."""
    places, stray = seen.stray_words, seen.stray
    rows = seen.rows[places][:4]
    shown = rows.tobytes().hex(" ").upper()
    if stray in _WHERE:
        bits = seen.header.bits
        yield sign(
            _MISPLACED,
            dump,
            f"{int(places.sum()):,} of {counted(len(seen.rows), 'word')} have bits set below the "
            f"{bits} that the header announces.",
            _WHERE[stray].format(unused=unused_bits(bits), bits=bits),
            at=dump.start,
            shown=shown,
            where=stray.value,
            proved=dump.scene.shows_sent or len(seen.rows) >= _ENOUGH,
        )


def _leaps(dump: DumpScene, seen: WordsSeen) -> Iterator[Sign]:
    """Tell of a sound that leaps by its whole range: in its middle, or over full scale and back."""
    at = dump.start
    if dump.found("WRD-07") and seen.rises_and_falls:
        yield sign("leaps", dump, _TURNED, at=at, where="in its middle")
    # What is made louder by whole bits leaves the lowest one 0.
    elif seen.passes_full_scale or (dump.found("WRD-09") and seen.goes_beyond):
        places, channels = seen.leap_places, max(seen.header.channels, 1)
        one, two = int(seen.sound[places[0]]), int(seen.sound[places[0] + channels])
        text = (
            f"At word {places[0] + channels:,} the sound leaps from {one:,} to {two:,}, in "
            f"{len(places):,} places in all, and goes on as if it had passed full scale."
        )
        yield sign("leaps", dump, text, at=at, where="over full scale and back")


def _bytes_a_word(dump: DumpScene, seen: WordsSeen) -> Iterator[Sign]:
    """Tell of packets that are as many as another number of bytes a word would fill."""
    width = bytes_per_word(seen.header.bits) + 1
    if seen.is_spread():
        yield sign(
            "other bytes a word",
            dump,
            f"Every {width}. byte of the sound is 0, as if each word took {width} bytes; words of "
            f"{seen.header.bits} bits take {width - 1}.",
            at=dump.start,
            shown=dump.data[: 4 * width].hex(" ").upper(),
            fewer=False,
            proved=True,
        )
    found = dump.found("WRD-01", "WRD-02", "WRD-03")
    if not found or dump.planned is None or dump.ended not in _TO_ITS_END:
        return
    if dump.is_all_sound and not seen.is_smooth:
        fewer = len(dump.packets) < dump.planned and not dump.found("WRD-02")
        texts = [each.message for each in found]
        proved = dump.scene.shows_sent
        yield sign("other bytes a word", dump, *texts, at=dump.start, fewer=fewer, proved=proved)


WORDS: Final = (words,)
