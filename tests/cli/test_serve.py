"""The command serve as programs meet it: a process of its own, a host of plain sockets."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from dryload.emulator.dump.capture import Direction
from dryload.harness.files.capture_file import load
from dryload.harness.files.recorded import TakenAt
from tests import oracle
from tests.cli.killing import words_of
from tests.cli.runs import COMMAND, environment, run, run_all
from tests.cli.serving import PATIENCE_S, dump, receive, serving, talk

WORDS = words_of(1, 300)


def test_a_dump_is_loaded_asked_for_and_kept(tmp_path: Path) -> None:
    with serving(tmp_path, "--image", "desk.image") as unit:
        assert unit.ready["schema"] == "dryload/serve/1"
        assert unit.ready["profile"] == "lantern-desk"
        assert unit.ready["samples"] == []
        assert unit.ready["byte_ns"] == 320_000  # M1 p. 1
        unit.load(dump(3, WORDS))
        assert unit.read_back(3) == WORDS
        said = unit.quit()
    loaded = next(each for each in said if each["event"] == "loaded")
    assert (loaded["slot"], loaded["words"], loaded["kept"]) == (4, 300, True)
    assert all(isinstance(each["message"], str) and each["message"] for each in said)
    times = [each["time_ns"] for each in said]
    assert times[0] >= 0
    with serving(tmp_path, "--image", "desk.image", "--no-pace") as unit:
        assert [each["words"] for each in unit.ready["samples"]] == [300]
        assert unit.read_back(3) == WORDS
        said = unit.quit()
    assert said[-1]["samples"][0]["sample_number"] == 3
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["desk.image"]


def test_without_an_image_all_is_gone_and_that_is_said(tmp_path: Path) -> None:
    with serving(tmp_path, "--no-pace") as unit:
        assert "without --image everything is lost at the end" in unit.ready["message"]
        unit.load(dump(3, WORDS))
        assert "everything is lost" in unit.quit()[-1]["message"]
    assert list(tmp_path.iterdir()) == []


def test_actions_come_as_lines(tmp_path: Path) -> None:
    with serving(tmp_path, "--no-pace") as unit:
        unit.load(dump(3, WORDS))
        unit.act("device-id 7")
        unit.await_event("action")
        assert unit.read_back(3, device_id=7) == WORDS
        unit.act("protect 4", "dance")
        assert "there is no such action" in unit.await_event("mistake")["message"]
        unit.act("delete 4")
        assert "is protected" in unit.await_event("mistake")["message"]
        unit.act("x" * 100_000, "filter off")
        assert unit.await_event("mistake")["action"] == "x" * 1_000
        unit.await_event("action")
        unit.quit()


def test_a_header_waits_until_somebody_confirms(tmp_path: Path) -> None:
    (tmp_path / "slow.toml").write_text(
        '[unit]\nname = "gallery"\n[panel]\nconfirm = "each dump"\n', encoding="utf-8"
    )
    with serving(tmp_path, "--no-pace", profile="slow.toml") as unit:
        unit.load(dump(0, WORDS))
        header, *packets = dump(1, WORDS)
        with unit.peer() as peer:
            peer.sendall(header)
            assert receive(peer) == oracle.handshake(kind="WAIT")
            unit.act("confirm")
            assert receive(peer) == oracle.handshake(kind="ACK")
            talk(peer, packets)
        unit.quit()
    with serving(tmp_path, "--no-pace", "--operator", "0.1", profile="slow.toml") as unit:
        unit.load(dump(0, WORDS))
        assert unit.await_event("action")["action"] == "confirm"
        unit.load(dump(1, WORDS))
        unit.quit()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signals_end_it_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        unit.load(dump(3, WORDS))
        unit.signal(number)
        code, said = unit.end()
    assert code == 0
    assert said[-1]["event"] == "end"
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        assert unit.read_back(3) == WORDS
        unit.quit()


def test_the_end_of_standard_input_ends_nothing(tmp_path: Path) -> None:
    with serving(tmp_path, "--no-pace") as unit:
        assert unit.process.stdin is not None
        unit.process.stdin.write("device-id 9")  # the last line, without its end
        unit.process.stdin.close()
        unit.await_event("action")
        unit.load(dump(3, WORDS, device_id=9), device_id=9)
        unit.signal(signal.SIGTERM)
        assert unit.end()[0] == 0


def test_a_reader_who_has_gone_ends_it(tmp_path: Path) -> None:
    with subprocess.Popen(
        [*COMMAND, "serve", "--tcp", ":0", "--no-pace", "--image", "desk.image"],
        cwd=tmp_path,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stderr is not None
            ready = json.loads(process.stdout.readline())
            process.stdout.close()
            with socket.create_connection(("127.0.0.1", int(ready["port"].split(":")[2]))) as peer:
                with suppress(OSError, AssertionError):  # it may end in the middle of that
                    talk(peer, dump(3, WORDS))
                assert process.wait(PATIENCE_S) == 141
            assert process.stderr.read() == ""
        finally:
            process.kill()
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        unit.quit()


def test_a_second_one_on_the_same_image_is_refused(tmp_path: Path) -> None:
    with serving(tmp_path, "--image", "desk.image") as unit:
        ran = run("serve", "--tcp", ":0", "--image", "desk.image", folder=tmp_path)
        assert (ran.code, ran.out) == (2, "")
        assert "desk.image is in use by another dryload serve." in ran.err
        unit.quit()


def test_a_port_that_is_taken_is_the_rig(tmp_path: Path) -> None:
    with serving(tmp_path) as unit:
        host, number = unit.address
        ran = run("serve", "--tcp", f"{host}:{number}", folder=tmp_path)
        assert ran.code == 3
        assert "cannot listen on" in ran.err
        unit.quit()


def test_a_damaged_image_is_set_aside_and_told(tmp_path: Path) -> None:
    (tmp_path / "desk.image").write_bytes(b"no image")
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        said = unit.await_event("set aside")["message"]
        assert "desk.image.set-aside-1" in said
        assert said.endswith(": initialise it at the panel.")
        with unit.peer() as peer:
            peer.sendall(dump(0, WORDS)[0])
            assert receive(peer) == oracle.handshake(kind="CANCEL")
        unit.act("initialise")
        unit.await_event("action")
        unit.load(dump(0, WORDS))
        unit.quit()
    assert (tmp_path / "desk.image.set-aside-1").read_bytes() == b"no image"


def test_beside_a_damaged_image_banks_and_initialise_still_count(tmp_path: Path) -> None:
    (tmp_path / "desk.image").write_bytes(b"no image")
    options = ("--no-pace", "--image", "desk.image", "--banks", "1", "--initialise")
    with serving(tmp_path, *options) as unit:
        said = unit.await_event("set aside")["message"]
        assert "desk.image.set-aside-1" in said
        assert said.endswith("without its memory.")  # it is initialised: nothing is left to do
        unit.load(dump(0, WORDS))
        unit.quit()


def test_banks_and_initialise(tmp_path: Path) -> None:
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        unit.load(dump(0, WORDS))
        unit.quit()
    # The same banks as before change nothing; another number does.
    for options, samples, answer in (
        (("--banks", "2"), 1, "ACK"),
        (("--banks", "3"), 0, "CANCEL"),
        (("--banks", "3", "--initialise"), 0, "ACK"),
    ):
        with serving(tmp_path, "--no-pace", "--image", "desk.image", *options) as unit:
            assert len(unit.ready["samples"]) == samples
            with unit.peer() as peer:
                peer.sendall(dump(1, WORDS)[0])
                assert receive(peer)[:4] == oracle.handshake(kind=answer)[:4]
            unit.quit()


@pytest.mark.parametrize("wipe", [("--banks", "3"), ("--initialise",), ("--banks", "0")])
def test_an_image_whose_samples_an_option_wipes_is_set_aside_and_told(
    tmp_path: Path, wipe: tuple[str, ...]
) -> None:
    image = tmp_path / "desk.image"
    with serving(tmp_path, "--no-pace", "--image", image.name) as unit:
        unit.load(dump(0, WORDS))
        unit.quit()
    kept = image.read_bytes()
    with serving(tmp_path, "--no-pace", "--image", image.name, *wipe) as unit:
        said = unit.await_event("set aside")["message"]
        assert "held 1 sample" in said
        assert "desk.image.set-aside-1" in said
        unit.quit()
    aside = tmp_path / "desk.image.set-aside-1"
    assert aside.read_bytes() == kept
    with serving(tmp_path, "--no-pace", "--image", aside.name) as unit:
        assert unit.read_back(0) == WORDS
        unit.quit()
    with serving(tmp_path, "--no-pace", "--image", image.name, *wipe) as unit:
        assert all(said["event"] != "set aside" for said in unit.quit())  # it held nothing any more


def test_an_image_stays_in_its_place_where_the_port_cannot_be_had(tmp_path: Path) -> None:
    with serving(tmp_path, "--no-pace", "--image", "desk.image") as unit:
        unit.load(dump(0, WORDS))
        host, number = unit.address
        (tmp_path / "other.image").write_bytes(b"no image")
        ran = run("serve", "--tcp", f"{host}:{number}", "--image", "other.image", folder=tmp_path)
        assert ran.code == 3
        unit.quit()
    assert (tmp_path / "other.image").read_bytes() == b"no image"


def _await_answers(capture: Path, count: int) -> None:
    """Wait until a capture has so many answers: it is written by a thread of its own."""
    end_s = time.monotonic() + 20
    answer = '"direction": "from unit"'
    while capture.read_text().count(answer) < count and time.monotonic() < end_s:
        time.sleep(0.05)


def test_what_passed_is_captured_while_it_goes_on(tmp_path: Path) -> None:
    messages = dump(3, WORDS)
    with serving(tmp_path, "--capture", "c.jsonl") as unit:
        unit.load(messages)
        _await_answers(tmp_path / "c.jsonl", len(messages))
        unit.process.kill()
    capture = load(str(tmp_path / "c.jsonl")).recorded
    assert capture.is_timed
    assert capture.taken_at is TakenAt.UNIT
    assert capture.capture.bytes_of(Direction.TO_UNIT) == b"".join(messages)
    answers = capture.capture.bytes_of(Direction.FROM_UNIT)
    assert len(answers) == 6 * len(messages)


def test_usage(tmp_path: Path) -> None:
    (tmp_path / "there.jsonl").write_text("{}")
    tcp = ("serve", "--tcp", ":0")
    cases = {
        "nowhere": (("serve",), "serve needs a port to listen on"),
        "twice": ((*tcp, "--midi", "Desk"), "serve needs only one port to listen on"),
        "no number": (("serve", "--tcp", "127.0.0.1"), "a port number from 0 to 65535"),
        "far number": (("serve", "--tcp", "127.0.0.1:70000"), "a port number from 0 to 65535"),
        "all the world": (("serve", "--tcp", "0.0.0.0:0"), "--any-host"),
        "any host of none": (("serve", "--midi", "D", "--any-host"), "--any-host is for --tcp"),
        "profile": (("serve", "lantern-disk", "--tcp", ":0"), "did you mean lantern-desk"),
        "no battery": (("serve", "prompt-box", "--tcp", ":0", "--image", "x"), "no battery"),
        "banks": ((*tcp, "--banks", "5"), "room for 0 to 4"),
        "operator": ((*tcp, "--operator", "soon"), "give seconds"),
        "folder": ((*tcp, "--image", "."), "is a folder"),
        "no folder": ((*tcp, "--image", "none/x"), "no such folder"),
        "capture form": ((*tcp, "--capture", "c.mid"), ".jsonl"),
        "capture there": ((*tcp, "--capture", "there.jsonl"), "exists already"),
        "empty name": (("serve", "--through", ""), "--through is empty"),
    }
    ran = run_all({name: words for name, (words, _) in cases.items()}, folder=tmp_path)
    for name, (_, said) in cases.items():
        assert ran[name].code == 2, name
        assert said in ran[name].err, name
        assert ran[name].out == ""
    assert [entry.name for entry in tmp_path.iterdir()] == ["there.jsonl"]


def test_other_addresses_of_this_computer_are_asked_for(tmp_path: Path) -> None:
    with serving(tmp_path, "--any-host", tcp="0.0.0.0:0") as unit:
        assert unit.ready["port"].startswith("tcp:0.0.0.0:")
        unit.quit()


def test_the_help_says_what_it_is_for(tmp_path: Path) -> None:
    ran = run("serve", "--help", folder=tmp_path)
    assert ran.code == 0
    for option in ("--midi", "--through", "--tcp", "--image", "--no-panel", "--no-pace", "--banks"):
        assert option in ran.out
    assert sys.executable not in ran.out
