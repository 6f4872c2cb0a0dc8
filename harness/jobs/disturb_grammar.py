"""The forms of the vocabulary as patterns, and what stands at a place of a text.

A form is words and slots; between two words there may be "the".  Where several forms fit, the one
that takes most of the text is meant.
"""

import re
from collections.abc import Iterable
from difflib import SequenceMatcher
from functools import cache
from typing import Final, NamedTuple

_NUMBER: Final = r"([0-9]{1,9})"
_TIME: Final = r"([0-9]{1,9}(?:\.[0-9]{1,9})?\s*(?:ns|us|ms|seconds|second|s|minutes|minute|min))"
_SLOTS: Final = {
    "N": _NUMBER,
    "Nth": r"([0-9]{1,9}(?:st|nd|rd|th))",
    "P": r"([0-9]{1,3}(?:\.[0-9]{1,3})?)",
    "TIME": _TIME,
    "XX": r"([0-9a-f]{2}(?:\s+[0-9a-f]{2}\b)*)",
    "KIND": r"(ack|nak|wait|cancel|eof)",
    "THING": r"(packet|reply|message|request|header)",
    "THINGS": r"(packets|replies|messages|requests|headers)",
    "KEY": r"([a-z_]+(?:\.[a-z_]+)?)",
    "VALUE": r"(\[[^\]]*\]|[^,;]*[^,;\s])",
    "NAME": r"([a-z0-9-]+)",
}
_UNITS: Final = {
    "ns": 1,
    "us": 1_000,
    "ms": 1_000_000,
    "s": 1_000_000_000,
    "second": 1_000_000_000,
    "seconds": 1_000_000_000,
    "min": 60_000_000_000,
    "minute": 60_000_000_000,
    "minutes": 60_000_000_000,
}
_LIKE: Final = 0.7
_SPLIT: Final = re.compile(r"[\s,;]+")


class Found(NamedTuple):
    """A form that stands at a place of a text, and what its slots hold."""

    form: str
    values: tuple[str, ...]
    stop: int


@cache
def pattern_of(form: str) -> re.Pattern[str]:
    """Return what a form looks like in a text of small letters."""
    tokens = [_SLOTS.get(token) or re.escape(token) for token in form.split() if token != "the"]
    return re.compile(r"\s+(?:the\s+)?".join(tokens) + r"(?![\w.])")


def find(text: str, start: int, forms: Iterable[str]) -> Found | None:
    """Return the form that takes most of `text` from `start` on, None where none fits."""
    best: Found | None = None
    for form in forms:
        found = pattern_of(form).match(text, start)
        if found is not None and (best is None or found.end() > best.stop):
            best = Found(form, found.groups(), found.end())
    return best


def nanoseconds(text: str) -> int:
    """Return the time that a TIME says."""
    found = re.fullmatch(r"([0-9]+)(?:\.([0-9]+))?\s*([a-z]+)", text)
    if found is None:
        raise ValueError(f"{text} is no time")
    whole, decimals, unit = found[1], found[2] or "", _UNITS[found[3]]
    return int(whole) * unit + int(decimals or "0") * unit // int("1" + "0" * len(decimals))


def ordinal(text: str) -> int:
    """Return the number of an Nth."""
    return int(text[:-2])


def nearest_form(text: str, forms: Iterable[str]) -> str | None:
    """Return the form that was perhaps meant by what `text` begins with."""
    words = [word for word in _SPLIT.split(text) if word]
    best, how_near = None, _LIKE
    spelled = [each for form in forms for each in _spelled_out(form)]
    for form in spelled:
        tokens = form.split()
        given = [
            token if token in _SLOTS and at < len(words) and _fits(token, words[at]) else word
            for at, (token, word) in enumerate(zip(tokens, words, strict=False))
        ]
        near = SequenceMatcher(None, " ".join(given), form).ratio()
        if near > how_near:
            best, how_near = form, near
    return best


def _spelled_out(form: str) -> list[str]:
    for slot in ("THINGS", "THING"):
        if slot in form.split():
            return [form.replace(slot, thing) for thing in _SLOTS[slot].strip("()").split("|")]
    return [form]


def _fits(slot: str, word: str) -> bool:
    return word[0].isdigit() if slot == "TIME" else re.fullmatch(_SLOTS[slot], word) is not None


def shown_form(form: str) -> str:
    """Return a form as somebody would write it."""
    return form.replace("THINGS", "packets").replace("THING", "packet")
