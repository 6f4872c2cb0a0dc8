"""The forms of words for --disturb: what stands at a place of a text, and what it may have been.

A form is words and slots; between two words there may be "the".  Where several forms fit, the one
that takes most of the text is meant.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from difflib import SequenceMatcher
from fractions import Fraction
from functools import cache
from typing import Any, Final, NamedTuple

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.placement import EVERYWHERE, Scope
from dryload.emulator.unit.forms import NUMBERS, FormSlot, pattern
from dryload.emulator.wire.messages import HandshakeKind

_THINGS: Final = {
    "packet": Scope.PACKETS,
    "reply": Scope.REPLIES,
    "message": Scope.MESSAGES,
    "request": Scope.REQUESTS,
    "header": Scope.HEADER,
}
_MANY: Final = {"reply": "replies"}
THINGS: Final = {_MANY.get(name, f"{name}s"): target for name, target in _THINGS.items()}
"""Which messages a plural means."""
_LIKE: Final = 0.7
_SPLIT: Final = re.compile(r"[\s,;]+")


_SLOTS: Final[Mapping[str, FormSlot]] = {
    **NUMBERS,
    "Nth": (r"([0-9]{1,9}(?:st|nd|rd|th))", lambda text: int(text[:-2])),
    "P": (r"([0-9]{1,3}(?:\.[0-9]{1,3})?)", lambda text: int(10_000 * Fraction(text))),
    "XX": (r"([0-9a-f]{2}(?:\s+[0-9a-f]{2}\b)*)", lambda text: list(bytes.fromhex(text))),
    "KIND": (r"(ack|nak|wait|cancel|eof)", lambda text: int(HandshakeKind[text.upper()])),
    "THING": (f"({'|'.join(_THINGS)})", _THINGS.__getitem__),
    "THINGS": (f"({'|'.join(THINGS)})", THINGS.__getitem__),
    "KEY": (r"([a-z_]+(?:\.[a-z_]+)?)", str),
    "VALUE": (r"(\[[^\]]*\]|[^,;]*[^,;\s])", str),
    "NAME": (r"([a-z0-9-]+)", str),
}
"""What stands in a slot, and the value of it: of a P millionths, of a TIME nanoseconds."""


class Found(NamedTuple):
    """A form that stands at a place of a text, and what its slots hold."""

    form: str
    values: tuple[Any, ...]
    stop: int


@cache
def pattern_of(form: str) -> re.Pattern[str]:
    """Return what a form looks like in a text of small letters."""
    return pattern(form, _SLOTS)


def find(text: str, start: int, forms: Iterable[str]) -> Found | None:
    """Return the form that takes most of `text` from `start` on, None where none fits."""
    best, stop = "", -1
    for form in forms:
        found = pattern_of(form).match(text, start)
        if found is not None and found.end() > stop:
            best, stop, groups = form, found.end(), found.groups()
    if not best:
        return None
    slots = (_SLOTS[token][1] for token in best.split() if token in _SLOTS)
    values = (value(group) for value, group in zip(slots, groups, strict=True))
    return Found(best, tuple(values), stop)


def nearest_form(text: str, forms: Iterable[str]) -> str | None:
    """Return the form that was perhaps meant by what `text` begins with."""
    words = [word for word in _SPLIT.split(text) if word]
    best, how_near = None, _LIKE
    for form in (spelled for each in forms for spelled in _spelled_out(each)):
        pairs = zip(form.split(), words, strict=False)
        given = [token if _fits(token, word) else word for token, word in pairs]
        near = SequenceMatcher(None, " ".join(given), form).ratio()
        if near > how_near:
            best, how_near = form, near
    return best


def _spelled_out(form: str) -> list[str]:
    for slot, things in (("THINGS", THINGS), ("THING", _THINGS)):
        if slot in form.split():
            return [form.replace(slot, thing) for thing in things]
    return [form]


def _fits(token: str, word: str) -> bool:
    """Whether a word fills a slot, of a TIME at least its number."""
    if token == "TIME":
        return word[0].isdigit()
    return token in _SLOTS and re.fullmatch(_SLOTS[token][0], word) is not None


def shown_form(form: str) -> str:
    """Return a form as somebody would write it."""
    return form.replace("THINGS", "packets").replace("THING", "packet")


# Where and when


class Phrase(NamedTuple):
    """One way to say where or when: what it means, and what it says of a placement."""

    form: str
    does: str
    sets: Callable[..., dict[str, Any]]


def _numbered(target: Scope) -> Callable[..., dict[str, Any]]:
    """Return what a number means: a packet and its answer are struck as they first go out."""
    first_time = {} if target is Scope.MESSAGES else {"again": False}
    return lambda first, last=None: {
        "target": target,
        "first": first,
        "last": first if last is None else last,
        **first_time,
    }


_packet, _reply, _message = map(_numbered, (Scope.PACKETS, Scope.REPLIES, Scope.MESSAGES))

PLACES: Final = (
    Phrase("packet N", "that packet, counted from 0, as it first goes out in a dump", _packet),
    Phrase("packets N to N", "those packets, each as it first goes out", _packet),
    Phrase(
        "packets from N on",
        "that packet and all behind it, those sent again too",
        lambda first: {"target": Scope.PACKETS, "first": first},
    ),
    Phrase(
        "header",
        "the header, as it first goes out",
        lambda: {"target": Scope.HEADER, "again": False},
    ),
    Phrase("reply to packet N", "the first answer to that packet", _reply),
    Phrase("replies to packets N to N", "the first answers to those packets", _reply),
    Phrase(
        "reply to header",
        "the first answer to the header",
        lambda: {"target": Scope.HEADER_REPLY, "again": False},
    ),
    Phrase("message N", "that message in its direction, counted from 0", _message),
    Phrase("messages N to N", "those messages", _message),
    Phrase(
        "every Nth THING",
        "5th, 10th, 15th and so on, those sent again counted too",
        lambda every, target: {"target": target, "every": every},
    ),
    Phrase("every THING", "every one, those sent again too", lambda target: {"target": target}),
    Phrase(
        "THINGS",
        "the same: packets, replies, messages, requests or headers",
        lambda target: {"target": target},
    ),
    Phrase("byte N", "that byte of the message, counted from 0 at F0", lambda at: {"byte": at}),
    Phrase("with chance 1 in N", "one in so many, as the seed decides", lambda n: {"chance": n}),
    Phrase(
        "seed N",
        "another number decides otherwise; the same one always alike",
        lambda n: {"seed": n},
    ),
    Phrase("each time", "also when the same message goes out again", lambda: {"again": True}),
    Phrase("once", "one time and no more", lambda: {"times": 1}),
    Phrase("at most N times", "so often and no more", lambda times: {"times": times}),
    Phrase(
        "at TIME",
        "the first one on its way then or later, counted from the beginning",
        lambda at_ns: {"from_ns": at_ns, "times": 1},
    ),
    Phrase("from TIME on", "from that instant on", lambda at_ns: {"from_ns": at_ns}),
    Phrase("until TIME", "up to that instant", lambda at_ns: {"until_ns": at_ns}),
    Phrase(
        "between TIME and TIME",
        "within that time",
        lambda from_ns, until_ns: {"from_ns": from_ns, "until_ns": until_ns},
    ),
    Phrase("to the unit", "in that direction", lambda: {"directions": (Direction.TO_UNIT,)}),
    Phrase(
        "from the unit",
        "in that direction: answers, and what is read back",
        lambda: {"directions": (Direction.FROM_UNIT,)},
    ),
    Phrase("both ways", "in both directions", lambda: {"directions": EVERYWHERE}),
)
"""Where and when; "the" may stand anywhere."""

FILLERS: Final = ("in", "of", "on", "to", "at", "with", "and", "inside", "for")
"""Little words that may stand between, and mean nothing by themselves."""
