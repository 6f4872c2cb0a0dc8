"""One case of a campaign: what is played to which unit and what goes wrong, from a number alone."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, lru_cache
from typing import Final, Literal, TypeVar

import numpy as np

from emulator.dump.outgoing import HeaderKind, outgoing, sample_from, whole_sequence
from emulator.dump.sample import NO_LOOP, Loop, Sample
from emulator.dump.sender import Outgoing
from emulator.line.dice import below, salt_of
from emulator.unit.possible import Profile, ProfileError
from emulator.unit.profile import load_profile, profile_names
from emulator.wire.codec import decode
from emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_NUMBERS
from emulator.wire.messages import DumpHeader, ExtendedHeader, ExtendedLoopPoints, LoopPoints
from emulator.wire.packets import DATA
from emulator.wire.sizes import words_per_packet
from emulator.wire.words import Words, word_dtype
from harness.faults.asked import Disturbances
from harness.faults.catalogue import faults, situations
from harness.faults.reading import NotUnderstood, read_all
from harness.files.dumpfile import DumpFile, Form
from harness.jobs.dumps import Dump

Content = Literal["noise", "ramp", "silence", "extremes"]
Looped = Literal["none", "forward", "back and forth", "numbered"]
_CONTENTS: Final[tuple[Content, ...]] = ("noise", "noise", "ramp", "silence", "extremes")
_LOOPS: Final[tuple[Looped, ...]] = ("none", "none", "forward", "back and forth", "numbered")
_HEADERS: Final[tuple[HeaderKind, ...]] = ("auto", "auto", "auto", "extended")
_RATES: Final = (44_100, 32_000, 22_050, 11_025)
_USUAL_PACKETS: Final = 12
_NOTHING: Final = "nothing"
_SITUATION: Final = "an everyday situation"
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a campaign is made of; with it a number says everything of a case."""

    seed: int = 1
    profiles: tuple[str, ...] = ()
    """Names or paths; none: all that are shipped."""
    disturbances: tuple[str, ...] = ()
    """One of them in each case; none: those of the menu, everyday situations and nothing."""

    @property
    def units(self) -> tuple[str, ...]:
        """The profiles of the cases."""
        return self.profiles or profile_names()


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Everything that decides a run."""

    number: int
    seed: int
    profile: str
    content: Content
    frames: int
    bits: int
    channels: int
    rate: int
    header: HeaderKind
    loop: Looped
    sample_number: int
    disturbances: tuple[str, ...]
    group: str
    """Where what goes wrong comes from."""
    kind: str
    """What goes wrong, in one or two words."""


class _Dice:
    """Throws that follow from a seed and a number, each with a name of its own."""

    def __init__(self, *numbers: int) -> None:
        self._numbers: Final = numbers

    def below(self, limit: int, name: str) -> int:
        return below(limit, *self._numbers, salt_of(name))

    def one_of(self, things: Sequence[_T], name: str) -> _T:
        return things[self.below(len(things), name)]


def case_of(plan: Plan, number: int) -> Case:
    """Return the case of this number, the same at all times and in every process."""
    dice = _Dice(plan.seed, number)
    name = plan.units[number % len(plan.units)]  # so that each has its share
    profile = unit_of(name)
    bits = dice.one_of(profile.words.accepts, "bits")
    if not dice.below(8, "other bits"):
        bits = MIN_BITS + dice.below(MAX_BITS - MIN_BITS + 1, "any bits")
    packets = _USUAL_PACKETS if dice.below(50, "long") else PACKET_NUMBERS + _USUAL_PACKETS
    channels = dice.one_of(profile.words.channels, "channels")
    most = packets * words_per_packet(bits) // channels
    frames = max(most - dice.below(30, "less"), 1)
    if packets == _USUAL_PACKETS:
        frames = 1 + dice.below(most, "frames")
    wrong = _wrong(plan, dice, -(-frames * channels // words_per_packet(bits)), profile)
    group, kind = _kind(wrong)
    return Case(
        number=number,
        seed=plan.seed,
        profile=name,
        content=dice.one_of(_CONTENTS, "content"),
        frames=frames,
        bits=bits,
        channels=channels,
        rate=dice.one_of(_RATES, "rate"),
        header=dice.one_of(_HEADERS, "header"),
        loop=dice.one_of(_LOOPS, "loop"),
        sample_number=profile.slots.first_number + dice.below(min(profile.slots.count, 9), "slot"),
        disturbances=wrong,
        group=group,
        kind=kind,
    )


@lru_cache(maxsize=64)
def unit_of(name: str) -> Profile:
    """Return a profile, read once in a process."""
    return load_profile(name)


def dump_of(case: Case) -> Dump:
    """Return the dump of a case, what a file with it would give but for what the judge says."""
    messages = _messages(case)
    header = decode(messages.header)
    assert isinstance(header, DumpHeader | ExtendedHeader)
    data = b"".join(packet[DATA] for packet in messages.packets)
    more = [decode(message) for message in messages.after]
    return Dump(
        file=_name(case),
        index=0,
        header=header,
        outgoing=replace(messages, fallback=None),
        sample=sample_from(
            header,
            np.frombuffer(data, np.uint8),
            [each for each in more if isinstance(each, LoopPoints | ExtendedLoopPoints)],
        ),
    )


def file_of(case: Case) -> DumpFile:
    """Return a file with the dump of a case."""
    data = b"".join(whole_sequence(_messages(case)))
    return DumpFile(name=_name(case), form=Form.RAW, data=data)


def _name(case: Case) -> str:
    return f"case {case.number}"


def _messages(case: Case) -> Outgoing:
    sample = Sample(
        words=sound(case.content, case.frames * case.channels, case.bits, case.number),
        bits=case.bits,
        rate=Fraction(case.rate),
        channels=case.channels,
        sustain=_sustain(case),
        loops=((1, _whole(case, 0)),) if case.loop == "numbered" else (),
    )
    return outgoing(
        sample,
        number=case.sample_number,
        device_id=unit_of(case.profile).unit.device_id,
        header=case.header,
    )


def sound(content: Content, words: int, bits: int, seed: int) -> Words:
    """Return words of `bits` significant bits."""
    steps = np.arange(words, dtype=np.int64)
    half = 1 << (bits - 1)
    match content:
        case "silence":
            values = steps * 0
        case "ramp":
            values = (steps * 37 + seed) % (2 * half) - half
        case "extremes":
            values = np.where((steps + seed) % 3 == 0, -half, half - 1)
        case "noise":
            mixed = (steps + 1 + seed % 100_003) * 2_654_435_761
            values = ((mixed ^ mixed >> 15) * 40_503 >> 7) % (2 * half) - half
    return values.astype(word_dtype(bits))


def _whole(case: Case, loop_type: int) -> Loop:
    return Loop(start=0, end=case.frames - 1, loop_type=loop_type)


def _sustain(case: Case) -> Loop:
    match case.loop:
        case "forward":
            return _whole(case, 0)
        case "back and forth":
            return _whole(case, 1)
    return NO_LOOP


def _wrong(plan: Plan, dice: _Dice, packets: int, profile: Profile) -> tuple[str, ...]:
    """Return what goes wrong; nothing where the unit or the line could not have it."""
    if plan.disturbances:
        asked = dice.one_of(plan.disturbances, "asked")
        texts: tuple[str, ...] = (_seeded(asked, dice.below(10_000, "seed")),)
        # What no unit of this campaign can have is said before it begins.
        return texts if _can_be(texts, profile) else ()
    how_many = (0, 1, 1, 1, 1, 1, 1, 2, 2, 9)[dice.below(10, "how many")]
    if how_many > len("two"):
        name = dice.one_of(situations(), "situation").name
        texts = (_seeded(name, dice.below(10_000, "seed")),)
    else:
        texts = tuple(_filled(dice, packets, which) for which in range(how_many))
    return texts if _can_be(texts, profile) else ()


def _filled(dice: _Dice, packets: int, which: int) -> str:
    return dice.one_of(_patterns(), f"pattern {which}").format(
        p=dice.below(packets, f"packet {which}"),
        o=dice.one_of(("2nd", "3rd", "4th", "5th", "7th"), f"ordinal {which}"),
        n=2 + dice.below(7, f"small {which}"),
        ms=3 + dice.below(97, f"time {which}"),
        s=dice.below(10_000, f"seed {which}"),
    )


@cache
def _patterns() -> tuple[str, ...]:
    return tuple(pattern for fault in faults() for pattern in fault.campaign)


def _seeded(text: str, seed: int) -> str:
    """Return the words with a seed, where they can have one."""
    seeded = f"{text}, seed {seed}"
    try:
        read_all([seeded])
    except NotUnderstood:
        return text
    return seeded


def _can_be(texts: Sequence[str], profile: Profile) -> bool:
    try:
        read_all(texts).unit(profile)
    except (NotUnderstood, ProfileError):
        return False
    return True


def _kind(texts: Sequence[str]) -> tuple[str, str]:
    asked = read_all(texts).asked
    if not asked:
        return _NOTHING, _NOTHING
    if asked[0].situation:
        return _SITUATION, asked[0].situation
    if len(asked) > 1:
        return "several together", " + ".join(sorted(each.fault.name for each in asked))
    return asked[0].fault.group, asked[0].fault.name


def disturbances_of(case: Case) -> tuple[Disturbances, Profile]:
    """Return what goes wrong and the unit with what of it is a trait of the unit."""
    asked = read_all(case.disturbances)
    return asked, asked.unit(unit_of(case.profile))


def told(case: Case) -> str:
    """Return a case in a line."""
    sides = {1: "mono", 2: "stereo"}.get(case.channels, f"{case.channels} channels")
    loop = "" if case.loop == "none" else f", loop {case.loop}"
    wrong = " and ".join(f'"{each}"' for each in case.disturbances) or "nothing goes wrong"
    return (
        f"case {case.number}: {case.frames:,} frames of {case.bits} bits, {sides}, {case.content}"
        f"{loop}, as sample {case.sample_number} to unit:{case.profile}; {wrong}"
    )
