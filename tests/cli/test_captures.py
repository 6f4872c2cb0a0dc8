"""Captures on the command line: written by a rehearsal, compared, played again."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from dryload.harness.cli.diff import diff
from dryload.harness.cli.options import command_of
from dryload.harness.cli.replay import replay
from dryload.harness.files.capture_file import load
from dryload.harness.files.problem import USAGE, Problem
from dryload.harness.files.recorded import TakenAt
from tests import oracle
from tests.cli.replaying import Said, dump
from tests.files.captures import bytes_in_lines

app = click.Group(commands=[command_of(replay), command_of(diff)])

Run = Callable[..., Said]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """The commands in a folder with a dump."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bell.syx").write_bytes(dump(1))

    def go(*arguments: str) -> Said:
        try:
            code = app(arguments, standalone_mode=False)
        except Problem as problem:
            said = capsys.readouterr()
            return Said(problem.code, said.out, said.err + str(problem))
        said = capsys.readouterr()
        return Said(code if isinstance(code, int) else 0, said.out, said.err)

    return go


@pytest.fixture
def bell(run: Run) -> Said:
    """The capture bell.jsonl of a rehearsal, and what the command said."""
    return run("replay", "bell.syx", "--capture", "bell.jsonl")


def test_a_rehearsal_writes_down_what_passed(run: Run, bell: Said) -> None:
    assert (bell.code, bell.err) == (0, "dryload: what passed is in bell.jsonl.\n")
    assert bell.out == run("replay", "bell.syx").out

    passed = bytes_in_lines(Path("bell.jsonl").read_bytes())
    assert passed["to unit"].startswith(dump(1))
    acks = b"".join(oracle.handshake(kind="ACK", packet_number=each) for each in (0, 0, 1, 2, 3))
    assert passed["from unit"].startswith(acks)
    # Read back: what came from the unit is the dump again.
    assert passed["from unit"].endswith(dump(1)[21:])


@pytest.mark.parametrize("name", ["first.jsonl", "first.mid"])
def test_a_rehearsal_keeps_what_arrived_and_says_so(run: Run, name: str) -> None:
    assert run("replay", "bell.syx", "--capture", name).code == 0
    assert load(name).recorded.taken_at is TakenAt.LINE
    run("replay", name, "--capture", "again.jsonl")
    assert load("again.jsonl").recorded.taken_at is TakenAt.LINE


def test_the_ending_says_the_form_and_both_are_the_same_conversation(run: Run, bell: Said) -> None:
    assert run("replay", "bell.syx", "--capture", "bell.mid").code == 0
    assert Path("bell.mid").read_bytes()[:4] == b"MThd"

    said = run("diff", "bell.jsonl", "bell.mid")
    assert said.code == 0
    assert said.out.splitlines() == [
        "A  bell.jsonl (capture, to unit and from unit): a rehearsal with unit:lantern-desk",
        "B  bell.mid (capture in a MIDI file, to unit and from unit): a rehearsal with "
        "unit:lantern-desk",
        "",
        "The same conversation: 21 messages, times within 1 µs.",
    ]


def test_a_capture_is_played_verbatim_and_the_same_unit_answers_alike(run: Run, bell: Said) -> None:
    said = run("replay", "bell.jsonl", "--capture", "again.jsonl")

    assert (said.code, said.err) == (0, "dryload: what passed is in again.jsonl.\n")
    assert said.out.splitlines()[2:] == [
        "A capture is played verbatim: everything that went to the unit is sent again, each "
        "message at its recorded time.",
        "It does not wait for answers, resend or read back: this shows what the unit does with "
        "exactly these bytes at exactly these times.",
        "",
        "bell.jsonl",
        "  Played verbatim: 11 messages that went to the unit of a rehearsal with "
        "unit:lantern-desk.",
        "  The unit answered as recorded.",
        "    The same conversation: 21 messages, to the nanosecond.",
        "  In the unit, 1 dump reached the end.",
        "",
        "Memory: slot 2 (sample 1, 121 words).",
    ]
    first, again = (
        Path(name).read_text().splitlines()[1:] for name in ("bell.jsonl", "again.jsonl")
    )
    assert first == again


def test_another_unit_answers_otherwise_and_the_document_says_how(run: Run, bell: Said) -> None:
    said = run("replay", "bell.jsonl", "--to", "unit:slow-pulley", "--json")

    assert said.code == 1
    document = said.document
    assert document["schema"] == "dryload/replay/1"
    assert document["transfers"] == []
    (played,) = document["verbatim"]
    assert played["answered_as_recorded"] is False
    assert played["well"] is False
    conversation = played["conversation"]
    assert conversation["differences"][0]["direction"] == "from unit"
    assert sum(conversation["kinds"].values()) == len(conversation["differences"])


def test_two_captures_that_differ_end_with_one(run: Run, bell: Said) -> None:
    text = Path("bell.jsonl").read_text()
    assert text.count('"end_ns": 54280000') == 1  # the first packet: 21 + 6 + 127 bytes, 5 ms
    Path("late.jsonl").write_text(text.replace('"end_ns": 54280000', '"end_ns": 54380000'))

    said = run("diff", "bell.jsonl", "late.jsonl")
    assert said.code == 1
    assert "Message 2 to unit (data packet with number 0)" in said.out
    assert "in B it comes 100 µs later after what comes before it" in said.out
    assert run("diff", "bell.jsonl", "late.jsonl", "--tolerance", "0.1").code == 0
    told = run("diff", "bell.jsonl", "late.jsonl", "--tolerance", "0.099", "--json")
    assert told.code == 1
    assert told.document["compared"] == "conversations"
    assert told.document["same"] is False
    assert told.document["tolerance_ns"] == 99_000


def test_hexadecimal_text_is_compared_by_its_bytes(run: Run, bell: Said) -> None:
    lines = [json.loads(line) for line in Path("bell.jsonl").read_text().splitlines()[1:]]
    signs = {"to unit": ">", "from unit": "<"}
    text = "\n".join(f"{signs[each['direction']]} {each['hex']}" for each in lines)
    Path("bell.txt").write_text(text)

    said = run("diff", "bell.txt", "bell.jsonl")
    assert said.code == 0
    assert said.out.splitlines()[-2:] == [
        "The same conversation: 21 messages, by their bytes.",
        "Note: A has no times, so only bytes were compared.",
    ]
    one_side = "\n".join(line for line in text.splitlines() if line[0] == ">")
    Path("side.txt").write_text(one_side)
    said = run("diff", "side.txt", "bell.jsonl")
    assert said.code == 0
    assert "nothing is known of what went from unit in one of them" in said.out
    played = run("replay", "side.txt", "--to", "unit:thunder-sheet")
    assert "It has no times: each message was sent as soon as the line was free" in played.out
    assert "has nothing that came from the unit" in played.out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ("diff bell.jsonl bell.syx", "bell.jsonl is a capture and bell.syx is none"),
        ("diff bell.syx bell.jsonl", "bell.jsonl is a capture and bell.syx is none"),
        ("diff bell.jsonl gone.jsonl", "gone.jsonl: there is no such file"),
        ("diff - -", "standard input can be only one"),
        ("diff bell.syx bell.syx --tolerance 1", "--tolerance is only for captures"),
        ("diff bell.jsonl bell.jsonl --tolerance nan", "--tolerance nan: give milliseconds"),
        ("diff bell.jsonl bell.jsonl --dump-a 1", "--dump-b are only for dumps"),
        ("diff up.txt down.txt", "nothing in common"),
        ("replay bell.jsonl bell.syx", "bell.jsonl is a capture, and not every file is one"),
        ("replay bell.jsonl --number 3", "a capture is played as it is"),
        ("replay bell.jsonl --device-id 3", "a capture is played as it is"),
        ("replay bell.jsonl --capture bell.jsonl", "bell.jsonl is the input file"),
        ("replay bell.syx --capture bell.jsonl", "exists already. --overwrite replaces it"),
        ("replay bell.syx --capture bell.txt", "written as .jsonl or .mid"),
        ("replay bell.syx --capture gone/bell.mid", "there is no such folder"),
        ("replay down.txt", "holds nothing that went to the unit"),
    ],
)
def test_what_cannot_be_done_is_one_line(run: Run, bell: Said, arguments: str, says: str) -> None:
    Path("up.txt").write_text("> F0 7E 00 7F 00 F7")
    Path("down.txt").write_text("< F0 7E 00 7F 00 F7")
    before = Path("bell.jsonl").read_bytes()
    said = run(*arguments.split())

    assert said.code == USAGE
    assert says in said.err
    assert said.out == ""
    assert Path("bell.jsonl").read_bytes() == before


def test_a_capture_is_replaced_where_that_was_asked_for(run: Run, bell: Said) -> None:
    said = run("replay", "bell.syx", "--no-read-back", "--capture", "bell.jsonl", "--overwrite")

    assert said.code == 0
    assert bytes_in_lines(Path("bell.jsonl").read_bytes())["to unit"] == dump(1)


def test_a_capture_that_was_cut_off_still_plays_and_says_so(run: Run, bell: Said) -> None:
    text = Path("bell.jsonl").read_bytes()
    Path("bell.jsonl").write_bytes(text[: len(text) // 2])
    said = run("replay", "bell.jsonl")

    assert "is cut short: the capture ends where its writer was stopped" in said.out
