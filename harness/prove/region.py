"""Where a fault acts: a region of the memory, found from the words that show it."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.harness.prove.evidence import Places, Weights
from dryload.harness.prove.words import Mask

_BLOCK: Final = 64
"""Units: where half of the words show a fault, a block that shows none is not concerned."""
_MOST: Final = 0.97


class FaultRegion(Struct, frozen=True, kw_only=True, eq=False):
    """Units in which a fault acts: runs of every `stride`-th one."""

    inside: Mask
    stride: int
    runs: int
    """How many runs there are."""
    first: int
    last: int
    share: float
    """Of the units that are known."""


def region_of(places: Places, known: Mask, weight: Weights) -> FaultRegion:
    """Return the region around units that show a fault; `places` are ascending, at least one."""
    stride, rest = stride_of(places)
    at = places[places % stride == rest] // stride
    blocks, counts = np.unique(at // _BLOCK, return_counts=True)
    kept = counts >= np.median(counts) / 4
    near = np.isin(blocks - 1, blocks[kept]) | np.isin(blocks + 1, blocks[kept])
    blocks = blocks[kept | near]
    at = at[np.isin(at // _BLOCK, blocks)]
    # A gap of whole blocks that are known parts two runs.
    of_stride = known[rest::stride]
    counted = np.concatenate([[0], np.cumsum(of_stride)])
    gaps = counted[at[1:]] - counted[at[:-1] + 1]
    cuts = np.flatnonzero(gaps >= _BLOCK)
    begins = np.concatenate([[at[0]], at[cuts + 1]])
    ends = np.concatenate([at[cuts], [at[-1]]])
    edges = np.zeros(len(of_stride) + 1, np.int32)
    np.add.at(edges, begins, 1)
    np.add.at(edges, ends + 1, -1)
    inside = np.zeros(len(known), np.bool_)
    inside[rest::stride] = np.cumsum(edges)[:-1] > 0
    inside &= known
    return FaultRegion(
        inside=inside,
        stride=stride,
        runs=len(begins),
        first=int(at[0]) * stride + rest,
        last=int(at[-1]) * stride + rest,
        share=float(weight[inside].sum() / max(weight[known].sum(), 1)),
    )


def stride_of(places: Places) -> tuple[int, int]:
    """Return the largest number of which nearly all places leave one rest, and that rest.

    It has no factors but 2, 3 and 5: other numbers of banks are not filled in turns.
    """
    stride, rest = 1, 0
    while stride < places[-1] + 1:
        for factor in (2, 3, 5):
            counts = np.bincount((places - rest) // stride % factor, minlength=factor)
            if counts.max() >= _MOST * len(places):
                rest += stride * int(counts.argmax())
                stride *= factor
                places = places[places % stride == rest]
                break
        else:
            break
    return stride, rest


def united(regions: Sequence[FaultRegion]) -> FaultRegion:
    """Return regions that are alike as one, which reaches over all of them."""
    first, *others = regions
    inside = first.inside.copy()
    for each in others:
        inside |= each.inside
    at = np.flatnonzero(inside)
    return replace(first, inside=inside, first=int(at[0]), last=int(at[-1]))


def alike(one: FaultRegion, other: FaultRegion) -> bool:
    """Whether two regions are nearly the same."""
    both = int((one.inside & other.inside).sum())
    return both >= 0.9 * int((one.inside | other.inside).sum())


def arc(places: Places, period: int) -> tuple[int, int]:
    """Return the first rest and the length of the shortest stretch of rests that has all places."""
    rests = np.unique(places % period)
    gaps = np.diff(rests, append=rests[0] + period)
    widest = int(gaps.argmax())
    begin = int(rests[(widest + 1) % len(rests)])
    return begin, int(period - gaps[widest] + 1)


def in_arc(count: int, begin: int, length: int, period: int) -> Mask:
    """Return which of `count` units lie in that stretch of each period."""
    return (np.arange(count) - begin) % period < length
