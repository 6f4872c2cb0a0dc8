"""A capture that is taken at the host: what was sent, whatever became of it on the way."""

from fractions import Fraction

import numpy as np

from emulator.dump.capture import Capture, Direction
from emulator.dump.outgoing import outgoing, whole_sequence
from emulator.dump.sample import Sample
from emulator.unit.profile import load_profile
from harness.files.dumpfile import DumpFile, Form
from harness.jobs.disturb_situations import read_all
from harness.jobs.playlist import Dump, dumps_in
from harness.jobs.rehearse import Rehearsal

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
    rehearsal.replay.play(dump())
    rehearsal.replay.finish()
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
