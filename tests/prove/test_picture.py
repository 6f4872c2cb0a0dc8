"""The picture of a proof shows what the unit met, kept word by word in plain sets beside it."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import cast

import pytest
from rich.console import Console
from rich.progress import Progress, TextColumn

from dryload.harness.cli.progress import ProofProgress
from dryload.harness.jobs.forecast import Doing, Step
from dryload.harness.prove.passes import OVERNIGHT, QUICK, USUAL, Act, Part, Pass
from dryload.harness.prove.proof import Eyes, Proof, ProofRequest, ProofStanding, Proven
from dryload.harness.prove.quick import QuickProof
from dryload.harness.prove.tested import TestedUnit, Wrote
from dryload.harness.prove.words import Values
from dryload.harness.report.memory_bar import ASCII
from dryload.harness.report.proof_picture import proof_picture, watched
from tests.cli.screen import on_screen
from tests.prove.plain_memory import PlainMemory
from tests.prove.plain_unit import PlainUnit

BANK = 2_048
PACKETS = 4


class LoggedUnit(PlainUnit):
    """Keeps which words were written, came back and came back wrong since a pass began."""

    def __init__(self, memory: PlainMemory) -> None:
        super().__init__(memory)
        self.wrote: dict[int, int] = {}
        self.written: set[int] = set()
        self.back: set[int] = set()
        self.wrong: set[int] = set()

    def begin(self) -> None:
        for kept in (self.written, self.back, self.wrong):
            kept.clear()

    def write(self, number: int, values: Values, *, is_new: bool = False) -> Wrote:
        wrote = super().write(number, values, is_new=is_new)
        places = range(self.first[number], self.first[number] + len(values))
        self.wrote.update(zip(places, map(int, values), strict=True))
        self.written |= {*places}
        self.back -= {*places}
        return wrote

    def _read(self, part: Part, count: int) -> Values:
        values = super()._read(part, count)
        places = range(part.start, part.start + count)
        self.wrong |= {at for at, got in zip(places, values, strict=True) if got != self.wrote[at]}
        self.back |= {*places} if count == part.words else set()
        return values


def memory(*, stuck: bool = False) -> PlainMemory:
    of = PlainMemory("in a row", banks=2, size=BANK, start=0, seed=5)
    if stuck:
        of.carry = lambda bank, at, value, writing: value | (bank == 1) << 9
    return of


def halfway(standing: ProofStanding) -> Step | None:
    if standing.part is None:
        return None
    return Step(cast("object", None), Doing.SENDING, 2, PACKETS, standing.now_ns)  # type: ignore[arg-type]


def drawn(unit: LoggedUnit, standing: ProofStanding, rows: int, cells: int) -> list[str]:
    """The rows as the sets say, one cell after the other."""
    part = standing.part
    now = range(0) if part is None else range(part.start, part.start + part.words * 2 // PACKETS)
    found = []
    for row in range(rows):
        first, count, signs = 2 * BANK * row // rows, 2 * BANK // rows, ""
        for cell in range(cells):
            here = {*range(first + count * cell // cells, first + count * (cell + 1) // cells)}
            bad = len(here & unit.wrong)
            if bad:
                signs += str(min(max(round(10 * bad / len(here)), 1), 9))
            elif here & {*now}:
                signs += ">"
            elif here <= unit.back:
                signs += "#"
            else:
                signs += "+" if here <= unit.written else "."
        found.append(f"|{signs}|")
    return found


def run_watched(
    unit: LoggedUnit,
    passes: tuple[Pass, ...],
    look: Callable[[ProofStanding], None],
    *,
    minutes_ns: int = 10**11,
) -> Proven:
    """Prove; `look` is called where something else begins than before."""
    seen: list[tuple[Act, Part | None, int]] = []

    def stand(standing: ProofStanding) -> None:
        if not seen or seen[-1][2] != standing.pass_number:
            unit.begin()
        if not seen or seen[-1] != (standing.act, standing.part, standing.pass_number):
            look(standing)
        seen.append((standing.act, standing.part, standing.pass_number))

    asked = ProofRequest(passes=passes, minutes_ns=minutes_ns if passes is QUICK else None)
    make = QuickProof if passes is QUICK else Proof
    return make(cast(TestedUnit, unit), asked, eyes=Eyes(standing=stand)).run()


@pytest.mark.parametrize(
    ("passes", "stuck", "modules", "width"),
    [
        (USUAL, False, None, 40),
        (OVERNIGHT, False, 2, 80),
        (USUAL, True, 2, 60),
        (USUAL, True, None, 51),
    ],
)
def test_every_cell_shows_what_happened_to_its_words(
    passes: tuple[Pass, ...], stuck: bool, modules: int | None, width: int
) -> None:
    unit = LoggedUnit(memory(stuck=stuck))
    pictures, is_judged = list[str](), False

    def look(standing: ProofStanding) -> None:
        nonlocal is_judged
        is_judged = is_judged or standing.act in (Act.WRITE_AGAIN, Act.READ_AGAIN)
        lines = watched(
            standing, halfway(standing), left="", modules=modules, width=width, signs=ASCII
        )
        rows = [line[line.index("|") :] for line in lines if "|" in line]
        pictures.extend(rows)
        assert max(map(len, lines)) <= width
        if not is_judged:  # then samples are written for other reasons
            assert rows == drawn(unit, standing, modules or 4, len(rows[0]) - 2)
            said = " ".join(" ".join(lines).split())
            assert f"Written: {len(unit.written):,} of {2 * BANK:,} words" in said
            assert f"came back right: {len(unit.back - unit.wrong):,}" in said

    got = run_watched(unit, passes, look)
    assert bool(got.faults) is stuck
    signs = {*"".join(pictures)}
    assert signs >= {"#", "+", ".", ">"}
    assert bool(signs & {*"456"}) is stuck  # half of the words have that bit already


def test_at_the_end_it_is_seen_where_the_wrong_words_lie() -> None:
    unit = LoggedUnit(memory(stuck=True))
    got = run_watched(unit, USUAL, lambda standing: None)
    assert got.standing is not None
    first, second, *legend = proof_picture(got.standing, modules=2, width=80, signs=ASCII)
    assert {*first.removeprefix("  module 1 ")} == {"|", "#"}
    assert {*second.removeprefix("  module 2 ")} <= {*"|23456789"}
    assert legend[0] == "  # = came back right"
    assert legend[1].startswith("  1 to 9 = tenths of the words that came back wrong")


def test_a_quick_look_shows_only_what_it_has_read() -> None:
    unit = LoggedUnit(memory(stuck=True))
    got = run_watched(unit, QUICK, lambda standing: None)
    assert got.standing is not None
    assert got.standing.right == sum(got.standing.back.values()) - len(unit.wrong)
    assert {*map(int, got.standing.wrong)} == unit.wrong


def test_a_quick_look_that_fills_half_of_the_memory_shows_the_other_half_as_not_written() -> None:
    unit = LoggedUnit(memory())
    got = run_watched(unit, QUICK, lambda standing: None, minutes_ns=8_000_000_000)
    assert got.standing is not None
    assert len(unit.wrote) <= BANK
    first, second, *legend = proof_picture(got.standing, modules=2, width=80, signs=ASCII)
    assert "#" in first
    assert {*second.removeprefix("  module 2 ")} == {"|", "."}
    assert legend[0].endswith(". = not written")


def test_before_it_is_known_how_much_memory_there_is_what_is_written_is_one_row() -> None:
    class Silent(LoggedUnit):
        def room(self, number: int) -> int | None:
            return None

    firsts = list[list[str]]()

    def look(standing: ProofStanding) -> None:
        lines = watched(standing, None, left="", modules=2, width=60, signs=ASCII)
        firsts.append([line for line in lines if "|" in line])

    run_watched(Silent(memory()), USUAL, look)
    assert firsts[0] == []
    assert [len(rows) for rows in firsts[1:3]] == [1, 1]
    assert firsts[1][0].startswith("  word 0 |")


@pytest.mark.parametrize("stuck", [False, True])
def test_the_time_that_is_left_is_what_it_takes(stuck: bool) -> None:
    unit = LoggedUnit(memory(stuck=stuck))
    said = list[int]()
    judged_ns = list[int]()

    def look(standing: ProofStanding) -> None:
        if standing.act in (Act.WRITE_AGAIN, Act.READ_AGAIN):
            judged_ns.append(standing.now_ns)
        elif standing.ends_ns is not None and (len(standing.wrong) > 0) is stuck:
            said.append(standing.ends_ns)

    got = run_watched(unit, USUAL, look)
    end_ns = judged_ns[0] if stuck else unit.line.now_ns
    assert len(said) > 4
    assert max(abs(each - end_ns) for each in said) < 0.03 * got.total_ns


def test_nothing_is_left_of_a_picture_in_a_terminal_that_was_made_narrower_or_lower() -> None:
    standing = list[ProofStanding]()
    run_watched(LoggedUnit(memory()), USUAL, standing.append)
    written = io.StringIO()
    console = Console(file=written, force_terminal=True, width=82, height=40)
    bar = Progress(TextColumn("{task.description}"), console=console, transient=True)
    bar.live.auto_refresh = False
    bar.start()
    progress = ProofProgress(bar, None)
    progress.stand(standing[3])
    bar.refresh()
    wide = on_screen(written.getvalue().replace("\n", "\n\r"))
    assert [len(line) for line in wide[2:6]] == [80] * 4

    written.truncate(written.seek(0))
    console.width, console.height = 50, 5  # and the terminal breaks the lines
    progress.stand(standing[4])
    bar.refresh()
    broken = [part for line in wide for part in (line.ljust(80)[:50], line.ljust(80)[50:])]
    before = "\n\r".join(["said before", *broken])
    shown = on_screen(before + written.getvalue().replace("\n", "\n\r"))
    shown = [line for line in shown if line]
    assert (shown[0], shown[1][:10], len(shown)) == ("said before", "Pass 1 of ", 5)
    assert max(map(len, shown)) <= 48  # ^C has room behind it
