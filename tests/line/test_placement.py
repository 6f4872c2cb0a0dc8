"""Where a disturbance strikes: which messages, how often, by what chance; and its independence."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line import effects
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.placement import EVERYWHERE, Placement, Scope
from dryload.emulator.line.watch import Sort, Watch, nearest
from dryload.emulator.unit.dice import below, happens, salt_of, thrown
from tests import oracle
from tests.line.players import FROM, TO
from tests.line.told import DUMP, HEADER, PACKETS, REPLIES, SLOT_NS, Does, Told, does, plain

LOSE = does(effects.lose)
PACKET_SLOTS = list(range(1, 13))


def lost(
    where: Placement, there: Sequence[bytes] = DUMP, back: Sequence[bytes] = ()
) -> tuple[list[int], list[int]]:
    """Which messages did not come, there and back."""
    told = Told(LOSE.at(where), there=there, back=back)
    for slots, messages in ((told.slots, there), (told.answers, back)):
        for slot, message in zip(slots, messages, strict=True):
            assert slot in ([], plain(message))  # what came is as it went
    return [n for n, s in enumerate(told.slots) if not s], [
        n for n, s in enumerate(told.answers) if not s
    ]


@pytest.mark.parametrize(
    ("where", "there", "back"),
    [
        (Placement(), list(range(13)), []),
        (Placement(target=Scope.HEADER), [0], []),
        (Placement(target=Scope.PACKETS), PACKET_SLOTS, []),
        (Placement(target=Scope.PACKETS, first=0, last=0), [1], []),
        (Placement(target=Scope.PACKETS, first=3, last=5), [4, 5, 6], []),
        (Placement(target=Scope.PACKETS, first=10), [11, 12], []),
        (Placement(target=Scope.PACKETS, first=12), [], []),
        (Placement(target=Scope.PACKETS, every=5), [5, 10], []),
        (Placement(target=Scope.PACKETS, first=2, every=5), [7, 12], []),
        (Placement(target=Scope.PACKETS, every=2, times=2), [2, 4], []),
        (Placement(target=Scope.REPLIES), [], list(range(13))),
        (Placement(target=Scope.REPLIES, first=0, last=0), [], [1]),
        (Placement(target=Scope.REPLIES, first=11), [], [12]),
        (Placement(target=Scope.HEADER_REPLY), [], [0]),
        (Placement(target=Scope.REQUESTS), [], []),
        (Placement(first=2, last=3), [2, 3], []),
        (Placement(first=12, directions=EVERYWHERE), [12], [12]),
        (Placement(directions=(Direction.FROM_UNIT,), times=1), [], [0]),
        (Placement(from_ns=SLOT_NS, until_ns=3 * SLOT_NS), [1, 2], []),
        (Placement(from_ns=2 * SLOT_NS + 1, times=1), [2], []),
    ],
)
def test_which_messages(where: Placement, there: list[int], back: list[int]) -> None:
    assert lost(where, DUMP, REPLIES) == (there, back)


def test_a_packet_that_goes_out_again_is_spared_unless_it_is_meant() -> None:
    there = [HEADER, *PACKETS[:3], PACKETS[2], PACKETS[3]]
    named = {"target": Scope.PACKETS, "first": 2, "last": 2}
    assert lost(Placement(**named, again=False), there)[0] == [3]  # type: ignore[arg-type]  # the keywords of one call
    assert lost(Placement(**named), there)[0] == [3, 4]  # type: ignore[arg-type]  # the keywords of one call


def test_numbers_wrap_and_packets_do_not() -> None:
    # PKT-03: 00 follows 7F, so packet 130 has the number 2 on the line
    many = [HEADER, *(oracle.packet(number=n % 128, data=b"") for n in range(140))]
    assert lost(Placement(target=Scope.PACKETS, first=130, last=131), many)[0] == [131, 132]
    again = [HEADER, *PACKETS[:2], HEADER, *PACKETS[:2]]
    assert lost(Placement(target=Scope.PACKETS, first=1, last=1), again)[0] == [2, 5]


def test_a_watch_knows_what_is_answered() -> None:
    watch = Watch()
    seen = [watch.see(TO, message, 0, 1) for message in (HEADER, PACKETS[0], PACKETS[1])]
    assert [each.sort for each in seen] == [Sort.HEADER, Sort.PACKET, Sort.PACKET]
    assert watch.see(FROM, REPLIES[2], 0, 1).packet == 1
    late = watch.see(FROM, REPLIES[1], 0, 1)  # an answer to the packet before
    assert (late.sort, late.packet, late.again) == (Sort.REPLY, 0, False)
    assert watch.see(FROM, REPLIES[1], 0, 1).again
    broken = watch.see(TO, b"\xf0\x7e", 0, 1)
    assert (broken.sort, broken.packet, broken.message) == (Sort.OTHER, None, 3)


@given(st.integers(0, 100_000), st.integers(-63, 63))
def test_the_nearest_packet_with_a_number(packet: int, off: int) -> None:
    meant = packet + off
    if meant >= 0:
        assert nearest(packet, meant % 128) == meant


# Chance


CHANCES = [Fraction(1, 2), Fraction(1, 7), Fraction(1, 200)]


@pytest.mark.parametrize("chance", CHANCES)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_chance_is_as_often_as_it_says(chance: Fraction, seed: int) -> None:
    # A binomial count lies within five standard deviations but for one time in a million
    # (normal approximation); and these counts are the same in every run.
    turns = 20_000
    hits = sum(happens(chance, seed, 99, turn) for turn in range(turns))
    bound = 5 * sqrt(turns * chance * (1 - chance))
    assert abs(hits - turns * chance) < bound


def test_what_is_picked_is_spread_evenly() -> None:
    # chi-square with 6 degrees of freedom exceeds 27.9 one time in ten thousand
    counts = [0] * 7
    for turn in range(14_000):
        counts[below(7, 3, turn)] += 1
    assert sum((count - 2_000) ** 2 / 2_000 for count in counts) < 27.9


def test_dice_are_published_ones() -> None:
    # splitmix64 from state 0: the first output as it stands in public test vectors (from memory)
    assert thrown(0) == 0xE220A8397B1DCDAF
    # FNV-1a, 64 bits, of "" and "a" (published with the algorithm; from memory)
    assert (salt_of(""), salt_of("a")) == (0xCBF29CE484222325, 0xAF63DC4C8601EC8C)
    with pytest.raises(ValueError, match="no number below 0"):
        below(0, 1)


MANY = [HEADER, *(oracle.packet(number=n % 128, data=bytes([n])) for n in range(100))]
SHORT_NS = 50_000_000


def hit_by(*placed: Disturbance) -> list[int]:
    told = Told(*placed, there=MANY, slot_ns=SHORT_NS)
    return [each.message for each in told.struck if each.said == "it"]


def by_chance(seed: int, effect: Does = LOSE) -> Disturbance:
    where = Placement(target=Scope.PACKETS, chance=Fraction(1, 5), seed=seed)
    return effect.at(where)


def test_the_same_seed_is_the_same_to_the_byte_and_another_is_another() -> None:
    noise = does(effects.noise, count=3)
    runs = [Told(by_chance(seed, noise), there=MANY, slot_ns=SHORT_NS).there for seed in (4, 4, 5)]
    assert runs[0] == runs[1]
    assert runs[0] != runs[2]


def test_chance_depends_on_nothing_else_that_is_done() -> None:
    alone = hit_by(by_chance(4))
    assert 8 <= len(alone) <= 35  # about 20 of 100
    other = does(effects.flip_one).at(Placement(target=Scope.PACKETS, every=3), "other")
    delays = does(effects.delay, by_ns=1_000_000).at(Placement(), "delays")
    assert hit_by(other, by_chance(4), delays) == alone
    assert hit_by(delays, by_chance(4)) == alone


def test_two_effects_with_one_seed_strike_independently() -> None:
    one = set(hit_by(by_chance(4)))
    two = set(hit_by(by_chance(4, does(effects.flip_one))))
    assert one != two
    assert len(one & two) < min(len(one), len(two))


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"first": -1}, "first must be 0 or more, not -1"),
        ({"byte": -1}, "byte must be 0 or more"),
        ({"every": 0}, "every must be 1 or more, not 0"),
        ({"times": 0}, "times must be 1 or more"),
        ({"first": 5, "last": 4}, "there is nothing from 5 to 4"),
        ({"from_ns": 5, "until_ns": 5}, "ended before it began"),
        ({"chance": Fraction(0)}, "more than 0 and at most 1"),
        ({"chance": Fraction(3, 2)}, "more than 0 and at most 1"),
    ],
)
def test_a_place_that_no_line_has_is_refused(wrong: dict[str, object], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        Placement(**wrong)  # type: ignore[arg-type]  # wrong on purpose


def test_the_same_dump_again_is_another_dump() -> None:
    there = [HEADER, HEADER, *PACKETS[:2], HEADER, *PACKETS[:2]]
    back = [REPLIES[0], *REPLIES[:3], *REPLIES[:3]]
    named = {"last": 0, "again": False}
    header = Placement(target=Scope.HEADER, again=False)
    assert lost(header, there, back) == ([0, 4], [])  # the second one is the first one again
    packet = Placement(target=Scope.PACKETS, **named)  # type: ignore[arg-type]  # the keywords of one call
    assert lost(packet, there, back) == ([2, 5], [])
    reply = Placement(target=Scope.REPLIES, **named)  # type: ignore[arg-type]  # the keywords of one call
    assert lost(reply, there, back) == ([], [2, 5])
    to_header = Placement(target=Scope.HEADER_REPLY, again=False)
    assert lost(to_header, there, back) == ([], [0, 4])
