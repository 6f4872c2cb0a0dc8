"""A list of files, rehearsed and live: what is sent, what is left out, and equal sample numbers.

The rehearsal of a list is the live run of it, so most checks run both and compare.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dryload.harness.cli.interrupt import Interrupted
from dryload.harness.cli.keys import GONE
from dryload.harness.cli.live import Desk
from dryload.harness.files.problem import USAGE
from tests.cli.replaying import Run, Said, dump
from tests.cli.serving import serving
from tests.cli.test_capture_round_trip import dryload
from tests.cli.test_replay_live import in_image
from tests.jobs.bench import words

BROKEN = 1


@pytest.fixture(params=["rehearsed", "live"])
def play(
    request: pytest.FixtureRequest, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Any:
    """Replay to a fresh unit, emulated here or served over TCP."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))

    def rehearsed(*arguments: str) -> Said:
        return run(*arguments)

    def live(*arguments: str) -> Said:
        with serving(tmp_path, "--no-pace") as unit:
            host, number = unit.address
            return run(*arguments, "--to", f"tcp:{host}:{number}", "--no-pace")

    return rehearsed if request.param == "rehearsed" else live


def rows(said: Said) -> dict[str, str]:
    """What the table says: file to result."""
    lines = said.out.splitlines()
    start = next(at for at, line in enumerate(lines) if "sample  from" in line)
    result = lines[start].index("result")
    name = lines[start].index("from")
    table = lines[start + 1 :]
    table = table[: table.index("")] if "" in table else table
    return {line[name:].split()[0]: line[result:] for line in table}


# What is left out


def test_a_broken_dump_is_left_out_and_has_its_row(play: Run) -> None:
    said = play("thunder.syx", "short.syx", "gulls.syx")
    assert said.code == BROKEN
    assert "short.syx (sample 7) is broken and not sent" in said.err
    assert rows(said) == {
        "thunder.syx": "loaded, verified",
        "short.syx": "not sent: broken",
        "gulls.syx": "loaded, verified",
    }


def test_with_anyway_it_is_sent(play: Run) -> None:
    document = play("thunder.syx", "short.syx", "--anyway", "--json").document
    assert [each["outcome"] for each in document["transfers"]] == ["loaded", "incomplete"]
    assert document["not_sent"] == []


def test_all_of_it_stands_in_the_json_with_its_reason(play: Run, tmp_path: Path) -> None:
    (tmp_path / "README.TXT").write_text("The sounds of the winter season.\n")
    said = play("late.syx", "README.TXT", "short.syx", "thunder.syx", "headless.syx", "--json")
    document = said.document
    assert said.code == BROKEN
    assert [each["sample_number"] for each in document["transfers"]] == [10, 1]
    assert [
        (each["file"], each["sample_number"], each["why"]) for each in document["not_sent"]
    ] == [
        ("late.syx", None, "no header"),
        ("README.TXT", None, "no dump in it"),
        ("short.syx", 7, "broken"),
        ("headless.syx", None, "no header"),
    ]


def test_one_text_among_the_files_stops_nothing(play: Run, tmp_path: Path) -> None:
    (tmp_path / "README.TXT").write_text("The sounds of the winter season.\n")
    said = play("README.TXT", "gulls.syx", "thunder.syx")
    assert said.code == 0, said.err
    assert "README.TXT is a text file, not a dump." in said.err
    assert rows(said) == {
        "README.TXT": "no dump in it",
        "gulls.syx": "loaded, verified",
        "thunder.syx": "loaded, verified",
    }


def test_bytes_that_may_have_been_a_dump_are_told_and_spoil_the_exit_code(
    play: Run, tmp_path: Path
) -> None:
    (tmp_path / "noise.syx").write_bytes(bytes(range(256)) * 9)
    said = play("noise.syx", "thunder.syx")
    assert said.code == BROKEN
    assert rows(said)["noise.syx"] == "no dump in it"
    assert rows(said)["thunder.syx"] == "loaded, verified"


def test_texts_alone_are_nothing_to_play(play: Run, tmp_path: Path) -> None:
    for name in ("README.TXT", "LICENCE.TXT"):
        (tmp_path / name).write_text("The sounds of the winter season.\n")
    for names in (("README.TXT",), ("README.TXT", "LICENCE.TXT")):
        said = play(*names)
        assert (said.code, said.out) == (USAGE, "")
        assert "README.TXT is a text file, not a dump." in said.err


# Equal sample numbers


@pytest.fixture
def takes(tmp_path: Path) -> None:
    """Three files that all have number 1, as `encode` makes them."""
    for take in (1, 2, 3):
        (tmp_path / f"take-{take}.syx").write_bytes(dump(1, 40 + take))


@pytest.mark.usefixtures("takes")
def test_equal_numbers_are_told_before_anything_is_sent(play: Run) -> None:
    said = play("take-1.syx", "take-2.syx", "take-3.syx", "gulls.syx")
    assert (said.code, said.out) == (USAGE, "")
    assert "sample 1: take-1.syx, take-2.syx, take-3.syx" in said.err
    assert "Only the last one would remain: take-3.syx." in said.err
    assert "gulls.syx" not in said.err
    assert "--number N" in said.err
    assert "--replace" in said.err


@pytest.mark.usefixtures("takes")
def test_nothing_reaches_a_real_unit_then(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        host, number = unit.address
        said = run("take-1.syx", "take-2.syx", "--to", f"tcp:{host}:{number}", "--no-pace")
        events = unit.quit()
    assert said.code == USAGE
    assert "header" not in [each["event"] for each in events]


@pytest.mark.usefixtures("takes")
def test_numbered_on_a_unit_holds_all_of_them(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    takes = [f"take-{take}.syx" for take in (1, 2, 3)]
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        host, number = unit.address
        said = run(*takes, "--number", "5", "--to", f"tcp:{host}:{number}", "--no-pace")
        unit.quit()
    assert said.code == 0, said.err
    assert in_image(tmp_path / "desk.image") == {4 + take: words(40 + take) for take in (1, 2, 3)}
    document = run(*takes, "--number", "5", "--json").document
    assert [each["outcome"] for each in document["transfers"]] == ["loaded"] * 3


def test_two_dumps_of_one_file_collide_too(play: Run, tmp_path: Path) -> None:
    (tmp_path / "two.syx").write_bytes(dump(4, 40) + dump(4, 41))
    said = play("two.syx")
    assert (said.code, said.out) == (USAGE, "")
    assert "sample 4: two.syx, two.syx, dump 2" in said.err


def test_the_capture_of_an_evening_that_went_well_says_so(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At its end the unit was asked whether all is still there, and told to stop after a packet."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    with serving(tmp_path) as unit:
        host, number = unit.address
        said = run("gulls.syx", "desk.syx", "--to", f"tcp:{host}:{number}", "--capture", "c.jsonl")
        assert said.code == 0, said.err
    diagnosed = dryload(tmp_path, "diagnose", "c.jsonl")
    assert "Nothing is wrong here" in diagnosed.out
    judged = dryload(tmp_path, "validate", "c.jsonl")
    assert "Look at its panel" not in judged.out


@pytest.mark.usefixtures("takes")
def test_replaced_on_purpose_only_the_last_one_is_loaded(play: Run) -> None:
    said = play("take-1.syx", "take-2.syx", "gulls.syx", "--replace")
    assert said.code == 0, said.err
    assert "Not kept: it was loaded, and take-2.syx (sample 1) was sent to its place" in said.out
    assert rows(said) == {
        "take-1.syx": "not kept: replaced, as asked",
        "take-2.syx": "loaded, verified",
        "gulls.syx": "loaded, verified",
    }
    document = play("take-1.syx", "take-2.syx", "--replace", "--json").document
    told = [(each["outcome"], each["still_there"]) for each in document["transfers"]]
    assert told == [("not kept", False), ("loaded", True)]


def test_a_memory_that_was_lost_in_between_holds_nothing_that_is_called_loaded(
    run: Run, tmp_path: Path
) -> None:
    (tmp_path / "long.syx").write_bytes(dump(2, 600))
    (tmp_path / "mine.toml").write_text('[unit]\nname = "mine"\n[memory]\nbattery = false\n')
    power = ("--disturb", "power fails at packet 9", "--to", "unit:mine.toml")
    said = run("thunder.syx", "long.syx", *power)
    assert said.code == BROKEN
    assert rows(said)["thunder.syx"] == "not kept"


# Another width


def test_a_12_bit_dump_that_a_16_bit_unit_keeps_whole_is_loaded(run: Run, tmp_path: Path) -> None:
    (tmp_path / "narrow.syx").write_bytes(dump(1, 90, bits=12))
    words_of_16 = '[words]\naccepts = [16]\nothers = "cut"\nothers_to = 16\n'
    (tmp_path / "mine.toml").write_text(f'[unit]\nname = "mine"\n{words_of_16}')
    said = run("narrow.syx", "--to", "unit:mine.toml")
    assert said.code == 0, said.out
    assert "Loaded and verified" in said.out
    assert "significant bits is 16 and not 12" in said.out  # told, and held against nobody
    (transfer,) = run("narrow.syx", "--to", "unit:mine.toml", "--json").document["transfers"]
    assert (transfer["outcome"], transfer["verified"]) == ("loaded", True)
    assert [each["verdict"] for each in transfer["findings"]] == ["noted"]


# What the unit refused


@pytest.mark.parametrize(
    ("keys", "answer"),
    [("y", True), ("n", False), ("pxy", True), ("..n", False), ("", False), ("#y", False)],
)
def test_the_question_whether_to_go_on_waits_for_y_or_n(keys: str, answer: bool) -> None:
    left = iter(keys)
    pressed = Interrupted()

    def read_key(wait_s: float = 0.0) -> str:
        key = next(left, None)
        if key is None:
            pressed.press(2, None)  # nobody answers, and then Ctrl-C
        return {None: "", ".": "", "#": GONE}.get(key, key or "")

    desk = Desk(pressed)
    desk.read_key = read_key
    assert desk.ask("Send it all the same?") is answer


def test_where_nobody_sits_the_answer_is_no() -> None:
    assert not Desk(Interrupted()).ask("Send it?")


@pytest.mark.usefixtures("takes")
def test_captures_with_different_dumps_of_one_number_are_told_as_well(play: Run) -> None:
    for take in (1, 2):
        assert play(f"take-{take}.syx", "--capture", f"{take}.jsonl").code == 0
    said = play("1.jsonl", "2.jsonl")
    assert (said.code, said.out) == (USAGE, "")
    assert "sample 1: 1.jsonl, 2.jsonl" in said.err
    assert "--number" not in said.err  # a capture is played as it is
    document = play("1.jsonl", "2.jsonl", "--replace", "--json").document
    assert len(document["verbatim"]) == 2
    assert play("1.jsonl", "1.jsonl").code != USAGE  # the same twice replaces nothing
