"""Makes B out of A and what is said of their differences: plain Python, nothing of the judge's.

A word of B may be used only where the account says that nothing but B tells it.  What comes out
has to be B but for the words that the account calls changed here and there, and those are counted.
"""

from __future__ import annotations

from collections.abc import Sequence

from dryload.harness.judge.account import Content, Kind, Overflow, Rounding, WordDifference


def words_per_packet(bits: int) -> int:
    """M1 p. 39."""
    return 60 if bits <= 14 else 40 if bits <= 21 else 30


def nearest(word: int, size: int, rounding: Rounding) -> int:
    """Return `word / size` as a whole number; `test_rounding` has the same in fractions."""
    down, rest = divmod(word, size)
    match rounding:
        case Rounding.CUT:
            return down
        case Rounding.ROUNDED:
            return down + (2 * rest >= size)
        case Rounding.TO_EVEN:
            return down + (2 * rest > size or (2 * rest == size and down % 2 == 1))
        case Rounding.AWAY:
            return down + (2 * rest > size or (2 * rest == size and word > 0))
        case Rounding.TOWARDS_ZERO:
            return down + (word < 0 and rest > 0)


def done_to(word: int, how: WordDifference, bits: int) -> int:  # noqa: PLR0911, PLR0912  a list of all kinds
    """One word after what is said of every word."""
    half = 1 << (bits - 1)
    line = word + half  # M1 p. 39: offset binary
    match how.kind:
        case Kind.WIDENED:
            return word
        case Kind.NEGATED:
            if word == -half:
                return half - 1 if how.overflow is Overflow.HELD else -half
            return -word
        case Kind.TOP_BIT_FLIPPED:
            return line - half - half if line >= half else line + half - half
        case Kind.BITS_FLIPPED:
            return (line ^ how.mask) - half
        case Kind.BITS_STUCK:
            assert how.ones & ~how.mask == 0
            return (line & ~how.mask | how.ones) - half
        case Kind.BYTES_REVERSED:
            size = -(-bits // 7)
            unused = 7 * size - bits
            groups = [(line << unused) // (1 << 7 * place) % 128 for place in range(size)]
            back = sum(group * (1 << 7 * place) for place, group in enumerate(reversed(groups)))
            return (back >> unused) - half
        case Kind.BYTES_SWAPPED:
            raw = word.to_bytes(bits // 8, "little", signed=True)
            return int.from_bytes(raw, "big", signed=True)
        case Kind.NARROWED:
            assert how.rounding is not None
            drop = bits - how.bits
            narrow = nearest(word, 1 << drop, how.rounding)
            return min(narrow, (1 << (how.bits - 1)) - 1) * (1 << drop)
        case Kind.LEVEL:
            if how.bits < 0:
                assert how.rounding is not None
                return nearest(word, 1 << -how.bits, how.rounding)
            louder = word * (1 << how.bits)
            if how.overflow is Overflow.HELD:
                return max(-half, min(half - 1, louder))
            return (louder + half) % (2 * half) - half
        case Kind.RIGHT_JUSTIFIED:
            return line // (1 << how.bits) - half
        case Kind.OFFSET:
            assert how.value is not None
            return max(-half, min(half - 1, word + how.value))
        case _:
            raise AssertionError(f"{how.kind} says nothing of every word")


EVERY_WORD = {
    Kind.WIDENED,
    Kind.NEGATED,
    Kind.TOP_BIT_FLIPPED,
    Kind.BITS_FLIPPED,
    Kind.BITS_STUCK,
    Kind.BYTES_REVERSED,
    Kind.BYTES_SWAPPED,
    Kind.NARROWED,
    Kind.LEVEL,
    Kind.RIGHT_JUSTIFIED,
    Kind.OFFSET,
}


def filled(
    content: Content, difference: WordDifference, built: list[int], b: Sequence[int], bits: int
) -> list[int]:
    """The words that `difference` puts behind `built`."""
    assert difference.word_b == len(built), "it doesn't begin where it says"
    count = difference.words
    match content:
        case Content.SILENCE:
            return [0] * count
        case Content.FILLER:
            return [-(1 << (bits - 1))] * count
        case Content.CONSTANT:
            assert difference.value is not None
            return [difference.value] * count
        case Content.REPEATED:
            lag = difference.value
            assert lag is not None
            more: list[int] = []
            for place in range(count):
                # B's own words before it: some may be changed, and then A doesn't tell them.
                before = place - lag
                more.append(b[len(built) + before] if before < 0 else more[before])
            return more
        case Content.OTHER:
            return list(b[len(built) : len(built) + count])


def rebuilt(  # noqa: PLR0912  a list of all kinds
    account: Sequence[WordDifference], a: Sequence[int], b: Sequence[int], bits: int, step: int
) -> tuple[list[int], WordDifference | None]:
    """What the account makes of A, and its statement about words changed here and there.

    `bits` is the wider of both widths, and the words of both are left-justified in it.
    """
    changed = None
    words = list(a)
    out: dict[int, int] = {}  # first word that is left out, how many
    put: dict[int, list[WordDifference]] = {}  # before which word of A something is put in
    over: dict[int, WordDifference] = {}
    for difference in account:
        if difference.kind in EVERY_WORD:
            if difference.coarse != "A":
                words = [done_to(word, difference, bits) for word in words]
            continue
        assert difference.word is not None
        match difference.kind:
            case Kind.MISSING | Kind.LOST | Kind.ENDS_EARLY:
                out[difference.word] = difference.words
            case Kind.ADDED | Kind.GOES_ON:
                put.setdefault(difference.word, []).append(difference)
            case Kind.DOUBLED:
                assert difference.value is not None
                put.setdefault(difference.value, []).append(difference)
            case Kind.MOVED:
                assert difference.value is not None
                out[difference.word] = difference.words
                put.setdefault(difference.value, []).append(difference)
            case Kind.SWAPPED:
                over[difference.word] = difference
            case Kind.REPLACED | Kind.TAIL:
                over[difference.word] = difference
            case Kind.CHANGED:
                assert changed is None
                changed = difference
            case _:
                raise AssertionError(difference.kind)
        check_packets(difference, step)
    built: list[int] = []
    at = 0
    while at <= len(words):
        for difference in put.get(at, []):
            if difference.content is None:
                assert difference.word is not None
                again = words[difference.word : difference.word + difference.words]
                built += again * (max(difference.times, 2) - 1)
            else:
                built += filled(difference.content, difference, built, b, bits)
        if at in out:
            at += out.pop(at)
            continue
        if at in over:
            difference = over[at]
            if difference.kind is Kind.SWAPPED:
                second = words[at + step : at + 2 * step]
                second += [-(1 << (bits - 1))] * (step - len(second))  # M1 p. 39: filler 00
                built += (second + words[at : at + step])[: difference.words]
            else:
                assert difference.content is not None
                built += filled(difference.content, difference, built, b, bits)
            at += difference.words
            continue
        built += words[at : at + 1]
        at += 1
    return built, changed


def check_packets(difference: WordDifference, step: int) -> None:
    """The packets named are those of the words named."""
    assert difference.word is not None
    if difference.packet is not None:
        assert difference.packet == difference.word // step
    if difference.kind in (Kind.MISSING, Kind.DOUBLED):
        assert difference.word % step == 0
        assert difference.words == difference.packets * step


def check(
    account: Sequence[WordDifference], a: Sequence[int], b: Sequence[int], bits: int, step: int
) -> None:
    """Fail unless the account makes B of A, and every figure in it is right."""
    if account and account[-1].coarse == "A":
        a, b = b, a
        assert [done_to(word, account[-1], bits) for word in a] == list(b)
        return
    built, changed = rebuilt(account, a, b, bits, step)
    assert len(built) == len(b)
    wrong = [place for place, (x, y) in enumerate(zip(built, b, strict=True)) if x != y]
    if changed is None:
        assert not wrong
        return
    assert len(wrong) == changed.different
    half = 1 << (bits - 1)
    assert max(abs(built[at] - b[at]) for at in wrong) == changed.largest
    mask = 0
    for at in wrong:
        mask |= (built[at] + half) ^ (b[at] + half)
    assert mask == changed.mask
    assert sum(run.different for run in changed.runs) <= changed.different
    assert len(changed.runs) <= changed.run_count <= changed.different
