"""How long the whole evening takes, and what the clock will say when it is over."""

from __future__ import annotations

from datetime import datetime

import pytest

from dryload.harness.cli.playing import over_at
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.jobs.dumps import dumps_in
from dryload.harness.jobs.forecast import Forecast
from tests.cli.replaying import Run, dump

MINUTE = 60_000_000_000
BYTE_NS = 320_000  # 31,250 baud, ten bits a byte (M1 p. 1)


@pytest.mark.parametrize(
    ("lasts_ns", "clock"),
    [
        (0, "22:50"),
        (MINUTE, "22:51"),
        (69 * MINUTE, "23:59"),
        (70 * MINUTE, "00:00 tomorrow"),
        (30 * 60 * MINUTE, "04:50 in 2 days"),
    ],
)
def test_what_the_clock_will_say(lasts_ns: int, clock: str) -> None:
    assert over_at(lasts_ns, lambda: datetime(2026, 11, 28, 22, 50)) == clock


@pytest.mark.parametrize("reads_back", [True, False])
def test_the_forecast_of_all_of_it_is_the_line_alone(reads_back: bool) -> None:
    data = dump(1, 400) + dump(2, 800)  # 10 and 20 packets of 40 words (M1 p. 39)
    dumps = list(dumps_in(DumpFile(name="desk.syx", form=Form.RAW, data=data)))
    once_ns = (2 * (21 + 6) + 30 * (127 + 6)) * BYTE_NS
    expected_ns = 2 * once_ns if reads_back else once_ns
    assert Forecast(dumps, reads_back=reads_back).whole_ns == expected_ns


def test_several_dumps_are_added_up_with_reading_back(run: Run) -> None:
    document = run("thunder.syx", "desk.syx", "--json").document
    times = [each["time"] for each in document["transfers"]]
    together_ns = sum(each["total_ns"] + each["read_back_ns"] for each in times)
    assert document["lasted_ns"] == together_ns
    said = run("thunder.syx", "desk.syx").out
    assert f"Altogether with reading back it takes {together_ns / 1e9:.2f} s." in said
    assert "Altogether it takes" in run("thunder.syx", "desk.syx", "--no-read-back").out
    assert "Altogether" not in run("thunder.syx").out  # one dump has said it all


def test_walks_to_the_unit_are_in_it(run: Run) -> None:
    with_walks = ("desk.syx", "--to", "unit:stage-door", "--operator", "30")
    document = run(*with_walks, "--json").document
    times = [each["time"] for each in document["transfers"]]
    at_the_line_ns = sum(each["total_ns"] + each["read_back_ns"] for each in times)
    # the first of the two walks is in the time of the second dump, the last one in none
    assert document["lasted_ns"] == at_the_line_ns + 30_000_000_000
    assert (
        "Altogether with reading back and 2 walks to the unit it takes 1 min"
        in run(*with_walks).out
    )
