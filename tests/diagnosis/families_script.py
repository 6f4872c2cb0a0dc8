"""Families of what neither sender nor unit here ever does: a good capture, told otherwise."""

from collections.abc import Callable
from typing import Final

from emulator.dump.capture import Capture, Direction, Passage
from tests.diagnosis import classes as c
from tests.diagnosis.alike import Alike, View
from tests.diagnosis.family import Family
from tests.diagnosis.situation import Dice, Situation

_SUB_ID_AT, _NUMBER_AT, _DATA_AT = 3, 4, 5  # M1 p. 36 to 38
_PACKET, _HEADER = 0x02, 0x01
_NAK, _CANCEL, _WAIT = 0x7E, 0x7D, 0x7C  # M1 p. 38
_Script = Callable[[Dice, Situation, Capture], tuple[Capture, int | None]]


def _said_instead(kind: int, *, damaged: bool = False, then_silent: bool = False) -> _Script:
    """Let the answer to a packet be another, while the sender goes on as if it were ACK."""

    def script(dice: Dice, situation: Situation, right: Capture) -> tuple[Capture, int | None]:
        passages = list(right.passages)
        at = dice.below(max(situation.packets - 1, 1), "packet")
        packet = _places(passages, Direction.TO_UNIT, _PACKET)[at]
        answer = packet + 1
        passages[answer] = _with(passages[answer], _SUB_ID_AT, kind)
        if damaged:
            byte = _DATA_AT + dice.below(120, "byte")
            value = passages[packet].data[byte] ^ 1 << dice.below(7, "bit")
            passages[packet] = _with(passages[packet], byte, value)
        if then_silent:
            passages = [
                each
                for place, each in enumerate(passages)
                if place <= answer or each.direction is Direction.TO_UNIT
            ]
        return Capture(passages=passages), None  # at the answer, or at what follows it: both do

    return script


def _another_sample(dice: Dice, situation: Situation, right: Capture) -> tuple[Capture, int | None]:
    """Let the dump that comes back have another sample number."""
    passages = list(right.passages)
    at = _places(passages, Direction.FROM_UNIT, _HEADER)[0]
    number = (passages[at].data[_NUMBER_AT] + 1 + dice.below(5, "by")) & 0x7F
    passages[at] = _with(passages[at], _NUMBER_AT, number)
    return Capture(passages=passages), None


def _places(passages: list[Passage], direction: Direction, sub_id: int) -> list[int]:
    return [
        place
        for place, each in enumerate(passages)
        if each.direction is direction
        and len(each.data) > _NUMBER_AT
        and each.data[_SUB_ID_AT] == sub_id
    ]


def _with(passage: Passage, at: int, value: int) -> Passage:
    data = bytearray(passage.data)
    data[at] = value
    return passage._replace(data=bytes(data))


def _script(name: str, script: _Script, line: Alike, *, read_back: bool = False) -> Family:
    return Family(
        name=name,
        script=script,
        line=line,
        views=(View.LINE, View.LINE, View.UNTIMED),
        profiles=("lantern-desk", "call-board", "property-chest"),
        packets=range(3, 7),
        read_back=read_back,
    )


SCRIPT_FAMILIES: Final[tuple[Family, ...]] = (
    _script("a sender that passes over NAK", _said_instead(_NAK), c.PASSES_NAK),
    _script(
        "a sender that does not send again what came damaged",
        _said_instead(_NAK, damaged=True),
        c.PASSES_DAMAGE,
    ),
    _script(
        "a sender that passes over CANCEL",
        _said_instead(_CANCEL, then_silent=True),
        c.PASSES_CANCEL,
    ),
    _script("a sender that passes over WAIT", _said_instead(_WAIT), c.PASSES_WAIT),
    _script(
        "a request answered with another sample", _another_sample, c.OTHER_SAMPLE, read_back=True
    ),
)
