"""The command diagnose, whatever it is given: one clear line, the right exit code, no traceback."""

from __future__ import annotations

import signal
import subprocess
from pathlib import Path

import pytest

from tests.cli.diagnosing import (
    CLOSED_PIPE,
    INTERRUPTED,
    NAMED,
    OK,
    PICTURE,
    USAGE,
    keep,
    sample,
    unanswered,
)
from tests.cli.runs import COMMAND, PATIENCE_S, environment, run, start


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("none.jsonl", None, "none.jsonl: there is no such file."),
        ("empty.jsonl", b"", "empty.jsonl is empty"),
        ("holiday.png", PICTURE, "holiday.png is a PNG picture, not a capture."),
        ("letter.txt", b"The thunder sheet hangs behind the left wing.\n" * 9, "letter.txt is"),
        ("notes.syx", bytes.fromhex("f07d0102f7 903c40"), "notes.syx holds no transfer"),
        ("half.jsonl", b'{"schema": "dryload/capture/1"', "half.jsonl"),
        (
            "later.jsonl",
            b'{"schema": "dryload/capture/9", "start_ns": 0}\n',
            "later.jsonl",
        ),
    ],
)
def test_what_holds_no_transfer_gets_one_line(
    tmp_path: Path, name: str, content: bytes | None, said: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)

    ran = run("diagnose", name, folder=tmp_path)

    assert (ran.code, ran.out, len(ran.lines)) == (USAGE, "", 1)
    assert ran.err.startswith(f"dryload: {said}")


def test_a_folder_and_a_strange_name(tmp_path: Path) -> None:
    (tmp_path / "desk").mkdir()
    (tmp_path / "a\x1b[31m.syx").write_bytes(sample())

    folder, strange = (run("diagnose", name, folder=tmp_path) for name in ("desk", "a\x1b[31m.syx"))

    assert (folder.code, folder.out) == (USAGE, "")
    assert folder.err.startswith("dryload: desk is a folder")
    assert strange.code == OK
    assert "\x1b" not in strange.out


def test_any_bytes_at_all_get_an_answer_and_no_traceback(tmp_path: Path) -> None:
    good = sample(3)
    wrecks = [good[:at] + good[at + 3 :] for at in (1, 4, 9, 20, 22, 40, 140, 300)]
    wrecks += [good[::-1], b"\xf0" * 900, good[:22] + b"\xf7" * 500, b"\xf0\x7e\x00\x7f\x05\xf7"]
    for at, data in enumerate(wrecks):
        (tmp_path / f"{at}.syx").write_bytes(data)

    for at in range(len(wrecks)):
        ran = run("diagnose", f"{at}.syx", folder=tmp_path)
        assert ran.code in (OK, NAMED, USAGE), ran.err
        assert "Traceback" not in ran.err


# The other end of the output, and Ctrl-C.


def test_a_reader_that_goes_ends_it_in_silence(tmp_path: Path) -> None:
    name = keep(tmp_path, unanswered().recorded())
    process = start(["diagnose", name, "--json"], tmp_path)
    assert process.stdout is not None
    assert process.stderr is not None
    with process:
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(PATIENCE_S) == CLOSED_PIPE


def test_ctrl_c_ends_it_with_a_word(tmp_path: Path) -> None:
    with subprocess.Popen(
        [*COMMAND, "diagnose", "-"],
        cwd=tmp_path,
        env=environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdin is not None
        # Far more than a pipe holds: when it is written, the command is reading it.
        process.stdin.write(sample() * 1_000)
        process.stdin.flush()
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, out) == (INTERRUPTED, b"")
    assert err == b"dryload: stopped by you.\n"
