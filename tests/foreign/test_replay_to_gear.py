"""`dryload replay` to foreign gear: what the report says is what the gear has.

The gear shares nothing with the project: it follows M1 pp. 35-39 (MIDI 1.0 Detailed Specification
4.2.1), and does the rest in its own way.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from tests.foreign import wire
from tests.foreign.commands import Replayed, replay
from tests.foreign.expected import LENGTH, NUMBER, ROWS, WORDS, Row
from tests.foreign.process import gear

Came = tuple[Replayed, dict[str, Any]]
Played = Callable[[Row], Came]
PATIENT = [row for row in ROWS if row.is_patient]
HEAD = wire.Head(sample=NUMBER, bits=16, period_ns=22_676, length=LENGTH)


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("foreign") / "gulls.syx"
    path.write_bytes(wire.header(HEAD, 0) + b"".join(wire.packets(WORDS, 16, 0)))
    return path


def play(file: Path, jack: str | None, row: Row, *options: str) -> Came:
    """Play the file to gear of these habits; what the report says, and what the gear says."""
    came = play_once(file, jack, row, *options)
    if jack and not came[1]["saw"]["headers"]:
        # The gear itself says that nothing came.  What is on its way while another client joins
        # JACK's graph may be lost there, and no sender repeats a header: the report says so.
        assert came[0].transfer["outcome"] == "unconfirmed"
        came = play_once(file, jack, row, *options)
    return came


def play_once(file: Path, jack: str | None, row: Row, *options: str) -> Came:
    way = ("--midi", f"Foreign {ROWS.index(row):02}") if jack else ("--tcp",)
    with gear(*way, *row.habits, jack=jack) as unit:
        replayed = replay(file, unit.port, "--no-pace", *options, jack=jack)
        return replayed, unit.end()


def players(file: Path, jack: str | None, wanted: list[Row]) -> Iterator[Played]:
    """The quick ones one after the other and alone; then those that mainly wait, a few at once."""
    waiting: dict[str, Future[Came]] | None = None
    with ThreadPoolExecutor(3) as pool:

        def played(row: Row) -> Came:
            nonlocal waiting
            if row.is_patient and waiting is None:
                waiting = {each.name: pool.submit(play, file, jack, each) for each in wanted}
            first = waiting.pop(row.name, None) if waiting else None
            return first.result() if first else play(file, jack, row)

        yield played


def wanted(request: pytest.FixtureRequest) -> list[Row]:
    """Those of the patient ones that are to be run at all."""
    nodes = [item.name for item in request.session.items if item.path == request.path]
    return [row for row in PATIENT if any(f"[{row.name}]" in name for name in nodes)]


@pytest.fixture(scope="module")
def over_tcp(file: Path, request: pytest.FixtureRequest) -> Iterator[Played]:
    yield from players(file, None, wanted(request))


@pytest.fixture(scope="module")
def over_midi(file: Path, jack_name: str, request: pytest.FixtureRequest) -> Iterator[Played]:
    yield from players(file, jack_name, wanted(request))


def check(row: Row, came: Came) -> None:
    replayed, unit = came
    transfer = replayed.transfer
    told = (transfer["outcome"], transfer["verified"], replayed.code)
    if told == row.on_a_busy_machine and transfer["packets"]["resent"] > 3:
        return
    assert told in [(row.outcome, row.verified, code) for code in row.exits], replayed.told
    assert transfer["packets"]["resent"] >= row.resent
    assert re.search(row.says, replayed.told), replayed.told
    held = unit["samples"].get(str(NUMBER))
    assert (held == {**HEAD._asdict(), "words": WORDS}) is row.holds, unit["saw"]
    assert unit["saw"]["damaged"] == 0
    assert unit["saw"]["during_wait"] == 0
    if row.holds:
        # Nothing that the gear may do is held against it or the file.
        assert not [each for each in transfer["findings"] if each["verdict"] == "broken"]
        assert not [
            each
            for each in transfer["findings"]
            if each["verdict"] == "bent" and each["answerable"] == "unit"
        ]


QUICK = [row for row in ROWS if not row.is_patient]  # one after the other, and first
BY_NAME = pytest.mark.parametrize("row", QUICK + PATIENT, ids=lambda row: row.name)


@BY_NAME
def test_over_tcp(row: Row, over_tcp: Played) -> None:
    check(row, over_tcp(row))


@pytest.mark.port
@BY_NAME
def test_over_midi_ports(row: Row, over_midi: Played) -> None:
    check(row, over_midi(row))


def test_what_was_read_back_is_said_with_its_place(file: Path) -> None:
    row = next(row for row in ROWS if row.name == "a bit wrong")
    transfer = play(file, None, row)[0].transfer
    words = transfer["words"]
    assert (words["sent"], words["compared"], words["different"]) == (LENGTH, LENGTH, 1)
    (found,) = [each for each in transfer["findings"] if each["verdict"] == "broken"]
    assert found["at"]["packet"] == 123 // 40  # words a packet: M1 p. 39
    assert f"{WORDS[123]:,}" in found["expected"]
    assert f"{WORDS[123] ^ 1:,}" in found["found"]


def test_without_reading_back_nothing_is_asked(file: Path) -> None:
    row = next(row for row in ROWS if row.name == "plain")
    replayed, unit = play(file, None, row, "--no-read-back")
    assert (replayed.transfer["outcome"], replayed.transfer["verified"]) == ("loaded", None)
    assert unit["saw"]["requests"] == 0


def test_a_wait_of_40_s_is_waited_for(file: Path) -> None:
    if "DRYLOAD_LONG" not in os.environ:
        pytest.skip("it takes 40 s: set DRYLOAD_LONG to run it")
    row = Row(
        name="waits long",
        habits=("--wait=40", "--wait-at=5"),
        outcome="loaded",
        verified=True,
        exits=(0,),
    )
    with gear("--tcp", *row.habits) as unit:
        check(row, (replay(file, unit.port, "--no-pace"), unit.end()))


@pytest.mark.port
def test_with_the_time_of_a_real_line_over_midi_ports(file: Path, jack_name: str) -> None:
    row = Row(name="paced", habits=(), outcome="loaded", verified=True, exits=(0,))
    with gear("--midi", "Foreign Desk", jack=jack_name) as unit:
        replayed = replay(file, unit.port, jack=jack_name)
        check(row, (replayed, unit.end()))
    # 21 + 10 * 127 bytes of 320 µs each: nothing can be faster (M1 pp. 1, 37).
    assert replayed.transfer["time"]["total_ns"] >= 413_120_000


@pytest.mark.port
def test_another_program_that_ended_before_does_not_move_the_ports(
    file: Path, jack_name: str
) -> None:
    # The places in the system's list that it leaves are taken by the next that come.
    row = Row(name="second", habits=(), outcome="loaded", verified=True, exits=(0,))
    with (
        gear("--midi", "Gulls", jack=jack_name) as first,
        gear("--midi", "Ship's Bell", jack=jack_name) as second,
    ):
        first.end()
        replayed = replay(file, second.port, "--no-pace", jack=jack_name)
        check(row, (replayed, second.end()))
