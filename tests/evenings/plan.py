"""One evening as data, drawn from a seed: what is to be done and what goes wrong."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

from tests import oracle
from tests.evenings.rack import Manners
from tests.foreign.habits import Habits

PERIOD_NS: Final = 22_676
PER_PACKET: Final = 40  # words of 16 bits (M1 p. 39)
PACKET_S: Final = 0.0407


@dataclass(frozen=True, slots=True, kw_only=True)
class Dump:
    """A dump in a file."""

    file: str
    index: int
    """Which one of its file, from 0."""
    number: int
    """The sample number that it is to get."""
    filed: int
    """The one in its file."""
    words: tuple[int, ...]
    bits: int = 16
    damage: str = ""
    """"checksum", "cut" or "": what is broken in the file."""

    @property
    def packets(self) -> int:
        return oracle.packet_count(len(self.words), self.bits)

    @property
    def played(self) -> tuple[int, ...]:
        """The words that stand in the file, whatever its checksums say."""
        if self.damage != "checksum":
            return self.words
        bodies = self.data()[21:]  # behind the header, M1 p. 37
        packets = [
            bodies[at : at + oracle.PACKET_BYTES]
            for at in range(0, len(bodies), oracle.PACKET_BYTES)
        ]
        size = oracle.bytes_per_word(self.bits)
        data = b"".join(packet[5:-2] for packet in packets)[: size * len(self.words)]
        unused = 7 * size - self.bits  # bits below a word, which no unit looks at (M1 p. 39)
        clean = bytes(
            byte >> unused << unused if at % size == size - 1 else byte
            for at, byte in enumerate(data)
        )
        return tuple(oracle.bytes_to_words(clean, self.bits))

    def data(self) -> bytes:
        """Return what stands in the file."""
        whole = oracle.dump(
            bits=self.bits, words=self.words, sample_number=self.filed, period_ns=PERIOD_NS
        )
        if self.damage == "cut":
            return whole[: -oracle.PACKET_BYTES]
        if self.damage == "checksum":
            return whole[:-30] + bytes([whole[-30] ^ 1]) + whole[-29:]
        return whole


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Something that goes wrong while the tool runs."""

    kind: str
    """kill, power (of the computer), ctrl-c, late, full, unplug, unit off, rival"""
    at_s: float
    """When, by the clock of the run; or with `step` the step of the file work at which it is."""
    for_s: float = 0.0
    """How long."""
    step: int | None = None
    room: int = 0
    """Bytes that still fit in a file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """Something that the cable does to one message."""

    to_unit: bool
    message: int
    """Which one in its direction, counted from 0 in each run."""
    what: str
    """lost, doubled or damaged"""
    place: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """The command, once."""

    options: tuple[str, ...]
    as_json: bool
    troubles: tuple[Trouble, ...] = ()
    hits: tuple[Hit, ...] = ()
    before: str = ""
    """What happens to the unit before it: "off and on", "" for nothing."""

    @property
    def is_calm(self) -> bool:
        return not self.troubles and not self.hits and not self.before


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """All of it."""

    seed: str
    target: str
    """tcp or midi"""
    has_line: bool
    """Whether there is a line of 31,250 baud between port and unit."""
    dumps: tuple[Dump, ...]
    habits: Habits
    manners: Manners
    odd: tuple[str, ...]
    """What is odd about the unit, in words; nothing where it keeps to the standard promptly."""
    faulty: bool
    """Whether the unit may end up without a sample, or with a wrong one, by its own doing."""
    held_before: tuple[int, ...]
    """Numbers under which the unit holds something else before."""
    runs: tuple[Run, ...]
    is_real: bool = False
    """Whether it is lived through in real time, in which this machine may be late by itself."""
    lasts_s: float = 0.0
    """How long a run of it lasts, roughly."""

    @property
    def files(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(dump.file for dump in self.dumps))

    @property
    def reads_back(self) -> bool:
        return "--no-read-back" not in self.runs[0].options

    @property
    def has_equal_numbers(self) -> bool:
        return len(self.wanted) < len(self.dumps)

    @property
    def wanted(self) -> tuple[Dump, ...]:
        """What the unit is to hold in the end: of equal numbers the last one."""
        return tuple({dump.number: dump for dump in self.dumps}.values())


def quiet_evening() -> Evening:
    """Return an evening at which one dump is loaded, and another one is broken."""
    dumps = (
        Dump(file="a.syx", index=0, number=1, filed=1, words=(1, 2, 3)),
        Dump(file="b.syx", index=0, number=2, filed=2, words=(4,) * 50),
    )
    return Evening(
        seed="",
        target="midi",
        has_line=True,
        dumps=dumps,
        habits=Habits(wrong_bit=0),
        manners=Manners(),
        odd=(),
        faulty=True,
        held_before=(),
        runs=(Run(options=(), as_json=True),),
    )


def evening_of(seed: int, number: int) -> Evening:
    """Draw one evening."""
    dice = random.Random(f"evening {seed} {number}")
    target = dice.choice(("tcp", "tcp", "midi"))
    has_line = target == "midi" or dice.random() < 0.5
    dumps = _dumps(dice)
    habits, manners, odd, faulty = _unit(dice, target, dumps)
    lasts_s = _lasts_s(dumps, habits)
    common = []
    if len({dump.filed for dump in dumps}) < len(dumps) or dice.random() < 0.06:
        match dice.randrange(3):
            case 0:
                common.append("--replace")
            case 1:
                common += ["--number", "200"]
                dumps = tuple(replace(dump, number=200 + place) for place, dump in enumerate(dumps))
    if dice.random() < 0.1:
        common.append("--no-read-back")
    if not has_line and dice.random() < 0.4:
        common.append("--no-pace")
    if dice.random() < 0.1:
        common.append("--anyway")
    is_calm = dice.random() < 0.15
    runs = []
    for turn in range(1 if is_calm else dice.choice((1, 1, 1, 2, 2, 3))):
        options = [*common, *(["--resume"] if turn else [])]
        if dice.random() < 0.25:
            options += ["--capture", f"passed-{turn}.{dice.choice(('jsonl', 'jsonl', 'mid'))}"]
        runs.append(
            Run(
                options=tuple(options),
                as_json=dice.random() < 0.7,
                troubles=() if is_calm else _troubles(dice, lasts_s, target),
                hits=() if is_calm else _hits(dice, dumps),
                before="off and on" if turn and dice.random() < 0.2 else "",
            )
        )
    numbers = [dump.number for dump in dumps]
    return Evening(
        seed=f"--seed {seed} --only {number}",
        target=target,
        has_line=has_line,
        dumps=dumps,
        habits=habits,
        manners=manners,
        odd=odd,
        faulty=faulty,
        held_before=tuple(n for n in {*numbers, 90} if dice.random() < 0.25),
        runs=tuple(runs),
        lasts_s=lasts_s,
    )


def _dumps(dice: random.Random) -> tuple[Dump, ...]:
    count = dice.choice((1, 2, 2, 3, 3, 4))
    numbers = [dice.choice((0, 1, 7, 127, 128, 300)) + place for place in range(count)]
    numbers = _apart(numbers, equal=count > 1 and dice.random() < 0.08)
    dumps: list[Dump] = []
    for place, number in enumerate(numbers):
        packets = dice.choice((1, 1, 2, 3, 3, 5, 8, 13, 30)) if dice.random() < 0.97 else 140
        bits = dice.choice((16, 16, 16, 12, 8, 24))
        each = 120 // oracle.bytes_per_word(bits)
        length = packets * each - dice.choice((0, 0, 1, each - 1))
        top = 1 << bits - 1
        words = tuple(dice.randrange(-top, top) for _ in range(length))
        joins = bool(dumps) and dice.random() < 0.15 and not dumps[-1].damage
        damage = dice.choice(("checksum", "cut")) if dice.random() < 0.06 else ""
        dumps.append(
            Dump(
                file=dumps[-1].file if joins else f"{'abcd'[place]}.syx",
                index=dumps[-1].index + 1 if joins else 0,
                number=number,
                filed=number,
                words=words,
                bits=bits,
                damage=damage if packets > 1 else "",
            )
        )
    return tuple(dumps)


def _apart(numbers: list[int], *, equal: bool) -> list[int]:
    """Return numbers that differ, but for the last two where they are to be `equal`."""
    apart: list[int] = []
    for number in numbers:
        while number in apart:
            number += 1  # noqa: PLW2901
        apart.append(number)
    if equal:
        apart[-1] = apart[0]
    return apart


Oddity = tuple[str, Mapping[str, object], Mapping[str, object]]
"""What is odd about a unit: in words, as habits, as manners."""


def _harmless(dice: random.Random, target: str, longest: int) -> Iterator[Oddity]:
    """Yield ways of a unit that takes every sample all the same."""
    if dice.random() < 0.25:
        rule = dice.choice(("0", "127", "packet+1", "packet-1", "counted", "random"))
        yield f"numbers its ACKs: {rule}", {"ack_number": rule}, {}
    if dice.random() < 0.1:
        gap = dice.choice((0.0, 0.003, 0.03))
        yield "says each ACK twice", {"ack_times": 2, "ack_gap": gap}, {}
    if dice.random() < 0.12:
        delay = dice.choice((0.05, 0.3, 0.9, 1.2, 1.9))
        yield f"answers after {delay} s", {"delay": delay}, {}
    if dice.random() < 0.1:
        wait = {"wait": dice.choice((0.1, 3.0, 45.0)), "wait_at": dice.randrange(-1, longest)}
        yield "asks to wait", wait, {}
    if dice.random() < 0.08:
        yield "answers no requests", {"no_requests": True}, {}
    if target == "tcp" and dice.random() < 0.1:
        yield "hangs up after each dump", {}, {"hangs_up": True}
    if dice.random() < 0.05:
        key = {"key_s": dice.choice((2.0, 20.0))}
        yield "needs a key before it sends a sample", {}, key
    if dice.random() < 0.05:
        deaf = {"deaf_s": dice.choice((0.5, 3.0, 6.0))}
        yield "hears no request for a while after a dump", {}, deaf


def _harmful(dice: random.Random, longest: int) -> Oddity:
    """Return a way of a unit by which samples may not be in it, or not as they were sent."""
    small = {"memory": dice.choice((0, 50, 200)), "refuses": dice.random() < 0.5}
    packet = dice.randrange(longest)
    ways: tuple[Oddity, ...] = (
        ("has a wrong bit in its memory", {"wrong_bit": 0}, {}),
        ("numbers samples in its own way", {}, {"own_numbers": True}),
        ("sends samples back under another number", {}, {"other_number_back": True}),
        ("has little memory", small, {}),
        ("falls silent", {"falls_silent_at": packet}, {}),
        ("rejects one packet for ever", {"nak_always": packet}, {}),
        ("keeps 12 bits", {"bits": 12}, {}),
        ("never answers", {"silent": True}, {}),
        ("stores a packet twice that comes twice", {"store_twice": True}, {}),
        ("rejects every third packet once", {"nak_every": 3}, {}),
    )
    return dice.choice(ways)


def _unit(
    dice: random.Random, target: str, dumps: tuple[Dump, ...]
) -> tuple[Habits, Manners, tuple[str, ...], bool]:
    """Return a unit, what is odd about it, and whether samples may not be in it by its doing."""
    longest = max(dump.packets for dump in dumps)
    habits: dict[str, object] = {"delay": dice.choice((0.0, 0.002, 0.015))}
    manners: dict[str, object] = {"has_battery": dice.random() < 0.5}
    oddities = list(_harmless(dice, target, longest))
    if is_faulty := dice.random() < 0.25:
        oddities.append(_harmful(dice, longest))
    for _, more, ways in oddities:
        habits |= more
        manners |= ways
    odd = tuple(told for told, _, _ in oddities)
    return Habits(**habits), Manners(**manners), odd, is_faulty  # type: ignore[arg-type]


def _lasts_s(dumps: tuple[Dump, ...], habits: Habits) -> float:
    """Return how long a run lasts, roughly, with reading back."""
    packets = sum(dump.packets + 1 for dump in dumps)
    return packets * (2 * PACKET_S + habits.delay) + 0.2 * len(dumps)


def _troubles(dice: random.Random, lasts_s: float, target: str) -> tuple[Trouble, ...]:
    troubles = []
    for _ in range(dice.choice((0, 1, 1, 1, 2))):
        at_s = dice.uniform(0, 1.1 * lasts_s)
        kinds = ("kill", "power", "ctrl-c", "ctrl-c", "late", "late", "full", "unplug", "unit off")
        kind = dice.choice((*kinds, "rival"))
        trouble = Trouble(kind=kind, at_s=at_s)
        match kind:
            case "kill" | "power" if dice.random() < 0.5:
                trouble = Trouble(kind=kind, at_s=0, step=dice.randrange(1, 60))
            case "ctrl-c" if dice.random() < 0.3:  # and once more
                trouble = Trouble(kind=kind, at_s=at_s, for_s=dice.choice((0.0005, 0.3, 2.0)))
            case "late":
                for_s = dice.choice((0.01, 0.05, 0.4, 1.5, 3.0, 5.0, 20.0)) * dice.uniform(0.8, 1.2)
                trouble = Trouble(kind=kind, at_s=at_s, for_s=for_s)
            case "full":
                for_s = dice.choice((0.5, 1e9))
                at_s *= dice.choice((0, 1))
                trouble = Trouble(
                    kind=kind, at_s=at_s, for_s=for_s, room=dice.choice((0, 0, 100, 400))
                )
            case "unplug":
                trouble = Trouble(kind=kind, at_s=at_s, for_s=dice.choice((0.0, 0.5, 10.0, 1e9)))
            case "unit off":
                trouble = Trouble(kind=kind, at_s=at_s, for_s=dice.choice((0.3, 2.0, 8.0, 1e9)))
        troubles.append(trouble)
    return tuple(sorted(troubles, key=lambda each: each.at_s))


def _hits(dice: random.Random, dumps: tuple[Dump, ...]) -> tuple[Hit, ...]:
    if dice.random() < 0.6:
        return ()
    most = 2 * sum(dump.packets + 2 for dump in dumps)
    many = dice.choice((1, 1, 2, 3, most // 15))
    return tuple(
        Hit(
            to_unit=dice.random() < 0.6,
            message=dice.randrange(most),
            what=dice.choice(("lost", "lost", "doubled", "damaged")),
            place=dice.randrange(127),
        )
        for _ in range(many)
    )
