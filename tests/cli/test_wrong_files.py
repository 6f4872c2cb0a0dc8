"""What somebody gives who does not know yet which files are read: each gets a line that helps."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from dryload.harness.files.given import given
from dryload.harness.files.problem import Problem
from tests.cli.runs import COMMAND, environment, run

READERS = ("validate", "explain", "diagnose", "replay")
FORMS = ("F0 7E", "F07E", "F0:7E", "0xF0", "$F0", "F0h")


@pytest.mark.parametrize("content", [rb"\xF0\x7E\x00\x7F\xF7", b"240 126 0 127 5 247"])
@pytest.mark.parametrize("command", READERS)
def test_bytes_written_in_another_way_get_the_ways_there_are(
    tmp_path: Path, command: str, content: bytes
) -> None:
    (tmp_path / "talk.txt").write_bytes(content)
    ran = run(command, "talk.txt", folder=tmp_path)
    assert (ran.code, ran.out, len(ran.lines)) == (2, "", 1)
    assert all(form in ran.err for form in FORMS)


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("command", READERS)
def test_text_in_utf_16_is_named(tmp_path: Path, command: str, encoding: str) -> None:
    (tmp_path / "talk.txt").write_bytes("\ufeffF0 7E 00 7F 05 F7\r\n".encode(encoding))
    ran = run(command, "talk.txt", folder=tmp_path)
    assert (ran.code, ran.out, len(ran.lines)) == (2, "", 1)
    assert "is a text file in UTF-16" in ran.err
    assert "Save it as UTF-8." in ran.err


@pytest.mark.parametrize("command", [*READERS, "decode"])
def test_a_standard_input_that_is_closed_is_not_called_a_keyboard(
    tmp_path: Path, command: str
) -> None:
    words = [command, "-", *(["-o", "bell.wav"] if command == "decode" else [])]
    shut = ["/bin/sh", "-c", 'exec "$@" <&-', "sh", *COMMAND, *words]
    ran = subprocess.run(
        shut, cwd=tmp_path, env=environment(), capture_output=True, text=True, check=False
    )
    assert (ran.returncode, ran.stdout) == (2, "")
    assert ran.stderr == "dryload: standard input is closed. Give the file's name.\n"


def test_what_may_not_be_looked_at_is_not_called_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    def stat(path: object, **_: object) -> os.stat_result:
        raise PermissionError(13, "Permission denied", path)

    monkeypatch.setattr(os, "stat", stat)
    with pytest.raises(Problem, match=r"shut/bell\.syx may not be read"):
        given(["shut/bell.syx"])


def test_what_is_no_sound_is_there_all_the_same(tmp_path: Path) -> None:
    (tmp_path / "bell.wav").write_bytes(b"\xff\xfe" + bytes(100))
    ran = run("encode", "bell.wav", "-o", "bell.syx", folder=tmp_path)
    assert (ran.code, ran.out, len(ran.lines)) == (2, "", 1)
    assert "does not exist" not in ran.err
    assert "WAV, AIFF, FLAC and Ogg" in ran.err
