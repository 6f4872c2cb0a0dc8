"""What a user should be told of a transfer to foreign gear, habit by habit.

Thought out from the user's chair and from M1 p. 39, not read off any program.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tests.foreign import wire

LENGTH: Final = 400
NUMBER: Final = 7
PACKETS: Final = 10  # of 40 words of 16 bit (M1 p. 39)
WORDS: Final = wire.ramp(1021, LENGTH, 16)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """Habits of the gear, and what the report should say."""

    name: str
    habits: tuple[str, ...]
    outcome: str
    verified: bool | None
    exits: tuple[int, ...]
    holds: bool = True
    """Whether the gear has just what was sent in the end."""
    on_a_busy_machine: tuple[str, bool | None, int] | None = None
    """What it comes to as well where answers are late because this machine is."""
    resent: int = 0
    """At least so many packets have to go twice."""
    says: str = ""
    """A pattern in the reason or in a finding."""
    is_patient: bool = False
    """Nearly all of it is waiting, and nothing of it depends on being quick."""


def _well(name: str, *habits: str, resent: int = 0, is_patient: bool = False) -> Row:
    return Row(
        name=name,
        habits=habits,
        outcome="loaded",
        verified=True,
        exits=(0,),
        resent=resent,
        is_patient=is_patient,
    )


def _not(
    name: str,
    *habits: str,
    outcome: str = "incomplete",
    verified: bool | None = None,
    exits: tuple[int, ...] = (1,),
    holds: bool = False,
    says: str = "",
    is_patient: bool = False,
) -> Row:
    return Row(
        name=name,
        habits=habits,
        outcome=outcome,
        verified=verified,
        exits=exits,
        holds=holds,
        says=says,
        is_patient=is_patient,
    )


ROWS: Final = (
    _well("plain"),
    _well("answers after 19 ms", "--header-delay=0.019", "--delay=0.019"),
    # Later than the 20 ms after which a sender may go on; the data arrive all the same.
    _well("answers after 60 ms", "--header-delay=0.06", "--delay=0.06"),
    _well("answers the header after 1.9 s", "--header-delay=1.9", is_patient=True),
    _well("asks to wait at a packet", "--wait=3", "--wait-at=2", is_patient=True),
    _well("asks to wait at the header", "--wait=3", "--wait-at=-1", is_patient=True),
    _well("rejects now and then", "--nak-every=3", resent=3),
    _well("misses the first packet", "--deaf-to=0", resent=1),
    _well("misses a packet", "--deaf-to=4", resent=1),
    _well("misses the last packet", "--deaf-to=9", resent=1),
    _well("loses an ACK", "--lose-ack=4", resent=1),
    # Numbers of their own, and each ACK twice (common practice): the net holds all the same.
    *(
        _well(
            f"numbers its ACKs {numbers}, misses a packet",
            *(f"--ack-number={numbers}", "--deaf-to=4"),
            resent=1,
        )
        for numbers in ("0", "packet+1", "packet-1", "127", "random")
    ),
    _well("says each ACK twice, misses a packet", "--ack-times=2", "--deaf-to=4", resent=1),
    _well("answers after 0.9 s", "--header-delay=0.9", "--delay=0.9", is_patient=True),
    _well("answers after 1.2 s", "--header-delay=1.2", "--delay=1.2", is_patient=True),
    _well("answers after 1.9 s", "--header-delay=1.9", "--delay=1.9", is_patient=True),
    # Nobody knows whether it came until it is read back, and then it is known.
    _well("silent", "--silent", is_patient=True),
    Row(
        name="answers no requests",
        habits=("--no-requests",),
        outcome="unconfirmed",
        verified=None,
        exits=(1,),  # it was to be read back, and nothing shows what it holds
        is_patient=True,
    ),
    _not(
        "silent, answers no requests",
        *("--silent", "--no-requests"),
        outcome="unconfirmed",
        holds=True,
        says="never answered",
        is_patient=True,
    ),
    _not(
        "silent, misses a packet",
        *("--silent", "--deaf-to=4"),
        outcome="unconfirmed",
        says="never answered",
        is_patient=True,
    ),
    _not(
        "another device",
        "--device=4",
        outcome="unconfirmed",
        exits=(1, 3),
        says="never answered",
        is_patient=True,
    ),
    _not("rejects one packet always", "--nak-always=4", says="packet 4"),
    _not("memory ends in the dump", "--memory=150", says="packet 3"),
    _not("has no memory for it", "--memory=150", "--refuses", outcome="refused", says="header"),
    _not("dies", "--dies-at=4", exits=(1, 3), says="packet 4"),
    _not("falls silent", "--falls-silent-at=4", exits=(1, 3), says="packet 4", is_patient=True),
    _not(
        "keeps 12 bits",
        "--bits=12",
        outcome="loaded with changes",
        verified=False,
        says=r"\b12\b",
    ),
    _not(
        "a bit wrong",
        "--wrong-bit=123",
        outcome="loaded with changes",
        verified=False,
        says=r"\b123\b",
    ),
    Row(
        name="stores what comes twice twice",
        habits=("--store-twice", "--lose-ack=3"),
        outcome="loaded with changes",
        verified=False,
        exits=(1,),
        holds=False,
        says=r"(?i)packet 3\b.*twice",
        # One packet goes twice, and the last, which it has no use for, three times. Where more
        # comes twice it has its 400 words before the last but one.
        on_a_busy_machine=("incomplete", None, 1),
    ),
)
