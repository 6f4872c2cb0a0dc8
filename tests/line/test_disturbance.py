"""Effects on one short message, each by hand: every byte and every instant."""

from __future__ import annotations

import pytest

from dryload.emulator.line import effects
from dryload.emulator.line.disturbance import Disturbance, Effect, FaultInjector, Timed
from dryload.emulator.line.placement import Placement
from tests.line.players import TO
from tests.line.told import Does, does

# F0 7E 00 01 F7 at instants 10, 20 ... 50, on a line that needs 10 for a byte
MESSAGE = [(10, 0xF0), (20, 0x7E), (30, 0), (40, 1), (50, 0xF7)]


def struck(message: Timed, effect: Does, **where: int) -> Timed:
    injector = FaultInjector([effect.at(Placement(**where))], byte_ns=10)  # type: ignore[arg-type]  # the keywords of one call
    timed = list(message)
    for injection in injector.see(TO, bytes(value for _, value in message), 0, 50):
        injection.act(timed)
    return timed


@pytest.mark.parametrize(
    ("effect", "where", "expected"),
    [
        (does(effects.flip_one, bit=0), {"byte": 3}, "10:F0 20:7E 30:00 40:00 50:F7"),
        (does(effects.flip_one, bit=7), {"byte": 2}, "10:F0 20:7E 30:80 40:01 50:F7"),
        (does(effects.flip_one, bit=3), {"byte": 4}, "10:F0 20:7E 30:00 40:01 50:FF"),
        (does(effects.lose_bytes), {"byte": 0}, "20:7E 30:00 40:01 50:F7"),
        (does(effects.lose_bytes), {"byte": 2}, "10:F0 20:7E 40:01 50:F7"),
        (does(effects.lose_bytes), {"byte": 4}, "10:F0 20:7E 30:00 40:01"),
        (
            does(effects.add_bytes, values=[0xF8]),
            {"byte": 0},
            "10:F8 20:F0 30:7E 40:00 50:01 60:F7",
        ),
        (does(effects.add_bytes, values=[5]), {"byte": 3}, "10:F0 20:7E 30:00 40:05 50:01 60:F7"),
        (does(effects.lose), {}, ""),
        (
            does(effects.repeat),
            {},
            "10:F0 20:7E 30:00 40:01 50:F7 60:F0 70:7E 80:00 90:01 100:F7",
        ),
        (does(effects.delay, by_ns=3), {}, "13:F0 23:7E 33:00 43:01 53:F7"),
        (does(effects.unplug), {"from_ns": 39}, "10:F0 20:7E 30:00"),
        (does(effects.unplug), {"from_ns": 40}, "10:F0 20:7E 30:00 40:01"),
        (does(effects.unplug), {"from_ns": 39, "until_ns": 40}, "10:F0 20:7E 30:00 40:01 50:F7"),
        (does(effects.unplug), {"from_ns": 39, "until_ns": 41}, "10:F0 20:7E 30:00 50:F7"),
    ],
)
def test_what_arrives(effect: Does, where: dict[str, int], expected: str) -> None:
    given = tuple(MESSAGE)
    came = struck(MESSAGE, effect, **where)
    assert " ".join(f"{at_ns}:{value:02X}" for at_ns, value in came) == expected
    assert tuple(MESSAGE) == given


@pytest.mark.parametrize("effect", [effects.flip_one, effects.lose_bytes, effects.add_bytes])
def test_a_place_that_a_message_does_not_have_is_left_alone(effect: Effect) -> None:
    assert struck(MESSAGE, does(effect), byte=5) == MESSAGE


def test_a_message_with_a_hole_is_repeated_after_its_last_byte() -> None:
    holed = struck(MESSAGE, does(effects.lose_bytes), byte=1)
    came = struck(holed, does(effects.repeat))
    assert [at_ns for at_ns, _ in came] == [10, 30, 40, 50, 60, 80, 90, 100]


def test_disturbances_are_values() -> None:
    one = Disturbance(effect=effects.cut, settings={"keep": 3}, where=Placement(first=1))
    assert one == Disturbance(effect=effects.cut, settings={"keep": 3}, where=Placement(first=1))
    assert one != Disturbance(effect=effects.cut, settings={"keep": 4}, where=Placement(first=1))
