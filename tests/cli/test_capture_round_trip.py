"""Captures of live runs, in both forms: the same bytes, and the same conversation played again.

What a MIDI file holds is read by mido, what JSON Lines hold by the standard library.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import mido
import pytest

from dryload.harness.files.capture_file import CaptureForm, load, save
from tests import oracle
from tests.cli.forked import Forked
from tests.cli.runs import COMMAND, Ran, environment
from tests.cli.serving import PATIENCE_S, PERIOD_NS, Unit, serving
from tests.files.captures import bytes_in_lines
from tests.ports import jack

TO, FROM = "to unit", "from unit"
WORDS = {
    1: [(997 * i) % 65_536 - 32_768 for i in range(90)],
    2: [(31 * i) % 127 for i in range(60)],
}
PORT = "Lantern Desk"


@pytest.fixture(autouse=True)
def dumps(tmp_path: Path) -> None:
    for number, words in WORDS.items():
        data = oracle.dump(bits=16, words=words, sample_number=number, period_ns=PERIOD_NS)
        (tmp_path / f"{number}.syx").write_bytes(data)


def dryload(folder: Path, *arguments: str, code: int = 0, jack_name: str = "") -> Ran:
    """Run a command that has to end with `code`."""
    env = environment() | {
        "XDG_STATE_HOME": str(folder / "state"),
        "JACK_DEFAULT_SERVER": jack_name,
    }
    with Forked(arguments, cwd=folder, env=env) as process:
        try:
            out, err = process.communicate(PATIENCE_S)
        finally:
            process.kill()
    assert process.returncode == code, f"{out}\n{err}"  # whole: pytest shortens a tuple
    assert "Traceback" not in err
    return Ran(code, out, err)


def at(unit: Unit) -> str:
    host, number = unit.address
    return f"tcp:{host}:{number}"


def in_midi(path: Path) -> dict[str, bytes]:
    """What each track of a MIDI file holds, by mido."""
    tracks = {track.name: track for track in mido.MidiFile(path).tracks}
    return {
        name: b"".join(bytes(event.bytes()) for event in tracks[name] if event.type == "sysex")
        for name in (TO, FROM)
    }


def in_lines(path: Path) -> dict[str, bytes]:
    return bytes_in_lines(path.read_bytes())


def record(folder: Path, *options: str) -> dict[str, bytes]:
    """Replay both dumps to a unit, one run kept as lines and one as a MIDI file; check both.

    Return what the first holds.
    """
    with serving(folder, *options, "--capture", "unit.jsonl") as unit:
        dryload(
            folder, "replay", "1.syx", "2.syx", "--to", at(unit), *options, "--capture", "x.jsonl"
        )
        unit.quit()
    # What the unit has heard and said is what the host has said and heard.
    lines = in_lines(folder / "x.jsonl")
    assert in_lines(folder / "unit.jsonl") == lines
    sent = [(folder / f"{number}.syx").read_bytes() for number in WORDS]
    assert all(data in lines[TO] for data in sent)
    assert all(oracle.read_dump(data) and data[21:] in lines[FROM] for data in sent)  # read back
    with serving(folder, *options) as unit:
        dryload(
            folder, "replay", "1.syx", "2.syx", "--to", at(unit), *options, "--capture", "y.mid"
        )
        unit.quit()
    assert in_midi(folder / "y.mid") == lines  # the same unit says the same
    return lines


def check_forms(folder: Path, lines: dict[str, bytes]) -> None:
    """Write one capture both ways and open it again."""
    was = load(str(folder / "x.jsonl"))
    save(str(folder / "x.mid"), was.recorded)
    save(str(folder / "again.jsonl"), was.recorded)
    assert (folder / "again.jsonl").read_bytes() == (folder / "x.jsonl").read_bytes()
    assert in_midi(folder / "x.mid") == lines
    again = load(str(folder / "x.mid"))
    assert again.form is CaptureForm.MIDI_FILE
    assert again.recorded.start_ns == was.recorded.start_ns
    save(str(folder / "of-midi.jsonl"), again.recorded)
    assert in_lines(folder / "of-midi.jsonl") == lines
    said = dryload(folder, "diff", "x.jsonl", "x.mid").out
    assert "The same conversation" in said
    assert "times within 1 µs" in said


def answered(folder: Path, *arguments: str, jack_name: str = "") -> dict[str, Any]:
    """Play a capture verbatim; return what is said of it, for it has to be as recorded."""
    document = json.loads(dryload(folder, "replay", *arguments, "--json", jack_name=jack_name).out)
    (played,) = document["verbatim"]
    assert isinstance(played, dict)
    assert played["answered_as_recorded"] is True
    assert played["well"] is True
    assert played["conversation"]["kinds"] == {}
    return played


@pytest.mark.parametrize("options", [(), ("--no-pace",)], ids=["paced", "unpaced"])
def test_over_tcp_both_forms_hold_the_same_and_play_the_same(
    tmp_path: Path, options: tuple[str, ...]
) -> None:
    lines = record(tmp_path, *options)
    check_forms(tmp_path, lines)
    for name in ("x.jsonl", "y.mid"):
        assert answered(tmp_path, name, "--to", "unit:lantern-desk")["kept"] == len(WORDS)
    with serving(tmp_path, *options, "--image", "desk.image") as unit:
        played = answered(tmp_path, "x.mid", "--to", at(unit), *options, "--capture", "again.mid")
        unit.quit()
    assert played["kept"] is None  # nothing is known of its insides
    assert in_midi(tmp_path / "again.mid") == lines


def test_another_unit_answers_otherwise(tmp_path: Path) -> None:
    dryload(tmp_path, "replay", "1.syx", "--to", "unit:lantern-desk", "--capture", "x.jsonl")
    with serving(tmp_path, "--no-pace", profile="prompt-box") as unit:
        told = dryload(tmp_path, "replay", "x.jsonl", "--to", at(unit), "--no-pace", code=1)
        unit.quit()
    assert "The unit did not answer as recorded (A is recorded, B is now)." in told.out
    assert "reached the end" not in told.out
    assert "Memory" not in told.out


def test_a_link_may_stand_between_a_capture_and_an_emulated_unit(tmp_path: Path) -> None:
    dryload(tmp_path, "replay", "1.syx", "--capture", "x.jsonl")
    lines = in_lines(tmp_path / "x.jsonl")
    told = dryload(
        tmp_path,
        "replay",
        "x.jsonl",
        "--disturb",
        "link every-256th",
        "--capture",
        "y.jsonl",
        code=1,
    )
    assert "The unit did not answer as recorded" in told.out
    assert len(in_lines(tmp_path / "y.jsonl")[TO]) < len(lines[TO])


def test_one_side_alone_goes_to_its_end(tmp_path: Path) -> None:
    data = (tmp_path / "2.syx").read_bytes()
    (tmp_path / "side.txt").write_text("".join(f"> {m.hex(' ')}\n" for _, m in oracle.split(data)))
    with serving(tmp_path, "--no-pace") as unit:
        options = ("--to", at(unit), "--no-pace")
        told = dryload(tmp_path, "replay", "side.txt", *options, code=1).out
        said = unit.quit()
    assert "has nothing that came from the unit" in told
    assert "Nothing shows that the unit kept it" in told
    assert [each["sample_number"] for each in said if each["event"] == "header"] == [2]


@pytest.mark.parametrize("option", [("--resume",), ("--journal", "j.jsonl"), ("--anyway",)])
def test_what_is_for_dumps_is_refused(tmp_path: Path, option: tuple[str, ...]) -> None:
    (tmp_path / "side.txt").write_text("> f0 7e 00 06 01 f7")
    told = dryload(tmp_path, "replay", "side.txt", "--to", "tcp:127.0.0.1:1", *option, code=2)
    assert f"{option[0]} is for dumps: a capture is played as it is." in told.err
    assert told.out == ""
    assert not (tmp_path / "j.jsonl").exists()


@contextmanager
def playing(folder: Path, unit: Unit) -> Iterator[Forked]:
    """Play a capture of a dump with 40 packets, and wait until the unit has its header."""
    long = oracle.dump(
        bits=16, words=[i % 99 for i in range(1_600)], sample_number=5, period_ns=PERIOD_NS
    )
    (folder / "5.syx").write_bytes(long)
    dryload(folder, "replay", "5.syx", "--capture", "long.jsonl")
    words = ("replay", "long.jsonl", "--to", at(unit), "--json", "--capture", "part.jsonl")
    with Forked(words, cwd=folder, env=environment()) as process:
        try:
            unit.await_event("header")
            yield process
        finally:
            process.kill()


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
def test_ended_by_its_user_it_says_what_came_of_it(tmp_path: Path) -> None:
    with serving(tmp_path) as unit:
        with playing(tmp_path, unit) as process:
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=PATIENCE_S)
        unit.quit()
    assert process.returncode == 130
    assert "Traceback" not in err
    document = json.loads(out)
    assert document["stopped"] is True
    assert document["verbatim"][0]["well"] is False
    whole = in_lines(tmp_path / "long.jsonl")[TO]
    part = in_lines(tmp_path / "part.jsonl")[TO]
    assert whole.startswith(part)
    assert len(part) < len(whole)
    assert part.endswith(b"\xf7")  # no message is torn


def test_a_unit_that_goes_away_is_a_matter_of_the_rig(tmp_path: Path) -> None:
    with serving(tmp_path) as unit, playing(tmp_path, unit) as process:
        unit.process.kill()
        out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 3
    assert "Traceback" not in err
    assert json.loads(out)["failed"]["what"]


@pytest.fixture
def jack_name() -> Iterator[str]:
    """The name of a JACK server; only processes that the test starts are its clients."""
    if reason := jack.why_not():
        pytest.skip(reason)
    with jack.jack_server(f"{jack.SYNCHRONOUS}-captures") as (name, _):
        yield name


@contextmanager
def on_jack(folder: Path, name: str, options: Sequence[str] = ()) -> Iterator[None]:
    with ExitStack() as stack:
        process = stack.enter_context(
            subprocess.Popen(
                [*COMMAND, "serve", "lantern-desk", "--midi", PORT, "--no-panel", *options],
                cwd=folder,
                env=environment() | {"JACK_DEFAULT_SERVER": name},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
            )
        )
        stack.callback(process.kill)
        unit = Unit(process)
        yield
        unit.quit()


@pytest.mark.port
def test_over_jack_as_well(tmp_path: Path, jack_name: str) -> None:
    to = ("--to", f"midi:{PORT}")
    with on_jack(tmp_path, jack_name, ("--capture", "unit.jsonl")):
        dryload(
            tmp_path, "replay", "1.syx", "2.syx", *to, "--capture", "x.jsonl", jack_name=jack_name
        )
    lines = in_lines(tmp_path / "x.jsonl")
    assert in_lines(tmp_path / "unit.jsonl") == lines
    check_forms(tmp_path, lines)
    assert answered(tmp_path, "x.jsonl")["kept"] == len(WORDS)
    with on_jack(tmp_path, jack_name):
        answered(tmp_path, "x.jsonl", *to, "--capture", "again.mid", jack_name=jack_name)
    assert in_midi(tmp_path / "again.mid") == lines
