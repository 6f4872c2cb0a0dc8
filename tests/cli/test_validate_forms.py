"""The same bytes in every form that is read get the same verdict and the same findings."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from tests import damage, oracle
from tests.cli.runs import Ran, run, run_all
from tests.mutated.seeds import DEMO

_EVERY: Final = sorted(path.name for path in (DEMO / "broken").glob("*.syx"))


def _messages(data: bytes) -> list[bytes]:
    parts = [part + b"\xf7" for part in data.split(b"\xf7")]
    return [part for part in (*parts[:-1], parts[-1][:-1]) if part]


def _variable(value: int) -> bytes:
    """A number of variable length (Standard MIDI Files 1.0)."""
    groups = [value & 0x7F]
    while value := value >> 7:
        groups.append(0x80 | value & 0x7F)
    return bytes(reversed(groups))


def midi(data: bytes) -> bytes:
    """One track, each message as an F7 event, which holds any bytes (Standard MIDI Files 1.0)."""
    events = (b"\0\xf7" + _variable(len(each)) + each for each in _messages(data))
    track = b"".join((*events, b"\0\xff\x2f\0"))
    head = b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk"
    return head + len(track).to_bytes(4, "big") + track


def lines(data: bytes) -> bytes:
    """The published form of a capture, of which one direction was listened to."""
    first = {"schema": "dryload/capture/1", "start_ns": None, "directions": ["to unit"]}
    rows = [{"direction": "to unit", "end_ns": None, "hex": each.hex()} for each in _messages(data)]
    return "\n".join(json.dumps(each) for each in (first, *rows, "")[:-1]).encode() + b"\n"


def timed_lines(data: bytes) -> bytes:
    """The same with times, the unit being the one that sent it."""
    first = {"schema": "dryload/capture/1", "start_ns": 0, "directions": ["from unit"]}
    rows, now_ns = [], 0
    for each in _messages(data):
        now_ns += 320_000 * len(each) + 2_000_000
        rows.append({"direction": "from unit", "end_ns": now_ns, "hex": each.hex()})
    return "\n".join(json.dumps(each) for each in (first, *rows)).encode() + b"\n"


def text(front: Callable[[int], str], between: str = " ") -> Callable[[bytes], bytes]:
    def made(data: bytes) -> bytes:
        rows = enumerate(_messages(data))
        return "\n".join(front(at) + each.hex(between) for at, each in rows).encode()

    return made


def hex_dump(data: bytes) -> bytes:
    rows = (data[at : at + 16] for at in range(0, len(data), 16))
    return "\n".join(f"{16 * at:08x}: {row.hex(' ')}" for at, row in enumerate(rows)).encode()


FORMS: Final[dict[str, Callable[[bytes], bytes]]] = {
    "midi.mid": midi,
    "lines.jsonl": lines,
    "timed.jsonl": timed_lines,
    "apart.txt": text(lambda at: ""),
    "marked.txt": text(lambda at: "> "),
    "back.txt": text(lambda at: "< "),
    "seconds.txt": text(lambda at: f"{at / 10:.3f} s "),
    "milliseconds.txt": text(lambda at: f"{100 + 45 * at} > "),
    "clock.txt": text(lambda at: f"20:15:{at % 60:02}.000 "),
    "offsets.txt": hex_dump,
}


def judged(ran: Ran) -> tuple[int, Any, Any]:
    """Exit code, dumps and findings."""
    (file,) = json.loads(ran.out)["files"]
    return ran.code, file["dumps"], file["findings"]


def all_alike(folder: Path, data: bytes) -> tuple[int, Any, Any]:
    (folder / "raw.syx").write_bytes(data)
    for name, form in FORMS.items():
        (folder / name).write_bytes(form(data))
    names = ("raw.syx", *FORMS)
    ran = run_all({name: ("validate", "--json", name) for name in names}, folder=folder)
    raw = judged(ran["raw.syx"])
    for name in FORMS:
        assert judged(ran[name]) == raw, name
    return raw


@pytest.mark.parametrize(
    "name",
    [
        "thunder-cut-short.syx",
        "thunder-last-packet-missing.syx",
        "thunder-packet-twice.syx",
        "thunder-header-missing.syx",
        "thunder-every-256th-byte-lost.syx",
        "thunder-note-inside.syx",
    ],
)
def test_a_broken_dump_is_broken_in_every_form(tmp_path: Path, name: str) -> None:
    code, _, findings = all_alike(tmp_path, (DEMO / "broken" / name).read_bytes())
    assert code == 1
    assert findings


@pytest.mark.parametrize("name", ["thunder-crack.syx", "thunder-crack-with-clock.syx"])
def test_a_good_dump_is_good_in_every_form(tmp_path: Path, name: str) -> None:
    assert all_alike(tmp_path, (DEMO / "good" / name).read_bytes())[0] == 0


@pytest.mark.parametrize("kind", ["missing_packet", "swapped_packets", "lost_byte", "missing_f7"])
def test_damage_of_any_kind_is_the_same_in_every_form(tmp_path: Path, kind: str) -> None:
    rng = random.Random(kind)
    words = [rng.randrange(-32_768, 32_768) for _ in range(160)]
    whole = oracle.dump(bits=16, words=words, sample_number=3, period_ns=22_676)
    all_alike(tmp_path, damage.KINDS[kind](whole, rng).data)


def test_what_validate_says_is_shown_again_by_the_command_that_it_names(tmp_path: Path) -> None:
    data = (DEMO / "broken" / "thunder-packet-twice.syx").read_bytes()
    for name in ("lines.jsonl", "marked.txt"):
        (tmp_path / name).write_bytes(FORMS[name](data))
        said = run("validate", name, folder=tmp_path).out
        again = next(line for line in said.splitlines() if "See it again: dryload " in line)
        words = again.partition("See it again: dryload ")[2].split()
        shown = run(*words, folder=tmp_path)
        assert (shown.code, shown.err) == (0, "")
        assert "packet 7" in shown.out.lower()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("who.txt", b"F0 7E 00 06 01 F7"),
        ("ack.txt", b"< F0 7E 00 7F 00 F7\n< F0 7E 00 7F 01 F7"),
        ("ack.jsonl", timed_lines(bytes.fromhex("f07e007f00f7"))),
        ("request.txt", b"> F0 7E 00 03 01 00 F7"),
        ("notes.txt", b"90 3C 40 80 3C 40"),
    ],
)
def test_one_direction_without_a_dump_is_nothing_to_judge(
    tmp_path: Path, name: str, content: bytes
) -> None:
    (tmp_path / name).write_bytes(content)

    ran = run("validate", name, folder=tmp_path)

    assert (ran.code, ran.out, len(ran.lines)) == (2, "", 1)
    assert ran.err.startswith(f"dryload: {name} ")
    assert "dump" in ran.err


def test_a_capture_of_both_directions_is_no_thing_for_explain_and_it_says_what_is(
    tmp_path: Path,
) -> None:
    ran = run("explain", str(DEMO / "transfers" / "all-well.jsonl"), folder=tmp_path)

    assert (ran.code, len(ran.lines)) == (2, 1)
    assert "dryload validate" in ran.err
