"""The command replay: what it prints, its JSON, its exit codes, and its options."""

from __future__ import annotations

import json
import os
import re
import signal
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import typer

from harness.cli.replay import replay
from harness.files.problem import USAGE, Problem
from harness.jobs.rehearse import Rehearsal
from tests import oracle
from tests.jobs.bench import words

app = typer.Typer(pretty_exceptions_enable=False)
app.command()(replay)

BROKEN = 1


def dump(number: int, count: int = 121, *, bits: int = 16, device_id: int = 0) -> bytes:
    return oracle.dump(
        bits=bits,
        words=words(count, bits),
        sample_number=number,
        device_id=device_id,
        period_ns=22_676,
    )


@dataclass(frozen=True, slots=True)
class Said:
    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        parsed = json.loads(self.out)
        assert isinstance(parsed, dict)
        return parsed


Run = Callable[..., Said]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """The command in a folder with a few dumps."""
    monkeypatch.chdir(tmp_path)
    files = {
        "thunder.syx": dump(1),
        "gulls.syx": dump(2, 81) + oracle.sample_name(sample_number=2, name=b"Gulls"),
        "desk.syx": dump(3) + dump(4, 40),
        "wide.syx": dump(5, bits=24),
        "other.syx": dump(6, device_id=16),
        "short.syx": dump(7)[:-127],
        "headless.syx": dump(8)[21:],
        "late.syx": dump(9)[21:] + dump(10),
    }
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)

    def go(*arguments: str) -> Said:
        try:
            code = app(arguments, standalone_mode=False)
        except Problem as problem:
            said = capsys.readouterr()
            return Said(problem.code, said.out, said.err + str(problem))
        said = capsys.readouterr()
        return Said(code if isinstance(code, int) else 0, said.out, said.err)

    return go


# Text


def test_a_dump_that_loads_is_told_in_three_lines_and_a_table(run: Run) -> None:
    said = run("thunder.syx")
    assert (said.code, said.err) == (0, "")
    assert said.out.splitlines() == [
        "Rehearsal with the emulated unit lantern-desk: Roomy 16 bit unit that answers everything "
        "and knows every extension.",
        "",
        "thunder.syx",
        "  Loaded and verified: what slot 2 sent back is word for word what was played.",
        "  Sample 1: 121 words of 16 bits, mono, 44,100 Hz, 2.7 ms of sound, 4 packets.",
        # header and 4 packets are 529 bytes of 320 us; 5 ACKs are 9.6 ms, and 13 ms are waited
        "  The cable alone needs 0.17 s; this took 0.19 s; 7 % was waiting, most of it (8.0 ms) "
        "for the unit to store packets.",
        "",
        "slot  sample  from         words   sound  packets  again  on the line  waiting  result",
        "   2       1  thunder.syx    121  2.7 ms        4      0       0.18 s    13 ms  loaded, "
        "verified",
        "",
        "Memory: 1 of 64 slots in use; 2,097,031 of 2,097,152 words free, in one piece.",
        "Time: the cable alone needs 0.17 s; this took 0.19 s; 4 % was waiting for the unit to "
        "store packets; 3 % was waiting for the unit to answer the header. Reading back takes "
        "another 0.18 s.",
    ]


def test_several_files_and_dumps_are_one_rehearsal(run: Run) -> None:
    said = run("thunder.syx", "desk.syx")
    assert said.code == 0
    assert said.out.count("Loaded and verified") == 3
    assert "desk.syx, dump 2\n" in said.out
    assert "desk.syx (2)" in said.out
    assert "Memory: 3 of 64 slots in use" in said.out


def test_the_table_lines_up(run: Run) -> None:
    lines = run("thunder.syx", "desk.syx", "wide.syx").out.splitlines()
    start = next(at for at, line in enumerate(lines) if line.startswith("slot  sample"))
    rows = lines[start : start + 5]
    at = rows[0].index("result")
    assert [row[at:].split(",")[0] for row in rows] == [
        *("result", "loaded", "loaded", "loaded", "refused")
    ]
    assert all(row[at - 2 : at] == "  " for row in rows)


def test_a_refusal_says_why_and_where(run: Run) -> None:
    said = run("wide.syx")
    assert said.code == BROKEN
    assert "  Refused: the sample has 24 significant bits and the unit takes 8 to 16: " in said.out
    assert "    At 0.006720 s, HSK-12." in said.out
    assert re.search(r"^   -       5  wide\.syx ", said.out, re.M)


def test_another_device_says_both_ids_and_what_to_do(run: Run) -> None:
    said = run("other.syx")
    assert said.code == BROKEN
    assert "addressed to device ID 16 and the unit listens to 0; the emulated unit" in said.out
    assert "DEV-01. Replay it with --device-id 0, or set the unit to 16." in said.out


def test_what_a_finding_says_already_is_not_said_twice(run: Run) -> None:
    said = run("thunder.syx", "--to", "unit:prompt-box")
    assert said.code == BROKEN
    assert said.out.count("rounded to the nearest") == 1
    assert "    WRD-12. Nothing to mend if the unit stores no more bits" in said.out


def test_findings_of_a_file_are_told_and_make_the_exit_code(run: Run) -> None:
    said = run("short.syx")
    assert said.code == BROKEN
    assert "Incomplete: the unit took 3 of 4 packets" in said.out
    assert "short.syx, byte 402, packet 3, PKT-10" in said.out
    assert "See it again: dryload explain short.syx --packet 3" in said.out


def test_a_later_dump_is_shown_again_by_its_number(run: Run, tmp_path: Path) -> None:
    (tmp_path / "two.syx").write_bytes(dump(1) + dump(2)[:-127])
    said = run("two.syx")
    assert "See it again: dryload explain two.syx --packet 3 --dump 2" in said.out


def test_a_broken_dump_that_loads_is_still_broken(run: Run, tmp_path: Path) -> None:
    data = bytearray(dump(1))
    data[-3] = 1  # filler after the last word must be 00 (PKT-08, M1 p. 39)
    data[-2] ^= 1
    (tmp_path / "filler.syx").write_bytes(data)
    said = run("filler.syx")
    assert "Loaded and verified" in said.out
    assert said.code == BROKEN


def test_an_open_loop_unit_is_unconfirmed_and_well(run: Run) -> None:
    said = run("thunder.syx", "--to", "unit:thunder-sheet")
    assert said.code == 0
    assert (
        "  Unconfirmed: the unit never answered, so nothing says that it listened, but slot 2 of "
        "the emulated unit holds exactly what was played.\n"
    ) in said.out


# JSON

SCHEMA = {
    "file": str,
    "sample_number": int,
    "slot": (int, type(None)),
    "outcome": str,
    "verified": (bool, type(None)),
    "packets": {"planned": int, "sent": int, "resent": int},
    "words": {"sent": int, "compared": int, "different": int},
    "time": {"line_ns": int, "floor_ns": int, "waiting_ns": int, "total_ns": int},
    "findings": list,
}
FINDING = {
    "clause": str,
    "verdict": str,
    "message": str,
    "at": {
        "byte": (int, type(None)),
        "packet": (int, type(None)),
        "packet_number": (int, type(None)),
        "time_ns": (int, type(None)),
    },
    "expected": str,
    "found": str,
    "answerable": str,
    "do": str,
}


def holds_schema(value: Any, schema: Any) -> None:
    """More keys are welcome; these must be there and of their kind."""
    if isinstance(schema, dict):
        assert isinstance(value, dict)
        assert schema.keys() <= value.keys()
        for key, kind in schema.items():
            holds_schema(value[key], kind)
    elif schema is int:
        assert type(value) is int
    else:
        assert isinstance(value, schema)


def test_the_json_of_a_dump_that_loads_to_the_last_figure(run: Run) -> None:
    said = run("gulls.syx", "--json")
    document = said.document
    assert (said.code, said.err, document["schema"]) == (0, "", "dryload/replay/1")
    assert isinstance(document["target"], dict)
    assert isinstance(document["memory"], dict)
    (transfer,) = document["transfers"]
    holds_schema(transfer, SCHEMA)
    stable = {key: transfer[key] for key in SCHEMA if key != "time"}
    assert stable == {
        "file": "gulls.syx",
        "sample_number": 2,
        "slot": 3,
        "outcome": "loaded",
        "verified": True,
        "packets": {"planned": 3, "sent": 3, "resent": 0},
        "words": {"sent": 81, "compared": 81, "different": 0},
        "findings": [],
    }
    time = transfer["time"]
    floor_ns = (21 + 3 * 127) * 320_000
    # four ACKs of 6 bytes and the name, 15 bytes; 5 ms for the header and 2 ms a packet
    assert time["floor_ns"] == floor_ns
    assert time["line_ns"] == floor_ns + (4 * 6 + 15) * 320_000
    assert time["waiting_ns"] == 11_000_000
    assert time["total_ns"] == time["line_ns"] + time["waiting_ns"]


@pytest.mark.parametrize(
    ("words_", "outcome", "verified"),
    [
        (("thunder.syx",), "loaded", True),
        (("thunder.syx", "--no-read-back"), "loaded", None),
        (("thunder.syx", "--to", "unit:prompt-box"), "loaded with changes", False),
        (("wide.syx",), "refused", None),
        (("short.syx",), "incomplete", None),
        (("thunder.syx", "--to", "unit:thunder-sheet"), "unconfirmed", None),
    ],
)
def test_every_outcome_keeps_the_schema(
    run: Run, words_: tuple[str, ...], outcome: str, verified: bool | None
) -> None:
    (transfer,) = run(*words_, "--json").document["transfers"]
    holds_schema(transfer, SCHEMA)
    for finding in transfer["findings"]:
        holds_schema(finding, FINDING)
        assert finding["verdict"] in ("broken", "bent", "noted", "rig")
        assert finding["answerable"] in ("file", "sender", "unit", "rig")
    assert (transfer["outcome"], transfer["verified"]) == (outcome, verified)


def test_the_json_says_everything_that_the_text_says(run: Run) -> None:
    for name in ("thunder.syx", "wide.syx", "short.syx", "other.syx", "late.syx"):
        text = run(name, "--to", "unit:lantern-desk").out
        document = run(name, "--json").document
        (transfer,) = document["transfers"]
        assert transfer["reason"] in text
        for finding in transfer["findings"]:
            assert finding["clause"] in text
            assert finding["do"] in text
        assert f"{document['memory']['free_words']:,} of" in text


def test_json_and_text_end_with_the_same_code(run: Run) -> None:
    for name in ("thunder.syx", "wide.syx", "short.syx", "late.syx"):
        assert run(name).code == run(name, "--json").code


# What is in a file and cannot be played


def test_packets_without_a_header_are_told_and_the_rest_is_played(run: Run) -> None:
    said = run("late.syx")
    assert said.code == BROKEN
    assert said.err == (
        "dryload: late.syx: from byte 0 on, 4 packets stand before any header: not played.\n"
    )
    assert "Loaded and verified" in said.out
    (left,) = run("late.syx", "--json").document["not_played"]
    assert left == {"file": "late.syx", "byte": 0, "packets": 4, "damaged": False}


def test_a_file_with_nothing_to_play_is_refused_and_nothing_is_played(run: Run) -> None:
    said = run("thunder.syx", "headless.syx")
    assert (said.code, said.out) == (USAGE, "")
    assert "headless.syx has no whole dump header, so there is nothing to play." in said.err
    assert "dryload validate headless.syx says what is in it." in said.err


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
        "Somebody has to walk to the unit 2 times to press confirm; a walk is taken to last 8.00 s."
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
        ("lantern-desk", "a target is unit:NAME or unit:PATH.toml. dryload profiles lists"),
        ("midi:Bench", "a target is unit:NAME or unit:PATH.toml."),
        ("", "a target is unit:NAME"),
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
    assert "desk.syx" not in said.out  # it was not begun
    assert "slot  sample  from" in said.out
    assert signal.getsignal(signal.SIGINT) is before
