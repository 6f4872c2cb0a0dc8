"""`dryload validate` on captures: known by content, both sides judged, in words and as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from dryload.harness.files import capture_file
from tests import oracle
from tests.cli.runs import run
from tests.judge import talking
from tests.judge.talking import Tape, dump, end, every, flipped, say


def keep(tape: Tape, path: Path) -> str:
    capture_file.save(str(path), tape.recorded())
    return str(path)


def slow(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(packet).back(say("ACK", place), after_ms=30)


def careless(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(flipped(packet)).back(say("ACK", place))


@pytest.mark.parametrize("ending", ["jsonl", "mid"])
@pytest.mark.parametrize(
    ("tape", "code", "clause"),
    [(dump(), 0, None), (dump(8, every(slow)), 0, "TIM-04"), (dump(8, {3: careless}), 1, "HSK-05")],
    ids=["right", "bent", "broken"],
)
def test_a_capture_is_judged_for_both_sides(
    tmp_path: Path, ending: str, tape: Tape, code: int, clause: str | None
) -> None:
    path = keep(tape, tmp_path / f"evening.{ending}")

    text, document = (
        run("validate", path, folder=tmp_path),
        run("validate", "--json", path, folder=tmp_path),
    )

    assert (text.code, document.code) == (code, code)
    assert "a conversation with 1 dump" in text.out
    assert "8 of 8 packets" in text.out
    (file,) = json.loads(document.out)["files"]
    (seen,) = file["conversation"]["dumps"]
    assert seen["direction"] == "to unit"
    assert seen["packets"] == {"planned": 8, "sent": 8, "sent_again": 0}
    assert seen["answers"] == {"ACK": 9}
    assert (seen["loop"], seen["ended"]) == ("closed loop", "whole")
    told: list[dict[str, Any]] = [each for each in file["findings"] if each["clause"] == clause]
    assert len(told) == (clause is not None)
    for each in told:
        assert each["dump"] == 1
        assert each["answerable"] == "unit"
        assert clause is not None
        assert clause in text.out
    assert file["conversation"]["unknown"]
    assert all(each in text.out for each in file["conversation"]["unknown"])


def begun(*after: bytes) -> Tape:
    """A dump of eight packets of which three go, and what comes then."""
    tape = Tape()
    tape.to(talking.header(8)).back(say("ACK"))
    for place, packet in enumerate(talking.packets(8)[:3]):
        tape.to(packet).back(say("ACK", place))
    for each in after:
        tape.back(each)
    return tape


@pytest.mark.parametrize(
    "tape", [begun(), begun(say("CANCEL", 3))], ids=["the capture ends", "the unit cancels"]
)
def test_a_dump_without_its_end_is_not_called_right(tmp_path: Path, tape: Tape) -> None:
    path = keep(tape, tmp_path / "evening.jsonl")
    whole = keep(dump(), tmp_path / "whole.jsonl")

    done = run("validate", path, folder=tmp_path)
    both = run("validate", whole, path, folder=tmp_path)

    assert done.code == 1
    assert ", but it did not reach its end here" in done.out
    assert both.out.splitlines()[-1] == "2 files, 2 dumps: 1 right, 0 broken, 1 without an end."


def test_a_dump_that_nobody_answered_is_said_to_be_one(tmp_path: Path) -> None:
    tape = Tape()
    tape.to(talking.header(2))
    tape.to(talking.packets(2)[0], after_ms=2_100).to(talking.packets(2)[1], after_ms=25)
    kept = replace(tape.recorded(), directions=(talking.TO, talking.FROM))
    path = tmp_path / "evening.jsonl"
    capture_file.save(str(path), kept)

    done = run("validate", str(path), folder=tmp_path)

    assert done.code == 0  # the standard has receivers that never answer, M1 p. 39
    assert "nobody broke the standard, but nobody answered it" in done.out


def test_captures_and_dump_files_are_judged_side_by_side(tmp_path: Path) -> None:
    capture = keep(dump(), tmp_path / "evening.jsonl")
    file = tmp_path / "bell.syx"
    file.write_bytes(
        oracle.dump(bits=16, words=talking.words(41), sample_number=1, period_ns=22_676)
    )

    done = run("validate", "--json", capture, str(file), folder=tmp_path)

    one, other = json.loads(done.out)["files"]
    assert "conversation" in one
    assert one["dumps"] == []
    assert "conversation" not in other
    assert len(other["dumps"]) == 1


def test_pasted_bytes_of_one_direction_are_judged_as_a_dump_file(tmp_path: Path) -> None:
    path = tmp_path / "pasted.txt"
    path.write_text(" ".join(f"{byte:02X}" for byte in talking.header(1) + talking.packets(1)[0]))

    done = run("validate", str(path), folder=tmp_path)

    assert done.code == 0
    assert "1 dump, right." in done.out
    assert "what one side sent, judged as a dump file" in done.out


def test_a_conversation_without_a_dump_is_told_as_one(tmp_path: Path) -> None:
    done = run("validate", keep(end(Tape()), tmp_path / "who.jsonl"), folder=tmp_path)

    assert done.code == 0
    assert "no dump" in done.out
