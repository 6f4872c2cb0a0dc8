"""A picture of a memory that is proved: what its words have shown in this pass.

It has a row for each module, or four where nobody has said how many there are.  Every cell stands
for as many words.  Its sign holds for all of them; but a single wrong word shows, as a digit.
"""

from itertools import pairwise
from typing import Final

import numpy as np

from dryload.harness.jobs.forecast import Step
from dryload.harness.prove.evidence import Places
from dryload.harness.prove.proof import ProofStanding
from dryload.harness.report.memory_bar import BLOCKS, Signs
from dryload.harness.report.memory_picture import PICTURE_CELLS, packed
from dryload.harness.report.table import folded

_ROWS: Final = 4
_MEANINGS: Final = {"sample": "came back right", "arriving": "written", "free": "not written"}
_WRONG: Final = (
    "1 to 9 = tenths of the words that came back wrong; 1 also for fewer, 9 also for all"
)


def proof_picture(
    standing: ProofStanding,
    *,
    now: range | None = None,
    modules: int | None = None,
    width: int | None = None,
    signs: Signs = BLOCKS,
) -> list[str]:
    """Return the rows, and what their signs mean; [] for no memory.

    While a proof runs, the words `now` are on their way.  Until it is known how much memory there
    is, what is written is one row.
    """
    on_way = now or range(0)
    words = standing.words or max([on_way.stop, *(part.end for part in standing.parts)])
    if not words:
        return []
    rows = min((modules or _ROWS) if standing.words else 1, words)
    ends = [words * row // rows for row in range(rows + 1)]
    names = [f"word {start:,}" for start in ends[:-1]]
    if modules and standing.words:
        names = [f"module {row}" for row in range(1, rows + 1)]
    cells, label = min(width or PICTURE_CELLS, PICTURE_CELLS), max(map(len, names))
    drawn, edge = list[str](), signs["edge"]
    for start, end in pairwise(ends):
        count = min(max(cells - label - 5, 1), end - start)
        edges = start + (end - start) * np.arange(count + 1) // count
        drawn.append(_row(standing, on_way, edges, signs))
    is_shown = {kind: now is not None or signs[kind] in "".join(drawn) for kind in _MEANINGS}
    said = [f"{signs[kind]} = {meant}" for kind, meant in _MEANINGS.items() if is_shown[kind]]
    said += ["> = on its way now"] * (now is not None) + [_WRONG] * (len(standing.wrong) > 0)
    lines = [f"  {name:<{label}} {edge}{row}{edge}" for name, row in zip(names, drawn, strict=True)]
    return lines + [part for line in packed(said, cells) for part in folded(line, width, 4)]


def watched(
    standing: ProofStanding,
    step: Step | None,
    *,
    left: str,
    modules: int | None,
    width: int,
    signs: Signs,
) -> list[str]:
    """Return what is shown while a proof runs, no line wider than `width`.

    `left` says how long it takes still, or what it waits for.
    """
    part, now, at = standing.part, range(0), standing.pass_number
    doing = "" if part is None else f": {standing.act} test sample {part.number}"
    if part is not None and step is not None and step.packets > 1:
        now = range(part.start, part.start + part.words * step.packet // step.packets)
        doing += f", packet {step.packet:,} of {step.packets:,}"
    written = sum(each.words for each in standing.parts if each.number in standing.written)
    of = "" if standing.words is None else f" of {standing.words:,}"
    wrong = f"; wrong: {len(standing.wrong):,}" if len(standing.wrong) else ""
    said = [
        f"Pass {at} of {standing.passes}{doing}{left and f'; {left}'}.",
        f"Written: {written:,}{of} words; came back right: {standing.right:,}{wrong}.",
        *[f"Passes in which every word came back right: {at - 1}."][: at - 1],
    ]
    above = [row for line in said for row in folded(line, width, 4)]
    return above + proof_picture(standing, now=now, modules=modules, width=width, signs=signs)


def _row(standing: ProofStanding, now: range, edges: Places, signs: Signs) -> str:
    """Return the signs of cells, each of the words from one edge to the next."""

    def met(start: int, words: int) -> Places:
        inside: Places = np.minimum(edges[1:], start + words) - np.maximum(edges[:-1], start)
        return inside.clip(0)

    size = np.diff(edges)
    written, back = 0 * size, 0 * size
    for part in standing.parts:
        written += met(part.start, part.words if part.number in standing.written else 0)
        back += met(part.start, standing.back.get(part.number, 0))
    wrong = np.diff(np.searchsorted(standing.wrong, edges))
    row = np.where(written == size, signs["arriving"], signs["free"])
    row[back == size] = signs["sample"]
    row[met(now.start, len(now)) > 0] = ">"
    tenths = np.rint(10 * wrong / size).clip(1, 9).astype(int)
    return "".join(np.where(wrong > 0, tenths.astype(str), row))
