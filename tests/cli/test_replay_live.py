"""The command replay to a port: what it sends, what it leaves out, how it ends and goes on again.

At the other end is the command serve, and what came there is looked at from outside: in its image
after it was ended, and in what it says.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import restore
from dryload.emulator.unit.profile import load_profile
from dryload.harness.files.capture_file import load
from dryload.harness.files.recorded import TakenAt
from tests import oracle
from tests.cli.forked import Forked
from tests.cli.runs import COMMAND, environment, run
from tests.cli.serving import PATIENCE_S, PERIOD_NS, Unit, serving

LENGTHS = {1: 90, 2: 2_000, 3: 70}
"""Words of the dumps: the second lasts for two seconds on the line, of which it can be stopped."""


def words(number: int) -> list[int]:
    return [(997 * i + 31 * number) % 65_536 - 32_768 for i in range(LENGTHS[number])]


@pytest.fixture(autouse=True)
def dumps(tmp_path: Path) -> None:
    for number in LENGTHS:
        data = oracle.dump(bits=16, words=words(number), sample_number=number, period_ns=PERIOD_NS)
        (tmp_path / f"{number}.syx").write_bytes(data)


class Run:
    """A process that replays."""

    def __init__(self, process: Forked) -> None:
        self.process = process

    def end(self) -> dict[str, Any]:
        out, self.err = self.process.communicate(timeout=PATIENCE_S)
        self.code = self.process.wait()
        document = json.loads(out)
        assert isinstance(document, dict)
        return document


@contextmanager
def replaying(folder: Path, unit: Unit, *arguments: str) -> Iterator[Run]:
    """Replay with --json in a process of its own."""
    host, number = unit.address
    words = ("replay", *arguments, "--to", f"tcp:{host}:{number}", "--json")
    env = environment() | {"XDG_STATE_HOME": str(folder / "state")}
    with Forked(words, cwd=folder, env=env) as process:
        try:
            yield Run(process)
        finally:
            process.kill()


def replayed(folder: Path, unit: Unit, *arguments: str) -> tuple[int, dict[str, Any], str]:
    with replaying(folder, unit, *arguments) as run:
        document = run.end()
        return run.code, document, run.err


def in_image(path: Path) -> dict[int, list[int]]:
    """Sample number to words of what an image holds."""
    unit = RackUnit(load_profile("lantern-desk"))
    restore(unit, path.read_bytes())
    return {
        slot.sample_number: [int(word) for word in slot.sample.words]
        for slot in unit.slots.used()
        if slot.sample is not None
    }


def outcomes(document: dict[str, Any]) -> list[tuple[int, str, bool | None]]:
    return [
        (each["sample_number"], each["outcome"], each["verified"]) for each in document["transfers"]
    ]


def begin(unit: Unit, number: int) -> None:
    """Wait until the header of a sample has come."""
    while unit.await_event("header")["sample_number"] != number:
        pass


def of_sample(said: Sequence[dict[str, Any]], event: str) -> list[int]:
    return [each["sample_number"] for each in said if each["event"] == event]


def test_what_is_loaded_is_verified_and_in_the_image(tmp_path: Path) -> None:
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        code, document, err = replayed(tmp_path, unit, "1.syx", "2.syx", "3.syx", "--no-pace")
        unit.quit()
    assert code == 0, err
    assert outcomes(document) == [(number, "loaded", True) for number in LENGTHS]
    assert document["memory"] is None  # nothing is known of its insides
    assert in_image(tmp_path / "desk.image") == {number: words(number) for number in LENGTHS}
    assert "samples 1, 2, 3 in the unit are replaced" in err


def test_a_broken_dump_is_not_sent_unless_that_is_wanted(tmp_path: Path) -> None:
    broken = bytearray((tmp_path / "3.syx").read_bytes())
    broken[21 + 60] ^= 1  # in the data of packet 0: its checksum is wrong now
    (tmp_path / "3.syx").write_bytes(broken)
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        code, document, err = replayed(tmp_path, unit, "3.syx", "1.syx", "--no-pace")
        assert (code, outcomes(document)) == (1, [(1, "loaded", True)])
        (left,) = document["not_sent"]
        assert (left["file"], left["sample_number"]) == ("3.syx", 3)
        assert {"PKT-05"} <= {finding["clause"] for finding in left["findings"]}
        assert "3.syx (sample 3) is broken and not sent" in err
        code, document, _ = replayed(tmp_path, unit, "3.syx", "--no-pace", "--anyway")
        assert (code, document["not_sent"]) == (1, [])
        assert outcomes(document) == [(3, "incomplete", None)]  # rejected three times
        said = unit.quit()
    assert of_sample(said, "header") == [1, 3]
    assert in_image(tmp_path / "desk.image") == {1: words(1)}


@pytest.mark.parametrize("form", ["jsonl", "mid"])
def test_what_was_kept_says_at_which_end(tmp_path: Path, form: str) -> None:
    host, again = f"host.{form}", f"again.{form}"
    with serving(tmp_path, "--no-pace", "--capture", "unit.jsonl") as unit:
        code, _, err = replayed(tmp_path, unit, "1.syx", "--no-pace", "--capture", host)
        assert code == 0, err
        _, _, err = replayed(tmp_path, unit, host, "--no-pace", "--capture", again)
        unit.quit()
    taken_at = {name: load(str(tmp_path / name)).recorded.taken_at for name in (host, again)}
    assert taken_at == {host: TakenAt.HOST, again: TakenAt.HOST}, err
    assert load(str(tmp_path / "unit.jsonl")).recorded.taken_at is TakenAt.UNIT


def test_to_a_port_where_nobody_is(tmp_path: Path) -> None:
    with serving(tmp_path) as unit:
        address = unit.address
        unit.quit()
    done = subprocess.run(
        [*COMMAND, "replay", "1.syx", "--to", f"tcp:{address[0]}:{address[1]}"],
        cwd=tmp_path,
        env=environment() | {"XDG_STATE_HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (3, "")
    assert "can't be reached" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_ended_by_its_user_it_tells_the_unit_and_says_what_is_loaded(
    tmp_path: Path, how: signal.Signals
) -> None:
    with serving(tmp_path, "--image", "desk.image") as unit:
        with replaying(tmp_path, unit, "1.syx", "2.syx", "3.syx") as run:
            begin(unit, 2)
            unit.await_event("progress")
            run.process.send_signal(how)
            document = run.end()
        ended = unit.await_event("incomplete")
        assert ended["sample_number"] == 2
        assert run.code == 130
        assert document["stopped"] is True
        assert outcomes(document) == [(1, "loaded", True), (2, "incomplete", None)]
        assert document["transfers"][1]["reason"].startswith("you stopped it at packet ")
        assert "--resume goes on with what is not loaded yet" in run.err
        assert "Traceback" not in run.err
        code, document, err = replayed(tmp_path, unit, "1.syx", "2.syx", "3.syx", "--resume")
        assert code == 0, err
        assert outcomes(document) == [(2, "loaded", True), (3, "loaded", True)]
        assert [each["sample_number"] for each in document["loaded_before"]] == [1]
        unit.quit()
    assert in_image(tmp_path / "desk.image") == {number: words(number) for number in LENGTHS}


@pytest.mark.skipif(sys.platform == "win32", reason="nobody is killed by signal there")
def test_killed_in_a_dump_the_unit_gets_free_and_resume_ends_with_all_slots_right(
    tmp_path: Path,
) -> None:
    with serving(tmp_path, "--image", "desk.image") as unit:
        with replaying(tmp_path, unit, "1.syx", "2.syx", "3.syx") as run:
            begin(unit, 2)
            unit.await_event("progress")
            run.process.kill()
            run.process.wait(PATIENCE_S)
        # what was sent half is given up after the unit's idle limit, and the next dump loads
        assert unit.await_event("incomplete")["sample_number"] == 2
        code, document, err = replayed(
            tmp_path, unit, "3.syx", "--number", "9", "--journal", "other.jsonl"
        )
        assert (code, outcomes(document)) == (0, [(9, "loaded", True)]), err
        code, document, err = replayed(tmp_path, unit, "1.syx", "2.syx", "3.syx", "--resume")
        assert code == 0, err
        assert outcomes(document) == [(2, "loaded", True), (3, "loaded", True)]
        unit.quit()
    held = {number: words(number) for number in LENGTHS}
    assert in_image(tmp_path / "desk.image") == {**held, 9: words(3)}


def test_everything_loaded_before_is_said_and_nothing_sent(tmp_path: Path) -> None:
    with serving(tmp_path, "--no-pace") as unit:
        assert replayed(tmp_path, unit, "1.syx", "--no-pace")[0] == 0
        code, document, err = replayed(tmp_path, unit, "1.syx", "--no-pace", "--resume")
        assert (code, document["transfers"]) == (0, [])
        assert "(sample 1) was loaded before, and the unit still has it: not sent again." in err
        # another content under the same number is another dump
        (tmp_path / "1.syx").write_bytes((tmp_path / "3.syx").read_bytes())
        code, document, _ = replayed(
            tmp_path, unit, "1.syx", "--number", "1", "--no-pace", "--resume"
        )
        assert (code, outcomes(document)) == (0, [(1, "loaded", True)])
        said = unit.quit()
    assert of_sample(said, "header") == [1, 1]


def test_a_second_replay_does_not_share_the_journal_of_the_first(tmp_path: Path) -> None:
    with serving(tmp_path) as unit, replaying(tmp_path, unit, "2.syx", "--journal", "j") as first:
        begin(unit, 2)
        words = ("replay", "1.syx", "--to", "tcp:127.0.0.1:1", "--journal", "j")
        done = run(*words, folder=tmp_path)
        assert first.end()["transfers"]
        unit.quit()
    assert (done.code, done.out) == (2, "")
    assert "another replay is writing the journal j" in done.err
    assert first.code == 0


@pytest.mark.skipif(sys.platform == "win32", reason="no such limit there")
def test_where_the_journal_can_not_grow_the_report_is_told_and_the_journal_named(
    tmp_path: Path,
) -> None:
    import resource

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (500, 500))  # setrlimit(2): EFBIG beyond it

    with serving(tmp_path, "--no-pace") as unit:
        target = "tcp:{}:{}".format(*unit.address)
        options = ("--no-pace", "--journal", "evening.jsonl", "--json")
        done = subprocess.run(
            [*COMMAND, "replay", "1.syx", "3.syx", "--to", target, *options],
            cwd=tmp_path,
            env=environment(),
            preexec_fn=limit,
            capture_output=True,
            text=True,
            check=False,
        )
        unit.quit()
    document = json.loads(done.stdout)
    assert outcomes(document) == [(1, "loaded", True), (3, "loaded", True)]
    assert "evening.jsonl" in document["not_written_down"]
    assert "the journal evening.jsonl cannot be written" in done.stderr
    assert done.returncode == 1


def test_a_unit_that_goes_away_in_the_middle_is_a_matter_of_the_rig(tmp_path: Path) -> None:
    with serving(tmp_path) as unit, replaying(tmp_path, unit, "1.syx", "2.syx", "3.syx") as run:
        begin(unit, 2)
        unit.await_event("progress")
        unit.process.kill()
        document = run.end()
    assert run.code == 3
    assert outcomes(document) == [(1, "loaded", True), (2, "incomplete", None)]
    assert document["transfers"][1]["reason"].startswith("the port failed at packet ")
    assert document["failed"]["what"]
    assert [(each["file"], each["why"]) for each in document["not_sent"]] == [
        ("3.syx", "port failed")
    ]
    assert "Traceback" not in run.err


@pytest.mark.parametrize(
    "option", [("--banks", "1"), ("--initialise",), ("--operator", "2"), ("--disturb", "link usb")]
)
def test_what_only_an_emulated_unit_can_do_is_refused(
    tmp_path: Path, option: tuple[str, ...]
) -> None:
    done = run("replay", "1.syx", "--to", "tcp:127.0.0.1:1", *option, folder=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert f"{option[0]} is for an emulated unit" in done.err
