"""The live panel: that every line fits, that nothing needed is missing, and what keys do."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import accumulate, pairwise
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from rich.cells import cell_len

from dryload.emulator.dump.sample import Sample
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.panel import MapLine
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.unit.slots import Slot
from dryload.harness.cli.panel_loop import changes, time_to_go
from dryload.harness.jobs.forecast import Arrivals
from dryload.harness.jobs.front_panel import Coming, Note, PassedBytes, View, view_of
from dryload.harness.report.memory_bar import ASCII, BLOCKS, memory_bar, shares
from dryload.harness.report.panel import KEYS, Shows, panel

Kind = Literal["free", "sample", "arriving"]
KINDS: tuple[Kind, ...] = ("free", "sample", "arriving")
SECOND = 1_000_000_000
PACKET_NS = (127 + 6) * 320_000  # a packet and its handshake (M1 pp. 1, 38 and 39)
EMPTY = replace(
    view_of(RackUnit(load_profile())),
    port="tcp:127.0.0.1:4000",
    time_ns=90 * SECOND,
    peer="",
)


def slot(number: int, name: str = "", *, words: int = 100, is_protected: bool = False) -> Slot:
    sample = Sample(words=np.zeros(words, np.int16), bits=16, rate=Fraction(22_050))
    return Slot(
        number=number, sample_number=number - 1, name=name, written=sample, protected=is_protected
    )


def piece(start: int, words: int, kind: Kind, slot: int | None = None) -> MapLine:
    return MapLine(Region(start, words), kind, slot)


def holding(*names: str) -> View:
    slots = tuple(slot(number, name) for number, name in enumerate(names, 1))
    pieces = [piece(100 * n, 100, "sample", n + 1) for n in range(len(names))]
    start, end = 100 * len(names), EMPTY.capacity
    pieces.append(piece(start, end - start, "free"))
    return replace(
        EMPTY, slots=slots, memory_map=tuple(pieces), free=end - start, largest_free=end - start
    )


DESK = holding("Music box", "Thunder", "Gulls")
RECEIVING = replace(
    DESK,
    state="receiving sample 3",
    display="receiving sample 3",
    arriving=Coming(sample_number=3, packets=276, expected=1_103),
    notes=(Note(time_ns=88 * SECOND, event="header", text="sample 3 comes: 44,100 words"),),
)


def text_of(view: View, width: int, height: int, shows: Shows | None = None) -> str:
    return "\n".join(line.plain for line in panel(view, width=width, height=height, shows=shows))


# every line fits

names = st.text(max_size=40) | st.sampled_from(
    ["雷" * 30, "e\u0301" * 40, "🔔🔔\u200d🔔", "\x1b[2J", "a\nb", "\u202ebell", "[red]x", "\ud800"]
)
texts = names | st.just("word " * 60)


some_bytes = st.builds(
    PassedBytes,
    end_ns=st.integers(0, 10**16),
    to_unit=st.booleans(),
    data=st.binary(min_size=1, max_size=32),
    length=st.integers(32, 10**6),
)


@st.composite
def views(draw: st.DrawFn) -> View:
    bank_words = draw(st.integers(1, 1 << 20))
    banks = draw(st.integers(0, 16))
    cuts = draw(st.lists(st.integers(1, max(bank_words * banks, 1)), max_size=80))
    edges = sorted({0, *cuts, bank_words * banks})
    pieces = []
    for start, end in pairwise(edges):
        kind = draw(st.sampled_from(KINDS))
        number = draw(st.integers(1, 16_384)) if kind == "sample" else None
        pieces.append(piece(start, end - start, kind, number))
    coming = st.builds(
        Coming,
        sample_number=st.integers(-1, 16_383),
        packets=st.integers(0, 10**7),
        expected=st.none() | st.integers(0, 10**7),
    )
    count = draw(st.integers(0, 90))
    name = draw(names)
    return replace(
        EMPTY,
        profile=draw(texts),
        port=draw(texts),
        display=draw(texts),
        state=draw(texts),
        time_ns=draw(st.integers(0, 10**16)),
        powered=draw(st.booleans()),
        receives_exclusive=draw(st.booleans()),
        initialised=draw(st.booleans()),
        awaiting_confirm=draw(st.none() | st.integers(1, 16_384)),
        edges=tuple(bank_words * bank for bank in range(banks + 1)),
        banks_fitted=tuple(range(1, banks + 1)),
        slots=tuple(slot(n, name, is_protected=n % 3 == 0) for n in range(1, count + 1)),
        memory_map=tuple(pieces),
        arriving=draw(st.none() | coming),
        sending=draw(st.none() | coming),
        peer=draw(st.none() | texts),
        missed=draw(st.integers(0, 3)),
        lost_bytes=draw(st.integers(0, 3)),
        image=draw(texts),
        image_written_ns=draw(st.none() | st.integers(0, 10**16)),
        image_problem=draw(texts),
        notes=tuple(
            Note(time_ns=n * SECOND, event="loaded", text=draw(texts))
            for n in range(draw(st.integers(0, 6)))
        ),
        passed=tuple(draw(st.lists(some_bytes, max_size=9))),
    )


all_shows = st.builds(
    Shows,
    bytes=st.booleans(),
    question=st.just("") | texts,
    notice=st.just("") | texts,
    help=st.booleans(),
    left_ns=st.none() | st.integers(0, 10**15),
    still_ns=st.integers(0, 10**15),
    ascii_only=st.booleans(),
)
sizes = st.sampled_from([(80, 24), (60, 15), (120, 40), (20, 6)])


@settings(max_examples=150, deadline=None)
@given(views(), all_shows, sizes | st.tuples(st.integers(1, 200), st.integers(1, 60)))
def test_every_line_fits_and_there_are_as_many_as_there_may_be(
    view: View, shows: Shows, size: tuple[int, int]
) -> None:
    width, height = size
    lines = panel(view, width=width, height=height, shows=shows)

    assert len(lines) == height
    for line in lines:
        assert cell_len(line.plain) <= width
        assert line.plain.isprintable()
        if shows.ascii_only:
            assert line.plain.isascii()


@pytest.mark.parametrize("name", profile_names())
def test_every_profile_can_be_shown(name: str) -> None:
    unit = RackUnit(load_profile(name))
    view = replace(EMPTY, profile=name, device_id=unit.panel.device_id, display=unit.panel.line)
    assert name in text_of(view, 80, 24)


# nothing needed is missing


@pytest.mark.parametrize(("width", "height"), [(80, 24), (60, 15), (120, 40)])
def test_what_somebody_at_the_bench_needs_is_there(width: int, height: int) -> None:
    text = text_of(RECEIVING, width, height, Shows(left_ns=34 * SECOND))

    assert "lantern-desk" in text
    assert "tcp:127.0.0.1:4000" in text
    assert "[ receiving sample 3" in text
    assert "25 %, 276 of 1,103 packets" in text
    assert "34 s to go" in text
    assert "sample 3 comes" in text
    assert f"{EMPTY.capacity - 300:,} of {EMPTY.capacity:,} words free" in text
    for name in ("Music box", "Thunder", "Gulls"):
        assert name in text
    flat = text.replace("\n", " ")
    for key, word in KEYS:
        assert f"{key} {word}" in flat


@pytest.mark.parametrize("count", [1, 4, 9, 12])
def test_in_a_usual_terminal_the_slots_come_before_old_messages_and_empty_lines(count: int) -> None:
    notes = tuple(
        Note(time_ns=n * SECOND, event="loaded", text=f"sample {n} is loaded, " + "word " * 20)
        for n in range(6)
    )
    view = replace(holding(*[f"Sound-{n}" for n in range(count)]), notes=notes, image="desk.image")
    text = text_of(view, 80, 24)
    missing = [f"Sound-{n}" for n in range(count) if f"Sound-{n}" not in text]
    assert len(missing) <= max(count - 10, 0)
    assert "sample 5 is loaded" in text
    assert "desk.image" in text
    assert "words free" in text
    assert "q quit" in text


def test_a_question_is_never_hidden() -> None:
    for width, height in ((80, 24), (60, 15), (30, 6)):
        assert "press y" in text_of(RECEIVING, width, height, Shows(question="Wipe it: press y"))


def test_the_keys_are_explained_on_demand() -> None:
    text = text_of(EMPTY, 80, 24, Shows(help=True))
    assert all(f"\n{key}  " in text for key, _ in KEYS if key != "?")


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (replace(EMPTY, powered=False, display=""), "press o"),
        (replace(EMPTY, awaiting_confirm=4), "press c"),
        (replace(EMPTY, initialised=False, capacity=0, memory_map=()), "not initialised: press i"),
        (replace(EMPTY, receives_exclusive=False), "press f"),
        (replace(EMPTY, banks_fitted=(2,)), "--banks"),
        (replace(EMPTY, image="desk.img", image_problem="disk full"), "disk full"),
        (EMPTY, "send it a dump"),
    ],
)
def test_it_says_what_to_do_next(changed: View, said: str) -> None:
    (line,) = [ln for ln in text_of(changed, 80, 24).split("\n") if ln.startswith("Do next")]
    assert said in line


def test_after_a_refusal_it_says_where_the_reason_is() -> None:
    notes = (Note(time_ns=0, event="refused", text="sample 3: nothing kept, no room"),)
    assert "read below" in text_of(replace(DESK, notes=notes), 80, 24)
    later = (*notes, Note(time_ns=1, event="loaded", text="sample 3: slot 4 holds 100 words"))
    assert "send it a dump" in text_of(replace(DESK, notes=later), 80, 24)


def test_a_long_text_of_the_display_goes_on_in_a_second_line() -> None:
    text = text_of(replace(DESK, display="refused: " + "word " * 20 + "end"), 80, 24)
    assert "end " in text


def test_a_dump_that_stands_still_is_told() -> None:
    shows = Shows(left_ns=5 * SECOND, still_ns=7 * SECOND)
    assert "nothing came for 7 s" in text_of(RECEIVING, 80, 24, shows)


def test_more_slots_than_lines_are_counted() -> None:
    text = text_of(holding(*["Gull"] * 40), 80, 24)
    shown_slots = text.count("Gull")
    assert 0 < shown_slots < 40
    assert f"and {40 - shown_slots} more" in text


# the bar


@given(st.lists(st.integers(1, 10**8), min_size=1, max_size=40), st.integers(0, 200))
def test_shares_add_up_are_in_order_and_none_is_nothing(words: list[int], more: int) -> None:
    cells = len(words) + more
    given_out = shares(words, cells)

    assert sum(given_out) == cells
    assert min(given_out) >= 1
    by_size = sorted(zip(words, given_out, strict=True))
    assert [c for _, c in by_size] == sorted(given_out)


@given(st.lists(st.integers(1, 100), min_size=1, max_size=8))
def test_shares_are_exact_where_they_can_be(words: list[int]) -> None:
    assert shares(words, sum(words)) == words
    assert shares([3 * word for word in words], sum(words)) == words


@given(
    st.lists(st.integers(1, 5_000), min_size=1, max_size=60),
    st.integers(1, 16),
    st.integers(1, 150),
    st.booleans(),
)
def test_the_bar_is_as_wide_as_it_should_be(
    words: list[int], banks: int, width: int, is_unicode: bool
) -> None:
    bank_words = math.ceil(sum(words) / banks)
    starts = [0, *accumulate(words)]
    pieces = [
        piece(start, count, "sample", number)
        for number, (start, count) in enumerate(zip(starts, words, strict=False), 1)
    ]
    rest = bank_words * banks - starts[-1] + 1
    pieces.append(piece(starts[-1], rest, "free"))
    edges = [bank * bank_words for bank in range(banks + 1)]
    runs = memory_bar(pieces, edges, width, BLOCKS if is_unicode else ASCII)

    assert sum(cell_len(run.text) for run in runs) == width
    edges_drawn = sum(run.text in ("│", "|") for run in runs)
    assert edges_drawn == (banks + 1 if width >= 2 * banks + 1 else 0)


def test_holes_and_banks_are_seen_without_colour() -> None:
    pieces = [
        piece(0, 50, "sample", 1),
        piece(50, 25, "free"),
        piece(75, 50, "sample", 12),
        piece(125, 25, "arriving"),
        piece(150, 50, "free"),
    ]
    bar = "".join(run.text for run in memory_bar(pieces, [0, 100, 200], 19, ASCII))
    assert bar == "|1###..12|12++....|"


# how long it will take, and what is painted


def test_the_time_to_go_is_what_is_left_at_the_pace_so_far() -> None:
    arrivals = Arrivals()

    def at(seconds: int, packets: int) -> tuple[int | None, int]:
        coming = Coming(sample_number=3, packets=packets, expected=100)
        return time_to_go(arrivals, replace(EMPTY, time_ns=seconds * SECOND, arriving=coming))

    assert at(10, 0) == (100 * PACKET_NS, 0)  # as on the cable
    assert at(12, 20) == (8 * SECOND, 0)  # ten a second, eighty are left
    assert at(15, 20) == (8 * SECOND, 3 * SECOND)
    assert at(20, 1) == (99 * SECOND // 10, 0)  # a new one
    assert time_to_go(arrivals, EMPTY) == (None, 0)


def test_only_changed_lines_are_painted() -> None:
    old, new = ["one", "two", "three"], ["one", "2", "three"]

    assert changes(old, old) == ""
    painted = changes(old, new)
    assert "\x1b[2;1H" in painted
    assert "one" not in painted
    assert "three" not in painted
    assert all(line in changes([], new) for line in new)


def test_the_last_bytes_are_there_on_demand_the_newest_at_the_bottom() -> None:
    header = bytes.fromhex("f07e00010100101431010500000000000000007ff7")  # M1 p. 37
    passed = (
        PassedBytes(end_ns=62 * SECOND, to_unit=True, data=header, length=21),
        PassedBytes(
            end_ns=63 * SECOND, to_unit=False, data=bytes.fromhex("f07e007f00f7"), length=6
        ),
    )
    view = replace(DESK, passed=passed)
    assert "F0 7E" not in text_of(view, 80, 24)
    lines = [line.plain for line in panel(view, width=80, height=24, shows=Shows(bytes=True))]
    assert [line.split() for line in lines if "F0 7E" in line] == [
        ["1:02", "in", "21", *header[:19].hex(" ").upper().split(), "…"],
        ["1:03", "out", "6", *["F0", "7E", "00", "7F", "00", "F7"]],
    ]
    assert all(cell_len(line) <= 80 for line in lines)
