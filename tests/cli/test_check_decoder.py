"""`dryload check-decoder` as a person meets it."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.cli.runs import run

RIGHT = '''
def decode(data):
    """A plain decoder, written from the standard (M1 pp. 36-39)."""
    if data[:2] != b"\\xf0\\x7e" or len(data) < 21 or data[3] != 1 or (len(data) - 21) % 127:
        raise ValueError("a header and packets are all that is known here")

    def low_first(groups):
        return sum(group << 7 * place for place, group in enumerate(groups))

    bits, period, length = data[6], low_first(data[7:10]), low_first(data[10:13])
    if not (8 <= bits <= 28 and period and data[20] == 0xF7):
        raise ValueError("the header is wrong")
    size = -(-bits // 7)
    words = []
    for packet, at in enumerate(range(21, len(data), 127)):
        body, checksum = data[at + 1 : at + 125], 0
        for byte in body:
            checksum ^= byte
        if body[:1] + body[2:4] != bytes([0x7E, 2, packet % 128]) or checksum != data[at + 125]:
            raise ValueError("a packet is damaged or missing")
        if data[at] != 0xF0 or data[at + 126] != 0xF7 or max(body) > 127:
            raise ValueError("a packet is damaged")
        for place in range(4, 124, size):
            value = 0
            for group in body[place : place + size]:
                value = value << 7 | group
            words.append((value >> 7 * size - bits) - (1 << bits - 1))
    if len(words) < length:
        raise ValueError("packets are missing")
    return words[:length], bits, 1e9 / period
'''
BROKEN = RIGHT.replace("words[:length]", "words")
CARELESS = RIGHT.replace("checksum != data[at + 125]", "checksum > 127")
TRY = ("check-decoder", "--bits", "16", "--limit", "4")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("decoders")
    (made / "right.py").write_text(RIGHT)
    (made / "broken.py").write_text(BROKEN)
    (made / "careless.py").write_text(CARELESS)
    (made / "fussy.py").write_text("def decode(data):\n    raise ValueError('not today')\n")
    (made / "hang.py").write_text("def decode(data):\n    while True:\n        pass\n")
    (made / "none.py").write_text("def decode(data):\n    return 3\n")
    (made / "by_hand.py").write_text(
        "import struct, sys\nsys.path.insert(0, '.')\nfrom right import decode\n"
        "words, bits, rate = decode(open(sys.argv[1], 'rb').read())\n"
        "data = struct.pack(f'<{len(words)}h', *words)\n"
        "head = struct.pack('<IHHIIHH', 16, 1, 1, int(rate), int(rate) * 2, 2, 16)\n"
        "body = b'WAVEfmt ' + head + b'data' + struct.pack('<I', len(data)) + data\n"
        "open(sys.argv[2], 'wb').write(b'RIFF' + struct.pack('<I', len(body)) + body)\n"
    )
    return made


def test_a_right_one_passes_and_every_clause_is_accounted_for(folder: Path) -> None:
    done = run(*TRY, "right:decode", "--json", folder=folder)
    document = json.loads(done.out)
    assert (done.code, document["right"], document["faults"]) == (0, True, [])
    standings = {each["clause"]: each for each in document["clauses"]}
    assert standings["PKT-05"]["standing"] == standings["WRD-13"]["standing"] == "holds"
    assert standings["FRM-03"]["standing"] == "declined"
    assert all(each["why"] for each in standings.values() if each["standing"] == "not tried")
    assert not {"broken", "bent"} & {each["standing"] for each in standings.values()}


def test_a_broken_one_is_told_and_the_dump_that_shows_it_is_saved(folder: Path) -> None:
    results = ("--dumps", "shown", "--test-results", "results.xml")
    done = run(*TRY, "broken.py:decode", *results, folder=folder)
    assert done.code == 1
    assert "1. broken: It reads 40 words of a dump that has 1;" in done.out
    assert "(WRD-13)" in done.out
    assert len((folder / "shown" / "fault-1.syx").read_bytes()) == 21 + 127
    suite = ElementTree.parse(folder / "results.xml").getroot()[0]
    failed = [case.get("name", "") for case in suite if case.find("failure") is not None]
    assert [name[:6] for name in failed] == ["WRD-13"]


def test_a_careless_one_is_told_and_not_condemned(folder: Path) -> None:
    done = run(*TRY, "careless:decode", folder=folder)
    assert done.code == 0
    assert "1. bent: It reads a damaged dump" in done.out
    assert "(PKT-05)" in done.out


def test_a_command_line_is_tried_too(folder: Path) -> None:
    line = f'"{sys.executable}" -I -S by_hand.py {{input}} {{output}}'
    done = run(*TRY, line, "--json", folder=folder)
    document = json.loads(done.out)
    assert (done.code, document["faults"]) == (0, [])
    assert document["dumps"] > 100


@pytest.mark.parametrize(
    ("decoder", "code", "said"),
    [
        ("fussy:decode", 2, "it read no dump"),
        ("hang:decode", 2, "did not end: no answer within 0.3 s"),
        ("none:decode", 2, "broke down: what it returned has no words"),
    ],
)
def test_what_reads_nothing_is_said(folder: Path, decoder: str, code: int, said: str) -> None:
    done = run("check-decoder", decoder, "--bits", "16", "--limit", "0.3", folder=folder)
    assert done.code == code
    assert said in done.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere:decode"], "No module named 'nowhere'"),
        (["tool {input} {output} {bits}"], "has a place {bits}"),
        (["tool {input}"], "needs {input} and {output}"),
        (["right:decode", "--bits", "7"], "give widths of 8 to 28"),
        (["right:decode", "--dumps", "right.py"], "right.py"),
    ],
)
def test_what_cannot_be_tried_is_one_clear_line(folder: Path, words: list[str], said: str) -> None:
    done = run("check-decoder", *words, folder=folder)
    assert (done.code, done.out) == (2, "")
    assert said in done.err
    assert "Traceback" not in done.err
