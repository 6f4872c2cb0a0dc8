"""`dryload validate`: what it prints, what it returns, and that long files stay bounded."""

from __future__ import annotations

import io
import json
import random
from pathlib import Path
from typing import Any

import mido
import pytest
from click.testing import CliRunner
from msgspec import Struct

from dryload.harness.cli.options import command_of
from dryload.harness.cli.validate import validate
from dryload.harness.report.findings import MOST_FINDINGS
from dryload.harness.report.validate import MOST_DUMPS
from tests import damage, oracle
from tests.judge.provoking import CLEAN, HEADER, PACKETS, STEREO, dump, header, packets, spoiled

app = command_of(validate)

BROKEN = HEADER + PACKETS[0] + PACKETS[2]
BENT = CLEAN + bytes(9)
FINDING_KEYS = {"clause", "verdict", "message", "at", "expected", "found", "answerable", "do"}


class Said(Struct, frozen=True):
    exit_code: int
    stdout: str
    stderr: str


def run(*arguments: str | Path, data: bytes | None = None) -> Said:
    result = CliRunner().invoke(app, [str(each) for each in arguments], input=data)
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return Said(result.exit_code, result.stdout, result.stderr)


def document(*arguments: str | Path, data: bytes | None = None) -> dict[str, Any]:
    parsed = json.loads(run("--json", *arguments, data=data).stdout)
    assert isinstance(parsed, dict)
    return parsed


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """A folder with a right, a bent and a broken file, and one without a dump."""
    (tmp_path / "gulls.syx").write_bytes(CLEAN + STEREO)
    (tmp_path / "bell.syx").write_bytes(BENT)
    (tmp_path / "thunder.syx").write_bytes(BROKEN)
    (tmp_path / "request.syx").write_bytes(oracle.dump_request(sample_number=4))
    return tmp_path


@pytest.mark.parametrize(
    ("names", "code"),
    [
        (["gulls.syx"], 0),
        (["bell.syx"], 0),
        (["thunder.syx"], 1),
        (["gulls.syx", "thunder.syx", "bell.syx"], 1),
        (["request.syx"], 2),
        (["none.syx"], 2),
        (["thunder.syx", "none.syx", "gulls.syx"], 2),
    ],
)
def test_the_exit_code_is_that_of_the_worst_file(shelf: Path, names: list[str], code: int) -> None:
    assert run(*(shelf / name for name in names)).exit_code == code
    assert run("--json", *(shelf / name for name in names)).exit_code == code


@pytest.mark.parametrize(
    ("name", "verdict"),
    [
        ("gulls.syx", "2 dumps, both right."),
        ("bell.syx", "1 dump, usable but bent."),
        ("thunder.syx", "1 dump, broken."),
    ],
)
def test_the_first_line_is_the_verdict(shelf: Path, name: str, verdict: str) -> None:
    first, _, _ = run(shelf / name).stdout.partition("\n")
    assert first == f"{shelf / name}: {verdict}"


def test_a_dump_is_described_in_plain_words(shelf: Path) -> None:
    text = run(shelf / "gulls.syx").stdout
    assert "Dump 1, from byte 0: sample 1, 90 words of 16 bits, mono, " in text
    assert " Hz, 2 ms of sound." in text
    assert "3 of 3 packets" in text
    assert "180 words of 16 bits, stereo, 44,100 Hz, " in text
    # 402 bytes of 320 us and four replies of 6 bytes; or the pauses of M1 p. 39.
    assert "0.14 s on the line" in text
    assert "2.19 s without replies" in text


def test_a_failure_says_everything_and_how_to_see_it_again(shelf: Path) -> None:
    path = shelf / "thunder.syx"
    text = run(path).stdout
    for words in (
        "broken: Packet 1 is missing: 40 words (0.9 ms of sound).",
        "found number 2 (02); expected number 1",
        f"{path}, byte 148, packet 1, PKT-10",
        "Make or record the dump anew",
        f"dryload explain {path} --packet 1",
    ):
        assert words in text


def test_a_failure_in_a_later_dump_names_the_dump(tmp_path: Path) -> None:
    path = tmp_path / "two.syx"
    path.write_bytes(CLEAN + BROKEN)
    assert f"dryload explain {path} --packet 1 --dump 2\n" in run(path).stdout


def test_text_is_plain_and_not_folded(tmp_path: Path) -> None:
    path = tmp_path / ("[bold]" + "a" * 120 + ".syx")
    path.write_bytes(BROKEN)
    text = run(path).stdout
    assert str(path) in text
    assert "\x1b" not in text


def test_json_holds_what_the_text_shows(shelf: Path) -> None:
    paths = [shelf / name for name in ("gulls.syx", "thunder.syx")]
    made = document(*paths)
    assert made["schema"] == "dryload/validate/1"
    assert [file["file"] for file in made["files"]] == [str(path) for path in paths]
    right, broken = made["files"]
    assert (right["verdict"], broken["verdict"]) == ("right", "broken")
    first, second = right["dumps"]
    assert (first["at"]["byte"], second["at"]["byte"]) == (0, len(CLEAN))
    assert (first["header"], second["header"]) == ("standard", "extended")
    assert first["packets"] == {"planned": 3, "found": 3, "whole": 3}
    assert (second["channels"], second["frames"], second["words"]) == (2, 90, 180)
    assert right["findings"] == []
    (finding,) = broken["findings"]
    assert finding.keys() >= FINDING_KEYS
    assert finding["at"] == {"byte": 148, "packet": 1, "packet_number": None, "time_ns": None}
    assert (finding["clause"], finding["verdict"]) == ("PKT-10", "broken")
    assert finding["dump"] == 1


def test_json_names_the_files_that_could_not_be_judged(shelf: Path) -> None:
    problem, right = document(shelf / "none.syx", shelf / "gulls.syx")["files"]
    assert "there is no such file" in problem["problem"]
    assert problem["dumps"] == problem["findings"] == []
    assert len(right["dumps"]) == 2


def test_problems_go_to_stderr_and_the_other_files_are_judged(shelf: Path) -> None:
    result = run(shelf / "request.syx", shelf / "gulls.syx")
    assert "no dump: no header, no packet" in result.stderr
    assert "both right" in result.stdout
    assert "request.syx" not in result.stdout


def test_standard_input_is_a_file(shelf: Path) -> None:
    assert run("-", data=CLEAN).stdout.startswith("standard input: 1 dump, right.")
    assert run("-", data=BROKEN).exit_code == 1
    assert document("-", data=CLEAN)["files"][0]["file"] == "-"


def test_a_midi_file_is_judged_by_the_messages_in_it(tmp_path: Path) -> None:
    track = mido.MidiTrack()
    for raw in (HEADER, *PACKETS):
        track.append(mido.Message("sysex", data=raw[1:-1]))
    path = tmp_path / "gulls.mid"
    file = io.BytesIO()
    mido.MidiFile(tracks=[track]).save(file=file)
    path.write_bytes(file.getvalue())
    text = run(path).stdout
    assert "1 dump, right." in text
    assert "Standard MIDI File" in text
    assert document(path)["files"][0]["form"] == "midi file"


def test_many_findings_are_cut_in_the_text_and_whole_in_json(tmp_path: Path) -> None:
    count = 60
    made = bytearray(header(length=count * 40) + packets([bytes([at, 1]) for at in range(count)]))
    rng = random.Random(1)
    for index in range(count):
        made[21 + 127 * index + 125] ^= rng.randrange(1, 128)
    path = tmp_path / "bell.syx"
    path.write_bytes(bytes(made))
    text = run(path).stdout
    assert text.count("broken: The checksum") <= MOST_FINDINGS
    assert "more of PKT-05" in text
    told = [finding["clause"] for finding in document(path)["files"][0]["findings"]]
    assert told.count("PKT-05") == count


def test_many_dumps_are_cut_in_the_text_and_whole_in_json(tmp_path: Path) -> None:
    count = 3 * MOST_DUMPS
    path = tmp_path / "all.syx"
    path.write_bytes(dump([1, 2, 3]) * count + BROKEN)
    text = run(path).stdout
    assert f"{count + 1} dumps, 1 of them broken." in text
    assert text.count("  Dump ") == MOST_DUMPS + 1
    assert f"  Dump {count + 1}, from byte" in text
    assert f"And {count - MOST_DUMPS} more dumps" in text
    assert len(document(path)["files"][0]["dumps"]) == count + 1


def test_faulty_dumps_are_shown_beyond_the_right_ones_but_not_without_end(tmp_path: Path) -> None:
    path = tmp_path / "all.syx"
    path.write_bytes(dump([1, 2, 3]) * MOST_DUMPS + BROKEN * (MOST_DUMPS + 5))
    text = run(path).stdout
    assert text.count("  Dump ") == 2 * MOST_DUMPS
    assert "And 5 more dumps, 5 of them not right" in text


def test_what_stands_before_the_first_dump_is_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "late.syx"
    path.write_bytes(b"\xf4" + CLEAN)
    result = run(path)
    assert result.exit_code == 1
    assert "1 dump, and something broken outside." in result.stdout
    assert "Before the first dump:" in result.stdout
    (finding,) = document(path)["files"][0]["findings"]
    assert finding["dump"] is None


def test_packets_without_a_header_are_a_broken_dump(tmp_path: Path) -> None:
    path = tmp_path / "late.syx"
    path.write_bytes(b"".join(PACKETS))
    result = run(path)
    assert result.exit_code == 1
    assert "Packets without a header, from byte 0." in result.stdout
    assert f"dryload explain {path} --from 0" in result.stdout
    assert document(path)["files"][0]["dumps"][0]["header"] == "missing"


@pytest.mark.parametrize("kind", sorted(damage.KINDS))
def test_every_damage_makes_the_exit_code_one(tmp_path: Path, kind: str) -> None:
    rng = random.Random(kind)
    clean = damage.random_dump(rng, minimum_packets=damage.KINDS[kind].minimum_packets)
    path = tmp_path / "dump.syx"
    path.write_bytes(damage.KINDS[kind](clean.data, rng).data)
    assert run(path).exit_code == 1
    path.write_bytes(clean.data)
    assert run(path).exit_code == 0


def test_a_spoiled_packet_keeps_its_number_in_json(tmp_path: Path) -> None:
    path = tmp_path / "dump.syx"
    path.write_bytes(spoiled(2, 60, PACKETS[2][60] ^ 1))
    (place,) = {
        finding["at"]["packet_number"]
        for finding in document(path)["files"][0]["findings"]
        if finding["clause"] == "PKT-05"
    }
    assert place == 2
