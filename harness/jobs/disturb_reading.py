"""Words to disturbances: reads what stands behind --disturb.

Theory of operation.  From left to right the longest form of the vocabulary that fits is taken: one
effect, and places in any order around it.  Little words are passed over where nothing else fits.
What fits nowhere ends it, with the place, and with what was perhaps meant.
"""

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Final

from emulator.dump.capture import Direction
from emulator.line import effects, effects_time
from emulator.line.applied import Placed
from emulator.line.hand import Effect
from emulator.line.link import link_named
from emulator.line.placement import EVERYWHERE, Placement, Target
from emulator.line.trouble import ForgetsHeader, PowerFails, StoresWrong, Trouble
from emulator.wire.constants import ACTIVE_SENSING, FIRST_REALTIME, SYSTEM_RESET
from emulator.wire.messages import HandshakeKind
from harness.jobs.disturb_asked import Asked, NoSpacing, Trait
from harness.jobs.disturb_grammar import (
    Found,
    find,
    nanoseconds,
    nearest_form,
    ordinal,
    shown_form,
)
from harness.jobs.disturb_word import Reach, Word
from harness.jobs.disturb_words import FILLERS, PLACES, WORDS

_MS: Final = 1_000_000
_SENSING_NS: Final = 270 * _MS  # "send within 270 ms" (TIM-09, M1 p. 32)
_MINUTE_NS: Final = 60_000 * _MS
_CLOCKS_A_BEAT: Final = 24  # M1 p. 30
_NOTE: Final = b"\x90\x3c\x40"
_BEATS: Final = 120

Values = tuple[str, ...]
More = Mapping[str, Values]


class NotUnderstood(ValueError):  # noqa: N818  # what somebody wrote, and nobody's error
    """Words that are none of the vocabulary; the message is complete for whoever wrote them."""


_EFFECTS: Final[Mapping[str, Callable[[Values, More], Effect]]] = {
    "flip a bit": lambda v, m: effects.FlipOne(bit=_number(v)),
    "flip two bits of a column": lambda v, m: effects.FlipColumn(),
    "lose a byte": lambda v, m: effects.LoseBytes(count=_number(v) or 1),
    "add a byte": lambda v, m: effects.AddBytes(values=bytes.fromhex(v[0]) if v else None),
    "swap two bytes": lambda v, m: effects.SwapBytes(),
    "set a high bit": lambda v, m: effects.SetHighBit(),
    "noise": lambda v, m: effects.Noise(count=_number(v, 5)),
    "lose": lambda v, m: effects.Lose(),
    "repeat": lambda v, m: effects.Repeat(),
    "reorder": lambda v, m: effects.HoldBack(),
    "cut": lambda v, m: effects.Cut(keep=_number(m.get("after N bytes", ()))),
    "join": lambda v, m: effects.HoldBack(joins=True),
    "split": lambda v, m: effects_time.Pause(
        size=_number(m.get("into pieces of N bytes", ()), 32),
        for_ns=nanoseconds(m.get("with pauses of TIME", ("1 ms",))[0]),
    ),
    "unplug": lambda v, m: effects.Unplug(),
    "delay": lambda v, m: effects_time.Delay(by_ns=nanoseconds(_needed(m, "by TIME"))),
    "jitter": lambda v, m: effects_time.Jitter(most_ns=nanoseconds(v[0])),
    "slow line": lambda v, m: effects_time.Slow(percent=_number(v, 50)),
    "pause": lambda v, m: effects_time.Pause(for_ns=nanoseconds(v[0])),
    "drift": lambda v, m: effects_time.Drift(ppm=int(10_000 * Fraction(v[0]))),
    "clock": lambda v, m: effects.Ticks(value=FIRST_REALTIME, period_ns=_clock_ns(v)),
    "active sensing": lambda v, m: effects.Ticks(value=ACTIVE_SENSING, period_ns=_SENSING_NS),
    "reset": lambda v, m: effects.AddBytes(values=bytes([SYSTEM_RESET])),
    "notes between": lambda v, m: effects.Before(values=_NOTE),
    "a note inside": lambda v, m: effects.AddBytes(values=_NOTE),
    "wrong number": lambda v, m: effects.Retell(shift=_number(m.get("by N", ()), 1)),
    "wrong device": lambda v, m: effects.Retell(device_shift=_number(m.get("by N", ()), 1)),
    "answer": lambda v, m: effects.Retell(kind=int(HandshakeKind[v[0].upper()])),
    "echo": lambda v, m: effects.Echo(),
}
_IN_THE_UNIT: Final[Mapping[str, Callable[[More], PowerFails | ForgetsHeader | StoresWrong]]] = {
    "forget the header": lambda m: ForgetsHeader(),
    "power fails": lambda m: PowerFails(
        for_ns=nanoseconds(m["for TIME"][0]) if "for TIME" in m else None
    ),
    "store wrong": lambda m: StoresWrong(),
}
_TARGETS: Final = {
    "packet": Target.PACKETS,
    "reply": Target.REPLIES,
    "message": Target.MESSAGES,
    "request": Target.REQUESTS,
    "header": Target.HEADER,
}
_OF_ANSWERS: Final = {Target.PACKETS: Target.REPLIES, Target.HEADER: Target.HEADER_REPLY}
_NAMED: Final = {"again": False}  # a message that is named is struck as it first goes out


def _packets(target: Target) -> Callable[[Values], dict[str, Any]]:
    return lambda v: {"target": target, "first": int(v[0]), "last": int(v[-1]), **_NAMED}


_PLACES: Final[Mapping[str, Callable[[Values], dict[str, Any]]]] = {
    "packet N": _packets(Target.PACKETS),
    "packets N to N": _packets(Target.PACKETS),
    "packets from N on": lambda v: {"target": Target.PACKETS, "first": int(v[0])},
    "header": lambda v: {"target": Target.HEADER, **_NAMED},
    "reply to packet N": _packets(Target.REPLIES),
    "replies to packets N to N": _packets(Target.REPLIES),
    "reply to header": lambda v: {"target": Target.HEADER_REPLY, **_NAMED},
    "message N": lambda v: {"target": Target.MESSAGES, "first": int(v[0]), "last": int(v[0])},
    "messages N to N": lambda v: {"target": Target.MESSAGES, "first": int(v[0]), "last": int(v[1])},
    "every Nth THING": lambda v: {"target": _TARGETS[v[1]], "every": ordinal(v[0])},
    "every THING": lambda v: {"target": _TARGETS[v[0]]},
    "THINGS": lambda v: {"target": _TARGETS[_one(v[0])]},
    "byte N": lambda v: {"byte": int(v[0])},
    "with chance 1 in N": lambda v: {"chance": _chance(v[0])},
    "seed N": lambda v: {"seed": int(v[0])},
    "each time": lambda v: {"again": True},
    "once": lambda v: {"times": 1},
    "at most N times": lambda v: {"times": int(v[0])},
    "at TIME": lambda v: {"from_ns": nanoseconds(v[0]), "times": 1},
    "from TIME on": lambda v: {"from_ns": nanoseconds(v[0])},
    "until TIME": lambda v: {"until_ns": nanoseconds(v[0])},
    "between TIME and TIME": lambda v: {
        "from_ns": nanoseconds(v[0]),
        "until_ns": nanoseconds(v[1]),
    },
    "to the unit": lambda v: {"directions": (Direction.TO_UNIT,)},
    "from the unit": lambda v: {"directions": (Direction.FROM_UNIT,)},
    "both ways": lambda v: {"directions": EVERYWHERE},
}
_BY_FORM: Final = {form: word for word in WORDS for form in word.forms}
_WHERE: Final = tuple(phrase.form for phrase in PLACES)
_GAP: Final = re.compile(r"[\s,;]*(?:the\b[\s,;]*)?")
_FILLER: Final = re.compile(rf"(?:{'|'.join(FILLERS)})\b")
_A_PLACE: Final = (
    "say where, as in: in packet 7, every 5th packet, packets 3 to 9, with chance 1 in 50, at 2 s"
)


@dataclass(slots=True)
class _Heard:
    """What was understood so far."""

    word: Word | None = None
    values: Values = ()
    more: dict[str, Values] = field(default_factory=dict)
    places: dict[str, str] = field(default_factory=dict)  # form to the words that said it
    where: dict[str, Any] = field(default_factory=dict)


def read_words(text: str) -> Asked:
    """Return the disturbance that `text` asks for; NotUnderstood says what is wrong, and where."""
    given = " ".join(text.split())
    lower = given.lower()
    heard, at = _Heard(), 0
    while (at := _gap(lower, at)) < len(lower):
        at = _next(heard, lower, at)
    if heard.word is None:
        near = "" if heard.places else f" There are: {_list_of_effects()}."
        raise NotUnderstood(f"it does not say what is to happen.{near}")
    try:
        return Asked(said=given, word=heard.word, means=_meaning(heard, given))
    except NotUnderstood:
        raise
    except ValueError as wrong:
        raise NotUnderstood(f"{wrong}.") from wrong


def _gap(text: str, at: int) -> int:
    found = _GAP.match(text, at)
    return at if found is None else found.end()


def _next(heard: _Heard, text: str, at: int) -> int:
    """Understand what stands at `at`; return where it ends."""
    forms: list[str] = [*_WHERE, *_BY_FORM]
    if heard.word is not None:
        forms += heard.word.more
    found = find(text, at, forms)
    if found is None:
        filler = _FILLER.match(text, at)
        if filler is None:
            raise NotUnderstood(_complaint(heard, text, at))
        behind = _gap(text, filler.end())
        if find(text, behind, forms) is None:
            raise NotUnderstood(_complaint(heard, text, at if behind >= len(text) else behind))
        return filler.end()
    _take(heard, found, text[at : found.stop])
    return found.stop


def _take(heard: _Heard, found: Found, said: str) -> None:
    form, values, _ = found
    if heard.word is not None and form in heard.word.more:
        heard.more[form] = values
    elif form in _BY_FORM:
        if heard.word is not None:
            raise NotUnderstood(
                f'"{said}" is a second thing to happen: give each a --disturb of its own.'
            )
        heard.word, heard.values = _BY_FORM[form], values
    else:
        for key, value in _PLACES[form](values).items():
            if key in heard.where and heard.where[key] != value and key not in ("again", "times"):
                raise NotUnderstood(f'"{said}" does not go with what was said before it.')
            heard.where[key] = value
        if form == "each time":
            heard.places["each time"] = said
        heard.places[form] = said
        if "each time" in heard.places:
            heard.where["again"] = True


def _meaning(heard: _Heard, said: str) -> Any:
    word = heard.word
    assert word is not None
    if word.reach is Reach.WHOLE:
        if heard.places:
            first = next(iter(heard.places.values()))
            raise NotUnderstood(
                f'"{word.name}" lasts from beginning to end: "{first}" is too much.'
            )
        return _whole(word, heard.values)
    where = dict(heard.where)
    if word.reach is Reach.UNIT:
        _need_place(heard, word)
        where.setdefault("target", Target.PACKETS if word.name == "store wrong" else _any(where))
        if where.keys().isdisjoint({"every", "chance", "times"}) and "again" not in where:
            where["times"] = 1
        return Trouble(effect=_IN_THE_UNIT[word.name](heard.more), where=_placed(where), said=said)
    if word.reach is Reach.REPLY:
        target = where.get("target", Target.REPLIES)
        where["target"] = _OF_ANSWERS.get(target, target)
        where.setdefault("directions", (Direction.FROM_UNIT,))
    if not word.usual:
        _need_place(heard, word)
    where.setdefault("target", _TARGETS[_one(word.usual)] if word.usual else Target.PACKETS)
    if word.name == "unplug":
        if heard.where.keys() - {"from_ns", "until_ns", "times", "directions"}:
            raise NotUnderstood(
                "a plug has a time and no message, as in: unplug the cable at 1.5 s for 300 ms."
            )
        where.pop("times", None)
        if "for TIME" in heard.more:
            length_ns = nanoseconds(heard.more["for TIME"][0])
            where["until_ns"] = where.get("from_ns", 0) + length_ns
    effect = _EFFECTS[word.name](heard.values, heard.more)
    return Placed(effect=effect, where=_placed(where), said=said)


def _any(where: Mapping[str, Any]) -> Target:
    return Target.MESSAGES if "from_ns" in where or "until_ns" in where else Target.PACKETS


def _placed(where: Mapping[str, Any]) -> Placement:
    return Placement(**where)


def _need_place(heard: _Heard, word: Word) -> None:
    if set(heard.where) <= {"seed", "byte", "directions"}:
        raise NotUnderstood(f'"{word.name}": {_A_PLACE}.')


def _whole(word: Word, values: Values) -> Any:
    match word.name:
        case "no spacing":
            return NoSpacing()
        case "link":
            return link_named(values[0])
        case "acknowledge bad packets":
            return (Trait(section="habits", field="bad_checksum", value="store"),)
        case "buffer overruns":
            return (_habit("input.buffer_bytes", values[0]),)
        case "memory ends":
            return _memory(values[0])
        case "habit":
            return (_habit(*values),)
    raise AssertionError(word.name)


def _memory(words: str) -> tuple[Trait, ...]:
    if not int(words):
        raise NotUnderstood("a unit without memory takes nothing: give 1 word or more.")
    return (
        _habit("memory.bank_words", words),
        _habit("memory.fitted", "[1]"),
        _habit("memory.block_words", "1"),
        _habit("memory.room", "as it fills"),
    )


def _habit(key: str, text: str) -> Trait:
    """Return another value for a key of a profile, as it would stand in the file."""
    import msgspec

    from emulator.unit.schema import keys_of, sections

    section, _, name = key.rpartition(".")
    found = [
        (each, keys_of(kind)[name])
        for each, kind in sections().items()
        if section in ("", each) and name in keys_of(kind)
    ]
    if len(found) != 1:
        known = sorted({name for kind in sections().values() for name in keys_of(kind)})
        near = nearest_form(name, known)
        perhaps = f"did you mean {near}?" if near else "dryload profiles tells what there is."
        if found:
            perhaps = "say which: " + " or ".join(f"{each}.{name}" for each, _ in found) + "."
        raise NotUnderstood(f"there is no key {key} of a profile: {perhaps}")
    where, legal = found[0]
    value: object
    try:
        value = tomllib.loads(f"x = {text}")["x"]
    except (tomllib.TOMLDecodeError, RecursionError):
        value = text.strip("\"'")
    try:
        return Trait(section=where, field=legal.field, value=legal.read(value))
    except msgspec.ValidationError as wrong:
        raise NotUnderstood(f"{where}.{name} must be {legal.legal}, not {text}.") from wrong


def _complaint(heard: _Heard, text: str, at: int) -> str:
    rest = text[at:]
    what = rest if len(rest) <= 40 else rest[:37] + "..."
    forms: Sequence[str] = [*_BY_FORM] if heard.word is None else [*heard.word.more]
    near = nearest_form(rest, [*forms, *_WHERE])
    if near is not None:
        do = f'did you mean "{shown_form(near)}"?'
    elif heard.word is None:
        do = f"what can happen: {_list_of_effects()}."
    else:
        more = "".join(f"{form}, " for form in heard.word.more)
        do = f"what may follow: {more}{', '.join(map(shown_form, _WHERE))}."
    return f'"{what}" (from character {at + 1} on) is not understood: {do}'


def _list_of_effects() -> str:
    return ", ".join(word.forms[0] for word in WORDS if word.forms)


def _number(values: Values, usual: Any = None) -> Any:
    return int(values[0]) if values else usual


def _needed(more: More, form: str) -> str:
    if form not in more:
        raise NotUnderstood(f"say by how much, as in: {form.replace('TIME', '60 ms')}.")
    return more[form][0]


def _chance(text: str) -> Fraction:
    if not int(text):
        raise NotUnderstood("a chance of 1 in 0 is none: give 1 or more.")
    return Fraction(1, int(text))


def _clock_ns(values: Values) -> int:
    beats = int(values[0]) if values else _BEATS
    if not 1 <= beats <= 999:
        raise NotUnderstood(f"a clock has 1 to 999 beats per minute, not {beats}.")
    return _MINUTE_NS // (beats * _CLOCKS_A_BEAT)


def _one(things: str) -> str:
    return things.replace("replies", "reply").removesuffix("s")
