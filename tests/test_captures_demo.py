"""The demo's files are what their script makes, and the good ones hold the sounds they say.

The oracle (tests/oracle.py, written from the published text alone) reads every good file, and mido,
a foreign library, the Standard MIDI File.  "M1" is the MIDI 1.0 Detailed Specification 4.2.1.
"""

import ast
import io
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import mido
import numpy as np
import pytest

from captures_demo import dumps, make, sounds
from tests import oracle

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "captures_demo"
MOST_BYTES = 4_000_000


def good(name: str) -> bytes:
    return (DEMO / "good" / f"{name}.syx").read_bytes()


# The script.


def test_a_fresh_process_makes_the_committed_bytes(tmp_path: Path) -> None:
    script = [sys.executable, "-m", "captures_demo.make", "--into", str(tmp_path)]
    subprocess.run(script, cwd=ROOT, check=True, capture_output=True)
    made = {file.relative_to(tmp_path): file.read_bytes() for file in tmp_path.glob("*/*")}
    kept = {file.relative_to(DEMO): file.read_bytes() for file in DEMO.glob("[gbt]*/*")}
    assert made == kept


def test_checking_finds_nothing_in_the_committed_files(capsys: pytest.CaptureFixture[str]) -> None:
    assert make.main(["--check"]) == 0
    assert capsys.readouterr().out == ""


def test_checking_finds_a_changed_a_missing_and_a_strange_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make.write(tmp_path)
    changed = bytearray(good("tick"))
    changed[40] ^= 1
    (tmp_path / "good" / "tick.syx").write_bytes(changed)
    (tmp_path / "good" / "gulls.syx").write_bytes(good("gulls")[:-1])
    (tmp_path / "broken" / "thunder-f7-missing.syx").unlink()
    (tmp_path / "broken" / "another.syx").write_bytes(b"")
    (tmp_path / "transfers" / "memory-full.jsonl").write_bytes(b"{}")
    assert make.main(["--check", "--into", str(tmp_path)]) == 1
    said = capsys.readouterr().out
    assert re.findall(r"^\S+", said, re.M) == [
        "good/gulls.syx",
        "good/tick.syx",
        "broken/thunder-f7-missing.syx",
        "transfers/memory-full.jsonl",
        "broken/another.syx",
    ]
    assert "byte 40 is" in said


def test_the_whole_folder_is_small() -> None:
    sizes = [p.stat().st_size for p in DEMO.rglob("*") if p.is_file() and p.suffix != ".pyc"]
    assert sum(sizes) < MOST_BYTES


@pytest.mark.parametrize("script", ["dumps.py", "faults.py", "evenings.py"])
def test_no_script_computes_with_floats_or_chance(script: str) -> None:
    # sounds.py is looked at in test_demo_sounds.py.
    for node in ast.walk(ast.parse((DEMO / script).read_text(encoding="utf-8"))):
        assert not isinstance(node, ast.Div)
        assert not (isinstance(node, ast.Constant) and isinstance(node.value, float))
        assert not (isinstance(node, ast.Name) and node.id in {"float", "math", "random"})


# Good dumps.

# Name of the file: bits, rate in Hz, sample number, device ID, channels.
HEADERS = {
    "music-box": (16, 22_050, 0, 0, 1),
    "thunder": (12, 11_025, 1, 0, 1),
    "gulls": (16, 16_000, 2, 0, 1),
    "ships-bell": (16, 22_050, 3, 0, 1),
    "ships-bell-8-bit": (8, 11_025, 3, 0, 1),
    "ships-bell-24-bit": (24, 22_050, 3, 16, 1),
    "gulls-stereo": (24, 16_000, 2, 16, 2),
    "thunder-crack": (12, 11_025, 1, 0, 1),
    "gull-cry": (16, 16_000, 2, 0, 1),
    "bell-stroke": (16, 11_025, 3, 0, 1),
    "bell-stroke-14-bit": (14, 11_025, 3, 0, 1),
    "tick": (16, 22_050, 4, 0, 1),
    "tick-fills-its-packet": (16, 22_050, 4, 0, 1),
    "tick-to-all-units": (16, 22_050, 4, 127, 1),
    "tick-14-bit": (14, 22_050, 4, 0, 1),
    "tick-21-bit": (21, 22_050, 4, 16, 1),
    "tick-28-bit": (28, 22_050, 4, 16, 1),
    "tick-stereo": (16, 22_050, 4, 16, 2),
}
NAMES = {
    "ships-bell": b"Ship's bell",
    "bell-stroke": b"Bell stroke",
    "bell-stroke-14-bit": b"Bell stroke",
}


@cache  # making the sounds takes a second, so nobody makes them who only looks for the tests
def words_of_files() -> dict[str, sounds.Words]:
    """Return the words of every good file, in 24 bits."""
    gulls, bell, tick = sounds.gulls(16_000), sounds.ships_bell(22_050), dumps.tick(41, 22_050)
    thunder, low_bell = sounds.thunder(11_025), sounds.ships_bell(11_025)
    stroke = dumps.excerpt(low_bell, 2_205, 200)
    return {
        "music-box": sounds.music_box(22_050),
        "thunder": thunder,
        "gulls": gulls,
        "ships-bell": bell,
        "ships-bell-8-bit": low_bell,
        "ships-bell-24-bit": bell,
        "gulls-stereo": dumps.passing(gulls),
        "thunder-crack": dumps.excerpt(thunder, 1_170, 300),
        "gull-cry": dumps.excerpt(gulls, 5_160, 800),
        "bell-stroke": stroke,
        "bell-stroke-14-bit": stroke,
        "tick": tick,
        "tick-fills-its-packet": dumps.tick(40, 22_050),
        "tick-to-all-units": tick,
        "tick-14-bit": tick,
        "tick-21-bit": tick,
        "tick-28-bit": tick,
        "tick-stereo": dumps.passing(tick),
    }


@cache
def loops_of_files() -> dict[str, tuple[int, int]]:
    """Return first and last frame of every loop there is."""
    bell, stroke = sounds.ships_bell_loop(22_050), words_of_files()["bell-stroke"]
    stroke_loop = sounds.loop_points(stroke, earliest=1_200, shortest=200, longest=600)
    return {
        "ships-bell": bell,
        "ships-bell-24-bit": bell,
        "ships-bell-8-bit": sounds.ships_bell_loop(11_025),
        "bell-stroke": stroke_loop,
        "bell-stroke-14-bit": stroke_loop,
    }


# Nearest nanosecond to 1 s / rate, worked out by hand (M1 p. 37).
PERIODS = {22_050: 45_351, 11_025: 90_703, 16_000: 62_500}


def test_every_good_file_is_in_a_table_here() -> None:
    others = {"lantern-street-desk.syx", "thunder-crack-with-clock.syx"}
    others |= {"thunder-crack.sds", "thunder-crack.mid"}
    assert {file.name for file in (DEMO / "good").iterdir()} == {
        f"{name}.syx" for name in HEADERS
    } | others


@pytest.mark.parametrize("name", HEADERS)
def test_the_oracle_reads_the_words_of_the_sound_from_a_good_dump(name: str) -> None:
    words, loops = words_of_files()[name], loops_of_files()
    bits, rate, number, device_id, channels = HEADERS[name]
    title = NAMES.get(name)
    suffix = b"" if title is None else oracle.sample_name(sample_number=number, name=title)
    data = good(name)
    assert data.endswith(suffix)
    read = oracle.read_dump(data[: len(data) - len(suffix)])
    assert read.words == sounds.to_bits(words, bits).tolist()
    assert (read.bits, read.sample_number, read.device_id) == (bits, number, device_id)
    assert (read.channels, read.length) == (channels, len(words) // channels)
    loop_start, loop_end = loops.get(name, (0, 0))
    assert (read.loop_start, read.loop_end) == (loop_start, loop_end)
    assert read.loop_type == (0x00 if name in loops else oracle.NO_LOOP)
    if channels == 1:
        assert read.period_ns == PERIODS[rate]
    else:
        assert (read.rate_integer, read.rate_fraction) == (rate, 0)


def test_the_tick_has_the_lengths_where_encoders_slip() -> None:
    assert len(good("tick")) == 21 + 2 * 127  # one word in the second packet
    assert len(good("tick-fills-its-packet")) == 21 + 127  # and no empty packet after it
    assert len(good("tick-14-bit")) == 21 + 127  # two bytes a word, not three (M1 p. 39)
    assert len(good("tick-21-bit")) == 21 + 2 * 127  # three, not four


def test_the_cry_is_just_long_enough_for_the_numbers_to_wrap() -> None:
    numbers = [raw[4] for _, raw in oracle.split(good("gull-cry"))[1:]]
    assert numbers == [*range(128), 0]


@pytest.mark.parametrize("name", ["gull-cry", "thunder-crack", "bell-stroke"])
def test_an_excerpt_is_loud_and_ends_in_silence(name: str) -> None:
    words = words_of_files()[name]
    assert int(np.abs(words).max()) == sounds.PEAK
    assert words[0] == 0
    assert words[-1] == 0
    assert int(np.abs(words[-5:]).max()) < sounds.PEAK // 50


def test_the_stereo_gulls_fly_from_left_to_right() -> None:
    words = np.array(oracle.read_dump(good("gulls-stereo")).words, dtype=np.int64)
    left, right = np.abs(words[0::2]), np.abs(words[1::2])
    quarter = left.size // 4
    assert left[:quarter].sum() > 2 * right[:quarter].sum()
    assert right[-quarter:].sum() > 2 * left[-quarter:].sum()


def test_the_desk_is_the_four_dumps_with_other_messages_between() -> None:
    exclusive = b"\xf0\x7dlantern\xf7"  # 7D: not for commercial use, M1 p. 34
    note = bytes.fromhex("90 3C 40 80 3C 40")
    parts = [good("music-box"), exclusive, good("thunder"), note, good("gulls"), exclusive + note]
    desk = good("lantern-street-desk")
    assert desk == b"".join(parts) + good("ships-bell")
    headers = [raw for _, raw in oracle.split(desk) if raw[1] == 0x7E and raw[3] == 0x01]
    assert [raw[4] for raw in headers] == [0, 1, 2, 3]


def test_the_same_dump_lies_there_in_three_forms() -> None:
    crack = good("thunder-crack")
    assert (DEMO / "good" / "thunder-crack.sds").read_bytes() == crack
    midi_file = mido.MidiFile(file=io.BytesIO((DEMO / "good" / "thunder-crack.mid").read_bytes()))
    events = [event for track in midi_file.tracks for event in track if event.type == "sysex"]
    assert b"".join(bytes(event.bytes()) for event in events) == crack


def test_the_clock_ticks_inside_messages_and_leaves_them_whole() -> None:
    data = good("thunder-crack-with-clock")
    assert oracle.strip_realtime(data) == good("thunder-crack")
    clocks = [at for at, byte in enumerate(data) if byte == 0xF8]
    # 66 bytes from clock to clock are 21.1 ms at 320 us a byte: near 120 beats a minute.
    assert clocks == list(range(65, len(data), 66))
    assert set(data) - set(good("thunder-crack")) == {0xF8}
