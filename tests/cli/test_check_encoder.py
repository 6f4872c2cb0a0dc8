"""`dryload check-encoder` as a person meets it."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar
from xml.etree import ElementTree

import pytest

from tests.cli.runs import COMMAND, run

T = TypeVar("T")

RIGHT = '''
def encode(words, *, bits=16, rate=44100, number=0):
    """A plain encoder, written from the standard (M1 pp. 36-39)."""
    size = -(-bits // 7)

    def low_first(value, count):
        return bytes(value >> 7 * place & 0x7F for place in range(count))

    period = round(1_000_000_000 / rate)
    dump = bytearray(b"\\xf0\\x7e\\x00\\x01" + low_first(number, 2) + bytes([bits]))
    dump += low_first(period, 3) + low_first(len(words), 3) + bytes(6) + b"\\x7f\\xf7"
    data = bytearray()
    for word in words:
        value = int(word) + (1 << bits - 1) << 7 * size - bits
        data += bytes(value >> 7 * place & 0x7F for place in reversed(range(size)))
    for packet, at in enumerate(range(0, len(data), 120)):
        body = bytes([0x7E, 0, 2, packet % 128]) + bytes(data[at : at + 120]).ljust(120, b"\\0")
        checksum = 0
        for byte in body:
            checksum ^= byte
        dump += b"\\xf0" + body + bytes([checksum]) + b"\\xf7"
    return bytes(dump)
'''
BROKEN = RIGHT.replace("packet % 128", "(packet + 1) % 128")
TRY = ("check-encoder", "--limit", "4")
"""The longest probes take longer and are left out: nothing here hangs on them."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("encoders")
    (made / "right.py").write_text(RIGHT)
    (made / "broken.py").write_text(BROKEN)
    (made / "fussy.py").write_text("def encode(words):\n    raise ValueError('not today')\n")
    (made / "crash.py").write_text("import os\n\n\ndef encode(words):\n    os.abort()\n")
    (made / "hang.py").write_text("def encode(words):\n    while True:\n        pass\n")
    (made / "by_hand.py").write_text(
        "import array, struct, sys\nsys.path.insert(0, '.')\nfrom right import encode\n"
        "wav = open(sys.argv[1], 'rb').read()\n"
        "(rate,) = struct.unpack('<I', wav[24:28])\n"
        "assert wav[34:36] == b'\\x10\\0'\n"
        "words = array.array('h', wav[wav.index(b'data') + 8 :])\n"
        "open(sys.argv[2], 'wb').write(encode(words, rate=rate, number=int(sys.argv[3])))\n"
    )
    return made


def test_a_right_one_passes_and_every_file_clause_is_accounted_for(folder: Path) -> None:
    done = run(*TRY, "right:encode", "--bits", "16,8", "--json", folder=folder)
    document = json.loads(done.out)
    assert (done.code, document["right"], document["faults"], document["notes"]) == (
        0,
        True,
        [],
        [],
    )
    standings = {each["clause"]: each for each in document["clauses"]}
    assert len(standings) == 63
    assert standings["PKT-03"]["standing"] == standings["WRD-12"]["standing"] == "holds"
    assert all(each["why"] for each in standings.values() if each["standing"] == "not tried")
    assert len(document["units"]) == 12  # every profile
    assert document["units"]["lantern-desk"]["loaded, verified"] > 3
    assert "broken" not in {each["standing"] for each in standings.values()}


def test_a_broken_one_is_told_with_the_smallest_input(folder: Path) -> None:
    done = run(*TRY, "broken.py:encode", "--bits", "16", folder=folder)
    assert done.code == 1
    assert "1. broken: Packet 0 bears the number 1. (PKT-02)" in done.out
    assert "Smallest input: 1 word of 16 bits (0); in a new process it shows again." in done.out
    assert "asked for  F0 7E 00 02 00" in done.out
    assert "came       F0 7E 00 02 01" in done.out


def test_a_command_line_is_tried_too(folder: Path) -> None:
    line = f'"{sys.executable}" -I -S by_hand.py {{input}} {{output}} {{number}}'
    done = run(*TRY, line, "--json", folder=folder)
    document = json.loads(done.out)
    assert (done.code, document["faults"], document["widths"]) == (0, [], [16])
    assert document["parameters"] == ["rate", "number"]


@pytest.mark.parametrize(
    ("encoder", "code", "said"),
    [
        ("fussy:encode", 2, "it made no dump"),
        ("crash:encode", 2, "broke down: its process was ended by SIGABRT"),
        ("hang:encode", 2, "did not end: no answer within 0.3 s"),
    ],
)
def test_what_makes_no_dump_is_said(folder: Path, encoder: str, code: int, said: str) -> None:
    done = run("check-encoder", encoder, "--limit", "0.3", folder=folder)
    assert done.code == code
    assert said in done.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere:encode"], "No module named 'nowhere'"),
        (["right:decode"], "has no attribute 'decode'"),
        (["right.py"], "right.py cannot be started"),
        (["tool {input} {output} {colour}"], "has a place {colour}"),
        (["no-such-tool {input} {output}"], "no-such-tool cannot be started"),
        (["'tool {input} {output}"], "cannot be read"),
        (["right:encode", "--bits", "7"], "give widths of 8 to 28"),
        (["right:encode", "--bits", "sixteen"], "give widths of 8 to 28"),
        (["right:encode", "--limit", "0"], "give seconds"),
        (["fussy:encode", "--bits", "16,8"], "only one can be tried"),
    ],
)
def test_what_cannot_be_tried_is_one_clear_line(folder: Path, words: list[str], said: str) -> None:
    done = run("check-encoder", *words, folder=folder)
    assert (done.code, done.out) == (2, "")
    assert said in done.err
    assert "Traceback" not in done.err


def test_a_trial_that_was_stopped_shows_nothing_to_be_right(folder: Path) -> None:
    (folder / "stops.py").write_text(
        "import os, signal\nfrom right import encode as right\n\n\n"
        "def encode(words, **told):\n"
        "    if len(words) > 100:\n        os.kill(os.getppid(), signal.SIGINT)\n"
        "    return right(words, **told)\n"
    )
    done = run(*TRY, "stops:encode", "--json", folder=folder)
    document = json.loads(done.out)
    assert (done.code, document["stopped"], document["right"]) == (130, True, False)
    untried = [each["why"] for each in document["clauses"] if each["standing"] == "not tried"]
    assert set(untried) == {"the trial ended early"}
    assert "stopped by you" in done.err


@pytest.mark.skipif(not Path("/proc").exists(), reason="looks for the process in /proc")
def test_nothing_is_left_running_when_it_is_killed(folder: Path) -> None:
    (folder / "endless.py").write_text(
        "import os\n\n\ndef encode(words):\n"
        "    open('pid', 'w').write(str(os.getpid()))\n    while True:\n        pass\n"
    )
    command = [*COMMAND, "check-encoder", "endless:encode"]
    with subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL) as process:
        pid = _soon(lambda: (folder / "pid").read_text() if (folder / "pid").exists() else "")
        process.kill()
    _soon(lambda: not Path(f"/proc/{pid}").exists())


def _soon(look: Callable[[], T]) -> T:
    for _ in range(600):
        if found := look():
            return found
        time.sleep(0.05)
    raise AssertionError("it never came")


def test_known_faults_are_written_down_and_changes_are_wrong(folder: Path) -> None:
    words = (*TRY, "changing:encode", "--bits", "16", "--baseline", "known.json")
    (folder / "changing.py").write_text(BROKEN)
    first = run(*words, folder=folder)
    assert (first.code, "now lists the faults" in first.err) == (1, True)
    again = run(*words, folder=folder)
    assert (again.code, "Nothing is otherwise" in again.out) == (0, True)
    (folder / "changing.py").write_text(RIGHT)
    gone = run(*words, folder=folder)
    assert (gone.code, "Happens no more: PKT-02" in gone.out) == (1, True)
    (folder / "changing.py").write_text(BROKEN.replace("round(", "2 * round("))
    new = run(*words, folder=folder)
    assert (new.code, "New: " in new.out) == (1, True)
    (folder / "known.json").write_text("{}")
    wrong = run(*words, folder=folder)
    assert (wrong.code, "is no list of known faults" in wrong.err) == (2, True)


def test_results_for_build_servers(folder: Path) -> None:
    run(*TRY, "broken:encode", "--bits", "16", "--test-results", "r.xml", folder=folder)
    suite = ElementTree.parse(folder / "r.xml").getroot()[0]
    failed = [case.get("name", "") for case in suite if case.find("failure") is not None]
    assert [name.split(":")[0] for name in failed] == ["PKT-02"]
    assert suite.get("failures") == "1"
    again = run("check-encoder", "right:encode", "--test-results", "r.xml", folder=folder)
    assert (again.code, "--overwrite" in again.err) == (2, True)


def test_two_encoders_side_by_side(folder: Path) -> None:
    done = run(*TRY, "right:encode", "--bits", "16", "--beside", "broken:encode", folder=folder)
    assert done.code == 1
    assert "PKT-02: holds with right:encode, broken with broken:encode" in done.out
    assert "are the same byte for byte" in done.out
