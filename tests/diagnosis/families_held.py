"""Families held out: no rule was written or changed for them.  They measure what is unseen.

Whoever wrote the labels ran them, and two labels were mended after that (`classes` says which).
One author of rules looked at their totals between changes.
"""

from dataclasses import replace
from typing import Final

from tests.diagnosis import classes as c
from tests.diagnosis.alike import Alike, View, either, of_file, only
from tests.diagnosis.families_file import LENGTH_IN_BYTES, WIDTH_TOO_LARGE
from tests.diagnosis.families_line import one_cut
from tests.diagnosis.family import BOTH_WAYS, NO_WAITS, PROMPT, Family, Part, Shown, Spot

_NOISE: Final = either(
    "Any bytes may come of it: others, real-time bytes that are none of the message, or status "
    "bytes that end it.",
    c.ALTERED,
    c.LOST_BYTES,
    c.NOTE_INSIDE,
    c.CUT_SHORT,
    "message ends lost",
)
_HIGH_BIT: Final = either(
    "A status byte ends a message, a real-time byte is set aside; the byte itself was altered.",
    _NOISE,
)
_OTHER_ID: Final = either(
    "An answer under another ID: another unit, or altered on the way.",
    "answers with another device ID",
    "answers altered on the way back",
    "other device ID",
)
_REJECTED: Final = either(
    "A unit may leave a torn packet unanswered.", c.REJECTED_OFTEN, c.UNANSWERED_HOST
)


_REORDERED_HOST: Final = either(
    "At the host an answer is missing, and one comes that nothing asked for, as if it were late.",
    c.UNANSWERED_HOST,
    c.TWO_ANSWERS,
    "answers late",
)


def _reordered(shown: Shown) -> Alike | None:
    if shown.view is View.HOST:
        return _REORDERED_HOST
    if shown.situation.stays == "again" or shown.strikes_last:
        return either("It waits for what goes out again.", c.HELD_BACK, _ORDER, c.JUMP)
    return None


_ORDER: Final = of_file(
    "Numbers that jump and jump back: out of order on the line, or in the dump.",
    "messages out of order",
    "packets out of order in the dump",
)

HELD_OUT_FAMILIES: Final[tuple[Family, ...]] = tuple(
    replace(family, part=Part.HELD_OUT)
    for family in (
        Family(
            name="noise",
            words=("noise of {burst} bytes in packet {p}, once, seed {s}",),
            line=_NOISE,
            host=_REJECTED,
            numbers={"burst": range(3, 9)},
        ),
        Family(
            name="noise here and there",
            words=("noise of {burst} bytes in packets with chance 1 in {n}, seed {s}",),
            line=_NOISE,
            host=_REJECTED,
            numbers={"burst": range(3, 9)},
        ),
        Family(
            name="a high bit set",
            words=("set a high bit in packet {p}, once, seed {s}",),
            line=_HIGH_BIT,
            host=_REJECTED,
        ),
        Family(
            name="power that fails",
            words=("power fails at packet {p}",),
            line=c.UNANSWERED_FOR_GOOD,
            host=c.GONE_FOR_GOOD_HOST,
            views=BOTH_WAYS,
            profiles=NO_WAITS,
        ),
        Family(
            name="power that fails for a time",
            words=("power fails at packet {p} for {few} s",),
            line=c.UNANSWERED_FOR_GOOD,
            host=c.GONE_FOR_GOOD_HOST,
            views=BOTH_WAYS,
            profiles=NO_WAITS,
            numbers={"few": range(1, 6)},
        ),
        Family(
            name="an interface that passes a length at most",
            words=("link at-most-{most}",),
            line=c.CUT_SHORT,
            refine=one_cut,
            host=c.ENDS_LOST_HOST,
            views=(View.LINE, View.LINE, View.HOST),
            numbers={"most": range(32, 121)},
            spot=Spot.DIFFERS,
        ),
        Family(
            name="answers doubled",
            words=("repeat replies with chance 1 in {n}, seed {s}",),
            line=only("two answers to one message"),
            host=c.TWO_ANSWERS,
            views=BOTH_WAYS,
            profiles=PROMPT,
        ),
        Family(
            name="packets out of order",
            words=("reorder packet {m}",),
            line=_ORDER,
            refine=_reordered,
            views=BOTH_WAYS,
            profiles=PROMPT,
            packets=range(3, 8),
        ),
        Family(
            name="answers under another ID",
            words=("wrong device by {by} in every 3rd reply",),
            line=_OTHER_ID,
            views=BOTH_WAYS,
            profiles=PROMPT,
            numbers={"by": range(1, 90)},
            packets=range(4, 8),
        ),
        WIDTH_TOO_LARGE,
        LENGTH_IN_BYTES,
    )
)
