"""Differences in plain words, with the figures an engineer wants.

One case a kind; each says what is the matter with B as against A in one sentence, without the full
stop at its end.
"""

from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from msgspec import Struct

from dryload.emulator.wire.prose import capitalised, counted, duration, listed, ranged
from dryload.harness.judge.account import (
    OF_EVERY_WORD,
    Account,
    Content,
    Kind,
    Overflow,
    Rounding,
    WordDifference,
    WordRun,
)

_BIT_DB: Final = 6.02
_SHOWN_RUNS: Final = 6
_SHOWN_BITS: Final = 8
_TOGETHER: Final = 4  # differences of one kind that are still told one by one
_SHOWN_PLACES: Final = 6
_OF_PACKETS: Final = (Kind.MISSING, Kind.DOUBLED, Kind.SWAPPED, Kind.MOVED)


class Context(Struct, frozen=True, kw_only=True):
    """What the sentences need to know of the two samples."""

    rate: Fraction
    """Of A, in Hz."""
    channels: int
    bits: int
    """The wider of both widths."""
    step: int
    """Words in a packet."""
    words: tuple[int, int]
    """Of A and of B."""
    names: tuple[str, str] = ("A", "B")


def _lasting(words: int, context: Context) -> str:
    return duration(round(words * 1_000_000_000 / (context.rate * context.channels)))


def _packets(first: int, count: int) -> str:
    return ranged("packet", first, count)


def _words(first: int, count: int) -> str:
    return ranged("word", first, count)


def bits_named(mask: int) -> str:
    """Return "bit 3", "bits 3 and 10", "9 bits from 0 to 15"."""
    places = [place for place in range(mask.bit_length()) if mask >> place & 1]
    if len(places) == 1:
        return f"bit {places[0]}"
    if len(places) > _SHOWN_BITS:
        return f"{len(places)} bits from {places[0]} to {places[-1]}"
    return f"bits {listed([str(place) for place in places], 'and')}"


def sentence(difference: WordDifference, context: Context) -> str:
    """Return one difference in words."""
    if difference.kind in OF_EVERY_WORD:
        say = _of_every_word
    else:
        say = _of_packets if difference.kind in _OF_PACKETS else _of_words
    return capitalised(say(difference, context))


def sentences(account: Account, context: Context) -> list[str]:
    """Return all differences in words; many of one kind are told together."""
    alike: dict[Kind, list[WordDifference]] = {}
    for difference in account:
        alike.setdefault(difference.kind, []).append(difference)
    texts: list[str] = []
    for difference in account:
        same = alike.get(difference.kind, [])
        if 0 < len(same) <= _TOGETHER:
            texts.append(sentence(difference, context))
        elif same:
            texts.append(_together(same, context))
            del alike[difference.kind]
    return texts


def _together(same: Sequence[WordDifference], c: Context) -> str:
    first, last = same[0], same[-1]
    amount = sum(difference.packets for difference in same)
    shown = [
        _span(each.packet, max(each.packets, 1))
        if each.packet is not None
        else _span(each.word or 0, each.words)
        for each in same[:_SHOWN_PLACES]
    ]
    unit = "words" if first.packet is None else "packets"
    what = {
        Kind.MISSING: f"{counted(amount, 'packet')} are missing in {c.names[1]}",
        Kind.DOUBLED: f"{counted(amount, 'packet')} stand in {c.names[1]} more than once",
        Kind.SWAPPED: f"{len(same)} times two packets stand in each other's place",
        Kind.MOVED: f"{len(same)} blocks of words stand elsewhere in {c.names[1]}",
        Kind.LOST: f"words are missing in {c.names[1]}",
        Kind.ADDED: f"{c.names[1]} has more words",
        Kind.REPLACED: f"other words stand in {c.names[1]}",
    }[first.kind]
    text = f"{what}, in {len(same)} places: {unit} {', '.join(shown)} and so on"
    if last.moved:
        text += f"; after the last of them {c.names[1]} is {_later(last.moved, c)}"
    return capitalised(text)


def _span(first: int, count: int) -> str:
    return f"{first:,}" if count == 1 else f"{first:,} to {first + count - 1:,}"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _later(moved: int, context: Context) -> str:
    way = "late" if moved > 0 else "early"
    return f"{counted(abs(moved), 'word')} ({_lasting(abs(moved), context)}) {way}"


def _after(difference: WordDifference, context: Context) -> str:
    """Return what a loss or gain does to everything behind it."""
    b = context.names[1]
    if difference.moved == 0:
        return f"from there on {b} is in step again"
    if abs(difference.moved) == difference.words:
        return f"everything after that comes {_later(difference.moved, context)}"
    return f"from there on {b} is {_later(difference.moved, context)} in all"


def _alike(difference: WordDifference, context: Context) -> str:
    """Return which other packets it may have been, since the same would be left."""
    if difference.alike is None:
        return ""
    first, last = difference.alike
    edge, end = -(-first // context.step), last // context.step + difference.packets - 1
    if end - edge < difference.packets:
        return ""
    return (
        f" (or another of the packets {edge:,} to {end:,}, which are alike: the same would be left)"
    )


def _content(difference: WordDifference) -> str:
    match difference.content:
        case Content.SILENCE:
            return "silence"
        case Content.FILLER:
            return "filler (00 bytes)"
        case Content.CONSTANT:
            return f"nothing but the value {difference.value or 0:,}"
        case Content.REPEATED:
            return f"the same once more as {counted(difference.value or 0, 'word')} before"
        case _:
            return "other words"


def _of_packets(d: WordDifference, c: Context) -> str:
    """Say which packets, or blocks of words, are missing, doubled or elsewhere."""
    a, b = c.names
    named = _packets(d.packet or 0, d.packets)
    stand = "stands" if d.packets == 1 else "stand"
    match d.kind:
        case Kind.MISSING:
            return f"{named} {_are(d.packets)} missing in {b}: {_after(d, c)}{_alike(d, c)}"
        case Kind.DOUBLED if d.after_packet == (d.packet or 0) + d.packets - 1:
            often = "twice" if d.times == 2 else f"{d.times} times"
            return f"{named} {stand} in {b} {often}: {_after(d, c)}"
        case Kind.DOUBLED:
            again = f"once more, after packet {d.after_packet or 0:,}"
            return f"{named} {stand} in {b} {again}: {_after(d, c)}"
        case Kind.SWAPPED:
            return f"{_packets(d.packet or 0, 2)} stand in each other's place in {b}"
    if d.packet is None or d.after_packet is None:
        where = f"in front of word {d.value:,}" if d.value else "at the beginning"
        return f"{_words(d.word or 0, d.words)} of {a} stand {where} in {b}"
    where = f"after packet {d.after_packet:,}" if d.after_packet >= 0 else "at the beginning"
    return f"{named} {stand} {where} in {b}"


def _of_words(d: WordDifference, c: Context) -> str:
    """Say which words are missing, added or changed."""
    a, b = c.names
    word, packet = d.word or 0, d.packet or 0
    amount, content = counted(d.words, "word"), _content(d)
    after, extent = _after(d, c), _extent(d, c)
    lasting = f"{amount} ({_lasting(d.words, c)})"
    at = f"word {word:,} (packet {packet:,})"
    lost = f"{_words(word, d.words)} (packet {word // c.step:,}) of {a}"
    more = f"{counted(d.words, 'more word')}, {content}"
    ends = f"{b} ends too soon: the last {lasting} of {a}, from {at} on, are not in it"
    tail = f"the last {lasting} of {b} are {content}, from {at} on"
    if d.content is Content.OTHER and d.words > 2 * c.step:
        tail = f"from {at} on, up to the end, {b} is other words than {a}"
    if not word:
        tail = f"{b} is {content} from beginning to end"
    return {
        Kind.LOST: f"{lost if word else f'the first {amount}'} are missing in {b}: {after}",
        Kind.ADDED: f"{b} has {more}, in front of {at}: {after}"
        if word
        else f"{b} begins with {more}: {after}",
        Kind.ENDS_EARLY: f"{b} holds none of the {amount} of {a}"
        if d.words == c.words[0]
        else ends,
        Kind.GOES_ON: f"{b} has {lasting} more at its end: {content}",
        Kind.REPLACED: f"{_words(word, d.words)} ({_packets(packet, d.packets)}) are {content}"
        f" in {b}{extent}",
        Kind.TAIL: f"{tail}{extent}",
        Kind.CHANGED: _changed(d, c),
    }[d.kind]


def _extent(d: WordDifference, c: Context) -> str:
    if d.content is not Content.OTHER:
        return ""
    most = f"the largest difference is {d.largest:,} of {1 << c.bits:,} levels"
    if d.different == d.words:
        return f", every one of them; {most}"
    return f": {d.different:,} of {d.words:,} differ; {most}"


def _changed(d: WordDifference, c: Context) -> str:
    verb = "differs" if d.different == 1 else "differ"
    shown = [_place(run) for run in d.runs[:_SHOWN_RUNS]]
    rest = d.run_count - len(shown)
    where = ", ".join(shown) + (f" and in {counted(rest, 'more place')}" if rest > 0 else "")
    share = f" of {min(c.words):,}" if d.different > 1 else ""
    level = f"largest difference {d.largest:,} of {1 << c.bits:,} levels"
    return (
        f"{counted(d.different, 'word')}{share} {verb} here and there: {where};"
        f" {level}, {bits_named(d.mask)}"
    )


def _place(run: WordRun) -> str:
    partly = f", {run.different:,} of them" if run.different < run.words else ""
    return f"{_words(run.word, run.words)} (packet {run.packet:,}{partly})"


_ROUNDED: Final = {
    Rounding.CUT: "cut off",
    Rounding.ROUNDED: "rounded to the nearest, halves upwards",
    Rounding.TO_EVEN: "rounded to the nearest, halves to the even word",
    Rounding.AWAY: "rounded to the nearest, halves away from zero",
    Rounding.TOWARDS_ZERO: "cut off towards zero",
}


def _of_every_word(d: WordDifference, c: Context) -> str:
    """Say what was done to every word."""
    a, b = c.names
    is_all = d.mask == (1 << c.bits) - 1
    inverted = "every bit" if is_all else bits_named(d.mask)
    stuck = [
        f"{bits_named(mask)} of every word {_are(mask.bit_count())} stuck at {value}"
        for mask, value in ((d.ones, 1), (d.mask & ~d.ones, 0))
        if mask
    ]
    way = "higher" if (d.value or 0) > 0 else "lower"
    return {
        Kind.WIDENED: f"{b} is written with {d.bits} significant bits, at the same level",
        Kind.NEGATED: f"every word of {b} is negated: the sound is upside down (polarity reversed)",
        Kind.TOP_BIT_FLIPPED: f"the top bit of every word is flipped in {b}: two's complement"
        " instead of offset binary, or the other way round",
        Kind.BITS_FLIPPED: f"{inverted} of every word"
        f" {_are(1 if is_all else d.mask.bit_count())} inverted in {b}",
        Kind.BITS_STUCK: f"{listed(stuck, 'and')} in {b}",
        Kind.BYTES_REVERSED: f"the 7-bit bytes of every word are in reverse order in {b}",
        Kind.BYTES_SWAPPED: f"the 8-bit bytes of every word are swapped in {b}, as if an audio file"
        " had been read in the wrong byte order",
        Kind.NARROWED: _narrowed(d, c),
        Kind.LEVEL: _level(d, c),
        Kind.RIGHT_JUSTIFIED: f"every word of {b} stands {counted(d.bits, 'bit')} too low on the"
        " line (right-justified): quiet, and far off the middle",
        Kind.OFFSET: f"every word of {b} is {way} by {abs(d.value or 0):,} of {1 << c.bits:,}"
        " levels",
        Kind.ONE_CHANNEL: f"{b} holds only channel {(d.value or 0) + 1} of {c.channels} of {a}",
        Kind.CHANNELS_SWAPPED: f"the two channels are swapped in {b}",
    }[d.kind]


def _narrowed(d: WordDifference, c: Context) -> str:
    a, b = c.names if d.coarse == "B" else c.names[::-1]
    drop = c.bits - d.bits
    low = f"the {counted(drop, 'low bit')} of every word {_are(drop)} {_rounded(d)}"
    return f"{b} is the same as {a} at {d.bits} bits: {low}"


def _level(d: WordDifference, c: Context) -> str:
    shift = counted(abs(d.bits), "bit")
    db = f"{_BIT_DB * abs(d.bits):.0f} dB"
    if d.bits < 0:
        how = f"shifted down by {shift}, the low end {_rounded(d)}"
        return f"{c.names[1]} is {db} quieter: every word is {how}"
    over = "stays at full scale" if d.overflow is Overflow.HELD else "wraps round"
    how = f"shifted up by {shift}, and what is too loud {over}"
    return f"{c.names[1]} is {db} louder: every word is {how}"


def _rounded(d: WordDifference) -> str:
    return "" if d.rounding is None else _ROUNDED[d.rounding]
