"""Disturbances: each on one message, by hand, and what no line can do."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pytest

from emulator.line.disturbance import (
    AddByte,
    CutLine,
    DelayMessage,
    Disturbance,
    FlipBit,
    LoseByte,
    LoseMessage,
    RepeatMessage,
    TimedByte,
    disturb,
)
from tests.line.players import FROM, TO

# F0 7E 00 01 F7 at instants 10, 20 ... 50, on a line that needs 10 for a byte
MESSAGE = [TimedByte(10, 0xF0), TimedByte(20, 0x7E), TimedByte(30, 0), TimedByte(40, 1)]
MESSAGE.append(TimedByte(50, 0xF7))


def after(disturbance: Disturbance) -> str:
    """What arrives, as "instant:byte" in order; the message itself must stay as it was."""
    given = tuple(MESSAGE)
    came = disturb(MESSAGE, disturbance, 10)
    assert tuple(MESSAGE) == given
    return " ".join(f"{at_ns}:{value:02X}" for at_ns, value in came)


@pytest.mark.parametrize(
    ("disturbance", "expected"),
    [
        (FlipBit(direction=TO, message=0, byte=3, bit=0), "10:F0 20:7E 30:00 40:00 50:F7"),
        (FlipBit(direction=TO, message=0, byte=2, bit=7), "10:F0 20:7E 30:80 40:01 50:F7"),
        (FlipBit(direction=TO, message=0, byte=4, bit=3), "10:F0 20:7E 30:00 40:01 50:FF"),
        (LoseByte(direction=TO, message=0, byte=0), "20:7E 30:00 40:01 50:F7"),
        (LoseByte(direction=TO, message=0, byte=2), "10:F0 20:7E 40:01 50:F7"),
        (LoseByte(direction=TO, message=0, byte=4), "10:F0 20:7E 30:00 40:01"),
        (
            AddByte(direction=TO, message=0, byte=0, value=0xF8),
            "10:F8 20:F0 30:7E 40:00 50:01 60:F7",
        ),
        (
            AddByte(direction=TO, message=0, byte=3, value=5),
            "10:F0 20:7E 30:00 40:05 50:01 60:F7",
        ),
        (
            AddByte(direction=TO, message=0, byte=5, value=0xFE),
            "10:F0 20:7E 30:00 40:01 50:F7 60:FE",
        ),
        (LoseMessage(direction=TO, message=0), ""),
        (
            RepeatMessage(direction=TO, message=0),
            "10:F0 20:7E 30:00 40:01 50:F7 60:F0 70:7E 80:00 90:01 100:F7",
        ),
        (DelayMessage(direction=TO, message=0, by_ns=3), "13:F0 23:7E 33:00 43:01 53:F7"),
        (CutLine(direction=TO, at_ns=40), "10:F0 20:7E 30:00"),
        (CutLine(direction=TO, at_ns=41), "10:F0 20:7E 30:00 40:01"),
    ],
)
def test_what_arrives(disturbance: Disturbance, expected: str) -> None:
    assert after(disturbance) == expected


@pytest.mark.parametrize(
    "beyond",
    [
        FlipBit(direction=TO, message=0, byte=5, bit=0),
        LoseByte(direction=TO, message=0, byte=5),
        AddByte(direction=TO, message=0, byte=6, value=1),
    ],
)
def test_a_place_that_a_message_does_not_have_is_left_alone(beyond: Disturbance) -> None:
    assert disturb(MESSAGE, beyond, 10) == MESSAGE


@pytest.mark.parametrize(
    "further",
    [
        FlipBit(direction=TO, message=0, byte=0, bit=0),
        LoseByte(direction=TO, message=0, byte=0),
        AddByte(direction=TO, message=0, byte=0, value=1),
        RepeatMessage(direction=TO, message=0),
        DelayMessage(direction=TO, message=0, by_ns=1),
    ],
)
def test_of_a_lost_message_nothing_comes_back(further: Disturbance) -> None:
    assert disturb([], further, 10) == []


def test_a_message_with_a_hole_is_repeated_after_its_last_byte() -> None:
    holed = disturb(MESSAGE, LoseByte(direction=TO, message=0, byte=1), 10)
    came = disturb(holed, RepeatMessage(direction=TO, message=0), 10)
    assert [at_ns for at_ns, _ in came] == [10, 30, 40, 50, 60, 80, 90, 100]


WRONG: list[tuple[Callable[[], object], str]] = [
    (lambda: FlipBit(direction=TO, message=0, byte=0, bit=8), "bit must be 0 to 7, not 8"),
    (lambda: FlipBit(direction=TO, message=0, byte=-1, bit=0), "byte must be 0 or more, not -1"),
    (lambda: LoseByte(direction=TO, message=-2, byte=0), "message must be 0 or more, not -2"),
    (
        lambda: AddByte(direction=TO, message=0, byte=0, value=256),
        "value must be 0 to 255, not 256",
    ),
    (
        lambda: DelayMessage(direction=FROM, message=0, by_ns=-1),
        "by_ns must be 0 or more, not -1",
    ),
]


@pytest.mark.parametrize(("make", "message"), WRONG)
def test_what_no_line_can_do_is_refused(make: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        make()


def test_disturbances_are_values() -> None:
    one = LoseByte(direction=TO, message=1, byte=2)
    assert one == dataclasses.replace(one)
    assert len({one, LoseByte(direction=TO, message=1, byte=2)}) == 1
