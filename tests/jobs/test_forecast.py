"""How long it will still take: against how long it took in the end."""

from __future__ import annotations

import pytest

from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.profile import load_profile
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.forecast import Doing, Forecast, Step
from dryload.harness.jobs.operator import Operator
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Replay, Settings
from tests.jobs.bench import SECOND, dump, words
from tests.jobs.watched import Watched

PACKET_NS = (127 + 6) * 320_000
"""A packet and its handshake on the line (M1 pp. 1, 38 and 39)."""
HEADER_NS = (21 + 6) * 320_000
"""A header and its handshake (M1 p. 37)."""
DUMPS = [
    dump(words(count, 16), number=number)
    for number, count in enumerate((2_000, 800, 4_000, 1_200, 2_400), start=1)
]
Told = list[tuple[Step, int | None]]


def told(dumps: list[Dump], profile: Profile, *, read_back: bool = True) -> tuple[Told, int]:
    """Return each step of a rehearsal with what was forecast then, and when it ended."""
    forecast = Forecast(dumps, reads_back=read_back)
    steps: Told = []
    unit = RackUnit(profile)
    line = SimulatedLine(unit, listener=lambda _, events: replay.hear(events))
    replay = Replay(
        Watched(line),
        operator=Operator(unit, line, None),
        settings=Settings(read_back=read_back, operator_ns=None),
        progress=lambda step: steps.append((step, forecast.take(step))),
    )
    for each in dumps:
        replay.play(each)
    return steps, line.now_ns


@pytest.mark.parametrize("name", ["lantern-desk", "prompt-box", "slow-pulley", "thunder-sheet"])
@pytest.mark.parametrize("read_back", [True, False])
def test_after_a_third_it_is_right_within_a_few_per_cent(name: str, read_back: bool) -> None:
    steps, end_ns = told(DUMPS, load_profile(name), read_back=read_back)
    late = [(step, ns) for step, ns in steps if end_ns / 3 < step.now_ns and ns is not None]
    assert len(late) > 50
    for step, ns in late:
        left_ns = end_ns - step.now_ns
        assert abs(ns - left_ns) <= 0.05 * left_ns + 3 * PACKET_NS, step


def test_before_anything_has_passed_it_is_the_time_on_the_cable() -> None:
    packets = sum(len(each.outgoing.packets) for each in DUMPS)
    for reads_back, times in ((False, 1), (True, 2)):
        forecast = Forecast(DUMPS, reads_back=reads_back)
        step = Step(DUMPS[0], Doing.SENDING, 0, len(DUMPS[0].outgoing.packets), 5 * SECOND)
        assert forecast.take(step) == times * (packets * PACKET_NS + len(DUMPS) * HEADER_NS)
        assert forecast.number == 1


@pytest.mark.parametrize("name", ["lantern-desk", "slow-pulley", "stage-door"])
def test_it_is_never_negative_and_counts_the_dumps(name: str) -> None:
    forecast = Forecast(DUMPS, reads_back=True)
    seen: list[tuple[int, int]] = []

    def take(step: Step) -> None:
        ns = forecast.take(step)
        assert ns is None or ns >= 0
        seen.append((forecast.number, step.dump.header.sample_number))

    rehearsal = Rehearsal(load_profile(name), progress=take)
    for each in DUMPS:
        rehearsal.play(each)
    assert seen
    assert all(number == sample_number for number, sample_number in seen)


def test_nobody_knows_while_the_unit_has_asked_to_wait() -> None:
    (one,) = dumps = DUMPS[:1]
    forecast = Forecast(dumps, reads_back=False)
    total = len(one.outgoing.packets)
    at_ns = 0
    for packet in range(20):
        at_ns = packet * PACKET_NS
        forecast.take(Step(one, Doing.SENDING, packet, total, at_ns))
    known = forecast.take(Step(one, Doing.SENDING, 20, total, at_ns := at_ns + PACKET_NS))
    for pause_ns in (0, 60 * SECOND, 60 * SECOND, 600 * SECOND):
        at_ns += pause_ns
        assert forecast.take(Step(one, Doing.WAITING, 20, total, at_ns)) is None
    # and the time that it took is not taken for the packets'
    assert forecast.take(Step(one, Doing.SENDING, 20, total, at_ns)) == known
    after = forecast.take(Step(one, Doing.SENDING, 21, total, at_ns + PACKET_NS))
    assert after is not None
    assert known is not None
    assert abs(known - after - PACKET_NS) < PACKET_NS / 10


def test_a_rehearsal_in_which_the_unit_waits_says_so_and_goes_on() -> None:
    steps, _ = told(DUMPS[:2], load_profile("stage-door"))
    waits = [ns for step, ns in steps if step.doing is Doing.WAITING]
    assert waits == [None] * len(waits)
    assert all(ns is not None for step, ns in steps if step.doing is not Doing.WAITING)
    assert waits


def test_a_line_that_becomes_slower_is_followed() -> None:
    (one,) = dumps = [dump(words(40 * 400), number=1)]
    forecast = Forecast(dumps, reads_back=False)
    now_ns = 0
    for packet in range(300):
        each_ns = PACKET_NS if packet < 50 else 3 * PACKET_NS
        left = forecast.take(Step(one, Doing.SENDING, packet, 400, now_ns))
        now_ns += each_ns
    assert left is not None
    assert abs(left - 101 * 3 * PACKET_NS) < 101 * 3 * PACKET_NS * 0.02
