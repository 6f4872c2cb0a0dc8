"""One case of a campaign: what is played to which unit and what goes wrong, from a number alone."""

from collections.abc import Sequence
from fractions import Fraction
from functools import cache, lru_cache, partial
from typing import Final, Literal, TypeVar

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import HeaderKind, outgoing, sample_from_words
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.unit.dice import salt_of, thrown
from dryload.emulator.unit.possible import Profile, ProfileError
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_NUMBERS
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.emulator.wire.sizes import words_per_packet
from dryload.emulator.wire.words import Words, word_dtype
from dryload.harness.faults.asked import Disturbances
from dryload.harness.faults.catalogue import faults, filled, situations
from dryload.harness.faults.reading import NotUnderstood, read_all
from dryload.harness.jobs.dumps import Dump

Waveform = Literal["noise", "ramp", "silence", "extremes"]
Looped = Literal["none", "forward", "back and forth", "numbered"]
_CONTENTS: Final[tuple[Waveform, ...]] = ("noise", "noise", "ramp", "silence", "extremes")
_LOOPS: Final[tuple[Looped, ...]] = ("none", "none", "forward", "back and forth", "numbered")
_HEADERS: Final[tuple[HeaderKind, ...]] = ("auto", "auto", "auto", "extended")
_RATES: Final = (44_100, 32_000, 22_050, 11_025)
_USUAL_PACKETS: Final = 12
_HOW_MANY: Final = (0, 1, 1, 1, 1, 1, 1, 2, 2, 9)
"""Faults of a case, thrown among these; 9: an everyday situation."""
_SEEDS: Final = 10_000
_T = TypeVar("_T")


class CampaignPlan(Struct, frozen=True, kw_only=True):
    """What a campaign is made of; with it a number says everything of a case."""

    seed: int = 1
    profiles: tuple[str, ...] = ()
    """Names or paths; none: all that are shipped."""
    disturbances: tuple[str, ...] = ()
    """One of them in each case; none: what the catalogue has for campaigns, and nothing."""

    @property
    def units(self) -> tuple[str, ...]:
        """The profiles of the cases."""
        return self.profiles or profile_names()


class Case(Struct, frozen=True, kw_only=True):
    """Everything that decides a run."""

    number: int
    seed: int
    profile: str
    content: Waveform
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

    def __init__(self, seed: int, number: int) -> None:
        self._thrown: Final = thrown(seed, number)

    def below(self, limit: int, name: str) -> int:
        return thrown(salt_of(name), after=self._thrown) * limit >> 64

    def one_of(self, things: Sequence[_T], name: str) -> _T:
        return things[self.below(len(things), name)]


unit_of: Final = cache(load_profile)
"""Return a profile by its name, read once in a process."""


def case_of(plan: CampaignPlan, number: int) -> Case:
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
    texts = _drawn(plan, dice, -(-frames * channels // words_per_packet(bits)))
    if not _can_be(texts, name):
        texts = ()
    group, kind = _kind(texts)
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
        disturbances=texts,
        group=group,
        kind=kind,
    )


def disturbances_of(case: Case) -> tuple[Disturbances, Profile]:
    """Return what goes wrong and the unit with what of it is a trait of the unit."""
    return read_all(case.disturbances), _unit_with(case.disturbances, case.profile)


@lru_cache(maxsize=64)  # a case asks whether there is such a unit, and for it
def _unit_with(texts: tuple[str, ...], profile: str) -> Profile:
    return read_all(texts).unit(unit_of(profile))


# What is played


def dump_of(case: Case) -> Dump:
    """Return the dump of a case: what a file with it would give, without a file."""
    whole = Loop(start=0, end=case.frames - 1, loop_type=int(case.loop == "back and forth"))
    sample = Sample(
        words=sound(case.content, case.frames * case.channels, case.bits, case.number),
        bits=case.bits,
        rate=Fraction(case.rate),
        channels=case.channels,
        sustain=whole if case.loop in ("forward", "back and forth") else NO_LOOP,
        loops=((1, whole),) if case.loop == "numbered" else (),
    )
    device_id = unit_of(case.profile).unit.device_id
    made = outgoing(sample, number=case.sample_number, device_id=device_id, header=case.header)
    header = decode(made.header)
    assert isinstance(header, DumpHeader | ExtendedHeader)
    return Dump(
        file=f"case {case.number}",
        index=0,
        header=header,
        outgoing=replace(made, fallback=None),
        sample=replace(sample_from_words(header, sample.words), loops=sample.loops),
    )


def sound(content: Waveform, words: int, bits: int, seed: int) -> Words:
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


# What goes wrong


def _drawn(plan: CampaignPlan, dice: _Dice, packets: int) -> tuple[str, ...]:
    """Return what goes wrong in words for --disturb."""
    if plan.disturbances:
        # What no unit of this campaign can have is said before it begins.
        return (_seeded(dice.one_of(plan.disturbances, "asked"), dice.below(_SEEDS, "seed")),)
    how_many = dice.one_of(_HOW_MANY, "how many")
    if how_many == _HOW_MANY[-1]:
        name = dice.one_of(_situations(), "situation")
        return (_seeded(name, dice.below(_SEEDS, "seed")),)
    return tuple(map(partial(_filled, dice, packets), range(how_many)))


def _filled(dice: _Dice, packets: int, which: int) -> str:
    """Return something that the catalogue has for campaigns, with its places filled."""
    pattern = dice.one_of(_patterns(), f"pattern {which}")
    return filled(pattern, packets, lambda limit, name: dice.below(limit, f"{name} {which}"))


@cache
def _situations() -> tuple[str, ...]:
    return tuple(each.name for each in situations() if each.campaign)


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


def _can_be(texts: tuple[str, ...], profile: str) -> bool:
    """Whether the line and the unit can have it all together."""
    try:
        _unit_with(texts, profile)
    except (NotUnderstood, ProfileError):
        return False
    return True


def _kind(texts: Sequence[str]) -> tuple[str, str]:
    """Return where what goes wrong comes from, and what it is, for those who count."""
    asked = read_all(texts).asked
    if not asked:
        return "nothing", "nothing"
    if asked[0].situation:
        return "an everyday situation", asked[0].situation
    if len(asked) > 1:
        return "several together", " + ".join(sorted(each.fault.name for each in asked))
    return asked[0].fault.group, asked[0].fault.name
