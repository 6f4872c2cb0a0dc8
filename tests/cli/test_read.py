"""The command read: what a unit has is in the files, byte for byte; and what it says when not."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Direction
from dryload.harness.files.capture_file import load
from dryload.harness.files.problem import Problem
from dryload.harness.files.sample_files import file_name
from tests import oracle
from tests.cli.reading import BROKEN, OK, RIG, USAGE, Read, files, loop_of, reader
from tests.cli.runs import run as run_process
from tests.cli.serving import Unit, dump, receive, serving, talk
from tests.jobs.bench import words

HELD = {  # by sample number: width, words
    0: (16, words(300)),
    1: (8, words(241, 8)),
    3: (12, words(61, 12, factor=37)),
}
AFTER = {
    1: loop_of(1, device_id=0),
    3: oracle.sample_name(sample_number=3, name=b"Gull's cry /2"),
}


def in_file(number: int) -> bytes:
    """What the file of a sample holds, by the plain codec; who has no name tells an empty one."""
    bits, content = HELD[number]
    after = AFTER.get(number, b"")
    if number != 3:
        after += oracle.sample_name(sample_number=number, name=b"")
    return b"".join(dump(number, content, bits=bits)) + after


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Unit]:
    """A served unit that holds three samples and says CANCEL where it has none."""
    folder = tmp_path_factory.mktemp("unit")
    text = '[unit]\nname = "gallery"\n[habits]\nempty_request = "cancel"\n'
    (folder / "gallery.toml").write_text(text, encoding="utf-8")
    with serving(folder, "--no-pace", profile="gallery.toml") as unit:
        with unit.peer() as peer:
            for number, (bits, content) in HELD.items():
                talk(peer, dump(number, content, bits=bits))
                peer.sendall(AFTER.get(number, b""))
                peer.sendall(oracle.sample_name_request(sample_number=number))
                receive(peer)  # so that it has heard all of it
        yield unit
        unit.quit()


@pytest.fixture
def run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Read:
    return reader(tmp_path, monkeypatch, capsys)


def port_of(unit: Unit) -> str:
    return str(unit.ready["port"])


# What a unit has.


@pytest.mark.parametrize("number", HELD)
def test_one_sample_byte_for_byte(run: Read, unit: Unit, number: int) -> None:
    said = run(port_of(unit), str(number), "one.syx")
    assert said.code == OK
    data = Path("one.syx").read_bytes()
    assert data == in_file(number)
    bits, content = HELD[number]
    length = oracle.packet_count(len(content), bits) * 127 + 21
    assert oracle.read_dump(data[:length]).words == content
    assert "arrived whole and is in one.syx." in said.out
    assert f"{len(content)} words of {bits} bits, mono, 44,100 Hz" in said.out


def test_as_a_midi_file(run: Read, unit: Unit) -> None:
    assert run(port_of(unit), "1", "one.mid").code == OK
    events = [each for each in mido.MidiFile("one.mid") if each.type == "sysex"]
    assert b"".join(bytes(each.bytes()) for each in events) == in_file(1)


def test_a_range_goes_into_a_folder_and_gaps_are_said(run: Read, unit: Unit) -> None:
    said = run(port_of(unit), "0-3", "desk")
    assert said.code == OK
    names = ["sample-0000.syx", "sample-0001.syx", "sample-0003-Gulls-cry-2.syx"]
    assert files() == [f"./desk/{name}" for name in names]
    for name, number in zip(names, HELD, strict=True):
        assert Path("desk", name).read_bytes() == in_file(number)
    rows = [line.split() for line in said.out.splitlines()]
    assert [row[0] for row in rows[1:5]] == ["0", "1", "2", "3"]
    assert rows[3][-2:] == ["nothing", "there"]
    assert f"3 samples read from {port_of(unit)} into desk; nothing at 1 number." in said.out


def test_all_that_there_is(run: Read, unit: Unit) -> None:
    said = run(port_of(unit), "all", "desk", "--up-to", "11", "--json")
    assert said.code == OK
    document = said.document
    assert document["schema"] == "dryload/read/1"
    assert [each["asked_for"] for each in document["samples"]] == list(range(12))
    read = {each["asked_for"]: each for each in document["samples"] if each["file"]}
    assert list(read) == list(HELD)
    for number, (bits, content) in HELD.items():
        one = read[number]
        assert Path(one["file"]).read_bytes() == in_file(number)
        assert (one["result"], one["bits"], one["words"]) == ("read", bits, len(content))
        assert one["packets"]["came"] == oracle.packet_count(len(content), bits)
    assert (read[3]["name"], read[1]["more_loops"]) == ("Gull's cry /2", 1)
    assert document["samples"][2]["reason"] == "the unit answered CANCEL"


def test_nothing_in_a_range(run: Read, unit: Unit) -> None:
    said = run(port_of(unit), "7-9", "desk")
    assert (said.code, files()) == (BROKEN, [])
    assert "7-9" in said.out
    assert "--device-id 127" in said.out


def test_another_device_id_is_silent(run: Read, unit: Unit) -> None:
    said = run(port_of(unit), "0", "one.syx", "--device-id", "9")
    assert (said.code, files()) == (BROKEN, [])
    assert "Sample 0 did not arrive" in said.out
    assert "no answer within 2 s" in said.out
    assert "listen to a device ID other than 9" in said.out
    assert run(port_of(unit), "0", "one.syx", "--device-id", "127").code == OK  # M1 p. 35
    assert Path("one.syx").read_bytes() == in_file(0)


@pytest.mark.parametrize("name", ["c.jsonl", "c.mid"])
def test_a_capture_has_what_passed(run: Read, unit: Unit, name: str) -> None:
    assert run(port_of(unit), "3", "one.syx", "--capture", name).code == OK
    capture = load(name).recorded.capture
    assert capture.bytes_of(Direction.FROM_UNIT) == in_file(3)
    assert capture.bytes_of(Direction.TO_UNIT).startswith(oracle.dump_request(sample_number=3))


def test_nothing_is_replaced_unasked(run: Read, unit: Unit) -> None:
    Path("one.syx").write_bytes(b"mine")
    Path("desk").mkdir()
    Path("desk", "sample-0001-old.syx").write_bytes(b"mine")
    nobody = "tcp:127.0.0.1:1"  # it is not even asked
    for sample, output, there in (("0", "one.syx", "one"), ("0-3", "desk", "sample-0001-old")):
        said = run(nobody, sample, output)
        assert (said.code, said.out) == (USAGE, "")
        assert f"{there}.syx exists already. --overwrite replaces it" in said.err
    assert run(port_of(unit), "0", "one.syx", "--overwrite").code == OK
    assert Path("one.syx").read_bytes() == in_file(0)
    said = run(port_of(unit), "0-3", "desk", "--overwrite")
    assert said.code == OK
    assert "sample-0001-old.syx is from another time and stays" in said.err
    assert Path("desk", "sample-0001-old.syx").read_bytes() == b"mine"


def test_other_samples_in_the_folder_are_in_nobodys_way(run: Read, unit: Unit) -> None:
    Path("desk").mkdir()
    Path("desk", "sample-0009.syx").write_bytes(b"mine")
    assert run(port_of(unit), "0-1", "desk").code == OK
    assert Path("desk", "sample-0009.syx").read_bytes() == b"mine"


def test_a_disk_that_takes_no_more_is_told_after_what_is_written(
    run: Read, unit: Unit, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: str, *arguments: object, **named: object) -> None:
        raise Problem(f"{path} cannot be written: No space left on device.")

    monkeypatch.setattr("dryload.harness.files.safe_write.write", full)
    said = run(port_of(unit), "0-3", "desk")
    assert said.code == USAGE
    assert "No space left on device" in said.err


# Mistakes.


@pytest.mark.parametrize(
    ("target", "sample", "output", "told"),
    [
        ("desk", "4", "x.syx", "--from desk: a target is"),
        ("midi:", "4", "x.syx", "the name of the port is missing"),
        ("tcp:4000", "4", "x.syx", "give an address and a port number"),
        ("unit:lantern-desk", "4", "x.syx", "a new emulated unit is empty"),
        ("tcp:127.0.0.1:1", "four", "x.syx", "--sample four is no sample number."),
        ("tcp:127.0.0.1:1", "", "x.syx", "--sample is no sample number."),
        ("tcp:127.0.0.1:1", "4-", "x", "--sample 4- is no sample number."),
        ("tcp:127.0.0.1:1", "16384", "x.syx", "sample numbers are 0 to 16383"),
        ("tcp:127.0.0.1:1", "9-4", "x", "runs backwards. Give the lower number first: 4-9."),
        ("tcp:127.0.0.1:1", "4", "none/x.syx", "there is no such folder"),
        ("tcp:127.0.0.1:1", "4", "folder", "folder is a folder."),
        ("tcp:127.0.0.1:1", "4", "x.wav", "dryload decode converts it to audio"),
        ("tcp:127.0.0.1:1", "4", "", "-o is empty"),
        ("tcp:127.0.0.1:1", "4-9", "", "-o is empty"),
        ("tcp:127.0.0.1:1", "4-9", "mine.syx", "mine.syx is a file, but several samples"),
        ("tcp:127.0.0.1:1", "4-9", "x.syx", "this is the name of a file"),
        ("tcp:127.0.0.1:1", "all", "none/x", "the folder above it does not exist"),
    ],
)
def test_a_mistake_is_told_before_anything_is_opened(
    run: Read, target: str, sample: str, output: str, told: str
) -> None:
    Path("folder").mkdir()
    Path("mine.syx").write_bytes(b"mine")
    said = run(target, sample, output)
    assert (said.code, said.out) == (USAGE, "")
    assert told in said.err
    assert files() == ["./mine.syx"]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--device-id", "128"), "a device ID is 0 to 127"),
        (("--hear", "Desk"), "--hear is for MIDI ports"),
        (("--capture", "c.txt"), "captures are written as .jsonl or .mid"),
        (("--capture", "x.mid"), "-o and --capture are the same file"),
        (("--capture", "none/c.mid"), "there is no such folder"),
    ],
)
def test_options_that_do_not_fit(run: Read, options: tuple[str, ...], told: str) -> None:
    said = run("tcp:127.0.0.1:1", "4", "x.mid", *options)
    assert (said.code, said.out, files()) == (USAGE, "", [])
    assert told in said.err


def test_nobody_there_is_the_rig_and_leaves_nothing(run: Read) -> None:
    said = run("tcp:127.0.0.1:1", "4-9", "desk", "--capture", "c.jsonl")
    assert (said.code, said.out) == (RIG, "")
    assert not os.path.exists("desk")
    assert files() == []
    assert "127.0.0.1:1" in said.err


def test_as_a_process_of_its_own(tmp_path: Path, unit: Unit) -> None:
    ran = run_process("read", "--from", port_of(unit), "--sample", "0", folder=tmp_path)
    assert (ran.code, ran.out) == (USAGE, "")
    assert "See dryload read --help." in ran.err
    ran = run_process("read", "--help", folder=tmp_path)
    assert ran.code == OK
    for word in (
        "--from",
        "--sample",
        "--device-id",
        "--hear",
        "--no-pace",
        "--patience",
        "--up-to",
    ):
        assert word in ran.out


@given(st.integers(0, 16_383), st.text(max_size=127))
def test_a_name_is_made_safe_for_any_system(number: int, name: str) -> None:
    made = file_name(number, name)
    assert re.fullmatch(rf"sample-0*{number}(-[A-Za-z0-9]+)*\.syx", made)
    assert len(made) < 64
