"""Families in which nothing is wrong, though some things are odd.

What is odd here the standard allows: real-time bytes anywhere (M1 p. 30), gaps in messages (M1
p. 29), answers within 20 ms, WAIT before ACK (M1 p. 39), any number in the answer to a header, a
rate of the line within 1 % (M1 p. 1), an EOF behind the last packet (M1 p. 45).
"""

from dataclasses import replace
from typing import Final

from tests.diagnosis import classes as c
from tests.diagnosis.alike import View
from tests.diagnosis.family import GOOD, NO_WAITS, PROMPT, Family, Part, Spot
from tests.diagnosis.situation import ALL_CONTENTS

_ARRIVED: Final = (View.LINE, View.LINE, View.TO, View.FROM, View.UNTIMED)
"""Where what takes long on the way is not to be seen as a late answer."""
_ROOMY: Final = tuple(name for name in GOOD if name != "narrow-wings")
"""Two clock bytes in a packet overrun a buffer of 128 bytes, and that is a fault to be named."""
_LEGAL: Final = Family(
    name="",
    line=c.LEGAL,
    views=(View.LINE, View.LINE, View.HOST, View.TO, View.FROM, View.UNTIMED),
    contents=ALL_CONTENTS,
    packets=range(1, 5),
    spot=Spot.NONE,
    part=Part.HEALTHY,
)

LEGAL_FAMILIES: Final[tuple[Family, ...]] = (
    replace(_LEGAL, name="nothing odd", weight=16),
    replace(_LEGAL, name="nothing odd, longer dumps", packets=range(5, 9)),
    replace(_LEGAL, name="one word only", packets=range(1, 2), one_word=True),
    replace(_LEGAL, name="a full last packet", full=True),
    replace(_LEGAL, name="a loop from end to end", looped=True),
    replace(_LEGAL, name="a name behind it", named=True, profiles=("lantern-desk", "call-board")),
    replace(_LEGAL, name="two channels", stereo=True, profiles=("double-bill",)),
    replace(_LEGAL, name="the extended header", extended=True, profiles=PROMPT),
    replace(_LEGAL, name="numbers that wrap", packets=range(129, 133), weight=1, profiles=PROMPT),
    replace(_LEGAL, name="sent to device 7F", all_call=True, profiles=PROMPT),
    replace(_LEGAL, name="EOF behind the last packet", ends=True),
    replace(
        _LEGAL,
        name="a width that the unit rounds or cuts",
        profiles=("prompt-box", "double-bill"),
        bits=(9, 10, 14, 15, 18),
    ),
    replace(
        _LEGAL,
        name="clock inside",
        words=("clock at {bpm}",),
        numbers={"bpm": range(40, 300)},
        profiles=_ROOMY,
    ),
    replace(
        _LEGAL,
        name="clock inside both ways",
        words=("clock at {bpm} in messages both ways",),
        numbers={"bpm": range(40, 300)},
        profiles=_ROOMY,
    ),
    replace(_LEGAL, name="active sensing inside", words=("active sensing in messages both ways",)),
    replace(_LEGAL, name="one real-time byte", words=("add F8 in packet {p}, seed {s}",)),
    replace(_LEGAL, name="a reset that nobody obeys", words=("reset in packet {p}, seed {s}",)),
    replace(_LEGAL, name="a unit that sends active sensing", words=("habit active_sensing true",)),
    replace(
        _LEGAL,
        name="a unit that sends a clock",
        words=("habit clock_bpm {bpm}",),
        numbers={"bpm": range(40, 250)},
    ),
    replace(
        _LEGAL,
        name="pieces with short gaps",
        words=("split messages into pieces of {size} bytes with pauses of {ms} ms",),
        profiles=PROMPT,
        numbers={"size": range(43, 100), "ms": range(1, 4)},
    ),
    replace(
        _LEGAL,
        name="a long gap inside, and a sender that waits",
        words=("pause of {ms} ms in packet {p}, once, seed {s}",),
        views=_ARRIVED,
        stays="again",
        numbers={"ms": range(30, 351)},
    ),
    replace(
        _LEGAL,
        name="slow in time, and a sender that waits",
        words=("delay every {o} packet by {ms} ms",),
        views=_ARRIVED,
        stays="again",
        numbers={"ms": range(1, 350)},
    ),
    replace(
        _LEGAL,
        name="a little jitter both ways",
        words=("jitter of up to 3 ms in messages both ways",),
        profiles=PROMPT,
    ),
    replace(
        _LEGAL,
        name="answers later but in time",
        words=("delay replies by {ms} ms",),
        profiles=PROMPT,
        numbers={"ms": range(1, 10)},
    ),
    replace(
        _LEGAL,
        name="a unit that takes longer but in time",
        words=("habit store_packet_ms {ms}",),
        profiles=PROMPT,
        numbers={"ms": range(3, 15)},
    ),
    replace(_LEGAL, name="a rate within limits", words=("drift of 0.5 percent",)),
    replace(
        _LEGAL,
        name="a slow line, and a sender that waits",
        words=("slow line at {rate} percent",),
        views=_ARRIVED,
        stays="again",
        numbers={"rate": range(40, 97)},
    ),
    replace(
        _LEGAL,
        name="WAIT before every ACK",
        words=("habit wait_before_ack true",),
        profiles=tuple(name for name in NO_WAITS if name != "stage-door"),
    ),
    replace(
        _LEGAL,
        name="any number in the answer to the header",
        words=("habit header_ack_number {number}",),
        choices={"number": ("'127'", "last", "varying", "zero")},
    ),
    replace(
        _LEGAL,
        name="another habit of numbering answers",
        words=("habit packet_ack_number {number}",),
        choices={"number": ("next", "zero")},
    ),
    replace(_LEGAL, name="answers under the ID received", words=("habit reply_id received",)),
    replace(_LEGAL, name="no answer to the last packet", words=("habit final_ack false",)),
    replace(
        _LEGAL,
        name="notes between messages",
        words=("notes in front of every {o} packet",),
        profiles=NO_WAITS,
    ),
    replace(
        _LEGAL,
        name="a note in front of a packet",
        words=("a note in front of packet {p}",),
        profiles=NO_WAITS,
    ),
    replace(
        _LEGAL,
        name="notes from the unit between answers",
        words=("notes in front of every {o} reply",),
        profiles=NO_WAITS,
    ),
    replace(
        _LEGAL,
        name="notes during WAIT",
        words=("notes in front of replies",),
        profiles=("narrow-wings", "slow-pulley"),
    ),
    replace(_LEGAL, name="through USB", words=("link usb",), profiles=PROMPT),
    replace(
        _LEGAL, name="through an interface that joins", words=("link joins",), profiles=PROMPT[:4]
    ),
    replace(
        _LEGAL, name="through an interface that splits", words=("link splits-64",), profiles=PROMPT
    ),
    replace(
        _LEGAL,
        name="a unit that keeps the old sample until the new one is there",
        words=("habit replace 'when whole'",),
        profiles=("lantern-desk", "property-chest"),
    ),
)

NO_ANSWER_FAMILIES: Final[tuple[Family, ...]] = (
    Family(
        name="a unit of the open loop",
        line=c.SILENCE,
        host=c.SILENCE_HOST,
        views=(View.LINE, View.HOST, View.UNTIMED),
        profiles=("thunder-sheet",),
        part=Part.NO_ANSWERS,
        spot=Spot.NONE,
    ),
    Family(
        name="a unit without handshakes that answers requests",
        words=("habit answers false",),
        line=c.SILENCE,
        host=c.SILENCE_HOST,
        views=(View.LINE, View.HOST, View.UNTIMED),
        profiles=("lantern-desk", "prompt-box", "property-chest"),
        part=Part.NO_ANSWERS,
        spot=Spot.NONE,
    ),
)
