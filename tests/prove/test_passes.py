"""The order of writing and reading, and how long it takes."""

from __future__ import annotations

from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.prove.passes import (
    HOLD_NS,
    OVERNIGHT,
    USUAL,
    Act,
    Paces,
    Part,
    Pass,
    StepPace,
    doubling,
    planned,
    stages,
)


def parts_of(lengths: list[int]) -> list[Part]:
    starts = [0, *accumulate(lengths)]
    return [
        Part(number=number, start=starts[number], words=words)
        for number, words in enumerate(lengths)
    ]


@pytest.mark.parametrize("each", OVERNIGHT)
@given(count=st.integers(1, 12))
def test_every_sample_is_written_once_and_read_after_the_last_write(each: Pass, count: int) -> None:
    parts = parts_of([64] * count)
    steps = list(stages(each, parts))
    writes = [at for at, step in enumerate(steps) if step.act is Act.WRITE]
    later = [step.part for step in steps[max(writes) :] if step.act is Act.READ]

    assert sorted(steps[at].part.number for at in writes) == list(range(count))
    assert later == parts


def test_a_split_pass_reads_each_other_sample_between_writes_around_it() -> None:
    steps = list(stages(Pass(split=True), parts_of([64] * 4)))
    told = [(step.act, step.part.number) for step in steps]

    assert told[:6] == [
        *((Act.WRITE, 0), (Act.WRITE, 2), (Act.READ, 1), (Act.READ, 3)),
        *((Act.WRITE, 1), (Act.WRITE, 3)),
    ]


@given(room=st.integers(1, 3_000_000))
def test_lengths_double_from_a_first_one_and_fill_what_there_is(room: int) -> None:
    lengths: list[int] = []
    while sum(lengths) < room:
        lengths.append(doubling(room, given=sum(lengths)))
        assert lengths[-1] > 0
    assert sum(lengths) == room
    assert len(lengths) < 24
    first = lengths[0]
    starts = list(accumulate(lengths))[:-1]
    assert all(start % first == 0 for start in starts if start <= room // 4)


@given(room=st.integers(100, 2_000_000), numbers=st.integers(1, 12))
def test_few_numbers_are_enough_for_all_that_there_is(room: int, numbers: int) -> None:
    parts = planned(room, numbers)

    assert len(parts) <= numbers
    assert parts[-1].end == room


def test_a_unit_that_does_not_say_how_much_it_has_gets_ever_longer_ones() -> None:
    lengths: list[int] = []
    for _ in range(5):
        lengths.append(doubling(None, given=sum(lengths)))

    assert lengths == [4_096, 8_192, 16_384, 40_960, 81_920]
    # Memory has a power of two of words, or three of them: none is full when a sample is whole.
    ends = {sum(lengths[:count]) for count in range(1, 6)}
    assert not ends & {words << by for words in (1, 3, 5) for by in range(12, 20)} - {4_096, 12_288}
    assert doubling(None, given=4_096, left=1) == 1 << 20  # it shows where the memory ends


def test_a_pass_at_the_speed_of_the_cable_takes_what_its_bytes_take() -> None:
    # 40 words of 16 bits a packet, 127 bytes and 6 of its answer (M1 p. 39), 320 us a byte; 21 and
    # 6 bytes for the header.
    parts = parts_of([40_000] * 2)
    paces = Paces(write=StepPace(), read=StepPace(), look=StepPace())
    step_ns = 320_000 * (27 + 133 * 1_000)
    steps = [step for step in stages(USUAL[0], parts) if step.act is not Act.LOOK]

    assert paces.of(steps[:2], 16) == 2 * step_ns
    # The first one that is read has lain for one write only, and waits until it has lain enough.
    assert paces.of(steps, 16) == max(step_ns + HOLD_NS + step_ns, 2 * step_ns + HOLD_NS) + step_ns


def test_a_pace_is_learnt_from_two_transfers_of_different_length() -> None:
    pace = StepPace()
    pace.learn(1, 150_000_000)
    pace.learn(11, 650_000_000)

    assert (pace.each_ns, pace.lead_ns) == (50_000_000, 100_000_000)
    assert pace.of(21) == 1_150_000_000


def test_no_pace_is_faster_than_the_cable() -> None:
    pace = StepPace()
    pace.learn(1, 5_000_000_000)
    pace.learn(11, 3_000_000_000)

    assert pace.each_ns == 127 * 320_000  # PKT-01, M1 p. 38
