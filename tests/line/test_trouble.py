"""Trouble inside a unit: the line carries what was sent, and the unit does otherwise."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.line.placement import Placement, Scope
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.line.trouble import (
    Trouble,
    TroubledUnit,
    forgets_header,
    power_fails,
    stores_wrong,
)
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile
from tests import oracle
from tests.line.players import BYTE_NS, FROM, TO, Player
from tests.line.told import SLOT_NS

WORDS = [(977 * i) % 65_536 - 32_768 for i in range(240)]
SENT = oracle.dump(bits=16, words=WORDS, sample_number=1, period_ns=22_676)
MESSAGES = [raw for _, raw in oracle.split(SENT)]
PACKET_2 = Placement(target=Scope.PACKETS, first=2, last=2, again=False)
SECOND = 1_000_000_000


class Bench:
    """A unit with troubles to which a dump was told, a message every 200 ms."""

    def __init__(self, *troubles: Trouble) -> None:
        self.unit = RackUnit(load_profile())
        self.troubled = TroubledUnit(self.unit, troubles)
        self.line = SimulatedLine(self.troubled)
        host = Player(*((n * SLOT_NS, message) for n, message in enumerate(MESSAGES)))
        self.line.connect(host)
        self.line.run(lambda: False, until_ns=len(MESSAGES) * SLOT_NS)
        assert self.line.capture.bytes_of(TO) == SENT  # the line is innocent

    @property
    def answers(self) -> list[bytes]:
        return [raw for _, raw in oracle.split(self.line.capture.bytes_of(FROM))]

    @property
    def holds(self) -> list[int] | None:
        sample = self.unit.slots[2].sample
        return None if sample is None else [int(word) for word in sample.words]


ACKS = [oracle.handshake(kind="ACK", packet_number=n) for n in (0, *range(6))]


def test_without_trouble_the_unit_holds_what_was_sent() -> None:
    bench = Bench()
    assert (bench.answers, bench.holds, bench.troubled.struck) == (ACKS, WORDS, [])


def test_it_stores_wrong_and_nothing_on_the_line_shows_it() -> None:
    bench = Bench(Trouble(effect=stores_wrong, where=PACKET_2, said="it"))
    assert bench.answers == ACKS
    assert bench.holds is not None
    wrong = [at for at, (a, b) in enumerate(zip(WORDS, bench.holds, strict=True)) if a != b]
    (struck,) = bench.troubled.struck
    assert wrong == [80 + (struck.bytes[0] - 5) // 3]  # 40 words a packet, three bytes a word
    assert (struck.said, struck.packet, struck.message) == ("it", 2, 3)
    assert struck.at_ns == 3 * SLOT_NS + (struck.bytes[0] + 1) * BYTE_NS


@pytest.mark.parametrize("byte", [5, 124])
def test_it_stores_a_named_byte_wrong(byte: int) -> None:
    where = Placement(target=Scope.PACKETS, first=2, last=2, byte=byte)
    bench = Bench(Trouble(effect=stores_wrong, where=where))
    assert bench.holds is not None
    wrong = [at for at, (a, b) in enumerate(zip(WORDS, bench.holds, strict=True)) if a != b]
    assert wrong == [80 + (byte - 5) // 3]


def test_it_forgets_the_header_and_answers_no_packet_any_more() -> None:
    bench = Bench(Trouble(effect=forgets_header, where=PACKET_2))
    assert bench.answers == ACKS[:3]  # the header and packets 0 and 1
    assert bench.holds is None
    assert [each.packet for each in bench.troubled.struck] == [2]


def test_the_power_fails_for_good() -> None:
    bench = Bench(Trouble(effect=power_fails, where=PACKET_2))
    assert (bench.answers, bench.holds) == (ACKS[:3], None)
    assert not bench.unit.panel.powered


def test_the_power_comes_back_and_the_dump_does_not() -> None:
    bench = Bench(Trouble(effect=power_fails, settings={"for_ns": SLOT_NS}, where=PACKET_2))
    assert (bench.answers, bench.holds) == (ACKS[:3], None)
    assert bench.unit.panel.powered
    # back after a time counted from the end of packet 2
    assert bench.unit.panel.line_since_ns == 3 * SLOT_NS + 127 * BYTE_NS + SLOT_NS


def test_the_power_fails_at_an_instant() -> None:
    where = Placement(from_ns=2 * SLOT_NS + 1, times=1)
    bench = Bench(Trouble(effect=power_fails, where=where))
    assert bench.answers == ACKS[:2]  # packet 1 was on its way


def test_a_packet_that_is_broken_anyway_is_not_stored_wrong() -> None:
    unit = TroubledUnit(RackUnit(load_profile()), [Trouble(effect=stores_wrong, where=PACKET_2)])
    broken = MESSAGES[3][:50] + bytes([MESSAGES[3][50] ^ 1]) + MESSAGES[3][51:]
    for at, message in enumerate([*MESSAGES[:3], broken]):
        unit.receive_bytes(message, (at + 1) * SECOND)
    assert unit.struck == []


def test_what_no_unit_can_meet_is_refused() -> None:
    for effect, where in (
        (power_fails, Placement(target=Scope.REPLIES)),
        (power_fails, Placement(target=Scope.PACKETS, byte=7)),
        (stores_wrong, Placement()),
        (stores_wrong, Placement(target=Scope.PACKETS, byte=4)),
        (stores_wrong, Placement(target=Scope.PACKETS, byte=125)),
    ):
        with pytest.raises(ValueError, match=r"only|data of a packet|not to a byte"):
            Trouble(effect=effect, where=where)


@given(st.lists(st.binary(max_size=140), max_size=8), st.booleans())
def test_no_bytes_from_outside_raise(chunks: list[bytes], is_begun: bool) -> None:
    everywhere = Placement(chance=Fraction(1, 2))
    troubles = [
        Trouble(effect=stores_wrong, where=Placement(target=Scope.PACKETS)),
        Trouble(effect=forgets_header, where=everywhere),
        Trouble(effect=power_fails, settings={"for_ns": SECOND}, where=everywhere),
    ]
    unit = TroubledUnit(RackUnit(load_profile()), troubles)
    for at, data in enumerate([*(MESSAGES[:2] if is_begun else ()), *chunks]):
        unit.receive_bytes(data, (at + 1) * SECOND)
        unit.handle_deadline((at + 1) * SECOND)
        unit.bytes_to_send()


def test_a_unit_that_is_off_meets_no_trouble() -> None:
    bench = Bench(Trouble(effect=power_fails, where=Placement(target=Scope.PACKETS)))
    assert [each.packet for each in bench.troubled.struck] == [0]
