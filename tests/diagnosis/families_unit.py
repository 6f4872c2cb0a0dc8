"""Families: what goes wrong in the unit and in the host's interface."""

from typing import Final

from tests.diagnosis import classes as c
from tests.diagnosis.alike import Alike, View, either
from tests.diagnosis.families_ends import echo_class
from tests.diagnosis.families_line import one_cut
from tests.diagnosis.family import (
    BOTH_WAYS,
    NO_WAITS,
    PROMPT,
    Family,
    Shown,
    Spot,
)

_NO_ID: Final = ("lantern-desk", "prompt-box", "property-chest", "narrow-wings")


def _every_nth(shown: Shown) -> Alike | None:
    sent = 21 + 127 * shown.situation.packets
    if shown.view is View.HOST:
        return either("", c.REJECTED_OFTEN, c.UNANSWERED_HOST)
    return c.EVERY_NTH_SURE if sent // shown.numbers["every"] >= 4 else None


def _ends_lost(shown: Shown) -> Alike | None:
    return either("", c.ENDS_LOST, found) if (found := one_cut(shown)) is not None else None


UNIT_FAMILIES: Final[tuple[Family, ...]] = (
    Family(
        name="a unit that takes damaged packets",
        words=("acknowledge bad packets", "flip a bit in packet {p}, once, seed {s}"),
        line=c.TAKES_DAMAGE,
        host=c.UNSEEN_HOST,
        views=(View.LINE, View.LINE, View.UNTIMED),
        profiles=PROMPT,
    ),
    Family(
        name="a unit that forgets the dump",
        words=("forget the header at packet {p}",),
        line=c.UNANSWERED_FOR_GOOD,
        host=c.GONE_FOR_GOOD_HOST,
        views=BOTH_WAYS,
        profiles=NO_WAITS,
        weight=6,
    ),
    Family(
        name="memory that ends in the middle",
        words=("memory ends after {room} words",),
        line=c.CANCELLED,
        views=BOTH_WAYS,
        profiles=("lantern-desk", "property-chest", "call-board"),
        numbers={"room": range(45, 200)},
        packets=range(6, 9),
        spot=Spot.DIFFERS,
        weight=6,
    ),
    Family(
        name="a unit that stores other words",
        words=("store wrong in packet {p}, seed {s}",),
        line=c.STORES_OTHER,
        host=c.UNSEEN_HOST,
        views=BOTH_WAYS,
        profiles=("lantern-desk", "double-bill"),
        read_back=True,
        weight=6,
    ),
    Family(
        name="a unit that keeps the filler",
        words=("habit filler keep",),
        line=c.KEEPS_FILLER,
        views=BOTH_WAYS,
        profiles=("lantern-desk", "property-chest", "call-board"),
        read_back=True,
        full=False,
        spot=Spot.NONE,
    ),
    Family(
        name="a unit that stores a packet twice",
        words=("habit repeated_packet store", "lose the reply to packet {m}, once"),
        line=c.STORES_TWICE,
        host=either("", c.STORES_TWICE, c.UNANSWERED_HOST),
        views=(View.LINE, View.LINE, View.HOST),
        profiles=("lantern-desk", "property-chest", "call-board"),
        read_back=True,
        stays="again",
    ),
    Family(
        name="a unit that loses every so-many-th byte",
        words=("habit drop_every_byte {every}",),
        line=c.LOSES_INSIDE,
        host=either("Where an end is lost no answer comes.", c.REJECTED_OFTEN, c.UNANSWERED_HOST),
        views=BOTH_WAYS,
        profiles=("lantern-desk", "call-board"),
        numbers={"every": range(150, 400)},
        packets=range(5, 9),
        spot=Spot.NONE,
    ),
    Family(
        name="a buffer that a clock overruns",
        words=("clock at {bpm}",),
        line=c.CLOCK_OVERRUNS,
        views=(View.LINE, View.LINE, View.UNTIMED),
        profiles=("narrow-wings",),
        numbers={"bpm": range(220, 300)},
        spot=Spot.NONE,
        needs_harm=True,
        weight=2,
    ),
    Family(
        name="a unit that cannot keep up",
        words=("buffer of 128 bytes", "habit store_packet_ms 90"),
        line=c.OVERRUN,
        host=either("", c.OVERRUN, c.UNANSWERED_HOST),
        views=(View.LINE, View.LINE, View.HOST),
        profiles=("lantern-desk", "call-board"),
        stays="go on",
        packets=range(4, 9),
        spot=Spot.NONE,
    ),
    Family(
        name="a dump for another unit",
        words=(),
        line=c.SILENCE,
        host=c.SILENCE_HOST,
        views=BOTH_WAYS,
        profiles=_NO_ID,
        other_device=True,
        spot=Spot.NONE,
        weight=6,
    ),
    Family(
        name="a unit that hears no exclusive messages",
        words=("habit receive_exclusive false",),
        line=c.SILENCE,
        host=c.SILENCE_HOST,
        views=BOTH_WAYS,
        spot=Spot.NONE,
    ),
    Family(
        name="a unit that answers no request",
        words=("habit requests false",),
        line=c.NO_DUMP_BACK,
        host=either("", c.NO_DUMP_BACK, "messages lost on the way"),
        views=BOTH_WAYS,
        read_back=True,
        spot=Spot.NONE,
    ),
    Family(
        name="a width that the unit refuses",
        words=(),
        line=c.REFUSED,
        views=BOTH_WAYS,
        profiles=("lantern-desk", "old-curtain", "property-chest", "stage-door"),
        bits=(18, 22, 26),
        spot=Spot.NONE,
        weight=6,
    ),
    Family(
        name="a protected place",
        words=(),
        line=c.REFUSED,
        views=BOTH_WAYS,
        profiles=("call-board", "property-chest"),
        protected=True,
        spot=Spot.NONE,
    ),
)

HOST_FAMILIES: Final[tuple[Family, ...]] = (
    Family(
        name="an interface that swallows message ends",
        words=("link usb-lost-ends",),
        line=c.ENDS_LOST,
        refine=_ends_lost,
        host=c.ENDS_LOST_HOST,
        views=(View.LINE, View.LINE, View.HOST),
        spot=Spot.DIFFERS,
        weight=6,
    ),
    Family(
        name="an interface that loses every so-many-th byte",
        words=("link every-{every}th-to-unit",),
        line=c.EVERY_NTH,
        refine=_every_nth,
        views=(View.LINE, View.LINE, View.TO, View.UNTIMED),
        numbers={"every": range(184, 290)},
        packets=range(6, 9),
        spot=Spot.DIFFERS,
        weight=6,
    ),
    Family(
        name="an interface that filters exclusive messages",
        words=("link no-exclusive",),
        line=c.FILTERED,
        host=c.SILENCE_HOST,
        views=(View.LINE, View.HOST),
        spot=Spot.NONE,
    ),
    Family(
        name="an interface that sends everything back",
        words=("link echo",),
        line=c.ECHO,
        refine=echo_class,
        views=BOTH_WAYS,
        spot=Spot.NONE,
    ),
)
