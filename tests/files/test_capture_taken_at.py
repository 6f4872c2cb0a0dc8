"""Where a capture was taken is kept in both forms, and guessed only where it must have been so."""

from __future__ import annotations

import io
import json
from pathlib import Path

import mido
import pytest

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.harness.files import capture_lines, capture_midi, midifile
from dryload.harness.files.capture_file import load
from dryload.harness.files.recorded import Recorded, TakenAt

ACK = bytes.fromhex("f07e007f00f7")  # M1 p. 36
TALK = Capture([Passage(Direction.FROM_UNIT, 7_000_000, ACK)])


@pytest.mark.parametrize("taken_at", TakenAt)
@pytest.mark.parametrize("start_ns", [0, 5_000_000])
def test_both_forms_keep_it(taken_at: TakenAt, start_ns: int) -> None:
    was = Recorded(capture=TALK, taken_at=taken_at, start_ns=start_ns)

    assert capture_lines.read(capture_lines.build(was), "x").taken_at is taken_at
    assert capture_midi.read(capture_midi.build(was), "x").taken_at is taken_at


@pytest.mark.parametrize(
    ("start_ns", "said", "meant"),
    [
        # Times that begin at 0 are those of a rehearsal, which keeps what arrived.
        (0, None, TakenAt.LINE),
        (5_000_000, None, TakenAt.UNKNOWN),
        (None, None, TakenAt.UNKNOWN),
        (0, "host", TakenAt.HOST),
        (0, "the attic", TakenAt.UNKNOWN),
        (0, "", TakenAt.UNKNOWN),
        (0, "LINE", TakenAt.UNKNOWN),
        (0, 7, TakenAt.UNKNOWN),
        (0, ["host"], TakenAt.UNKNOWN),
    ],
)
def test_a_capture_that_does_not_say_it(start_ns: int | None, said: object, meant: TakenAt) -> None:
    first, rest = capture_lines.build(Recorded(capture=TALK)).split(b"\n", 1)
    fields = json.loads(first) | {"start_ns": start_ns}
    del fields["taken_at"]
    if said is not None:
        fields["taken_at"] = said
    if start_ns is None:
        rest = rest.replace(b"7000000", b"null")

    text = json.dumps(fields).encode() + b"\n" + rest

    assert capture_lines.read(text, "x").taken_at is meant
    assert capture_midi.read(in_midi_file(fields), "x").taken_at is meant


def test_nothing_is_guessed_where_nothing_has_a_time() -> None:
    """Such lines are the same bytes as a dump file, and are read as one."""
    passage = json.dumps({"direction": "to unit", "hex": ACK.hex()}).encode()
    head = {"schema": "dryload/capture/1", "start_ns": 0, "directions": ["to unit"]}

    text = json.dumps(head).encode() + b"\n" + passage

    assert capture_lines.read(text, "x").taken_at is TakenAt.UNKNOWN


def in_midi_file(fields: dict[str, object]) -> bytes:
    """A MIDI file whose text event says this, and whether times are known in the way of that."""
    file = mido.MidiFile(file=io.BytesIO(capture_midi.build(Recorded(capture=TALK))))
    (text,) = (each for each in file.tracks[0] if each.type == "text")
    timed = fields["start_ns"] is not None
    said = fields | {"timed": timed, "start_ns": fields["start_ns"] or 0, "zero_ns": 0}
    text.text = json.dumps(said)
    return saved(file)


def saved(file: mido.MidiFile) -> bytes:
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def test_a_midi_file_that_says_nothing_of_itself_is_of_unknown_origin() -> None:
    was = Recorded(capture=TALK, taken_at=TakenAt.LINE)
    file = mido.MidiFile(file=io.BytesIO(capture_midi.build(was)))
    file.tracks[0][:] = [each for each in file.tracks[0] if each.type != "text"]
    read = capture_midi.read(saved(file), "x")

    assert read.capture.passages == TALK.passages
    assert read.taken_at is TakenAt.UNKNOWN


@pytest.mark.parametrize("name", ["pasted.txt", "gulls.syx", "gulls.mid"])
def test_of_what_is_no_capture_of_ours_it_is_unknown(tmp_path: Path, name: str) -> None:
    contents = {
        "pasted.txt": f"< {ACK.hex(' ')}".encode(),
        "gulls.syx": ACK,
        "gulls.mid": midifile.build([(0, ACK)]),
    }
    (tmp_path / name).write_bytes(contents[name])

    assert load(str(tmp_path / name)).recorded.taken_at is TakenAt.UNKNOWN
