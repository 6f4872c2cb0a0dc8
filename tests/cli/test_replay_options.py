"""The options of the command replay, and Ctrl-C."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import Any

import pytest

from dryload.harness.files.problem import USAGE
from dryload.harness.jobs.rehearse import Rehearsal
from tests.cli.replaying import Run

BROKEN = 1


# Options


def test_number_counts_on_over_all_files(run: Run) -> None:
    document = run("thunder.syx", "desk.syx", "--number", "40", "--json").document
    assert [each["sample_number"] for each in document["transfers"]] == [40, 41, 42]
    assert [each["slot"] for each in document["transfers"]] == [41, 42, 43]


def test_a_name_goes_with_its_sample(run: Run) -> None:
    document = run("gulls.syx", "--number", "9", "--json").document
    assert document["transfers"][0]["verified"] is True
    assert [(each["slot"], each["name"]) for each in document["memory"]["slots"]] == [(10, "Gulls")]


def test_device_id_addresses_the_dumps(run: Run) -> None:
    said = run("other.syx", "--device-id", "0")
    assert said.code == 0
    assert "Loaded and verified" in said.out
    assert run("thunder.syx", "--device-id", "127").code == 0  # everybody (M1 p. 35)
    assert run("thunder.syx", "--device-id", "5").code == BROKEN


def test_the_last_numbers_and_ids_are_taken_and_the_next_are_not(run: Run) -> None:
    assert run("thunder.syx", "--number", "16383").code == BROKEN  # no slot of that number
    for wrong in (
        ("--number", "16384"),
        ("--number", "-1"),
        ("--device-id", "128"),
        ("--device-id", "-1"),
    ):
        said = run("thunder.syx", *wrong)
        assert (said.code, said.out) == (USAGE, "")
        assert " ".join(wrong) in said.err
    said = run("desk.syx", "--number", "16383")
    assert "and there are 2 dumps to number" in said.err


def test_banks_that_are_newly_fitted_have_to_be_initialised(run: Run) -> None:
    for banks in ("1", "2", "4"):  # as many as before are newly fitted too
        said = run("thunder.syx", "--banks", banks)
        assert said.code == BROKEN
        assert "Refused: the memory is not initialised" in said.out
        assert "--initialise does that here." in said.out
        document = run("thunder.syx", "--banks", banks, "--initialise", "--json").document
        assert document["transfers"][0]["outcome"] == "loaded"
        assert document["memory"]["capacity_words"] == int(banks) * 1_048_576


def test_no_bank_at_all_and_more_than_there_is_room_for(run: Run) -> None:
    said = run("thunder.syx", "--banks", "0", "--initialise")
    assert said.code == BROKEN
    assert "Refused: there is no memory" in said.out
    for wrong in ("-1", "5", "99"):
        said = run("thunder.syx", "--banks", wrong)
        assert (said.code, said.out) == (USAGE, "")
        assert said.err == f"--banks {wrong}: lantern-desk has room for 0 to 4."


def test_somebody_walks_and_the_report_counts_it(run: Run) -> None:
    said = run("desk.syx", "--to", "unit:stage-door")
    assert said.code == 0
    assert (
        "Somebody has to walk to the unit 2 times to press confirm; "
        "each walk is assumed to take 8.00 s."
    ) in said.out
    document = run("desk.syx", "--to", "unit:stage-door", "--operator", "2.5", "--json").document
    assert document["operator"] == {"visits": 2, "walk_ns": 2_500_000_000}
    waits = [
        {wait["for"]: wait["ns"] for wait in transfer["time"]["waits"]}
        for transfer in document["transfers"]
    ]
    assert [each.get("somebody to press confirm") for each in waits] == [None, 2_500_000_000]


def test_nobody_walks(run: Run) -> None:
    said = run("desk.syx", "--to", "unit:stage-door", "--operator", "none")
    assert said.code == BROKEN
    assert "Incomplete: the unit asked to wait at the header and never went on." in said.out
    assert "Slot 4 waits for somebody to press confirm." in said.out


@pytest.mark.parametrize("wrong", ["x", "-1", "nan", "inf", "1e9", "", "8\nx", "[bold]"])
def test_an_operator_that_is_no_time(run: Run, wrong: str) -> None:
    said = run("thunder.syx", "--operator", wrong)
    assert (said.code, said.out) == (USAGE, "")
    assert said.err.startswith("--operator")
    assert "give seconds, as in 8 or 2.5, or none." in said.err
    assert said.err.isprintable()


def test_without_reading_back(run: Run) -> None:
    said = run("thunder.syx", "--no-read-back")
    assert said.code == 0
    assert (
        "  Loaded; it was not read back (not asked for), but slot 2 of the emulated unit holds "
        "exactly what was played.\n"
    ) in said.out
    assert "Reading back takes" not in said.out


def test_a_unit_of_ones_own(run: Run, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('[unit]\nname = "mine\\u001b[31m"\n', encoding="utf-8")
    said = run("thunder.syx", "--to", "unit:mine.toml")
    assert said.code == 0
    assert said.out.startswith("Rehearsal with the emulated unit mine\\x1b[31m.\n")


@pytest.mark.parametrize(
    ("target", "told"),
    [
        ("lantern-desk", "a target is unit:NAME, unit:PATH.toml, midi:PORT NAME or tcp:HOST:PORT."),
        ("", "--to: a target is unit:NAME"),
        ("midi:", "the name of the port is missing"),
        ("tcp:4000", "give an address and a port number from 0 to 65535"),
        ("tcp:127.0.0.1:65536", "give an address and a port number from 0 to 65535"),
        ("unit:lantern", "did you mean lantern-desk?"),
        ("unit:", "the profiles are call-board,"),
        ("unit:nowhere.toml", "nowhere.toml: the profile can't be read"),
        ("unit:thunder.syx", "is text in UTF-8, and this is not"),
    ],
)
def test_a_target_that_is_none(run: Run, target: str, told: str) -> None:
    said = run("thunder.syx", "--to", target)
    assert (said.code, said.out) == (USAGE, "")
    assert told in said.err


# Interrupted


def test_ctrl_c_ends_between_two_messages_and_reports_what_was_done(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    play = Rehearsal.__init__

    def press_later(self: Rehearsal, *arguments: Any, **named: Any) -> None:
        play(self, *arguments, **named)
        # somebody presses it while the second dump is on the line
        self.line.at(450_000_000, lambda now_ns: os.kill(os.getpid(), signal.SIGINT))

    monkeypatch.setattr(Rehearsal, "__init__", press_later)
    before = signal.getsignal(signal.SIGINT)
    said = run("thunder.syx", "gulls.syx", "desk.syx")
    assert said.code == 130  # 128 and the number of SIGINT, as shells count
    assert said.out.count("Loaded and verified") == 1
    assert "Incomplete: you stopped it at " in said.out
    assert "desk.syx, dump" not in said.out  # it was not begun
    assert said.out.count("not sent: stopped") == 2
    assert "slot  sample  from" in said.out
    assert signal.getsignal(signal.SIGINT) is before
