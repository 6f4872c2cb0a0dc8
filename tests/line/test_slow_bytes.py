"""Bytes of a slow line arrive one by one, and each has its place among all that happens."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest

from dryload.emulator.dump.events import Event
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.effects import slow
from dryload.emulator.line.placement import Placement
from dryload.emulator.line.simulate import SimulatedLine
from tests import oracle
from tests.line.players import BYTE_NS, TO, Player

PACKET = oracle.packet(number=0, data=b"\x11")
SLOW_NS = 2 * BYTE_NS
"""What a byte takes at half the speed of M1 p. 1."""
INSTANTS = [SLOW_NS * (at + 1) for at in range(len(PACKET))]
HALF = Disturbance(effect=slow, settings={"percent": 50}, where=Placement(directions=(TO,)))


class Hearing(Player):
    """Writes down when it hears what, wants a deadline once, and answers at a byte.

    `rang` is when the deadline came, and how many bytes the unit had by then.
    """

    def __init__(
        self,
        *,
        deadline_ns: int | None = None,
        answers_at_ns: int | None = None,
        beside: Hearing | None = None,
    ) -> None:
        super().__init__()
        self._counts: Hearing = beside or self
        self.arrived: list[tuple[int, bytes]] = []
        self.rang: list[tuple[int, int]] = []
        self.said: list[int] = []
        self._deadline_ns = deadline_ns
        self._answers_at_ns = answers_at_ns

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        self.arrived.append((now_ns, data))
        return ()

    def next_deadline_ns(self) -> int | None:
        return self._deadline_ns

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        self.rang.append((now_ns, len(self._counts.arrived)))
        self._deadline_ns = None
        return ()

    def bytes_to_send(self) -> bytes:
        at_ns = self._answers_at_ns
        if at_ns is not None and self.arrived and self.arrived[-1][0] >= at_ns:
            self.said.append(self.arrived[-1][0])
            self._answers_at_ns = None
            return b"\xfe"
        return b""


def line_to(unit: Hearing) -> SimulatedLine:
    line = SimulatedLine(unit, disturbances=[HALF])
    line.connect(Player((0, PACKET)))
    return line


def before(instant_ns: int) -> int:
    """How many bytes are there at an instant: an arrival comes first."""
    return instant_ns // SLOW_NS


def test_each_byte_arrives_at_its_instant() -> None:
    unit = Hearing()
    assert not line_to(unit).run(lambda: False)
    assert unit.arrived == [(at, PACKET[i : i + 1]) for i, at in enumerate(INSTANTS)]


BETWEEN = pytest.mark.parametrize("instant_ns", [5 * SLOW_NS - 1, 5 * SLOW_NS, 5 * SLOW_NS + 1])


@BETWEEN
def test_a_hand_comes_between_two_bytes(instant_ns: int) -> None:
    unit = Hearing()
    line = line_to(unit)
    touched: list[tuple[int, int]] = []
    line.at(instant_ns, lambda now_ns: touched.append((now_ns, len(unit.arrived))))
    line.run(lambda: False)
    assert touched == [(instant_ns, before(instant_ns))]


@BETWEEN
def test_a_deadline_comes_between_two_bytes(instant_ns: int) -> None:
    unit = Hearing(deadline_ns=instant_ns)
    line_to(unit).run(lambda: False)
    assert unit.rang == [(instant_ns, before(instant_ns))]


@BETWEEN
def test_what_the_other_end_does_comes_between_two_bytes(instant_ns: int) -> None:
    unit = Hearing()
    line = line_to(unit)
    host = Hearing(deadline_ns=instant_ns, beside=unit)
    line.run(lambda: False, until_ns=SLOW_NS)  # the packet is on its way
    line.connect(host)
    line.run(lambda: False)
    assert host.rang == [(instant_ns, before(instant_ns))]


@BETWEEN
def test_a_run_ends_between_two_bytes(instant_ns: int) -> None:
    unit = Hearing()
    line = line_to(unit)
    assert not line.run(lambda: False, until_ns=instant_ns)
    assert (line.now_ns, len(unit.arrived)) == (instant_ns, before(instant_ns))


def test_an_answer_begins_as_the_byte_is_there_that_calls_for_it() -> None:
    unit = Hearing(answers_at_ns=INSTANTS[6])
    line = line_to(unit)
    line.run(lambda: False)
    assert unit.said == [INSTANTS[6]]
    answer = next(each for each in line.capture.passages if each.data == b"\xfe")
    assert answer.end_ns == INSTANTS[6] + BYTE_NS
    ends = [each.end_ns for each in line.capture.passages]
    assert all(one <= other for one, other in pairwise(ends))  # kept in the order of arrival
