"""What of a list is sent and what is left out: one rule, whatever the target is."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest

from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.jobs.dumps import Dump, FileContent, NotADump
from dryload.harness.jobs.playlist import LeftOut, Selection, judged_contents, select
from tests import oracle
from tests.jobs.bench import PERIOD, words

README = NotADump(file="README.TXT", said="README.TXT is a text file.", is_other=True)
BYTES = NotADump(file="noise.syx", said="noise.syx is not a dump.", is_other=False)


def data(number: int = 1, count: int = 41, *, device_id: int = 0) -> bytes:
    return oracle.dump(
        bits=16,
        words=words(count),
        sample_number=number,
        device_id=device_id,
        period_ns=PERIOD,
    )


def in_file(content: bytes, name: str = "desk.syx") -> list[FileContent]:
    return list(judged_contents(DumpFile(name=name, form=Form.RAW, data=content)))


def told(selection: Selection) -> list[int | str]:
    """Sample numbers of what is sent, reasons of what is not."""
    return [
        str(each.why) if isinstance(each, LeftOut) else each.header.sample_number
        for each in selection.items
    ]


def numbers(selection: Selection) -> list[tuple[int, list[int]]]:
    """Sample number and lengths of what collides."""
    return [
        (each[0].header.sample_number, [len(dump.sample.words) for dump in each])
        for each in selection.collisions
    ]


def broken(number: int) -> bytes:
    made = bytearray(data(number))
    made[21 + 60] ^= 1  # a data byte: the checksum of packet 0 is wrong
    return bytes(made)


def test_what_is_whole_is_sent_in_order() -> None:
    selection = select(in_file(data(3) + data(1) + data(2)))
    assert told(selection) == [3, 1, 2]
    assert selection.left_out == ()
    assert [dump.header.sample_number for dump in selection.to_send] == [3, 1, 2]


def test_what_is_broken_is_left_out_unless_it_is_wanted() -> None:
    found = in_file(data(1) + broken(2) + data(3))
    assert told(select(found)) == [1, "broken", 3]
    assert told(select(found, anyway=True)) == [1, 2, 3]
    assert [left.is_well for left in select(found).left_out] == [False]


def test_what_cannot_be_played_is_left_out_whatever_is_wanted() -> None:
    headless = data(4)[21:]
    damaged = data(5)[:9] + data(5)[10:]  # a byte is missing in the header
    found = [*in_file(headless), *in_file(damaged), *in_file(data(6))]
    for anyway in (False, True):
        selection = select(found, anyway=anyway)
        assert told(selection) == ["no header", "damaged header", 6]
        assert not any(left.is_well for left in selection.left_out)


def test_a_text_among_dumps_is_passed_over_and_spoils_nothing() -> None:
    selection = select([README, *in_file(data(1)), BYTES])
    assert told(selection) == ["no dump in it", 1, "no dump in it"]
    assert [left.is_well for left in selection.left_out] == [True, False]


def test_numbers_count_on_and_stay_with_their_dumps_when_one_is_mended() -> None:
    bad = in_file(data(7) + broken(7) + data(7))
    good = in_file(data(7) + data(7) + data(7))
    assert told(select([README, *bad], number=40)) == ["no dump in it", 40, "broken", 42]
    assert told(select([README, *good], number=40)) == ["no dump in it", 40, 41, 42]


def test_what_was_loaded_another_time_is_left_out_and_well() -> None:
    found = in_file(data(1) + data(2, 50))
    (first, _) = select(found).to_send
    selection = select(found, loaded={first.key})
    assert told(selection) == ["loaded before", 2]
    assert [left.is_well for left in selection.left_out] == [True]
    # under another number it is another dump
    assert told(select(found, number=5, loaded={first.key})) == [5, 6]


# Equal numbers


def test_different_dumps_of_one_number_collide() -> None:
    selection = select(in_file(data(1, 41) + data(2, 42) + data(1, 43)))
    assert numbers(selection) == [(1, [41, 43])]


def test_numbered_on_they_do_not_collide() -> None:
    assert numbers(select(in_file(data(1, 41) + data(1, 43)), number=1)) == []


def test_the_same_dump_twice_replaces_nothing() -> None:
    assert numbers(select(in_file(data(1) + data(1)))) == []


def test_what_is_not_sent_does_not_collide() -> None:
    assert numbers(select(in_file(broken(1) + data(1, 43)))) == []
    assert numbers(select(in_file(broken(1) + data(1, 43)), anyway=True)) == [(1, [41, 43])]


@pytest.mark.parametrize(
    ("ids", "collide"), [((0, 0), True), ((0, 5), False), ((0, 127), True), ((127, 5), True)]
)
def test_equal_numbers_collide_where_one_unit_takes_both(
    ids: tuple[int, int], collide: bool
) -> None:
    one, other = (data(1, 41 + n, device_id=n_id) for n, n_id in enumerate(ids))
    assert bool(select(in_file(one + other)).collisions) is collide
    assert not select(in_file(one + other), device_id=0, number=3).collisions
    assert bool(select(in_file(one + other), device_id=0).collisions)


def test_one_that_was_loaded_before_can_be_replaced_too() -> None:
    found = in_file(data(1, 41) + data(1, 43))
    first, last = select(found).to_send
    assert numbers(select(found, loaded={first.key})) == [(1, [41, 43])]
    assert told(select(found, loaded={first.key})) == ["loaded before", 1]
    # whoever loaded the last one after the first wants no more than that
    assert told(select(found, loaded={last.key})) == ["replaced", "loaded before"]
    assert numbers(select(found, loaded={first.key, last.key})) == []  # nothing is sent


def held_after(dumps: Sequence[Dump], held: dict[int, bytes]) -> dict[int, bytes]:
    """What a unit holds when those have been sent to it: sample number to the last one's header."""
    return held | {dump.header.sample_number: dump.outgoing.header for dump in dumps}


@pytest.mark.parametrize("seed", range(60))
def test_without_collisions_a_unit_holds_every_dump_that_is_sent(seed: int) -> None:
    rng = random.Random(seed)
    lengths = rng.sample(range(1, 120), rng.randrange(1, 7))
    found = in_file(b"".join(data(rng.randrange(4), length) for length in lengths))
    selection = select(found)
    holds = held_after(selection.to_send, {})
    all_held = all(
        holds[dump.header.sample_number] == dump.outgoing.header for dump in selection.to_send
    )
    assert all_held is not bool(selection.collisions)


@pytest.mark.parametrize("seed", range(60))
def test_a_list_that_goes_on_ends_with_what_it_would_have_ended_with(seed: int) -> None:
    """Stopped anywhere, the journal knowing the last word of each number."""
    rng = random.Random(seed)
    lengths = rng.sample(range(1, 120), rng.randrange(1, 7))
    found = in_file(b"".join(data(rng.randrange(3), length) for length in lengths))
    dumps = select(found).to_send
    done = dumps[: rng.randrange(len(dumps) + 1)]
    last_word = {dump.header.sample_number: dump.key for dump in done}
    rest = select(found, loaded=set(last_word.values()))
    assert held_after(rest.to_send, held_after(done, {})) == held_after(dumps, {})
