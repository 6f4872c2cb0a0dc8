"""Capture files: known by their content, written by their ending, refused with a reason."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import Final

import pytest
from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.harness.files import capture_file, capture_lines, dumpfile, midifile
from dryload.harness.files.capture_file import CaptureForm, check_target, form_of, load, save
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import Recorded
from tests import oracle
from tests.files.captures import BYTE_NS, FROM, TO

DUMP: Final = oracle.dump(bits=16, words=list(range(80)), sample_number=3, period_ns=22_676)
HEADER, PACKETS = DUMP[:21], (DUMP[21:148], DUMP[148:275])
ACK: Final = oracle.handshake(kind="ACK")
TALK: Final = Recorded(
    capture=Capture([Passage(TO, 6_720_000, HEADER), Passage(FROM, 13_640_000, ACK)]),
    about="the gulls",
)


def kept(folder: Path, name: str, content: bytes) -> str:
    path = folder / name
    path.write_bytes(content)
    return str(path)


@pytest.mark.parametrize(
    ("ending", "form"),
    [
        (".jsonl", CaptureForm.LINES),
        (".JSONL", CaptureForm.LINES),
        (".mid", CaptureForm.MIDI_FILE),
        (".midi", CaptureForm.MIDI_FILE),
    ],
)
def test_what_is_saved_is_loaded_whatever_it_is_called_later(
    tmp_path: Path, ending: str, form: CaptureForm
) -> None:
    path = tmp_path / f"gulls{ending}"
    save(str(path), TALK)
    renamed = str(path.rename(tmp_path / "gulls.syx"))

    assert form_of(renamed) is form
    found = load(renamed)
    assert (found.name, found.form) == (renamed, form)
    assert found.recorded.capture.passages == TALK.capture.passages
    assert found.recorded.about == "the gulls"


def test_hexadecimal_text_is_a_capture(tmp_path: Path) -> None:
    path = kept(tmp_path, "note.txt", f"\ufeff> {HEADER.hex(' ')}\n< {ACK.hex(' ')}\n".encode())

    assert form_of(path) is CaptureForm.HEX_TEXT
    found = load(path).recorded
    assert [(each.direction, each.data) for each in found.capture.passages] == [
        (TO, HEADER),
        (FROM, ACK),
    ]
    assert not found.is_timed


@pytest.mark.parametrize("direction", Direction)
def test_a_dump_file_is_one_side_without_times(tmp_path: Path, direction: Direction) -> None:
    path = kept(tmp_path, "gulls.syx", b"\x40" + DUMP)

    assert form_of(path) is None  # a dump, unless somebody asks for a capture
    found = load(path, direction=direction)
    assert found.form is CaptureForm.RAW
    assert [each.data for each in found.recorded.capture.passages] == [b"\x40", HEADER, *PACKETS]
    assert found.recorded.capture.passages[-1].end_ns == (1 + len(DUMP)) * BYTE_NS
    assert found.recorded.directions == (direction,)
    assert not found.recorded.is_timed


def test_a_midi_file_of_others_is_one_side_with_its_times(tmp_path: Path) -> None:
    events = [(0, HEADER), (1_000_000, PACKETS[0]), (90_000_000, PACKETS[1])]
    path = kept(tmp_path, "gulls.mid", midifile.build(events))

    assert form_of(path) is None
    found = load(path)
    assert found.form is CaptureForm.FOREIGN_MIDI_FILE
    # The first packet waits until the line is free; the second begins at its time.
    assert [each.end_ns for each in found.recorded.capture.passages] == [
        len(HEADER) * BYTE_NS,
        (len(HEADER) + 127) * BYTE_NS,
        90_000_000 + 127 * BYTE_NS,
    ]
    assert found.recorded.is_timed


def test_captures_in_midi_files_are_dump_files_as_well(tmp_path: Path) -> None:
    path = str(tmp_path / "gulls.mid")
    save(path, TALK)

    assert dumpfile.load(path).data == HEADER + ACK


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"\x89PNG\r\n\x1a\n", "is a PNG picture, not a capture"),
        (b"RIFF\0\0\0\0WAVE", "is a WAV sound, not a capture"),
        (b"Dear desk,\n", "is not a capture"),
        (b"\x80\x81\x82", "is not a capture: it does not begin"),
        (b"MThd\0\0\0\6\0\1\0\0\0\1", "is a capture that contains no bytes"),
        (b"F0 7E\nzz", 'line 2, column 1: "zz"'),
        (b'{"schema": "dryload/capture/9"}', "newer version"),
        (b'{"schema": "dryload/diff/1"}', "is not a capture"),
        (b"", "is empty"),
    ],
)
def test_what_is_no_capture_is_named(tmp_path: Path, content: bytes, says: str) -> None:
    with pytest.raises(Problem, match=says):
        load(kept(tmp_path, "gulls.jsonl", content))


@pytest.mark.parametrize("form", [CaptureForm.LINES, CaptureForm.RAW, CaptureForm.HEX_TEXT])
def test_what_is_too_large_is_refused(
    tmp_path: Path, form: CaptureForm, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(capture_file, "LARGEST", 1 << 20)
    monkeypatch.setattr(capture_file, "_LIMITS", {form: 1 << 20})
    start = {
        CaptureForm.LINES: b'{"schema": "dryload/capture/1"}\n',
        CaptureForm.RAW: ACK,
        CaptureForm.HEX_TEXT: b"F0 7E ",
    }[form]
    path = kept(tmp_path, "gulls", start + b"00 " * (1 << 19))
    assert form_of(path) is (None if form is CaptureForm.RAW else form)
    with pytest.raises(Problem, match="too large: more than 1 MB"):
        load(path)


@pytest.mark.parametrize("end_ns", [10**18, -(10**18), 32 * 86_400 * 10**9])
@pytest.mark.parametrize("start_ns", [0, 10**17])
def test_a_time_that_no_recording_can_have_is_refused(
    tmp_path: Path, end_ns: int, start_ns: int
) -> None:
    passages = [Passage(TO, start_ns + 10**9, HEADER), Passage(FROM, start_ns + end_ns, ACK)]
    late = replace(TALK, capture=Capture(passages), start_ns=start_ns)
    path = kept(tmp_path, "gulls.jsonl", capture_lines.build(late))
    with pytest.raises(Problem, match="passage 2 of 2"):
        load(path)


@pytest.mark.parametrize("ending", ["jsonl", "mid"])
def test_a_recording_of_a_month_is_read(tmp_path: Path, ending: str) -> None:
    month_ns = 31 * 86_400 * 10**9
    passages = [Passage(TO, 10**9, HEADER), Passage(FROM, month_ns, ACK)]
    path = str(tmp_path / f"gulls.{ending}")
    save(path, replace(TALK, capture=Capture(passages), start_ns=0))
    assert load(path).recorded.capture.passages == passages


def test_standard_input_is_looked_at_without_using_it_up(monkeypatch: pytest.MonkeyPatch) -> None:
    text = f"> {HEADER.hex(' ')}\n".encode()
    stream = io.TextIOWrapper(io.BufferedReader(io.BytesIO(text)))
    monkeypatch.setattr(sys, "stdin", stream)

    assert form_of("-") is CaptureForm.HEX_TEXT
    assert form_of("-") is CaptureForm.HEX_TEXT
    assert load("-").recorded.capture.bytes_of(TO) == HEADER
    with pytest.raises(Problem, match="standard input is empty"):
        load("-")


def test_a_file_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    missing = str(tmp_path / "gone.jsonl")
    for look in (form_of, load):
        with pytest.raises(Problem, match="there is no such file"):
            look(missing)


@pytest.mark.parametrize("name", ["gulls.txt", "gulls", "gulls.jsonl.gz"])
def test_another_ending_is_refused_before_anything_is_done(tmp_path: Path, name: str) -> None:
    with pytest.raises(Problem, match=r"captures are written as \.jsonl or \.mid"):
        check_target(str(tmp_path / name))


def test_nothing_is_replaced_unless_that_was_asked_for(tmp_path: Path) -> None:
    path = kept(tmp_path, "gulls.jsonl", b"something else")
    with pytest.raises(Problem, match="exists already"):
        save(path, TALK)
    assert Path(path).read_bytes() == b"something else"
    save(path, TALK, overwrite=True)
    assert load(path).recorded.capture.passages == TALK.capture.passages
    with pytest.raises(Problem, match=r"is the input file.*after --capture"):
        check_target(path, overwrite=True, sources=[path])
