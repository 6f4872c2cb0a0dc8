"""What a piece of foreign gear does in its own way: values, each of which is an option as well."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, fields
from typing import Any, Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """Nothing but the standard where no habit is given; packets count from 0, the header is -1."""

    device: int = 0
    """Its device ID; it hears that one and 7F."""
    header_delay: float = 0.0
    """Seconds until it answers a header."""
    delay: float = 0.0
    """Seconds until it answers a packet."""
    silent: bool = False
    """Stores and never answers."""
    wait: float = 0.0
    """Seconds of WAIT at `wait_at`, then ACK."""
    wait_at: int = 0
    nak_every: int | None = None
    """Rejects every packet of this count once."""
    nak_always: int | None = None
    """Rejects this packet however often it comes."""
    deaf_to: int | None = None
    """Does not get this packet the first time, as if it were lost on the way."""
    lose_ack: int | None = None
    """Stores this packet, and its ACK is lost."""
    lose_header_ack: bool = False
    """Takes the first header, and its ACK is lost."""
    ack_number: str = "packet"
    """How it numbers its answers to packets: "packet" and "packet+N" name a packet, N before or
    behind, "counted" is how many it has answered, "random" is anything, and a number is always
    that."""
    ack_times: int = 1
    """Says each ACK so many times."""
    ack_gap: float = 0.0
    """Seconds between the ACKs of one message, where it says more than one."""
    ack_every: int = 1
    """Answers only every so many packets, the first and the last among them."""
    nak_number: int | None = None
    """The number in each of its NAKs, where that is not the packet's."""
    wait_each: float = 0.0
    """Seconds of WAIT before each of its ACKs, a header's among them."""
    bits: int = 28
    """Keeps so many bits of a word, the top ones."""
    memory: int | None = None
    """Words it has room for: CANCEL at the packet that does not fit."""
    refuses: bool = False
    """CANCEL at the header already where the words do not fit."""
    dies_at: int | None = None
    """Closes its port and ends when this packet comes."""
    idle_limit: float = 0.0
    """Gives a dump up after so many seconds without a packet; 0 means never."""
    falls_silent_at: int | None = None
    """Stays there, and does and says nothing more from this packet on."""
    wrong_bit: int | None = None
    """The lowest bit of this word is wrong in its memory."""
    no_requests: bool = False
    """Answers no requests."""
    store_twice: bool = False
    """Stores a packet again that comes again."""


_KINDS: Final[dict[str, type]] = {"float": float, "int": int, "int | None": int, "str": str}


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add an option for each habit."""
    for each in fields(Habits):
        option = "--" + each.name.replace("_", "-")
        if each.type == "bool":
            parser.add_argument(option, action="store_true")
        else:
            parser.add_argument(option, type=_KINDS[str(each.type)], default=each.default)


def habits_of(chosen: argparse.Namespace) -> Habits:
    """Return what was chosen."""
    given: dict[str, Any] = {each.name: getattr(chosen, each.name) for each in fields(Habits)}
    return Habits(**given)
