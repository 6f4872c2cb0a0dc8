"""A capture keeps both directions apart and in order."""

from dryload.emulator.dump.capture import Capture, Direction, Passage


def test_each_direction_can_be_read_by_itself() -> None:
    capture = Capture()
    assert capture.bytes_of(Direction.TO_UNIT) == b""
    capture.passages += [
        Passage(Direction.TO_UNIT, 10, b"\xf0\x7e"),
        Passage(Direction.FROM_UNIT, 20, b"\xfe"),
        Passage(Direction.TO_UNIT, 30, b"\xf7"),
    ]

    assert capture.bytes_of(Direction.TO_UNIT) == b"\xf0\x7e\xf7"
    assert capture.bytes_of(Direction.FROM_UNIT) == b"\xfe"
