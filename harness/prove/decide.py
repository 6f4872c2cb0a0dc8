"""From words that came back wrong to the fault of the memory: in which lines, where, how sure.

Theory of operation.  Every fault that is known predicts what is read.  It is named only where it
predicts nearly all of the wrong words, and where nothing in its region came back right that it
would have spoilt; otherwise the answer is that it is none of the known ones.  Nobody knows in which
module a word lies, nor where the memory begins for the test.  Distances survive that: two addresses
that differ in line k alone lie 2^k words apart, wherever the counting begins.

Three kinds of fault are looked for in each view of the memory.  Bits that are the same wherever
they show: lines, chips, modules, and rows or columns by the size of the region.  Two bits that are
always equal: joined lines.  Words that hold what was written elsewhere: address lines, of whose two
addresses the one that was written later is right.  What one fault leaves unexplained is looked at
once more: there may be two.

A cable spoils words too, seldom in a way that a checksum lets pass.  It is believed only if packets
were damaged in a way that it notices, if what is wrong would pass a checksum, and if the same words
are right after they were written again and had lain as long as the first time.
"""

from collections.abc import Iterator
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.wire.sizes import bytes_per_word, words_per_packet
from dryload.harness.prove.evidence import HALVES, WORDS, MemoryView, PassEvidence, Places, views
from dryload.harness.prove.region import (
    FaultRegion,
    alike,
    arc,
    in_arc,
    region_of,
    stride_of,
    united,
)
from dryload.harness.prove.words import Mask, Values

ENOUGH: Final = 0.97
"""Share of the wrong words that one cause has to explain."""
REWRITTEN: Final = 256
"""Wrong words that are all written again: a cable spoils fewer, and so does noise, as a rule."""
_SPARED: Final = 0.02
"""Share of the words that a fault should have spoilt and that may be right all the same."""
FEW: Final = 64
"""Wrong words: fewer may be single cells."""
_LEAST: Final = 24  # words that a region needs to be one
_ON_THE_LINE: Final = 48  # words that a cable may spoil unseen in one pass
_TWICE_WRONG: Final = 0.2  # of the later words of pairs, if something else spoils them
_LARGE: Final = 0.20  # of the memory: more than a block
_SMALL: Final = 1 / 40  # of the memory: a row
_A_MODULE: Final = 0.28
_WHOLE: Final = 0.8  # of every so-many-th word
_TOGETHER: Final = 0.27
_LOOKED_AT: Final = 4_096
_COLUMN: Final = 8  # words apart at least
_MOST_FAULTS: Final = 3
_A_PAIR: Final = 2
_DARK: Final = 0.5
_A_FEW: Final = 16
_PERIODS: Final = (16, 64, 256, 1_024)
_AN_ORDER: Final = 4  # words: of fewer any order is chance
_LEFT: Final = ("unknown", "cells", "noise")  # what is said of words that no guess explains


class NamedFault(Struct, frozen=True, kw_only=True):
    """What is wrong with a memory; `kind` is an entry of faults.toml."""

    kind: str
    words_wrong: int
    explains: float
    """Share of all wrong words."""
    first: int
    """The first and the last wrong word."""
    last: int
    stride: int = 1
    """Every so-many-th word between them is concerned."""
    share: float = 0.0
    """Of the memory that was read, how much is concerned."""
    lines: tuple[int, ...] = ()
    """Data lines, or the powers of two between the addresses of joined ones."""
    level: int | None = None
    """What stuck lines read; None where that is mixed or can't be told."""
    distance: int | None = None
    """Words between two addresses that are the same memory."""
    of: str = WORDS
    """How the memory has to be looked at to see it."""
    examples: tuple[int, ...] = ()
    """The first few wrong words."""
    sure: bool = False


class _Guess(Struct, frozen=True, kw_only=True, eq=False):
    """A fault that predicts what is read."""

    kind: str
    view: MemoryView
    spoilt: Mask
    """Words that it explains wholly."""
    regions: tuple[FaultRegion, ...] = ()
    lines: tuple[int, ...] = ()
    level: int | None = None
    distance: int | None = None
    share: float = 0.0
    parts: int = 1
    """How many things it needs to be so; the fewer, the likelier."""


class _Case(Struct, frozen=True, kw_only=True, eq=False):
    """A view that is looked through for the cause of the wrong words."""

    seen: PassEvidence
    view: MemoryView
    wrong: Mask
    claimed: Values
    """Bits of each unit that are explained already."""

    def words(self, units: Mask) -> Mask:
        """Return the words all of whose wrong units are among `units`."""
        seen, view = self.seen, self.view
        if view.name == WORDS:
            return units & self.wrong
        bad, good = (np.zeros(len(seen.written), np.bool_) for _ in range(2))
        for word in (view.word, view.also):
            bad[word[view.wrong & ~units]] = True
            good[word[units]] = True
        if view.name in HALVES:
            low = (1 << view.bits) - 1
            mask = np.uint32(low if view.name == HALVES[0] else low << view.bits)
            change = (seen.read ^ seen.written) | (seen.again ^ seen.written)
            bad |= change & mask != 0
        return good & ~bad & self.wrong


class _Bit(Struct, frozen=True, kw_only=True, eq=False):
    """One bit that does not follow what is written, in a region."""

    bit: int
    level: int | None
    """None: it reads either, and nothing that was written."""
    is_loose: bool
    """Whether it reads otherwise each time."""
    region: FaultRegion


def decide(seen: PassEvidence) -> tuple[NamedFault, ...]:
    """Return what is wrong, the first cause first; nothing where every known word is right."""
    wrong = seen.wrong
    if not wrong.any():
        return ()
    if (kind := _not_the_cells(seen, wrong)) is not None:
        return (_told(seen, wrong, kind, wrong, sure=kind == "line"),)
    found: list[NamedFault] = []
    left, all_wrong = wrong.copy(), int(wrong.sum())
    while len(found) < _MOST_FAULTS and left.any():
        guess = _best(seen, left)
        if guess is None:
            break
        found.append(_named(seen, guess, all_wrong))
        left &= ~guess.spoilt
        if int(left.sum()) <= (1 - ENOUGH) * all_wrong and not _is_steady_few(seen, left):
            return tuple(found)
    if left.any():
        kind = _rest_kind(seen, left)
        loose = _loose(seen, left, wrong) if kind == "noise" else None
        found.append(loose or _told(seen, left, kind, wrong))
    # What can be named is told first: it can be repaired, and the rest is seen better then.
    found.sort(key=lambda each: (each.kind in _LEFT, -each.explains))
    is_dark = found[-1].kind == "unknown" and found[-1].explains > _DARK
    if is_dark and {each.kind for each in found[:-1]} == {"block"}:
        found.insert(0, found.pop())  # a block is no more than a guess where much stays in the dark
    return tuple(found)


def _loose(seen: PassEvidence, part: Mask, wrong: Mask) -> NamedFault | None:
    """Return the one data line that is all that is wrong now and then; None where it is not."""
    at = np.flatnonzero(part)
    change = (seen.read[at] ^ seen.written[at]) | (seen.again[at] ^ seen.written[at])
    bits = int(np.bitwise_or.reduce(change))
    if len(at) < _LEAST or bits & (bits - 1):
        return None
    line = seen.lines - seen.bits + bits.bit_length() - 1
    return replace(_told(seen, part, "data line loose", wrong), lines=(line,))


def _is_steady_few(seen: PassEvidence, left: Mask) -> bool:
    """Whether a few words are left that a second fault may explain."""
    return 0 < int(left.sum()) < FEW and not bool((left & seen.unsteady).any())


def _rest_kind(seen: PassEvidence, left: Mask) -> str:
    count, known = int(left.sum()), int(seen.known.sum())
    if int((left & seen.unsteady).sum()) > 0.05 * count:
        return "noise" if count < known / 8 else "unknown"
    if bool((left & seen.at_once).any()):
        return "unknown"
    return "cells" if count < FEW and _are_by_chance(seen, left) else "unknown"


def _are_by_chance(seen: PassEvidence, left: Mask) -> bool:
    """Whether a few words lie as if by chance: bad cells have no order."""
    at = np.flatnonzero(left)
    if len(at) < _AN_ORDER:
        return True
    starts = np.array([*seen.starts, len(seen.known)])
    before = at - starts[np.searchsorted(starts, at, side="right") - 1]
    behind = starts[np.searchsorted(starts, at, side="right")] - 1 - at
    is_at_an_end = bool((np.minimum(before, behind) < FEW).all())
    is_near = int(at[-1] - at[0]) < _COLUMN * len(at)
    # So many different rests are to be expected.
    rests = [len(np.unique(at % of)) / (of * (1 - (1 - 1 / of) ** len(at))) for of in _PERIODS]
    return not (is_at_an_end or is_near or min(rests) < 0.5)


# what does not lie in cells or lines


def _not_the_cells(seen: PassEvidence, wrong: Mask) -> str | None:
    """Return "line", "fades" or "disturbed" where words are wrong that need not be."""
    count = int(wrong.sum())
    is_mended = seen.others_right and bool((seen.mended | ~wrong).all())
    if is_mended and seen.bad_checksums and count <= _ON_THE_LINE:
        return "line" if _passes_checksums(seen, wrong) else "disturbed"
    tried = int((wrong & seen.tried).sum())
    fading = wrong & seen.at_once & ~seen.mended
    is_unsteady = 2 * int((wrong & seen.unsteady).sum()) > count
    if tried and not is_unsteady and int(fading.sum()) >= ENOUGH * tried:
        return "fades"
    first = seen.known & (seen.read != seen.written)
    later = seen.known & (seen.again != seen.written)
    more = int((later & ~first).sum())
    if more > 4 and more > 10 * int((first & ~later).sum()):
        # What was read first does not fade at once: reading may spoil it.
        return "fades" if more <= max(4 * int(first.sum()), FEW) else "unknown"
    is_mended = int((wrong & seen.mended).sum()) >= ENOUGH * count
    if is_mended and seen.others_right and count <= REWRITTEN and not (wrong & seen.unsteady).any():
        return "disturbed"
    return None


def _passes_checksums(seen: PassEvidence, wrong: Mask) -> bool:
    """Whether every packet with wrong words could have passed its checksum (PKT-05, M1 p. 38).

    A checksum is the exclusive or of all bytes.  Where a unit cuts low bits off nobody can tell,
    nor where the other byte may have been filler, which is not kept.
    """
    if seen.bits != seen.width:
        return True
    at, step = np.flatnonzero(wrong), words_per_packet(seen.width)
    starts = np.array([*seen.starts, len(wrong)])
    part = np.searchsorted(starts, at, side="right") - 1
    filled = starts[part + 1] - (starts[part + 1] - starts[part]) % step
    at, part = at[at < filled], part[at < filled]
    if not len(at):
        return True
    packet = (at - starts[part]) // step
    _, which = np.unique(part * (1 << 32) + packet, return_inverse=True)
    shift = 7 * bytes_per_word(seen.width) - seen.width
    for values in (seen.read, seen.again):
        change = (values[at] ^ seen.written[at]).astype(np.uint64) << np.uint64(shift)
        folded = np.zeros(len(at), np.uint64)
        for column in range(bytes_per_word(seen.width)):
            folded ^= (change >> np.uint64(7 * column)) & np.uint64(0x7F)
        sums = np.zeros(int(which.max()) + 1, np.uint64)
        np.bitwise_xor.at(sums, which, folded)
        if sums.any():
            return False
    return True


# what does


def _best(seen: PassEvidence, wrong: Mask) -> _Guess | None:
    """Return the guess that explains most of the wrong words; the simplest of equal ones."""
    count = int(wrong.sum())
    if count < _LEAST:
        return None
    guesses: list[_Guess] = []
    for view in views(seen, wrong):
        if not view.wrong.any():
            continue
        claimed = np.zeros(len(view.written), np.uint32)
        case = _Case(seen=seen, view=view, wrong=wrong, claimed=claimed)
        guesses += _data(case)
        guesses += (*_joined_data(case), *_echo(case), *_addresses(case))
        if any(each.parts == 1 and int(each.spoilt.sum()) == count for each in guesses):
            break  # nothing can be simpler
    guesses = [each for each in guesses if int(each.spoilt.sum()) >= max(0.05 * count, _LEAST)]
    if not guesses:
        return None
    most = max(int(each.spoilt.sum()) for each in guesses)
    good = [each for each in guesses if int(each.spoilt.sum()) >= 0.985 * most]
    return min(good, key=lambda each: each.parts)


def _data(case: _Case) -> Iterator[_Guess]:
    """Yield what bits that are the same in a region come to; the case then has them as claimed."""
    view = case.view
    bits = [each for bit in range(view.bits) if (each := _constant(view, bit)) is not None]
    groups: list[list[_Bit]] = []
    for each in sorted(bits, key=lambda each: -int(each.region.inside.sum())):
        for group in groups:
            if alike(group[0].region, each.region):
                group.append(each)
                break
        else:
            groups.append([each])
    change = (view.read ^ view.written) | (view.again ^ view.written)
    if _are_nested(groups):
        inside = np.logical_or.reduce([group[0].region.inside for group in groups])
        spoilt = case.words(view.wrong & inside)
        yield _Guess(kind="unknown", view=view, spoilt=spoilt, share=float(inside.mean()))
        return
    for group in groups:
        mask = np.uint32(sum(1 << each.bit for each in group))
        region = united([each.region for each in group])
        if len(group) <= _A_PAIR:
            case.claimed[region.inside] |= mask
        spoilt_units = view.wrong & region.inside & (change & ~mask == 0)
        levels = {each.level for each in group}
        yield _Guess(
            kind=_data_kind(view, group, region),
            view=view,
            spoilt=case.words(spoilt_units),
            regions=(region,),
            lines=tuple(sorted(view.lowest + each.bit for each in group)),
            level=levels.pop() if len(levels) == 1 else None,
            share=region.share,
            parts=1 if len(group) == view.bits else len(group),
        )


def _are_nested(groups: list[list[_Bit]]) -> bool:
    """Whether lines do the same in all units, and in every so-many-th of the same stretch.

    No two faults would agree on that, and no single one that is known does it.
    """
    if len(groups) < _A_PAIR:
        return False
    one, other = groups[0][0], groups[1][0]
    return (
        one.level == other.level
        and one.region.stride != other.region.stride
        and abs(one.region.first - other.region.first) <= _COLUMN
        and abs(one.region.last - other.region.last) <= _COLUMN
        and max(len(groups[0]), len(groups[1])) > _A_PAIR
    )


def _constant(view: MemoryView, bit: int) -> _Bit | None:
    """Return a bit that is the same, or follows nothing, wherever it shows."""
    one = np.uint32(1 << bit)
    read, again, written = view.read & one, view.again & one, view.written & one
    shows = view.wrong & ((read != written) | (again != written))
    at = np.flatnonzero(shows)
    if len(at) < _LEAST:
        return None
    unsteady = int((read[at] != again[at]).sum())
    high = int((read[at] != 0).sum())
    region = region_of(at, view.known, view.weight)
    inside = region.inside
    if unsteady > 0.2 * len(at):
        # A line that floats: each reading is as good as a throw of a coin.
        off = float((read != written)[inside].mean())
        is_coin = 0.4 < off < 0.6 and unsteady > 0.5 * len(at)
        return _Bit(bit=bit, level=None, is_loose=True, region=region) if is_coin else None
    level = int(2 * high > len(at))
    stuck = one if level else np.uint32(0)
    should = inside & (written != stuck)
    held = int((should & (read == stuck) & (again == stuck)).sum())
    is_stuck = held >= (1 - _SPARED) * int(should.sum()) and 2 * min(high, len(at) - high) < 0.1 * (
        len(at)
    )
    if is_stuck:
        return _Bit(bit=bit, level=level, is_loose=False, region=region)
    off = float((read != written)[inside].mean())
    is_deaf = bool(view.deaf >> bit & 1) and 0.4 < off < 0.6
    return _Bit(bit=bit, level=None, is_loose=False, region=region) if is_deaf else None


def _data_kind(view: MemoryView, group: list[_Bit], region: FaultRegion) -> str:
    lines = sorted(each.bit for each in group)
    if region.stride >= _COLUMN:
        kind = "column"
    elif region.share < _LARGE and region.runs > 2:
        kind = "unknown"
    elif region.share < _SMALL:
        kind = "row"
    elif len(lines) == view.bits:
        kind = _gone(region)
    elif len(lines) == 1:
        kind = "data line loose" if group[0].is_loose else "data line stuck"
    elif lines[-1] - lines[0] < 4 or (lines[0] // 8 == lines[-1] // 8 and len(lines) > 4):
        kind = "chip"
    else:
        kind = "data lines"
    return kind


def _gone(region: FaultRegion) -> str:
    """Return what a region is in which nothing is stored: a module, also in turns, or a block."""
    is_in_turns = 1 < region.stride < _COLUMN and region.share * region.stride > _WHOLE
    return "module missing" if is_in_turns or region.share > _A_MODULE else "block"


def _joined_data(case: _Case) -> Iterator[_Guess]:
    """Yield two data lines that always read the same: both the lower of the two, or the higher."""
    view = case.view
    change = view.read ^ view.written
    at = np.flatnonzero(view.wrong & (view.read == view.again))
    shares = [
        (int((change[at] >> np.uint32(bit) & np.uint32(1)).sum()), bit) for bit in range(view.bits)
    ]
    (_, one), (least, two) = sorted(shares)[-1], sorted(shares)[-2]
    if least < _LEAST:
        return
    mask = np.uint32(1 << one | 1 << two)
    at = at[change[at] & ~mask == 0]
    if len(at) < _LEAST:
        return
    region = region_of(at, view.known, view.weight)

    def bit(values: Values, number: int) -> Values:
        return (values >> np.uint32(number)) & np.uint32(1)

    w_one, w_two = bit(view.written, one), bit(view.written, two)
    differ = region.inside & (w_one != w_two)
    for both in (w_one & w_two, w_one | w_two):
        as_said = (bit(view.read, one) == both) & (bit(view.read, two) == both)
        if int((differ & as_said).sum()) >= (1 - _SPARED) * int(differ.sum()):
            spoilt = view.wrong & region.inside & as_said & (change & ~mask == 0)
            yield _Guess(
                kind="data lines joined",
                view=view,
                spoilt=case.words(spoilt),
                regions=(region,),
                lines=tuple(sorted((view.lowest + one, view.lowest + two))),
                share=region.share,
                parts=1,
            )


def _echo(case: _Case) -> Iterator[_Guess]:
    """Yield a module that is not there, where what was read before stays on the lines."""
    view = case.view
    before = np.roll(view.read, 1)
    same = view.read == before
    begins = np.isin(view.word, case.seen.starts)  # nothing was read before
    same &= ~begins
    at = np.flatnonzero(view.wrong & same)
    if len(at) < _LEAST:
        return
    region = region_of(at, view.known, view.weight)
    inside = region.inside
    if region.share > _SMALL and float(same[inside].mean()) > 1 - _SPARED:
        yield _Guess(
            kind=_gone(region),
            view=view,
            spoilt=case.words(view.wrong & inside & (same | begins)),
            regions=(region,),
            share=region.share,
            parts=2,
        )


def _addresses(case: _Case) -> Iterator[_Guess]:
    """Yield address lines by which words hold what was written elsewhere."""
    view = case.view
    at = np.flatnonzero(view.wrong & (view.read == view.again))
    if len(at) < _LEAST:
        return
    some = at[np.linspace(0, len(at) - 1, min(len(at), _LOOKED_AT)).astype(np.intp)]
    rates = {far: float(_same_as(case, some, far).mean()) for far in _distances(view, some)}
    ranked = sorted(rates, key=lambda far: -rates[far])
    for far in ranked[:2]:
        if rates[far] > 0.3:
            yield from _one_line(case, at, far)
    for far in [each for each in ranked[:3] if rates[each] > 0.15 and each > 0]:
        yield from _two_lines(case, at, far)


def _distances(view: MemoryView, some: Places) -> set[int]:
    """Return distances at which what was read may have been written: those of single lines, and
    one that is common where four units in a row are found elsewhere."""
    count = len(view.written)
    turns = _turns(some)
    far = {turns << k for k in range(count.bit_length()) if turns << k < count}
    some = some[some < count - 4][:: max(len(some) // 256, 1)]

    def rows(values: Values) -> Places:
        wide = values.astype(np.uint64)
        key = wide[:-3]
        for step in range(1, 4):
            key = (key << np.uint64(16)) | wide[step : len(wide) - 3 + step]
        return key.astype(np.intp)

    if not len(some) or view.bits < 12:
        return far
    keys = rows(view.written)
    order = np.argsort(keys, kind="stable")
    wanted = rows(view.read)[some]
    found = np.searchsorted(keys[order], wanted)
    found = np.minimum(found, len(order) - 1)
    hit = keys[order][found] == wanted
    apart = order[found][hit] - some[hit]
    if len(apart):
        values, counts = np.unique(apart, return_counts=True)
        far.add(int(values[counts.argmax()]))
    return {each for each in far if each > 0}


def _turns(at: Places) -> int:
    """Return 3 where one of three banks in turns is concerned: a line there parts 3 x 2^k units.

    So it is with 5.
    """
    stride, _ = stride_of(at)
    return next((odd for odd in (3, 5) if stride % odd == 0), 1)


def _is_right(case: _Case, places: Places) -> bool:
    """Whether nearly all units at these places are right, but for claimed bits."""
    view = case.view
    places = places[(places < len(view.written)) & view.known[places % len(view.written)]]
    wrong: Mask = (view.read[places] ^ view.written[places]) & ~case.claimed[places] != 0
    return not len(places) or float(wrong.mean()) < _TWICE_WRONG


def _same_as(case: _Case, at: Places, far: int) -> Mask:
    """Return which units at `at` hold what was written `far` units on, but for claimed bits."""
    view, other = case.view, at + far
    inside = other < len(view.written)
    there = view.written[np.where(inside, other, 0)]
    same: Mask = (view.read[at] ^ there) & ~case.claimed[at] == 0
    return inside & same


def _one_line(case: _Case, at: Places, far: int) -> Iterator[_Guess]:
    """Yield an address line that does nothing: of two addresses the later write is in both."""
    view = case.view
    hits = at[_same_as(case, at, far)]
    if len(hits) < _LEAST:
        return
    step, count = abs(far), len(view.written)
    turns = _turns(hits)
    is_power = step % turns == 0 and step // turns & (step // turns - 1) == 0
    region = _span(hits, view.known)
    begin, length = arc(hits, 2 * step)
    if length > step:
        hits = _without_chance(hits, 2 * step, step)
        region = _span(hits, view.known)
        begin, length = arc(hits, 2 * step)
    if length > step or not _is_right(case, hits + far):
        return  # both words of a pair are wrong, and no line does that
    stretch = in_arc(count, begin, length, 2 * step) & region
    other = np.arange(count) + far
    told = stretch & (other >= 0) & (other < count)
    told[told] &= view.written[told] != view.written[other[told]]
    as_said = told & view.wrong
    if int(as_said.sum()) < (1 - _SPARED) * int(told.sum()):
        return
    spoilt = np.zeros(count, np.bool_)
    spoilt[hits] = True
    share = _share(view, told | spoilt)
    span = int(hits[-1] - hits[0]) + 1
    is_single = span <= step
    per_word = count / len(case.seen.written)
    is_cut = hits[0] < _COLUMN  # by the beginning of the test
    if is_single and not is_cut and length < 0.9 * step and share < 0.2:
        return  # a piece of a memory, not half of what one line parts
    if (is_single and share > _TOGETHER) or (step == 1 and share > 0.45):
        kind = "modules together"
    elif not is_power:
        return
    else:
        kind = "half the size" if is_single else "address line"
    yield _Guess(
        kind=kind,
        view=view,
        spoilt=case.words(spoilt),
        regions=(),
        distance=max(round(step / per_word), 1),
        share=share,
        parts=1,
    )


def _two_lines(case: _Case, at: Places, far: int) -> Iterator[_Guess]:
    """Yield two address lines that are joined, of which `far` is the upper one's distance.

    Both are then 1 where either is: 01 and 10 hold what was written to 11.  Or both are 0 where
    either is: 00 and 01 hold what was written to 10, which is the last of the three.
    """
    turns = _turns(at)
    if far % turns or far // turns & (far // turns - 1):
        return
    view = case.view
    count = len(view.written)
    upper = at[_same_as(case, at, far)]
    for k in range((far // turns).bit_length() - 1):
        near = turns << k
        for other in (near, far - near):
            lower = at[_same_as(case, at, other)]
            if min(len(lower), len(upper)) < _LEAST or len(lower) + len(upper) < 0.9 * len(at):
                continue
            if not (_is_right(case, upper + far) and _is_right(case, lower + other)):
                continue
            span = _span(at, view.known)
            halves = [_quarter(view, hits, far, near, span) for hits in (upper, lower)]
            if any(each is None for each in halves):
                continue
            spoilt = np.zeros(count, np.bool_)
            spoilt[upper] = spoilt[lower] = True
            per_word = count / len(case.seen.written)
            yield _Guess(
                kind="address lines joined",
                view=view,
                spoilt=case.words(spoilt),
                distance=max(round(far / per_word), 1),
                lines=tuple(
                    max(round(each / per_word), 1).bit_length() - 1 for each in (near, far)
                ),
                share=_share(view, span),
                parts=2,
            )
            return


def _share(view: MemoryView, part: Mask) -> float:
    return float(view.weight[part & view.known].sum() / max(view.weight[view.known].sum(), 1))


def _quarter(view: MemoryView, hits: Places, far: int, near: int, span: Mask) -> Mask | None:
    """Return the quarter of each period in which hits lie; None where not all there is wrong."""
    count = len(view.written)
    quarter = span.copy()
    for step in (far, near):
        hits = _without_chance(hits, 2 * step, step)
        if len(hits) < _LEAST:
            return None
        begin, length = arc(hits, 2 * step)
        quarter &= in_arc(count, begin, length, 2 * step)
    is_wrong = int((quarter & view.wrong).sum()) >= 0.9 * int(quarter.sum())
    return quarter if is_wrong else None


def _span(places: Places, known: Mask) -> Mask:
    """Return the known units from the first to the last place, in their stride."""
    region = np.zeros(len(known), np.bool_)
    step = _stride(places)
    region[places[0] : places[-1] + 1 : step] = True
    return region & known


def _without_chance(places: Places, period: int, step: int) -> Places:
    """Return places without the few that are outside of the half where most of them lie."""
    rests = np.sort(places % period)
    both = np.concatenate([rests, rests + period])
    inside = np.searchsorted(both, rests + step) - np.arange(len(rests))
    begin = int(rests[inside.argmax()])
    return places[(places - begin) % period < step]


# what is said


def _named(seen: PassEvidence, guess: _Guess, all_wrong: int) -> NamedFault:
    at = np.flatnonzero(guess.spoilt)
    region = guess.regions[0] if guess.regions else None
    top = seen.lines - 1  # whether words have a sign changes its level
    return NamedFault(
        kind=guess.kind,
        words_wrong=len(at),
        explains=len(at) / all_wrong,
        first=int(at[0]),
        last=_last(seen, at),
        stride=_stride(at) if region is None else max(region.stride, 1),
        share=guess.share,
        lines=guess.lines,
        level=None if guess.lines and guess.lines[-1] == top else guess.level,
        distance=guess.distance,
        of=guess.view.name,
        examples=tuple(map(int, at[:8])),
        sure=(
            len(at) >= ENOUGH * all_wrong
            and guess.kind not in ("unknown", "block")
            # Of few words nobody can tell one address line from two that are joined.
            and (guess.distance is None or 2 * int(seen.known.sum()) > len(seen.known))
        ),
    )


def _last(seen: PassEvidence, at: Places) -> int:
    """Return the last wrong word; where hardly more is known there, the one before what is."""
    later = np.flatnonzero(seen.known[at[-1] + 1 :])
    here = int((later[:_A_FEW] == np.arange(len(later[:_A_FEW]))).sum())
    if here == _A_FEW or at[-1] + 1 + here == len(seen.known):
        return int(at[-1])
    return int(at[-1] + later[here]) if here < len(later) else len(seen.known) - 1


def _stride(at: Places) -> int:
    stride, _ = stride_of(at)
    return stride if stride < _COLUMN else 1


def _told(
    seen: PassEvidence, part: Mask, kind: str, wrong: Mask, *, sure: bool = False
) -> NamedFault:
    at = np.flatnonzero(part)
    return NamedFault(
        kind=kind,
        words_wrong=len(at),
        explains=len(at) / max(int(wrong.sum()), 1),
        first=int(at[0]),
        last=_last(seen, at),
        share=len(at) / max(int(seen.known.sum()), 1),
        examples=tuple(map(int, at[:8])),
        sure=sure,
    )
