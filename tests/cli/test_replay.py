"""The command replay: what it prints, its JSON, its exit codes."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from dryload.harness.files.problem import USAGE
from tests.cli.replaying import Run, dump

BROKEN = 1


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
        "  The cable alone needs 0.17 s; this took 0.19 s; 7 % was waiting, most of it (8 ms) "
        "for the unit to store packets.",
        "",
        "slot  sample  from         words   sound  packets  again  on the line  waiting  result",
        "   2       1  thunder.syx    121  2.7 ms        4      0       0.18 s    13 ms  loaded, "
        "verified",
        "",
        "Memory: 1 of 64 slots in use; 2,097,031 of 2,097,152 words free, in one piece.",
        f"  bank 1  │a{'·' * 67}│",
        f"  bank 2  │{'·' * 68}│",
        "  a = slot 2",
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
    said = run("short.syx", "--anyway")
    assert said.code == BROKEN
    assert "Incomplete: the unit took 3 of 4 packets" in said.out
    assert "short.syx, byte 402, packet 3, PKT-10" in said.out
    assert "See it again: dryload explain short.syx --packet 3" in said.out


def test_a_later_dump_is_shown_again_by_its_number(run: Run, tmp_path: Path) -> None:
    (tmp_path / "two.syx").write_bytes(dump(1) + dump(2)[:-127])
    said = run("two.syx", "--anyway")
    assert "See it again: dryload explain two.syx --packet 3 --dump 2" in said.out


def test_a_broken_dump_that_loads_is_still_broken(run: Run, tmp_path: Path) -> None:
    data = bytearray(dump(1))
    data[-3] = 1  # filler after the last word must be 00 (PKT-08, M1 p. 39)
    data[-2] ^= 1
    (tmp_path / "filler.syx").write_bytes(data)
    said = run("filler.syx", "--anyway")
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
        (("short.syx", "--anyway"), "incomplete", None),
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
        text = run(name, "--anyway").out
        document = run(name, "--anyway", "--json").document
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
        "dryload: late.syx: 4 packets from byte 0 on come before any header: not played.\n"
    )
    assert "Loaded and verified" in said.out
    (left,) = run("late.syx", "--json").document["not_sent"]
    where = {"file": "late.syx", "byte": 0, "packets": 4, "damaged": False}
    assert left.items() >= where.items()
    assert left["why"] == "no header"


def test_a_file_with_nothing_to_play_is_refused_and_nothing_is_played(run: Run) -> None:
    said = run("headless.syx")
    assert (said.code, said.out) == (USAGE, "")
    assert "headless.syx has no whole dump header, so there is nothing to play." in said.err
    assert "dryload validate headless.syx says what is in it." in said.err
