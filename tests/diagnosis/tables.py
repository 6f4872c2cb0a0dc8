"""What the benchmark prints: plain tables, one line a kind."""

from collections.abc import Iterator

from dryload.harness.diagnose.confidence import Confidence
from tests.diagnosis.scoring import Count, Doubles, Tally, total_of, wilson

_WIDE = 54


def score_lines(tally: Tally, title: str = "one fault") -> Iterator[str]:
    """Yield the table of cases in which something is wrong."""
    total = total_of(tally.faults)
    yield f"{title}: {total.runs:,} cases of {len(tally.faults)} kinds"
    if not total.runs:
        return
    yield f"  first cause right        {share(total.first, total.runs)}"
    yield f"  among the first three    {share(total.among, total.runs)}"
    yield f"  packet right             {share(total.place, total.placed)} of those with one"
    yield f"  wrong, and sure of it    {share(total.wrong, total.runs)}"
    yield f"  wrong, and not sure      {share(total.unsure, total.runs)}"
    yield f"  nothing is wrong         {share(total.nothing, total.runs)}"
    yield f"  causes that are accepted: {total.accepted / total.runs:.2f} a case"
    if tally.open.runs:
        yield (
            f"  beside them {tally.open.runs:,} cases that may as well be nothing: "
            f"{tally.open.first:,} right, {tally.open.wrong:,} wrong and sure of it"
        )


def kind_lines(tally: Tally) -> Iterator[str]:
    """Yield a line for each kind, and for each view, the worst first."""
    yield (
        f"  {'kind':{_WIDE}} {'cases':>6} {'first':>7}  {'95 %':^14} {'three':>7} {'packet':>7} "
        f"{'sure':>6} {'accepts':>7}"
    )
    for group in (tally.faults, tally.views):
        for name, count in sorted(group.items(), key=lambda each: each[1].first / each[1].runs):
            yield _kind_line(name, count)
        yield ""


def _kind_line(name: str, count: Count) -> str:
    low, high = wilson(count.first, count.runs)
    packet = f"{count.place / count.placed:7.1%}" if count.placed else "      -"
    return (
        f"  {name[:_WIDE]:{_WIDE}} {count.runs:6,} {count.first / count.runs:7.1%}  "
        f"{low:6.1%}-{high:6.1%} {count.among / count.runs:7.1%} {packet} "
        f"{count.wrong / count.runs:6.1%} {count.accepted / count.runs:7.1f}"
    )


def clean_lines(tally: Tally) -> Iterator[str]:
    """Yield the table of the healthy and odd cases."""
    total = total_of(tally.clean)
    alarms, low_high = total.runs - total.first, wilson(total.runs - total.first, total.runs)
    yield f"healthy and odd but legal: {total.runs:,} cases"
    yield f"  {alarms:,} with a cause named [{low_high[0]:.3%} to {low_high[1]:.3%}]"
    yield f"  {tally.broken:,} in which the judge calls something broken"
    for name, count in sorted(tally.clean.items(), key=lambda each: each[1].first / each[1].runs):
        if count.first < count.runs:
            yield f"  {name:{_WIDE}} {count.runs - count.first:,} of {count.runs:,}"


def word_lines(tally: Tally) -> Iterator[str]:
    """Yield what each word of confidence was worth."""
    yield "how sure it said it was, and how often it was right:"
    for word in Confidence:
        right, wrong = tally.words[word, True], tally.words[word, False]
        if right + wrong:
            yield f"  {word:12} {share(right, right + wrong)} of {right + wrong:,}"


def confusion_lines(tally: Tally, most: int = 15) -> Iterator[str]:
    """Yield the commonest wrong answers."""
    if tally.confusion:
        yield "the commonest wrong answers:"
    for (kind, named), count in tally.confusion.most_common(most):
        yield f"  {count:6,}  {kind:{_WIDE}} -> {named}"


def double_lines(total: Doubles) -> Iterator[str]:
    """Yield what is said of two faults."""
    yield f"two faults at once: {total.runs:,} captures ({total.hidden:,} draws more have no two)"
    for text, right in (
        ("one of the two is named first", total.first),
        ("one of the two is among the first three", total.among),
        ("both are among the first three", total.both),
    ):
        yield f"  {share(right, total.runs)}  {text}"


def share(right: int, of: int) -> str:
    """Return a share with its interval."""
    if not of:
        return "      -"
    low, high = wilson(right, of)
    return f"{right / of:7.2%}  [{low:.2%} to {high:.2%}]"
