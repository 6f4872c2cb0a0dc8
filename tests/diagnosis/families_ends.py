"""Families: what goes wrong in answers, and in the sender."""

from typing import Final

from tests.diagnosis import classes as c
from tests.diagnosis.alike import Alike, View, either
from tests.diagnosis.family import (
    BOTH_WAYS,
    NO_WAITS,
    PROMPT,
    Family,
    Shown,
    Spot,
)


def _answer_lost(shown: Shown) -> Alike | None:
    if shown.view is View.HOST:
        return c.UNANSWERED_HOST
    return c.LAST_ANSWER_LOST if shown.strikes_last else None


def _all_lost(shown: Shown) -> Alike | None:
    return c.SILENCE_HOST if shown.view is View.HOST else None


def _torn_back(shown: Shown) -> Alike | None:
    torn = [c.ANSWER_BROKEN] if any(0 not in each.bytes for each in shown.struck) else []
    because = "An answer that the cable let through in part is one that has lost its form."
    if shown.view is View.HOST:
        return either(because, c.GONE_FOR_GOOD_HOST, c.SILENCE_HOST, *torn)
    if any(each.packet is None for each in shown.struck):
        return either(because, c.SILENCE, c.UNANSWERED_FOR_GOOD, *torn)
    if shown.strikes_last and not torn:
        return c.LAST_ANSWER_LOST
    return either(because, c.UNANSWERED_FOR_GOOD, *torn)


def echo_class(shown: Shown) -> Alike | None:
    says_wait = shown.situation.profile in ("narrow-wings", "slow-pulley", "stage-door")
    return c.ECHO_IN_WAIT if says_wait else None


ANSWER_FAMILIES: Final[tuple[Family, ...]] = (
    Family(
        name="no handshake comes back",
        words=("lose replies",),
        line=c.SILENCE,
        refine=_all_lost,
        views=BOTH_WAYS,
        weight=6,
        spot=Spot.NONE,
    ),
    Family(
        name="one answer lost",
        words=("lose the reply to packet {p}, once",),
        line=c.ANSWER_LOST,
        refine=_answer_lost,
        views=(View.LINE, View.LINE, View.HOST),
        profiles=NO_WAITS,
        weight=8,
    ),
    Family(
        name="answers lost here and there",
        words=("lose replies with chance 1 in {n}, seed {s}",),
        line=c.ANSWER_LOST,
        refine=_answer_lost,
        views=(View.LINE, View.LINE, View.HOST),
        profiles=PROMPT,
        weight=6,
        spot=Spot.STRUCK,
    ),
    Family(
        name="every so-many-th answer lost",
        words=("lose every {o} reply",),
        line=c.ANSWER_LOST,
        refine=_answer_lost,
        views=(View.LINE, View.LINE, View.HOST),
        profiles=PROMPT,
        packets=range(4, 9),
    ),
    Family(
        name="cable back out for good",
        words=("unplug the cable at {t} ms from the unit",),
        line=c.UNANSWERED_FOR_GOOD,
        refine=_torn_back,
        views=(View.LINE, View.HOST),
    ),
    Family(
        name="all answers late",
        words=("delay replies by {late} ms",),
        line=c.LATE,
        host=either("", c.LATE, "line speed off", "faulty pauses"),
        views=(View.LINE, View.LINE, View.HOST),
        profiles=PROMPT,
        numbers={"late": range(25, 301)},
        spot=Spot.NONE,
        weight=6,
    ),
    Family(
        name="an answer late",
        words=("delay the reply to packet {m} by {late} ms",),
        line=c.LATE,
        host=either("", c.LATE, "line speed off", "faulty pauses"),
        views=(View.LINE, View.LINE, View.HOST),
        profiles=PROMPT,
        numbers={"late": range(25, 301)},
        weight=6,
    ),
    Family(
        name="a wrong number in one answer",
        words=("wrong number by {by} in the reply to packet {m}, once",),
        line=c.WRONG_NUMBER,
        views=BOTH_WAYS,
        profiles=PROMPT,
        numbers={"by": range(2, 100)},
    ),
    Family(
        name="wrong numbers now and then",
        words=("wrong number by {by} in every 3rd reply",),
        line=c.WRONG_NUMBER,
        views=BOTH_WAYS,
        profiles=PROMPT,
        packets=range(4, 9),
        numbers={"by": range(2, 100)},
    ),
    Family(
        name="a bit flipped in the number of an answer",
        words=("flip bit {low} in the reply to packet {m}, byte 4, once",),
        line=c.WRONG_NUMBER,
        views=BOTH_WAYS,
        profiles=PROMPT,
        numbers={"low": range(7)},
    ),
    Family(
        name="a bit flipped in what an answer says",
        words=("flip bit {high} in the reply to packet {m}, byte 3, once",),
        line=c.ANSWER_BROKEN,
        views=BOTH_WAYS,
        profiles=PROMPT,
        numbers={"high": range(3, 7)},
    ),
    Family(
        name="an answer without one of its bytes",
        words=("lose a byte in the reply to packet {m}, once, seed {s}",),
        line=c.ANSWER_BROKEN,
        views=BOTH_WAYS,
        profiles=PROMPT,
    ),
    Family(
        name="NAK once to a good packet",
        words=("answer NAK to packet {m}, once",),
        line=c.NAK_TO_GOOD,
        host=c.REJECTED_ONCE,
        views=BOTH_WAYS,
        profiles=NO_WAITS,
        weight=6,
    ),
    Family(
        name="NAK for ever to one packet",
        words=("answer NAK to packet {p}",),
        line=c.NAK_FOR_EVER,
        host=c.REJECTED_OFTEN,
        views=BOTH_WAYS,
        profiles=NO_WAITS,
    ),
    Family(
        name="NAK for ever from some packet on",
        words=("answer NAK to packets from {p} on",),
        line=c.NAK_FOR_EVER,
        host=c.REJECTED_OFTEN,
        views=BOTH_WAYS,
        profiles=NO_WAITS,
    ),
    Family(
        name="WAIT for ever",
        words=("answer WAIT to packet {m}",),
        line=c.STANDS_AT_WAIT,
        views=BOTH_WAYS,
        profiles=NO_WAITS,
        weight=6,
    ),
    Family(
        name="CANCEL in the middle",
        words=("answer CANCEL to packet {m}, once",),
        line=c.CANCELLED,
        views=BOTH_WAYS,
        profiles=NO_WAITS,
        weight=6,
    ),
    Family(
        name="CANCEL to the header",
        words=("answer CANCEL to the header",),
        line=c.REFUSED,
        views=BOTH_WAYS,
        profiles=NO_WAITS,
        weight=6,
        spot=Spot.NONE,
    ),
    Family(
        name="echo",
        words=("echo",),
        line=c.ECHO,
        refine=echo_class,
        views=BOTH_WAYS,
        spot=Spot.NONE,
    ),
    Family(
        name="echo of packets",
        words=("echo packets from {p} on",),
        line=c.ECHO,
        refine=echo_class,
        views=BOTH_WAYS,
    ),
    Family(
        name="a unit that copies its input",
        words=("habit echo true",),
        line=c.ECHO,
        refine=echo_class,
        views=BOTH_WAYS,
        spot=Spot.NONE,
    ),
    Family(
        name="a sender that insists on a number",
        line=c.INSISTS,
        words=("habit packet_ack_number next",),
        views=BOTH_WAYS,
        profiles=("lantern-desk", "prompt-box", "property-chest"),
        wrong_ack=True,
        spot=Spot.NONE,
    ),
)
