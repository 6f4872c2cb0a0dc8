"""What the benchmark prints: plain tables, one line a family."""

from collections.abc import Iterator, Mapping

from harness.diagnose.confidence import Confidence
from tests.diagnosis.scoring import Count, Tally, total_of, wilson

_WIDE = 52


def score_lines(title: str, tally: Tally) -> Iterator[str]:
    """Yield the table of runs in which something is wrong."""
    total = total_of(tally.faults)
    yield f"{title}: {total.runs:,} runs in which something is to be seen"
    if not total.runs:
        return
    yield f"  first cause right        {_share(total.first, total.runs)}"
    yield f"  among the first three    {_share(total.among, total.runs)}"
    yield f"  packet right             {_share(total.place, total.placed)} of those with one"
    yield f"  wrong, and sure of it    {_share(total.wrong, total.runs)}"
    yield f"  wrong or none, not sure  {_share(total.undecided, total.runs)}"
    yield f"  naive rules right        {_share(total.baseline, total.runs)}"
    yield f"  causes that nobody could tell apart: {total.alike / total.runs:.1f} in a run"
    yield from _beside(tally)


def _beside(tally: Tally) -> Iterator[str]:
    if tally.open.runs:
        yield (
            f"  beside them {tally.open.runs:,} runs that may as well be nothing: "
            f"{tally.open.first:,} right, {tally.open.wrong:,} wrong and sure of it"
        )
    clean = total_of(tally.clean)
    if clean.runs:
        yield (
            f"  and {clean.runs:,} in which nothing is to be seen: "
            f"{clean.runs - clean.first:,} false alarms"
        )


def family_lines(tally: Tally) -> Iterator[str]:
    """Yield a line for each family, and for each view, the worst first."""
    yield (
        f"  {'family':{_WIDE}} {'runs':>7} {'first':>7}  {'95 %':^14} {'three':>7} {'packet':>7} "
        f"{'sure':>6} {'naive':>6}"
    )
    for group in (tally.faults, tally.views):
        for name, count in sorted(group.items(), key=lambda each: each[1].first / each[1].runs):
            yield _family_line(name, count)
        yield ""


def _family_line(name: str, count: Count) -> str:
    low, high = wilson(count.first, count.runs)
    packet = f"{count.place / count.placed:7.1%}" if count.placed else "      -"
    return (
        f"  {name[:_WIDE]:{_WIDE}} {count.runs:7,} {count.first / count.runs:7.1%}  "
        f"{low:6.1%}-{high:6.1%} {count.among / count.runs:7.1%} {packet} "
        f"{count.wrong / count.runs:6.1%} {count.baseline / count.runs:6.1%}"
    )


def clean_lines(tally: Tally) -> Iterator[str]:
    """Yield the table of the healthy and odd-but-legal runs."""
    total = total_of(tally.clean)
    alarms, low_high = total.runs - total.first, wilson(total.runs - total.first, total.runs)
    yield f"healthy and odd but legal: {total.runs:,} runs"
    yield f"  {alarms:,} with a cause named [{low_high[0]:.3%} to {low_high[1]:.3%}]"
    yield f"  {tally.broken:,} in which the judge calls something broken"
    yield f"  {total.runs - total.baseline:,} false alarms of the naive rules"
    for name, count in sorted(tally.clean.items(), key=lambda each: each[1].first / each[1].runs):
        if count.first < count.runs:
            yield f"  {name:{_WIDE}} {count.runs - count.first:,} of {count.runs:,}"


def word_lines(tally: Tally) -> Iterator[str]:
    """Yield what each word of confidence was worth."""
    yield "how sure it said it was, and how often it was right:"
    for word in Confidence:
        right, wrong = tally.words[word, True], tally.words[word, False]
        if right + wrong:
            yield f"  {word:12} {_share(right, right + wrong)} of {right + wrong:,}"


def confusion_lines(tally: Tally, most: int = 15) -> Iterator[str]:
    """Yield the commonest wrong answers."""
    if tally.confusion:
        yield "the commonest wrong answers:"
    for (family, named), count in tally.confusion.most_common(most):
        yield f"  {count:6,}  {family:{_WIDE}} -> {named}"


def difference_lines(second: Mapping[str, Count], first: Count) -> Iterator[str]:
    """Yield the second set beside the first."""
    total = total_of(dict(second))
    mine = total.first / total.runs if total.runs else 0
    theirs = first.first / first.runs if first.runs else 0
    yield (
        f"first cause right: {mine:.2%} here, {theirs:.2%} in the first set over the same kinds: "
        f"{(mine - theirs) * 100:+.2f} points"
    )


def _share(right: int, of: int) -> str:
    if not of:
        return "      -"
    low, high = wilson(right, of)
    return f"{right / of:7.2%}  [{low:.2%} to {high:.2%}]"
