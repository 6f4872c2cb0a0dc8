"""A capture that is taken at the host: what was sent, whatever became of it on the way."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.dump.outgoing import outgoing, whole_sequence
from dryload.emulator.dump.sample import Sample
from dryload.emulator.line.link import link_named
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.unit.profile import load_profile
from dryload.harness.faults.reading import read_all
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.jobs.dumps import Dump, dumps_in
from dryload.harness.jobs.rehearse import Rehearsal
from tests import oracle
from tests.edits import delay_message, lose_message
from tests.line.players import Player

BYTE_NS = 320_000  # M1 p. 1


def dump() -> Dump:
    words = np.array([(1021 * at) % 65_536 - 32_768 for at in range(200)], np.int16)
    sample = Sample(words=words, bits=16, rate=Fraction(32_000))
    data = b"".join(whole_sequence(outgoing(sample, number=1, device_id=0)))
    return next(dumps_in(DumpFile(name="tick", form=Form.RAW, data=data)))


def captured(*disturbances: str, host_side: bool) -> Capture:
    asked = read_all(disturbances)
    rehearsal = Rehearsal(
        load_profile("lantern-desk"),
        disturbances=asked.placed,
        link=asked.link,
        host_side=host_side,
    )
    rehearsal.play(dump())
    rehearsal.finish()
    return rehearsal.line.capture


def bytes_with_times(capture: Capture) -> dict[Direction, list[tuple[int, int]]]:
    """Each byte with when it was there; however they were put together."""
    found: dict[Direction, list[tuple[int, int]]] = {way: [] for way in Direction}
    for direction, end_ns, data in capture.passages:
        last = len(data) - 1
        found[direction] += [
            (end_ns - (last - at) * BYTE_NS, value) for at, value in enumerate(data)
        ]
    return found


def test_undisturbed_both_ends_keep_the_same() -> None:
    line, host = captured(host_side=False), captured(host_side=True)

    assert bytes_with_times(line) == bytes_with_times(host)


def test_damage_on_the_way_is_not_seen_at_the_host() -> None:
    packet = dump().outgoing.packets[2]
    line = captured("flip bit 3 in packet 2, byte 40", host_side=False)
    host = captured("flip bit 3 in packet 2, byte 40", host_side=True)
    spoiled = bytes([*packet[:40], packet[40] ^ 8, *packet[41:]])

    assert spoiled in line.bytes_of(Direction.TO_UNIT)
    assert host.bytes_of(Direction.TO_UNIT).count(packet) == 2  # NAK, and once more
    assert spoiled not in host.bytes_of(Direction.TO_UNIT)
    assert line.bytes_of(Direction.FROM_UNIT) == host.bytes_of(Direction.FROM_UNIT)


def test_what_is_lost_on_the_way_has_left_the_host() -> None:
    line = captured("lose packet 1", host_side=False)
    host = captured("lose packet 1", host_side=True)
    packet = dump().outgoing.packets[1]

    sent = [capture.bytes_of(Direction.TO_UNIT).count(packet) for capture in (line, host)]
    assert sent == [1, 2]


def test_an_answer_that_is_damaged_arrives_at_the_host_as_it_is() -> None:
    host = captured("wrong number by 5 in reply to packet 1", host_side=True)

    assert bytes.fromhex("f07e007f06f7") in host.bytes_of(Direction.FROM_UNIT)  # ACK 1 + 5


def test_passages_stand_in_the_order_in_which_they_ended() -> None:
    for disturbance in ("delay replies by 60 ms", "echo", "lose every 2nd packet"):
        ends = [each.end_ns for each in captured(disturbance, host_side=True).passages]
        assert ends == sorted(ends)


# On a line without a protocol

TO, FROM = Direction.TO_UNIT, Direction.FROM_UNIT
ACK, LONG = oracle.handshake(kind="ACK"), oracle.packet(number=0, data=b"\x11")
SIX, MOST = 6 * BYTE_NS, 127 * BYTE_NS  # M1 pp. 36, 37


def test_a_message_is_one_passage_and_ends_when_its_last_byte_leaves() -> None:
    host, unit = Player((0, LONG), (0, ACK)), Player()
    late = delay_message(direction=TO, message=0, by_ns=7)
    line = SimulatedLine(unit, disturbances=[late], host_side=True)
    line.connect(host)
    line.run(lambda: host.is_over)
    # The second waits until the wire, which was held up, is free.
    assert line.capture.passages == [Passage(TO, MOST, LONG), Passage(TO, MOST + 7 + SIX, ACK)]
    assert [now_ns for what, now_ns, _ in host.log if what == "left"] == [MOST, MOST + 7 + SIX]


def test_what_went_to_pieces_in_a_link_left_the_host_whole() -> None:
    host, unit = Player((0, LONG)), Player((0, ACK))
    line = SimulatedLine(unit, link=link_named("splits-32-to-unit"), host_side=True)
    line.connect(host)
    line.run(lambda: host.is_over and unit.is_over)
    assert line.capture.passages == [Passage(FROM, SIX, ACK), Passage(TO, MOST, LONG)]
    assert len([what for what, *_ in unit.log if what == "hears"]) == 4  # 32, 32, 32 and 31


def test_an_echo_arrives_at_the_host_as_it_does_on_the_line() -> None:
    def kept(*, host_side: bool) -> list[Passage]:
        host, unit = Player((0, LONG)), Player((10**8, ACK))
        line = SimulatedLine(unit, link=link_named("echo"), host_side=host_side)
        line.connect(host)
        line.run(lambda: host.is_over and unit.is_over)
        return line.capture.passages

    assert [each for each in kept(host_side=True) if each.direction is FROM] == [
        Passage(FROM, MOST, LONG),
        Passage(FROM, 10**8 + SIX, ACK),
    ]
    assert kept(host_side=True) == kept(host_side=False)


@pytest.mark.parametrize("is_lost", [False, True])
def test_the_message_of_a_host_that_was_taken_away_leaves_all_the_same(is_lost: bool) -> None:
    first, second, unit = Player((0, LONG)), Player((0, ACK)), Player()
    lost = [lose_message(direction=TO, message=0)] if is_lost else []
    line = SimulatedLine(unit, disturbances=lost, host_side=True)
    line.connect(first)
    line.run(lambda: False, until_ns=5)
    line.connect(second)
    line.run(lambda: second.is_over)
    assert line.capture.passages == [Passage(TO, MOST, LONG), Passage(TO, MOST + SIX, ACK)]
    assert not [what for what, *_ in first.log if what == "left"]
