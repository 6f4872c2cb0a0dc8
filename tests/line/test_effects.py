"""What every disturbance does to the bytes and instants of a packet, by hand; and to nothing else.

The slots are 200 ms apart, so whatever differs outside of the packet in question is a fault.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dryload.emulator.line import effects
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.placement import Placement, Scope
from tests import oracle
from tests.line.players import BYTE_NS, FROM
from tests.line.told import (
    DUMP,
    PACKETS,
    REPLIES,
    SLOT_NS,
    Does,
    Timed,
    Told,
    bytes_of,
    does,
    plain,
    times_of,
)

MS = 1_000_000
N = 4
PACKET = PACKETS[N]


def placed(effect: Does, **where: object) -> Disturbance:
    place = Placement(**{"target": Scope.PACKETS, "first": N, "last": N, "seed": 5, **where})  # type: ignore[arg-type]  # the keywords of one call
    return effect.at(place)


def differing(came: bytes) -> list[int]:
    assert len(came) == len(PACKET)
    return [at for at, (a, b) in enumerate(zip(PACKET, came, strict=True)) if a != b]


def flipped(came: Timed) -> None:
    (at,) = differing(bytes_of(came))
    assert 5 <= at < 125  # the data of a packet (M1 p. 37)
    assert (PACKET[at] ^ bytes_of(came)[at]) in [1 << bit for bit in range(7)]
    assert oracle.checksum(bytes_of(came)) != bytes_of(came)[125]
    assert times_of(came) == times_of(plain(PACKET))


def flipped_in_a_column(came: Timed) -> None:
    one, two = differing(bytes_of(came))
    changes = {PACKET[at] ^ bytes_of(came)[at] for at in (one, two)}
    assert len(changes) == 1
    assert changes < {1 << bit for bit in range(7)}
    assert oracle.checksum(bytes_of(came)) == bytes_of(came)[125]  # nothing shows it
    assert times_of(came) == times_of(plain(PACKET))


def swapped(came: Timed) -> None:
    one, two = differing(bytes_of(came))
    assert two == one + 1
    assert sorted(bytes_of(came)) == sorted(PACKET)
    assert oracle.checksum(bytes_of(came)) == bytes_of(came)[125]
    assert times_of(came) == times_of(plain(PACKET))


def high(came: Timed) -> None:
    (at,) = differing(bytes_of(came))
    assert bytes_of(came)[at] == PACKET[at] | 0x80
    assert times_of(came) == times_of(plain(PACKET))


def without(*gone: int) -> Callable[[Timed], None]:
    def check(came: Timed) -> None:
        assert came == [each for at, each in enumerate(plain(PACKET)) if at not in gone]

    return check


def lost_somewhere(came: Timed) -> None:
    """Three bytes in a row are missing from the data, and the rest is where it was."""
    missing = [each for each in plain(PACKET) if each not in came]
    assert len(missing) == 3
    assert [each for each in plain(PACKET) if each not in missing] == came
    assert missing[-1][0] - missing[0][0] == 2 * BYTE_NS
    assert 6 * BYTE_NS <= missing[0][0] <= 125 * BYTE_NS


def with_added(at: int, values: bytes) -> Callable[[Timed], None]:
    def check(came: Timed) -> None:
        assert came == plain(PACKET[:at] + values + PACKET[at:])

    return check


def noisy(came: Timed) -> None:
    hit = differing(bytes_of(came))
    assert len(hit) == 6
    assert hit[-1] - hit[0] == 5
    assert times_of(came) == times_of(plain(PACKET))


def later(by_ns: int, first: int = 0) -> Callable[[Timed], None]:
    def check(came: Timed) -> None:
        expected = [
            (at_ns + (by_ns if at >= first else 0), byte)
            for at, (at_ns, byte) in enumerate(plain(PACKET))
        ]
        assert came == expected

    return check


def jittered(came: Timed) -> None:
    by_ns = came[0][0] - BYTE_NS
    assert 0 < by_ns <= 9 * MS
    later(by_ns)(came)


def in_pieces(came: Timed) -> None:
    pauses = [at // 50 * 3 * MS for at in range(127)]
    expected = [
        (at_ns + pause, byte) for (at_ns, byte), pause in zip(plain(PACKET), pauses, strict=True)
    ]
    assert came == expected


def at_half_speed(came: Timed) -> None:
    assert came == [(2 * at_ns, byte) for at_ns, byte in plain(PACKET)]


def ticking(came: Timed) -> None:
    """The packet begins at 1,000 ms: ticks every 20 ms from time 0 on, also at its very start."""
    assert oracle.strip_realtime(bytes_of(came)) == PACKET
    ticks = [at_ns for at_ns, byte in came if byte == 0xF8]
    assert len(ticks) == 3  # at 0, 20 and 40 ms; each makes the packet 320 us longer
    for tick, at_ns in enumerate(ticks):  # it waits for the byte that is on the line
        assert tick * 20 * MS <= at_ns - BYTE_NS < tick * 20 * MS + BYTE_NS
    assert times_of(came) == [(at + 1) * BYTE_NS for at in range(130)]


CASES: list[tuple[Does, dict[str, object], Callable[[Timed], None], int | None]] = [
    (does(effects.flip_one), {}, flipped, 1),
    (does(effects.flip_column), {}, flipped_in_a_column, 2),
    (does(effects.swap_bytes), {}, swapped, 2),
    (does(effects.set_high_bit), {}, high, 1),
    (does(effects.lose_bytes), {"byte": 126}, without(126), 1),
    (does(effects.lose_bytes, count=4), {"byte": 60}, without(60, 61, 62, 63), 4),
    (does(effects.lose_bytes, count=3), {}, lost_somewhere, 3),
    (does(effects.lose_bytes, count=9), {"byte": 124}, without(124, 125, 126), 3),
    (does(effects.add_bytes, values=b"\xff"), {"byte": 0}, with_added(0, b"\xff"), 1),
    (
        does(effects.add_bytes, values=b"\x90\x3c\x40"),
        {"byte": 77},
        with_added(77, b"\x90\x3c\x40"),
        1,
    ),
    (does(effects.before, values=b"\x90\x3c\x40"), {}, with_added(0, b"\x90\x3c\x40"), 0),
    (does(effects.noise, count=6), {}, noisy, 6),
    (does(effects.lose), {}, without(*range(127)), 0),
    (does(effects.cut, keep=60), {}, without(*range(60, 127)), 67),
    (does(effects.delay, by_ns=30 * MS), {}, later(30 * MS), 0),
    (does(effects.jitter, most_ns=9 * MS), {}, jittered, 0),
    (does(effects.pause, for_ns=25 * MS), {"byte": 64}, later(25 * MS, 64), 1),
    (does(effects.pause, for_ns=3 * MS, size=50), {}, in_pieces, 2),
    (does(effects.slow, percent=50), {}, at_half_speed, 0),
    (does(effects.ticks, value=0xF8, period_ns=20 * MS), {}, ticking, 3),
]
IDS = [f"{case[0].effect.__name__}-{at}" for at, case in enumerate(CASES)]


@pytest.mark.parametrize(("effect", "where", "check", "size"), CASES, ids=IDS)
def test_what_it_does_to_one_packet_and_to_nothing_else(
    effect: Does, where: dict[str, object], check: Callable[[Timed], None], size: int | None
) -> None:
    told = Told(placed(effect, **where))
    check(told.slots[N + 1])
    for at, message in enumerate(DUMP):  # only the named place differs
        if at != N + 1:
            assert told.slots[at] == plain(message)
    (struck,) = told.struck
    assert (struck.message, struck.packet) == (N + 1, N)
    assert len(struck.bytes) == size


@pytest.mark.parametrize(("effect", "where", "check", "size"), CASES, ids=IDS)
def test_the_truth_says_where_and_when(
    effect: Does, where: dict[str, object], check: Callable[[Timed], None], size: int | None
) -> None:
    told = Told(placed(effect, **where))
    (struck,) = told.struck
    start_ns = (N + 1) * SLOT_NS
    if struck.bytes == ():
        assert (struck.byte, struck.at_ns) == (None, start_ns)
        return
    assert struck.at_ns == start_ns + (struck.bytes[0] + 1) * BYTE_NS
    came = bytes_of(told.slots[N + 1])
    if len(came) == len(PACKET) and came != PACKET:
        assert list(struck.bytes) == differing(came)


@pytest.mark.parametrize(("effect", "where", "check", "size"), CASES, ids=IDS)
def test_a_check_can_fail(
    effect: Does, where: dict[str, object], check: Callable[[Timed], None], size: int | None
) -> None:
    with pytest.raises((AssertionError, ValueError, IndexError)):
        check(plain(PACKET))


def test_a_message_twice() -> None:
    told = Told(placed(does(effects.repeat)))
    assert told.slots[N + 1] == plain(PACKET + PACKET)
    assert told.there.count(told.there[0]) == 1


def test_a_message_behind_the_next_one() -> None:
    told = Told(placed(does(effects.hold_back)))
    assert told.slots[N + 1] == []
    assert told.slots[N + 2] == plain(PACKETS[N + 1] + PACKET)
    assert [told.slots[at] for at in (N, N + 3)] == [plain(PACKETS[N - 1]), plain(PACKETS[N + 2])]


def test_a_message_together_with_the_next_one() -> None:
    told = Told(placed(does(effects.hold_back, joins=True)))
    assert told.slots[N + 1] == []
    assert told.slots[N + 2] == plain(PACKET + PACKETS[N + 1])


def test_what_is_held_back_waits_where_the_next_one_vanishes() -> None:
    lost = placed(does(effects.lose), first=N + 1, last=N + 1)
    told = Told(placed(does(effects.hold_back)), lost)
    assert (told.slots[N + 1], told.slots[N + 2]) == ([], [])
    assert told.slots[N + 3] == plain(PACKETS[N + 2] + PACKET)


def test_the_line_is_dead_between_two_instants() -> None:
    start_ns = (N + 1) * SLOT_NS
    window = {"from_ns": start_ns + 10 * MS, "until_ns": start_ns + SLOT_NS + 20 * MS}
    told = Told(
        does(effects.unplug).at(
            Placement(**window, by_arrival=True)  # type: ignore[arg-type]  # the keywords of one call
        )
    )
    assert told.slots[N + 1] == [each for each in plain(PACKET) if each[0] <= 10 * MS]
    assert told.slots[N + 2] == [each for each in plain(PACKETS[N + 1]) if each[0] >= 20 * MS]
    assert [told.slots[at] for at in (N, N + 3)] == [plain(PACKETS[N - 1]), plain(PACKETS[N + 2])]


def test_a_burst_at_an_instant_strikes_the_byte_on_the_line() -> None:
    start_ns = (N + 1) * SLOT_NS
    where = {"target": Scope.MESSAGES, "first": 0, "last": None, "times": 1}
    told = Told(placed(does(effects.noise, count=2), from_ns=start_ns + 16 * MS, **where))
    # 50 bytes are there after 16 ms
    assert differing(bytes_of(told.slots[N + 1])) == [50, 51]
    assert [told.slots[at] for at in (N, N + 2)] == [plain(PACKETS[N - 1]), plain(PACKETS[N + 1])]


def test_a_drifting_clock_stays_within_what_it_is_told() -> None:
    where = {"first": 0, "last": None}
    told = Told(placed(does(effects.drift, ppm=20_000), **where), there=PACKETS * 8)
    spans = [slot[-1][0] for slot in told.slots]
    usual = 127 * BYTE_NS  # 40.64 ms
    assert all(0.98 * usual <= span <= 1.02 * usual for span in spans)
    assert min(spans) < 0.985 * usual  # within 19 s it has been near both ends
    assert max(spans) > 1.015 * usual
    assert [bytes_of(slot) for slot in told.slots] == PACKETS * 8


def test_an_echo_comes_back_and_the_message_goes_on() -> None:
    told = Told(placed(does(effects.echo)), back=REPLIES)
    assert told.slots == [plain(message) for message in DUMP]
    extra = [each for each in told.back if each not in Told(back=REPLIES).back]
    assert bytes_of(extra) == PACKET
    assert extra[0][0] == (N + 1) * SLOT_NS + BYTE_NS


@pytest.mark.parametrize(
    ("effect", "expected"),
    [
        (does(effects.retell, kind=0x7E), oracle.handshake(kind="NAK", packet_number=N)),
        (does(effects.retell, kind=0x7C), oracle.handshake(kind="WAIT", packet_number=N)),
        (does(effects.retell, shift=1), oracle.handshake(kind="ACK", packet_number=N + 1)),
        (does(effects.retell, shift=-N - 1), oracle.handshake(kind="ACK", packet_number=127)),
        (
            does(effects.retell, device_shift=3),
            oracle.handshake(device_id=3, kind="ACK", packet_number=N),
        ),
        (does(effects.lose), b""),
    ],
)
def test_what_it_does_to_one_answer_and_to_nothing_else(effect: Does, expected: bytes) -> None:
    told = Told(placed(effect, target=Scope.REPLIES), back=REPLIES)
    assert told.slots == [plain(message) for message in DUMP]
    assert told.answers[N + 1] == plain(expected)
    for at, message in enumerate(REPLIES):
        if at != N + 1:
            assert told.answers[at] == plain(message)
    (struck,) = told.struck
    assert (struck.direction, struck.message, struck.packet) == (FROM, N + 1, N)


def test_what_changes_nothing_did_not_strike() -> None:
    for effect, where in (
        (does(effects.flip_one), {"byte": 127}),
        (does(effects.set_high_bit), {"byte": 126}),
        (does(effects.swap_bytes), {"byte": 126}),
        (does(effects.cut, keep=127), {}),
        (does(effects.retell, kind=0x7E), {}),
    ):
        told = Told(placed(effect, **where))
        assert told.slots == [plain(message) for message in DUMP]
        assert told.struck == []


SEEDS = range(1, 61)


@pytest.mark.parametrize(
    ("effect", "check"),
    [
        (does(effects.flip_one), flipped),
        (does(effects.flip_column), flipped_in_a_column),
        (does(effects.swap_bytes), swapped),
        (does(effects.set_high_bit), high),
        (does(effects.lose_bytes, count=3), None),
        (does(effects.noise, count=6), None),
    ],
)
def test_whatever_the_seed_it_is_the_same_kind_of_damage(
    effect: Does, check: Callable[[Timed], None] | None
) -> None:
    places = set()
    for seed in SEEDS:
        told = Told(placed(effect, seed=seed))
        (struck,) = told.struck
        places.add(struck.bytes)
        if check is not None:
            check(told.slots[N + 1])
        elif effect.effect is effects.noise:
            assert differing(bytes_of(told.slots[N + 1])) == list(struck.bytes)
    assert len(places) > 20  # of 120


def test_every_packet_has_a_place_of_its_own() -> None:
    told = Told(placed(does(effects.flip_one), first=0, last=None))
    assert len({each.bytes for each in told.struck}) > 6  # of 12


def test_a_clock_that_runs_for_a_while_only() -> None:
    start_ns = (N + 1) * SLOT_NS
    window = {"from_ns": start_ns + 10 * MS, "until_ns": start_ns + 30 * MS}
    told = Told(placed(does(effects.ticks, value=0xF8, period_ns=20 * MS), **window))
    assert bytes_of(told.slots[N + 1]).count(b"\xf8") == 1  # not at 0 and not at 40 ms
    assert oracle.strip_realtime(bytes_of(told.slots[N + 1])) == PACKET


def test_one_message_at_a_time_is_held_back() -> None:
    told = Told(placed(does(effects.hold_back), last=N + 1))
    assert told.slots[N + 1] == []
    assert told.slots[N + 2] == plain(PACKETS[N + 1] + PACKET)
    assert [each.packet for each in told.struck] == [N]


@pytest.mark.parametrize(
    "effect", [case[0] for case in CASES] + [does(effects.repeat), does(effects.echo)]
)
def test_of_a_lost_message_nothing_comes_back(effect: Does) -> None:
    lost = does(effects.lose).at(Placement(target=Scope.PACKETS), "first")
    told = Told(lost, placed(effect))
    assert [each.said for each in told.struck] == ["first"] * len(PACKETS)
    assert [at for at, slot in enumerate(told.slots) if slot] == [0]
