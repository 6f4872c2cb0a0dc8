"""Everyday situations: each a name that stands for several disturbances, as data.

What happens by chance takes its seed from a comma and "seed N" behind the name.
"""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """One situation."""

    name: str
    tells: str
    """What one sees at the bench."""
    disturbances: tuple[str, ...]
    """What happens, in the words of the vocabulary."""


SITUATIONS: Final[tuple[Situation, ...]] = (
    Situation(
        name="keyboard on the same cable",
        tells="Somebody plays while the dump runs, and the merger lets notes into messages.",
        disturbances=(
            "notes in front of every packet with chance 1 in 8",
            "a note inside packets with chance 1 in 40",
            "active sensing",
        ),
    ),
    Situation(
        name="loose plug",
        tells="The plug to the unit has a bad contact: short gaps, and now and then a crackle.",
        disturbances=(
            "lose 9 bytes in every message with chance 1 in 25",
            "noise of 4 bytes in every message with chance 1 in 40",
        ),
    ),
    Situation(
        name="long chain of cables",
        tells="The unit is the fifth box in a row: edges get soft, and single bits turn over.",
        disturbances=(
            "flip a bit in packets with chance 1 in 8",
            "set a high bit in packets with chance 1 in 20",
        ),
    ),
    Situation(
        name="clock running",
        tells="A drum machine on the same cable sends its clock, started or not.",
        disturbances=("clock at 124 beats per minute",),
    ),
    Situation(
        name="cheap interface",
        tells="The interface works in blocks, drops a byte now and then and answers late.",
        disturbances=(
            "split messages into pieces of 48 bytes with pauses of 2 ms",
            "lose a byte in packets with chance 1 in 12",
            "delay replies by 7 ms",
        ),
    ),
    Situation(
        name="somebody switches it off",
        tells="The unit goes off in the middle of a dump and comes back after three seconds.",
        disturbances=("power fails at packet 2 for 3 s",),
    ),
    Situation(
        name="cable pulled out",
        tells="Somebody's foot takes the cable to the unit along, a third of a second in.",
        disturbances=("unplug the cable at 300 ms",),
    ),
    Situation(
        name="one cable only",
        tells="The cable back from the unit is missing: it hears everything and is not heard.",
        disturbances=("lose replies",),
    ),
    Situation(
        name="patch bay in a circle",
        tells="What goes out comes back: the patch bay joins both ends.",
        disturbances=("echo",),
    ),
    Situation(
        name="busy computer",
        tells="The computer has other things to do: it pauses inside messages, never on time.",
        disturbances=(
            "jitter of up to 15 ms",
            "pause of 120 ms in packets with chance 1 in 20",
        ),
    ),
    Situation(
        name="tired memory",
        tells="The unit acknowledges everything, and now and then a byte is kept wrong.",
        disturbances=("store wrong in packets with chance 1 in 12",),
    ),
    Situation(
        name="two boxes with one number",
        tells="A second unit with the same device ID answers as well.",
        disturbances=("repeat replies",),
    ),
    Situation(
        name="wide open sender",
        tells="A program that waits for nobody sends to a unit with a small buffer.",
        disturbances=("no spacing", "buffer of 140 bytes", "habit store_packet_ms 60"),
    ),
)
