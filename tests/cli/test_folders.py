"""A folder where files are expected: what replay and validate take of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests import oracle
from tests.cli.replaying import Run, dump
from tests.cli.runs import Ran
from tests.cli.runs import run as start

OK, BROKEN, USAGE = 0, 1, 2


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """A folder as people keep them; the names sort otherwise than the numbers."""
    folder = tmp_path / "winter season"
    folder.mkdir()
    (folder / "b thunder.syx").write_bytes(dump(1))
    (folder / "a gulls.syx").write_bytes(dump(2, 60))
    (folder / "c desk.syx").write_bytes(dump(3, 50) + dump(4, 70))
    (folder / "README.TXT").write_text("The sounds of the winter season.\n")
    (folder / ".draft.syx").write_bytes(dump(5))
    (folder / "old").mkdir()
    (folder / "old" / "bell.syx").write_bytes(dump(6))
    return folder


def test_replay_plays_the_dumps_of_a_folder_in_order_of_name(run: Run, season: Path) -> None:
    document = run(season.name, "--json").document
    assert [each["sample_number"] for each in document["transfers"]] == [2, 1, 3, 4]
    assert [each["file"] for each in document["not_sent"]] == [f"{season.name}/README.TXT"]
    assert run(season.name).code == OK


def test_files_and_folders_can_be_named_together(run: Run, season: Path, tmp_path: Path) -> None:
    (tmp_path / "first.syx").write_bytes(dump(9))
    document = run("first.syx", season.name, "--json").document
    assert [each["sample_number"] for each in document["transfers"]] == [9, 2, 1, 3, 4]


def test_a_capture_that_lies_there_too_is_passed_over(run: Run, season: Path) -> None:
    capture = season / "evening.jsonl"
    assert run(season.name, "--capture", str(capture)).code == OK
    assert capture.exists()
    said = run(season.name)
    assert said.code == OK
    assert "evening.jsonl is a capture, not a dump." in said.err
    # named by itself among dumps it is a mistake, as ever
    assert run("thunder.syx", str(capture)).code == USAGE


def test_a_folder_of_captures_is_played_verbatim(run: Run, tmp_path: Path) -> None:
    (tmp_path / "evenings").mkdir()
    for name in ("thunder", "gulls"):
        assert run(f"{name}.syx", "--capture", f"evenings/{name}.jsonl").code == OK
    document = run("evenings", "--json").document
    assert [each["file"] for each in document["verbatim"]] == [
        "evenings/gulls.jsonl",
        "evenings/thunder.jsonl",
    ]


@pytest.mark.parametrize("command", ["replay", "validate"])
def test_a_folder_without_a_file_is_told(tmp_path: Path, command: str) -> None:
    (tmp_path / "empty" / "inner").mkdir(parents=True)
    said = start(command, "empty", folder=tmp_path)
    assert (said.code, said.out) == (USAGE, "")
    assert said.err == (
        "dryload: empty is a folder without files. Name a file, or a folder with files.\n"
    )


def test_a_folder_in_which_nothing_is_a_dump(run: Run, tmp_path: Path) -> None:
    (tmp_path / "texts").mkdir()
    for name in ("a.txt", "b.txt"):
        (tmp_path / "texts" / name).write_text("The sounds of the winter season.\n")
    said = run("texts")
    assert (said.code, said.out) == (USAGE, "")
    assert "none of the files holds a dump: texts/a.txt is a text file" in said.err


def test_an_empty_file_among_dumps_stops_nothing_and_is_told(run: Run, season: Path) -> None:
    (season / "d cut.syx").write_bytes(b"")
    said = run(season.name)
    assert said.code == BROKEN  # it may have been a dump
    assert "d cut.syx is empty: 0 bytes." in said.err
    assert said.out.count("loaded, verified") == 4


# Validate


def validated(folder: Path, *files: str) -> Ran:
    return start("validate", *files, folder=folder)


def test_validate_judges_what_is_in_a_folder_and_adds_it_up(season: Path, tmp_path: Path) -> None:
    said = validated(tmp_path, season.name)
    assert said.code == OK, said.err
    judged = [line for line in said.out.splitlines() if line.startswith(season.name)]
    assert [line.split("/")[1].split(":")[0] for line in judged] == [
        *("a gulls.syx", "b thunder.syx", "c desk.syx")
    ]
    assert "README.TXT is a text file, not a dump." in said.err
    assert said.out.splitlines()[-1] == "3 files, 4 dumps: all right. 1 file holds no dump."


def test_the_sums_count_what_is_broken(season: Path, tmp_path: Path) -> None:
    (season / "d cut.syx").write_bytes(dump(7)[:-127])
    said = validated(tmp_path, season.name)
    assert said.code == BROKEN
    assert said.out.splitlines()[-1] == "4 files, 5 dumps: 4 right, 1 broken. 1 file holds no dump."


def test_a_file_that_was_named_and_holds_no_dump_still_makes_it_2(
    season: Path, tmp_path: Path
) -> None:
    names = [f"{season.name}/{name}" for name in ("a gulls.syx", "README.TXT", "b thunder.syx")]
    said = validated(tmp_path, *names)
    assert said.code == USAGE
    assert said.out.splitlines()[-1] == "2 files, 2 dumps: all right. 1 file holds no dump."


def test_one_file_has_no_sums(season: Path, tmp_path: Path) -> None:
    said = validated(tmp_path, f"{season.name}/a gulls.syx")
    assert "1 file, " not in said.out


def test_captures_count_as_well(run: Run, tmp_path: Path) -> None:
    assert run("thunder.syx", "--capture", "c.jsonl").code == OK
    said = validated(tmp_path, "thunder.syx", "c.jsonl")
    assert said.code == OK
    # the capture has the dump twice: to the unit and back
    assert said.out.splitlines()[-1] == "2 files, 3 dumps: all right."


def test_the_sums_stand_in_the_json(season: Path, tmp_path: Path) -> None:
    (season / "d cut.syx").write_bytes(dump(7)[:-127] + oracle.handshake(kind="ACK"))
    document = json.loads(validated(tmp_path, season.name, "--json").out)
    sums = {"files": 4, "dumps": 5, "broken": 1, "broken_outside": 0}
    sums |= {"unfinished": 0, "without_a_dump": 1}
    assert document["sums"] == sums


def test_a_command_that_takes_one_file_asks_for_the_file_in_a_folder(
    season: Path, tmp_path: Path
) -> None:
    said = start("decode", season.name, "-o", "bell.wav", folder=tmp_path)
    assert (said.code, said.out) == (USAGE, "")
    assert said.err == f"dryload: {season.name} is a folder, not a file. Name the file in it.\n"
