"""Families: what goes wrong on the cable, in time, and by neighbours.

A limit of the standard is either clearly kept or clearly missed: answers are late by 25 ms or more,
or come well within 20 ms (M1 p. 39); the rate of the line is off by 4 % or more, or by 0.5 % or
less (1 % is allowed, M1 p. 1).
"""

from typing import Final

from tests.diagnosis import classes as c
from tests.diagnosis.alike import NOTHING, Alike, View, either
from tests.diagnosis.family import (
    BOTH_WAYS,
    NO_WAITS,
    ON_LINE,
    PROMPT,
    WAITS,
    Family,
    Shown,
    Spot,
)

_SUB_ID_AT: Final = 3


def _torn_bytes(shown: Shown) -> Alike | None:
    """Where the last bytes of a message go, nothing tells how many went."""
    hidden = shown.view is View.HOST
    if not hidden and any(126 in each.bytes for each in shown.struck):
        return c.LOST_END
    return None


def _other_kind(shown: Shown) -> Alike | None:
    """Where the byte that says what it is was struck, no header is left (M1 p. 36)."""
    if any(_SUB_ID_AT in each.bytes for each in shown.struck):
        return either("What it was nobody can tell.", c.HEADER_DIFFERS, c.NO_HEADER)
    return None


def _jump(shown: Shown) -> Alike | None:
    if shown.view is View.HOST:
        return None
    if shown.situation.stays == "again":
        given_up = c.MISSED_SOURCE_AND_GIVEN_UP if shown.with_source else c.MISSED_AND_GIVEN_UP
        return given_up if shown.harmed else c.MISSED_THERE
    if shown.strikes_last:
        return c.JUMP_SOURCE_AT_END if shown.with_source else c.JUMP_AT_END
    if shown.with_source:
        return c.JUMP_SOURCE
    return c.FIRST_JUMP if shown.one_packet else None


def _unseen(shown: Shown) -> Alike | None:
    if shown.strikes_last and shown.view is not View.HOST:
        return c.UNSEEN_LAST
    return None


def one_cut(shown: Shown) -> Alike | None:
    """Where only one packet is ever sent, a length is no more than its own."""
    if not shown.one_packet or shown.view is View.HOST:
        return None
    return c.ONE_CUT if shown.with_source else c.ONE_CUT_IN_DUMP


def _doubled(shown: Shown) -> Alike | None:
    if shown.view is View.HOST:
        # Once it has all there is, a unit need not answer what comes again.
        return either("", c.TWO_ANSWERS, NOTHING) if shown.strikes_last else None
    return c.DOUBLED_SOURCE if shown.with_source else None


def _torn(shown: Shown) -> Alike | None:
    if any(each.sort.value == "header" for each in shown.struck):
        return c.TORN_HEADER
    whole = all(0 in each.bytes for each in shown.struck)
    if shown.view is View.HOST:
        return c.GONE_FOR_GOOD_HOST
    return c.TORN_QUIETLY if whole else c.TORN


def _torn_for_a_time(shown: Shown) -> Alike | None:
    if any(each.sort.value == "header" for each in shown.struck):
        return c.TORN_HEADER
    if shown.view is View.HOST:
        because = "As with one message that was lost or damaged, or with all that follow."
        return either(because, c.UNANSWERED_HOST, c.TORN, c.UNANSWERED_FOR_GOOD)
    whole = all(0 in each.bytes for each in shown.struck)
    return either("", c.TORN_QUIETLY, c.MISSED_THERE) if whole else c.TORN


LINE_FAMILIES: Final[tuple[Family, ...]] = (
    Family(
        name="a bit flipped in one packet",
        words=("flip a bit in packet {p}, once, seed {s}",),
        line=c.ALTERED,
        host=c.REJECTED_ONCE,
        weight=8,
    ),
    Family(
        name="bits flipped here and there",
        words=("flip a bit in packets with chance 1 in {n}, seed {s}",),
        line=c.ALTERED,
        host=c.REJECTED_OFTEN,
        weight=8,
    ),
    Family(
        name="a bit flipped each time in one packet",
        words=("flip a bit in packet {p}, seed {s}",),
        line=c.ALTERED,
        host=c.REJECTED_OFTEN,
    ),
    Family(
        name="a header that arrives with another value",
        words=("flip a bit in the header, seed {s}",),
        line=c.HEADER_DIFFERS,
        refine=_other_kind,
        views=ON_LINE,
        source=True,
    ),
    Family(
        name="a header without some bytes",
        words=("lose a byte in the header, seed {s}",),
        line=c.HEADER_DAMAGED,
        host=c.SILENCE_HOST,
        views=(View.LINE, View.TO),
    ),
    Family(
        name="a header that breaks off",
        words=("cut the header, seed {s}",),
        line=c.HEADER_DAMAGED,
        views=(View.LINE, View.TO),
    ),
    Family(
        name="a header with a byte too many",
        words=("add a byte in the header, seed {s}",),
        line=c.HEADER_DAMAGED,
        views=(View.LINE, View.TO),
    ),
    Family(
        name="a header that does not arrive",
        words=("lose the header",),
        line=c.NO_HEADER,
        host=c.SILENCE_HOST,
        views=(View.LINE, View.HOST, View.UNTIMED),
    ),
    Family(
        name="bytes lost in one packet",
        words=("lose {few} bytes in packet {p}, once, seed {s}",),
        line=c.LOST_BYTES,
        host=either("The unit may also say nothing.", c.REJECTED_ONCE, c.UNANSWERED_HOST),
        refine=_torn_bytes,
        numbers={"few": range(1, 6)},
        weight=8,
    ),
    Family(
        name="a byte lost here and there",
        words=("lose a byte in packets with chance 1 in {n}, seed {s}",),
        line=c.LOST_BYTES,
        host=either("The unit may also say nothing.", c.REJECTED_OFTEN, c.UNANSWERED_HOST),
        refine=_torn_bytes,
        weight=8,
    ),
    Family(
        name="bytes added in packets",
        words=("add a byte in packets with chance 1 in {n}, seed {s}",),
        line=c.ADDED,
        host=c.REJECTED_OFTEN,
        weight=8,
    ),
    Family(
        name="bytes swapped",
        words=("swap two bytes in packet {p}, seed {s}",),
        line=c.UNSEEN_DAMAGE,
        host=c.UNSEEN_HOST,
        views=(View.LINE, View.UNTIMED, View.TO, View.HOST),
        source=True,
        refine=_unseen,
        weight=6,
    ),
    Family(
        name="two bits of a column flipped",
        words=("flip two bits of a column in packet {p}, seed {s}",),
        line=c.UNSEEN_DAMAGE,
        host=c.UNSEEN_HOST,
        views=(View.LINE, View.UNTIMED, View.TO, View.HOST),
        source=True,
        refine=_unseen,
        weight=6,
    ),
    Family(
        name="one packet lost",
        words=("lose packet {p}, once",),
        line=c.JUMP,
        host=c.UNANSWERED_HOST,
        refine=_jump,
        weight=8,
    ),
    Family(
        name="packets lost here and there",
        words=("lose packets with chance 1 in {n}, seed {s}",),
        line=c.JUMP,
        host=c.UNANSWERED_HOST,
        refine=_jump,
        weight=8,
    ),
    Family(
        name="every so-many-th packet lost",
        words=("lose every {o} packet",),
        line=c.JUMP,
        host=c.UNANSWERED_HOST,
        refine=_jump,
        packets=range(4, 9),
    ),
    Family(
        name="packets doubled",
        words=("repeat packet {p}",),
        line=c.DOUBLED,
        host=c.TWO_ANSWERS,
        refine=_doubled,
        weight=6,
        profiles=PROMPT,
    ),
    Family(
        name="packets doubled now and then",
        words=("repeat packets with chance 1 in {n}, seed {s}",),
        line=c.DOUBLED,
        host=c.TWO_ANSWERS,
        refine=_doubled,
        profiles=PROMPT,
    ),
    Family(
        name="a packet kept back until the next",
        words=("join packet {m} to the next",),
        line=c.HELD_BACK,
        views=(View.LINE, View.UNTIMED, View.TO),
        weight=2,
    ),
    Family(
        name="one packet cut",
        words=("cut packet {p} after {keep} bytes, once",),
        line=c.LOST_END,
        host=either(
            "A unit may leave a torn packet unanswered.", c.REJECTED_ONCE, c.UNANSWERED_HOST
        ),
        numbers={"keep": range(8, 125)},
    ),
    Family(
        name="every packet cut at one length",
        words=("cut packets after {keep} bytes",),
        line=c.CUT_SHORT,
        refine=one_cut,
        views=(View.LINE, View.LINE, View.TO, View.UNTIMED),
        numbers={"keep": range(12, 120)},
    ),
    Family(
        name="cable out for good",
        words=("unplug the cable at {t} ms",),
        line=c.TORN,
        refine=_torn,
        views=(View.LINE, View.LINE, View.HOST),
        weight=6,
    ),
    Family(
        name="cable out for a time",
        words=("unplug the cable at {t} ms for {gap} ms",),
        line=c.TORN,
        refine=_torn_for_a_time,
        views=(View.LINE, View.LINE, View.HOST),
        numbers={"gap": range(5, 400)},
        weight=6,
    ),
    Family(
        name="both cables out for good",
        words=("unplug the cable at {t} ms both ways",),
        line=c.TORN,
        refine=_torn,
        views=ON_LINE,
    ),
    Family(
        name="a pause that nobody waits for",
        words=("pause of {long} ms in packet {i}, once, seed {s}",),
        line=c.LONG_PAUSE,
        views=ON_LINE,
        profiles=NO_WAITS,
        numbers={"long": range(2_600, 9_000)},
    ),
    Family(
        name="a sender that does not wait",
        words=("no spacing",),
        line=c.NO_WAITING,
        views=(View.LINE, View.LINE, View.HOST),
        profiles=PROMPT,
        packets=range(3, 8),
        spot=Spot.NONE,
        weight=6,
    ),
    Family(
        name="a reset that the unit obeys",
        words=("reset in packet {p}, once, seed {s}", "forget the header at packet {p}, once"),
        line=c.RESET,
        views=(View.LINE, View.LINE, View.UNTIMED),
        profiles=NO_WAITS,
    ),
    Family(
        name="a note inside a packet",
        words=("a note inside packet {p}, once, seed {s}",),
        line=c.NOTE_INSIDE,
        host=either(
            "A unit may leave a torn packet unanswered.", c.REJECTED_ONCE, c.UNANSWERED_HOST
        ),
        weight=6,
    ),
    Family(
        name="notes inside packets",
        words=("notes inside packets with chance 1 in {n}, seed {s}",),
        line=c.NOTE_INSIDE,
        host=either(
            "A unit may leave a torn packet unanswered.", c.REJECTED_OFTEN, c.UNANSWERED_HOST
        ),
    ),
    Family(
        name="a request during WAIT",
        words=("add f0 7e 7f 03 00 00 f7 in replies, byte 0",),
        line=c.DISTURBED,
        views=BOTH_WAYS,
        profiles=WAITS,
        spot=Spot.NONE,
        needs_harm=True,
    ),
)
