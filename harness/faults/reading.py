"""Words for --disturb to what they ask for: one fault or everyday situation each.

Theory of operation.  From left to right the longest form that fits is taken: one fault, what may be
said of it behind that, and places in any order around it.  Little words are passed over where
nothing else fits.  What fits nowhere ends it, with the place, and with what was perhaps meant.
"""

import re
from collections.abc import Iterator, Sequence
from difflib import get_close_matches
from fractions import Fraction
from functools import cache, lru_cache
from typing import Any, Final

from msgspec.structs import replace

from dryload.harness.faults.asked import Asked, Disturbances, meaning
from dryload.harness.faults.catalogue import Fault, faults, situations
from dryload.harness.faults.grammar import (
    FILLERS,
    PLACES,
    THINGS,
    Found,
    find,
    nearest_form,
    shown_form,
)
from dryload.harness.files.opening import shown

_GAP: Final = re.compile(r"[\s,;]*(?:the\b[\s,;]*)?")
_WORD: Final = re.compile(r"[a-z]+")
_FILLER: Final = re.compile(rf"(?:{'|'.join(FILLERS)})\b")
_SEED: Final = re.compile(r"[\s,]+seed\s+([0-9]{1,9})")
_PLACES: Final = {place.form: place for place in PLACES}
_MOST_SHOWN: Final = 40


class NotUnderstood(ValueError):  # noqa: N818  # what somebody wrote, and nobody's error
    """Words that ask for no fault; the message is complete for whoever wrote them."""


def read_all(texts: Sequence[str]) -> Disturbances:
    """Return everything that was asked for; NotUnderstood says what is wrong with which text."""
    return _read(tuple(texts))


@lru_cache(maxsize=256)  # a campaign asks several times for each of its runs
def _read(texts: tuple[str, ...]) -> Disturbances:
    asked: list[Asked] = []
    for text in texts:
        try:
            asked += _asked(text)
        except NotUnderstood as wrong:
            raise NotUnderstood(shown(f'"{text}": {wrong}')) from wrong
    try:
        return Disturbances(tuple(asked))
    except ValueError as wrong:
        raise NotUnderstood(f"{wrong}.") from wrong


def _asked(text: str) -> Iterator[Asked]:
    """Yield what a text asks for: a fault, or all those of a situation."""
    lower = " ".join(text.lower().split())
    for situation in situations():
        name = situation.name
        if not lower.startswith(name) or lower[len(name) :][:1] not in ("", " ", ","):
            continue
        rest = lower.removeprefix(name)
        seed = _SEED.fullmatch(rest)
        if rest and seed is None:
            raise NotUnderstood(f'behind "{name}" a seed may follow, as in: {name}, seed 3.')
        for said in situation.faults:
            one = read_words(said)
            if seed is not None and ("chance" in said or "seed N" in one.fault.phrases):
                one = read_words(f"{said}, seed {seed[1]}")
            yield replace(one, situation=name)
        return
    try:
        yield read_words(text)
    except NotUnderstood as wrong:
        near = get_close_matches(lower, [each.name for each in situations()], n=1, cutoff=0.75)
        if near:
            raise NotUnderstood(f'there is no such situation: did you mean "{near[0]}"?') from wrong
        raise


def read_words(text: str) -> Asked:
    """Return the fault that `text` asks for; NotUnderstood says what is wrong, and where."""
    said = " ".join(text.split())
    reading = _Parser(said.lower())
    reading.read()
    fault = reading.fault
    if fault is None:
        near = "" if reading.places else f" There are: {_list_of_faults()}."
        raise NotUnderstood(f"it does not say what is to happen.{near}")
    if fault.lasts and reading.places:
        place = reading.places[0]
        raise NotUnderstood(f'"{fault.name}" lasts from beginning to end: "{place}" is too much.')
    try:
        words = ", ".join(reading.taken) if fault.memory else said
        means = meaning(fault, reading.slots, reading.said, reading.where, words)
    except ValueError as wrong:
        text = str(wrong)
        raise NotUnderstood(text if text.endswith((".", "?")) else f"{text}.") from wrong
    return Asked(said=said, fault=fault, means=means)


class _Parser:
    """A text in small letters, and what was understood of it so far."""

    def __init__(self, text: str) -> None:
        self._text: Final = text
        self.fault: Fault | None = None
        self.slots: dict[str, Any] = {}
        self.said: dict[str, Any] = {}  # of its parameters
        self.taken: list[str] = []  # the words for it, and what follows
        self.places: list[str] = []  # in the words that said them
        self.where: dict[str, Any] = {}
        self._each_time = False

    def read(self) -> None:
        """Understand all of it."""
        at = self._gap(0)
        while at < len(self._text):
            found = self._find(at)
            if found is not None:
                self._take(found, self._text[at : found.stop])
                at = found.stop
            elif filler := _FILLER.match(self._text, at):
                behind = self._gap(filler.end())
                if self._find(behind) is None:
                    raise self._complaint(at if behind >= len(self._text) else behind)
                at = filler.end()
            else:
                raise self._complaint(at)
            at = self._gap(at)
        if self._each_time:
            self.where["again"] = True

    def _find(self, at: int) -> Found | None:
        word = _WORD.match(self._text, at)
        forms = _by_first_word().get(word[0] if word else "N", ())
        return find(self._text, at, (*forms, *(self.fault.phrases if self.fault else ())))

    def _gap(self, at: int) -> int:
        found = _GAP.match(self._text, at)
        return at if found is None else found.end()

    def _take(self, found: Found, words: str) -> None:
        form, values, _ = found
        if self.fault is not None and form in self.fault.phrases:
            parameters = self.fault.parameters.items()
            names = [name for name, each in parameters if each.phrase == form]
            self.said |= zip(names, values, strict=not self.fault.memory)
            self.taken.append(words)
        elif (fault := _by_form().get(form)) is not None:
            if self.fault is not None:
                raise NotUnderstood(
                    f'"{words}" is a second thing to happen: give each a --disturb of its own.'
                )
            self.fault = fault
            self.taken.append(words)
            self.slots = dict(zip((t for t in form.split() if t.isupper()), values, strict=True))
            names = [name for name, each in fault.parameters.items() if not each.phrase]
            self.said |= zip(names, values, strict=False)
        else:
            self._place(form, values, words)

    def _place(self, form: str, values: tuple[Any, ...], words: str) -> None:
        for key, value in _PLACES[form].sets(*values).items():
            if key in self.where and self.where[key] != value and key not in ("again", "times"):
                raise NotUnderstood(f'"{words}" does not go with what was said before it.')
            if key == "chance" and not value:
                raise NotUnderstood("a chance of 1 in 0 is none: give 1 or more.")
            self.where[key] = Fraction(1, value) if key == "chance" else value
        self._each_time = self._each_time or form == "each time"
        self.places.append(words)

    def _complaint(self, at: int) -> NotUnderstood:
        """Return what to say of what stands at a place."""
        rest = self._text[at:]
        what = rest if len(rest) <= _MOST_SHOWN else f"{rest[: _MOST_SHOWN - 3]}..."
        more = [*_by_form()] if self.fault is None else [*self.fault.phrases]
        near = nearest_form(rest, [*more, *_PLACES])
        if near is not None:
            do = f'did you mean "{shown_form(near)}"?'
        elif self.fault is None:
            do = f"what can happen: {_list_of_faults()}."
        else:
            do = f"what may follow: {', '.join((*more, *map(shown_form, _PLACES)))}."
        return NotUnderstood(f'"{what}" (from character {at + 1} on) is not understood: {do}')


@cache
def _by_form() -> dict[str, Fault]:
    return {form: fault for fault in faults() for form in fault.forms}


@cache
def _by_first_word() -> dict[str, list[str]]:
    """Return forms by the word that they begin with: a campaign reads words for each run."""
    found: dict[str, list[str]] = {}
    for form in (*_PLACES, *_by_form()):
        first = form.partition(" ")[0]
        for word in THINGS if first == "THINGS" else (first,):
            found.setdefault(word, []).append(form)
    return found


def _list_of_faults() -> str:
    return ", ".join(fault.forms[0] for fault in faults() if fault.forms)
