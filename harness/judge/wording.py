"""Differences in plain words, with the figures an engineer wants.

One function a kind; each says what is the matter with B as against A in one sentence, without the
full stop at its end.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from emulator.wire.prose import counted, duration, listed, ranged
from harness.judge.account import Account, Content, Difference, Kind, Overflow, Rounding, WordRun

_BIT_DB: Final = 6.02
_SHOWN_RUNS: Final = 6
_SHOWN_BITS: Final = 8
_TOGETHER: Final = 4  # differences of one kind that are still told one by one
_SHOWN_PLACES: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
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


def number(value: int) -> str:
    """Return a whole number with its thousands apart."""
    return f"{value:,}"


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


def sentence(difference: Difference, context: Context) -> str:
    """Return one difference in words."""
    text = _SAY[difference.kind](difference, context)
    return text[0].upper() + text[1:]


def sentences(account: Account, context: Context) -> list[str]:
    """Return all differences in words; many of one kind are told together."""
    alike: dict[Kind, list[Difference]] = {}
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


def _together(same: Sequence[Difference], c: Context) -> str:
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
    return text[0].upper() + text[1:]


def _span(first: int, count: int) -> str:
    return number(first) if count == 1 else f"{number(first)} to {number(first + count - 1)}"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _later(moved: int, context: Context) -> str:
    way = "late" if moved > 0 else "early"
    return f"{counted(abs(moved), 'word')} ({_lasting(abs(moved), context)}) {way}"


def _after(difference: Difference, context: Context) -> str:
    """Return what a loss or gain does to everything behind it."""
    b = context.names[1]
    if difference.moved == 0:
        return f"from there on {b} is in step again"
    if abs(difference.moved) == difference.words:
        return f"everything after that comes {_later(difference.moved, context)}"
    return f"from there on {b} is {_later(difference.moved, context)} in all"


def _alike(difference: Difference, context: Context) -> str:
    """Return which other packets it may have been, since the same would be left."""
    if difference.alike is None:
        return ""
    first, last = difference.alike
    edge, end = -(-first // context.step), last // context.step + difference.packets - 1
    if end - edge < difference.packets:
        return ""
    return (
        f" (or another of the packets {number(edge)} to {number(end)}, which are alike: the same"
        " would be left)"
    )


def _content(difference: Difference) -> str:
    match difference.content:
        case Content.SILENCE:
            return "silence"
        case Content.FILLER:
            return "filler (00 bytes)"
        case Content.CONSTANT:
            return f"nothing but the value {number(difference.value or 0)}"
        case Content.REPEATED:
            return f"the same once more as {counted(difference.value or 0, 'word')} before"
        case _:
            return "other words"


def _missing(d: Difference, c: Context) -> str:
    named = _packets(d.packet or 0, d.packets)
    return f"{named} {_are(d.packets)} missing in {c.names[1]}: {_after(d, c)}{_alike(d, c)}"


def _doubled(d: Difference, c: Context) -> str:
    named = _packets(d.packet or 0, d.packets)
    verb = "stands" if d.packets == 1 else "stand"
    if d.after_packet == (d.packet or 0) + d.packets - 1:
        often = "twice" if d.times == 2 else f"{d.times} times"
        return f"{named} {verb} in {c.names[1]} {often}: {_after(d, c)}"
    again = f"{named} {verb} in {c.names[1]} once more, after packet {number(d.after_packet or 0)}"
    return f"{again}: {_after(d, c)}"


def _swapped(d: Difference, c: Context) -> str:
    return f"{_packets(d.packet or 0, 2)} stand in each other's place in {c.names[1]}"


def _moved(d: Difference, c: Context) -> str:
    if d.packet is None or d.after_packet is None:
        where = f"in front of word {number(d.value or 0)}" if d.value else "at the beginning"
        return f"{_words(d.word or 0, d.words)} of {c.names[0]} stand {where} in {c.names[1]}"
    verb = "stands" if d.packets == 1 else "stand"
    where = f"after packet {number(d.after_packet)}" if d.after_packet >= 0 else "at the beginning"
    return f"{_packets(d.packet, d.packets)} {verb} {where} in {c.names[1]}"


def _lost(d: Difference, c: Context) -> str:
    b = c.names[1]
    if not d.word:
        return f"the first {counted(d.words, 'word')} are missing in {b}: {_after(d, c)}"
    where = f"{_words(d.word, d.words)} (packet {number(d.word // c.step)})"
    return f"{where} of {c.names[0]} are missing in {b}: {_after(d, c)}"


def _added(d: Difference, c: Context) -> str:
    more = f"{counted(d.words, 'more word')}, {_content(d)}"
    if not d.word:
        return f"{c.names[1]} begins with {more}: {_after(d, c)}"
    where = f"in front of word {number(d.word)} (packet {number(d.packet or 0)})"
    return f"{c.names[1]} has {more}, {where}: {_after(d, c)}"


def _ends_early(d: Difference, c: Context) -> str:
    a, b = c.names
    if d.words == c.words[0]:
        return f"{b} holds none of the {counted(d.words, 'word')} of {a}"
    last = f"the last {counted(d.words, 'word')} ({_lasting(d.words, c)}) of {a}"
    return f"{b} ends too soon: {last}, from {_at(d)} on, are not in it"


def _goes_on(d: Difference, c: Context) -> str:
    more = f"{counted(d.words, 'word')} ({_lasting(d.words, c)})"
    return f"{c.names[1]} has {more} more at its end: {_content(d)}"


def _at(d: Difference) -> str:
    return f"word {number(d.word or 0)} (packet {number(d.packet or 0)})"


def _replaced(d: Difference, c: Context) -> str:
    where = f"{_words(d.word or 0, d.words)} ({_packets(d.packet or 0, d.packets)})"
    return f"{where} are {_content(d)} in {c.names[1]}{_extent(d, c)}"


def _extent(d: Difference, c: Context) -> str:
    if d.content is not Content.OTHER:
        return ""
    most = f"the largest difference is {number(d.largest)} of {number(1 << c.bits)} levels"
    if d.different == d.words:
        return f", every one of them; {most}"
    return f": {number(d.different)} of {number(d.words)} differ; {most}"


def _tail(d: Difference, c: Context) -> str:
    a, b = c.names
    last = f"the last {counted(d.words, 'word')} ({_lasting(d.words, c)})"
    if not d.word:
        return f"{b} is {_content(d)} from beginning to end{_extent(d, c)}"
    if d.content is Content.OTHER and d.words > 2 * c.step:
        return f"from {_at(d)} on, up to the end, {b} is other words than {a}{_extent(d, c)}"
    return f"{last} of {b} are {_content(d)}, from {_at(d)} on{_extent(d, c)}"


def _changed(d: Difference, c: Context) -> str:
    verb = "differs" if d.different == 1 else "differ"
    shown = [_place(run) for run in d.runs[:_SHOWN_RUNS]]
    rest = d.run_count - len(shown)
    where = ", ".join(shown) + (f" and in {counted(rest, 'more place')}" if rest > 0 else "")
    share = f" of {number(min(c.words))}" if d.different > 1 else ""
    level = f"largest difference {number(d.largest)} of {number(1 << c.bits)} levels"
    return (
        f"{counted(d.different, 'word')}{share} {verb} here and there: {where};"
        f" {level}, {bits_named(d.mask)}"
    )


def _place(run: WordRun) -> str:
    partly = f", {number(run.different)} of them" if run.different < run.words else ""
    return f"{_words(run.word, run.words)} (packet {number(run.packet)}{partly})"


_ROUNDED: Final = {
    Rounding.CUT: "cut off",
    Rounding.ROUNDED: "rounded to the nearest, halves upwards",
    Rounding.TO_EVEN: "rounded to the nearest, halves to the even word",
    Rounding.AWAY: "rounded to the nearest, halves away from zero",
    Rounding.TOWARDS_ZERO: "cut off towards zero",
}


def _narrowed(d: Difference, c: Context) -> str:
    a, b = c.names if d.coarse == "B" else c.names[::-1]
    assert d.rounding is not None
    drop = c.bits - d.bits
    low = f"the {counted(drop, 'low bit')} of every word {_are(drop)} {_ROUNDED[d.rounding]}"
    return f"{b} is the same as {a} at {d.bits} bits: {low}"


def _level(d: Difference, c: Context) -> str:
    shift = abs(d.bits)
    db = f"{_BIT_DB * shift:.0f} dB"
    if d.bits < 0:
        assert d.rounding is not None
        how = f"shifted down by {counted(shift, 'bit')}, the low end {_ROUNDED[d.rounding]}"
        return f"{c.names[1]} is {db} quieter: every word is {how}"
    over = "stays at full scale" if d.overflow is Overflow.HELD else "wraps round"
    return (
        f"{c.names[1]} is {db} louder: every word is shifted up by {counted(shift, 'bit')},"
        f" and what is too loud {over}"
    )


def _stuck(d: Difference, c: Context) -> str:
    zeros = d.mask & ~d.ones
    parts = [
        f"{bits_named(mask)} of every word {_are(mask.bit_count())} stuck at {value}"
        for mask, value in ((d.ones, 1), (zeros, 0))
        if mask
    ]
    return f"{listed(parts, 'and')} in {c.names[1]}"


def _flipped(d: Difference, c: Context) -> str:
    if d.mask == (1 << c.bits) - 1:
        return f"every bit of every word is inverted in {c.names[1]}"
    return f"{bits_named(d.mask)} of every word {_are(d.mask.bit_count())} inverted in {c.names[1]}"


def _offset(d: Difference, c: Context) -> str:
    way = "higher" if (d.value or 0) > 0 else "lower"
    by = f"{number(abs(d.value or 0))} of {number(1 << c.bits)} levels"
    return f"every word of {c.names[1]} is {way} by {by}"


_SAY: Final[Mapping[Kind, Callable[[Difference, Context], str]]] = {
    Kind.WIDENED: lambda d, c: (
        f"{c.names[1]} is written with {d.bits} significant bits, at the same level"
    ),
    Kind.NEGATED: lambda d, c: (
        f"every word of {c.names[1]} is negated: the sound is upside down (polarity reversed)"
    ),
    Kind.TOP_BIT_FLIPPED: lambda d, c: (
        f"the top bit of every word is flipped in {c.names[1]}: two's complement instead of"
        " offset binary, or the other way round"
    ),
    Kind.BITS_FLIPPED: _flipped,
    Kind.BITS_STUCK: _stuck,
    Kind.BYTES_REVERSED: lambda d, c: (
        f"the 7-bit bytes of every word are in reverse order in {c.names[1]}"
    ),
    Kind.BYTES_SWAPPED: lambda d, c: (
        f"the 8-bit bytes of every word are swapped in {c.names[1]}, as if an audio file had been"
        " read in the wrong byte order"
    ),
    Kind.NARROWED: _narrowed,
    Kind.LEVEL: _level,
    Kind.RIGHT_JUSTIFIED: lambda d, c: (
        f"every word of {c.names[1]} stands {counted(d.bits, 'bit')} too low on the line"
        " (right-justified): quiet, and far off the middle"
    ),
    Kind.OFFSET: _offset,
    Kind.ONE_CHANNEL: lambda d, c: (
        f"{c.names[1]} holds only channel {(d.value or 0) + 1} of {c.channels} of {c.names[0]}"
    ),
    Kind.CHANNELS_SWAPPED: lambda d, c: f"the two channels are swapped in {c.names[1]}",
    Kind.MISSING: _missing,
    Kind.DOUBLED: _doubled,
    Kind.SWAPPED: _swapped,
    Kind.MOVED: _moved,
    Kind.LOST: _lost,
    Kind.ADDED: _added,
    Kind.ENDS_EARLY: _ends_early,
    Kind.GOES_ON: _goes_on,
    Kind.REPLACED: _replaced,
    Kind.TAIL: _tail,
    Kind.CHANGED: _changed,
}
