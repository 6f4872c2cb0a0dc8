"""The picture of memory: every sample can be found in it, however short it is."""

from __future__ import annotations

from itertools import accumulate

from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.unit.memory import Region
from dryload.harness.report.memory_bar import ASCII
from dryload.harness.report.memory_picture import MemoryState, laid_out, picture
from tests.cli.replaying import Run

WORDS = 400


def state(*places: tuple[int, int, int], words: int = WORDS) -> MemoryState:
    """Slots with their first word and how many follow."""
    regions: dict[int, list[Region]] = {}
    for slot, start, count in places:
        regions.setdefault(slot, []).append(Region(start, count))
    return laid_out(regions, {slot: f"slot {slot}" for slot in regions}, words)


def test_holes_and_banks_and_short_samples_are_seen_without_colour() -> None:
    # 19 cells for 200 words: one each for the two short ones, and 17 by their shares for the rest.
    drawn = picture(
        state((9, 0, 100), (12, 100, 1), (3, 101, 1), (9, 180, 40)),
        bank_words=200,
        width=31,
        signs=ASCII,
    )
    assert drawn == [
        "  bank 1  |a#######bc.......a#|",
        "  bank 2  |a#.................|",
        "  a = slot 9; b = slot 12",
        "  c = slot 3",
    ]


def test_before_and_afterwards_have_the_same_letters() -> None:
    before = state((1, 0, 100), (2, 100, 100))
    after = laid_out(
        {2: [Region(100, 100)], 5: [Region(0, 50)]}, {2: "slot 2 (gulls)", 5: "slot 5"}, WORDS
    )
    assert picture(after, before=before, width=44, signs=ASCII) == [
        "  Before:",
        "  |c#########b#########....................|",
        "  Afterwards:",
        "  |a####.....b#########....................|",
        "  a = slot 5",
        "  b = slot 2 (gulls), before: slot 2",
        "  c = slot 1, no longer there",
    ]


def test_a_unit_without_memory_has_no_picture() -> None:
    assert picture(laid_out({}, {}, 0), bank_words=100) == []


@given(
    st.lists(st.tuples(st.integers(0, 50), st.integers(1, 3_000)), min_size=1, max_size=52),
    st.integers(1, 4),
    st.integers(24, 120),
)
def test_each_sample_is_found_in_order_and_no_row_is_too_long(
    pieces: list[tuple[int, int]], banks: int, width: int
) -> None:
    sizes = [size for pair in pieces for size in pair]
    starts = [0, *accumulate(sizes)]
    places = [(at, starts[2 * at + 1], words) for at, (_, words) in enumerate(pieces)]
    bank_words = -(-starts[-1] // banks)
    shown = state(*places, words=bank_words * banks)
    rows = picture(shown, bank_words=bank_words, width=width, signs=ASCII)
    bars = [row for row in rows if row.endswith("|")]
    assert {len(row) for row in bars} == {width}
    letters = [sign for row in bars for sign in row[row.index("|") :] if sign.isalpha()]
    met = [one for one, before in zip(letters, ["", *letters], strict=False) if one != before]
    # A sample that goes on in the next bank begins with its letter there again.
    assert "".join(met) == "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"[: len(pieces)]


def test_a_replay_ends_with_the_picture(run: Run) -> None:
    lines = run("desk.syx").out.splitlines()
    at = next(at for at, line in enumerate(lines) if line.startswith("Memory: "))
    assert [line[:14] for line in lines[at + 1 : at + 3]] == ["  bank 1  │ab·", "  bank 2  │···"]
    assert lines[at + 3].startswith("  a = slot ")
