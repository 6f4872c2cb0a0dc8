"""The command encode with several recordings: one dump each, and numbers that count on."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest

from dryload.harness.files.problem import USAGE
from tests import oracle
from tests.cli.test_encode_decode import Bench, bench
from tests.files.test_audio import wav

__all__ = ["bench"]

LENGTHS = {"thunder": 41, "gulls": 60, "bell": 95}


def words(name: str) -> list[int]:
    return [(1021 * i + LENGTHS[name]) % 65_536 - 32_768 for i in range(LENGTHS[name])]


@pytest.fixture(autouse=True)
def recordings(bench: Bench) -> None:
    for name in LENGTHS:
        (bench.folder / f"{name}.wav").write_bytes(wav(words(name), width=2))


def dumps(*names: str, first: int) -> list[bytes]:
    return [
        oracle.dump(bits=16, words=words(name), sample_number=number, period_ns=22_676)
        for number, name in enumerate(names, start=first)
    ]


@pytest.mark.parametrize("first", [1, 40, 16_381])
def test_several_recordings_go_into_a_folder_and_are_numbered_on(bench: Bench, first: int) -> None:
    wavs = [f"{name}.wav" for name in LENGTHS]
    said = bench.run("encode", *wavs, "-o", "season", "--number", str(first))
    assert said.code == 0, said.err
    made = [(bench.folder / "season" / f"{name}.syx").read_bytes() for name in LENGTHS]
    assert made == dumps(*LENGTHS, first=first)
    assert f"season/gulls.syx: sample {first + 1}, 60 words" in said.out


def test_or_into_one_dump_file_one_after_another(bench: Bench) -> None:
    said = bench.run("encode", "bell.wav", "thunder.wav", "-o", "desk.syx", "--number", "7")
    assert said.code == 0, said.err
    assert (bench.folder / "desk.syx").read_bytes() == b"".join(dumps("bell", "thunder", first=7))


def test_or_into_one_midi_file(bench: Bench) -> None:
    assert bench.run("encode", "bell.wav", "thunder.wav", "-o", "desk.mid").code == 0
    tracks = mido.MidiFile(bench.folder / "desk.mid").tracks
    held = b"".join(
        bytes(each.bytes()) for track in tracks for each in track if each.type == "sysex"
    )
    assert held == b"".join(dumps("bell", "thunder", first=1))


def test_the_json_holds_them_all(bench: Bench) -> None:
    document = bench.run("encode", "bell.wav", "gulls.wav", "-o", "season", "--json").document
    assert document["schema"] == "dryload/encode/1"
    assert [
        (each["source"]["file"], each["file"], each["sample_number"]) for each in document["made"]
    ] == [("bell.wav", "season/bell.syx", 1), ("gulls.wav", "season/gulls.syx", 2)]


def test_numbers_end_at_16383(bench: Bench) -> None:
    said = bench.run("encode", "bell.wav", "gulls.wav", "-o", "season", "--number", "16383")
    assert (said.code, said.out) == (USAGE, "")
    assert "--number 16383" in said.err
    assert "2 recordings" in said.err
    assert not (bench.folder / "season").exists()


def test_two_recordings_for_one_file_are_told(bench: Bench) -> None:
    (bench.folder / "other").mkdir()
    (bench.folder / "other" / "bell.wav").write_bytes(wav(words("gulls"), width=2))
    said = bench.run("encode", "bell.wav", "other/bell.wav", "-o", "season")
    assert (said.code, said.out) == (USAGE, "")
    assert (
        "season/bell.syx would be written twice: from bell.wav and from other/bell.wav." in said.err
    )
    assert not (bench.folder / "season").exists()


def test_what_is_there_stays_unless_it_may_be_replaced(bench: Bench) -> None:
    (bench.folder / "season").mkdir()
    there = bench.folder / "season" / "gulls.syx"
    there.write_bytes(b"mine")
    wavs = ("bell.wav", "gulls.wav")
    said = bench.run("encode", *wavs, "-o", "season")
    assert said.code == USAGE
    assert there.read_bytes() == b"mine"
    assert sorted(path.name for path in there.parent.iterdir()) == ["gulls.syx"]  # nothing was made
    assert bench.run("encode", *wavs, "-o", "season", "--overwrite").code == 0
    assert there.read_bytes() == dumps("bell", "gulls", first=1)[1]


def test_one_that_is_no_recording_leaves_nothing_half_done(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "letter.wav").write_text("The thunder sheet hangs behind the left wing.")
    said = bench.run("encode", "bell.wav", "letter.wav", "-o", "season")
    assert said.code == USAGE
    assert "letter.wav" in said.err
    assert not (bench.folder / "season").exists()
