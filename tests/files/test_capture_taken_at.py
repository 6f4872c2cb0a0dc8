"""Where a capture was taken is kept in both forms, and guessed only where it must have been so."""

import json

import pytest

from emulator.dump.capture import Capture, Direction, Passage
from harness.files import capture_lines, capture_midi, capture_midi_in
from harness.files.recorded import Recorded, TakenAt

ACK = bytes.fromhex("f07e007f00f7")  # M1 p. 36
TALK = Capture([Passage(Direction.FROM_UNIT, 7_000_000, ACK)])


@pytest.mark.parametrize("taken_at", TakenAt)
@pytest.mark.parametrize("start_ns", [0, 5_000_000])
def test_both_forms_keep_it(taken_at: TakenAt, start_ns: int) -> None:
    was = Recorded(capture=TALK, taken_at=taken_at, start_ns=start_ns)

    assert capture_lines.read(capture_lines.build(was), "x").taken_at is taken_at
    assert capture_midi_in.read(capture_midi.build(was), "x").taken_at is taken_at


@pytest.mark.parametrize(
    ("start_ns", "said", "meant"),
    [
        # Times that begin at 0 are those of a rehearsal, which keeps what arrived.
        (0, None, TakenAt.LINE),
        (5_000_000, None, TakenAt.UNKNOWN),
        (None, None, TakenAt.UNKNOWN),
        (0, "host", TakenAt.HOST),
        (0, "the attic", TakenAt.UNKNOWN),
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
