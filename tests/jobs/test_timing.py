"""Where the time of a transfer goes, on passages made by hand and on the worked timelines."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction, Passage
from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.traits import Habits, InputTraits, UnitTraits
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.timing import Times, Wait, floor_of, times_of
from tests import oracle
from tests.jobs.test_dumps import only
from tests.vectors import dumps, timeline

TO, FROM = Direction.TO_UNIT, Direction.FROM_UNIT
MS = 1_000_000
HEADER = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=41)  # 6.72 ms (M1 p. 37)
PACKET = oracle.packet(number=0, data=b"")  # 40.64 ms (M1 pp. 1, 37)
ACK = oracle.handshake(kind="ACK")  # 1.92 ms (M1 p. 36)
NAK = oracle.handshake(kind="NAK")
WAIT = oracle.handshake(kind="WAIT")
CANCEL = oracle.handshake(kind="CANCEL")
NAME = oracle.sample_name(sample_number=1, name=b"Gulls")  # 15 bytes, 4.8 ms


def at(start_us: int, direction: Direction, data: bytes) -> Passage:
    """Bytes of which the first begins at `start_us` (M1 p. 1: 320 us each)."""
    return Passage(direction, start_us * 1000 + len(data) * 320_000, data)


def times(passages: Sequence[Passage], end_us: int, *, person_ns: int = 0) -> Times:
    found = times_of(
        passages, start_ns=0, end_ns=end_us * 1000, floor_ns=47_360_000, person_ns=person_ns
    )
    assert found.line_ns + found.waiting_ns == found.total_ns == end_us * 1000 + person_ns
    assert sum(ns for _, ns in found.waits) == found.waiting_ns
    assert [ns for _, ns in found.waits] == sorted((ns for _, ns in found.waits), reverse=True)
    return found


def test_a_closed_loop_waits_for_the_header_and_for_storing() -> None:
    found = times(
        [
            at(0, TO, HEADER),  # to 6.72
            at(11_720, FROM, ACK),  # 5 ms later, to 13.64
            at(13_640, TO, PACKET),  # to 54.28
            at(56_280, FROM, ACK),  # 2 ms later, to 58.20
            at(58_200, TO, PACKET),  # to 98.84
            at(101_840, FROM, ACK),  # 3 ms later, to 103.76
        ],
        103_760,
    )
    assert found.waits == ((Wait.HEADER, 5 * MS), (Wait.STORING, 5 * MS))
    assert found.line_ns == 93_760_000  # 21 + 6 + 127 + 6 + 127 + 6 bytes
    assert found.floor_ns == 47_360_000


def test_an_open_loop_waits_for_answers_that_never_came() -> None:
    found = times(
        [at(0, TO, HEADER), at(2_006_720, TO, PACKET), at(2_067_360, TO, PACKET)], 2_128_000
    )
    assert found.waits == ((Wait.NO_HEADER_ANSWER, 2000 * MS), (Wait.NO_PACKET_ANSWER, 40 * MS))


def test_a_header_that_was_never_answered_and_nothing_else() -> None:
    assert times([at(0, TO, HEADER)], 2_006_720).waits == ((Wait.NO_HEADER_ANSWER, 2000 * MS),)


def test_what_follows_a_wait_is_held_until_the_next_sign() -> None:
    found = times(
        [
            at(0, TO, HEADER),  # to 6.72
            at(8_720, FROM, WAIT),  # 2 ms for the header, to 10.64
            at(1_010_640, FROM, ACK),  # 1 s held, to 1012.56
            at(1_012_560, TO, PACKET),  # to 1053.20
            at(1_054_200, FROM, WAIT),  # 1 ms for storing, to 1056.12
            at(1_086_120, FROM, NAK),  # 30 ms held, to 1088.04
            at(1_088_040, TO, PACKET),  # to 1128.68
            at(1_129_680, FROM, WAIT),  # 1 ms for storing, to 1131.60
        ],
        1_531_600,  # 400 ms held, and never released
    )
    assert found.waits == ((Wait.HELD, 1430 * MS), (Wait.HEADER, 2 * MS), (Wait.STORING, 2 * MS))


def test_a_header_that_is_sent_again_is_still_a_header() -> None:
    found = times(
        [
            at(0, TO, HEADER),  # to 6.72
            at(9_720, FROM, NAK),  # 3 ms, to 11.64
            at(11_640, TO, HEADER),  # to 18.36
            at(22_360, FROM, CANCEL),  # 4 ms, to 24.28
        ],
        24_280,
    )
    assert found.waits == ((Wait.HEADER, 7 * MS),)


def test_names_after_the_last_answer_take_line_time_only() -> None:
    found = times(
        [
            at(0, TO, PACKET),  # to 40.64
            at(40_640, FROM, ACK),  # to 42.56
            at(42_560, TO, NAME),  # to 47.36
        ],
        47_360,
    )
    assert (found.waits, found.line_ns) == ((), 47_360_000)


def test_silence_before_and_after_what_nobody_waits_for() -> None:
    found = times(
        [
            at(5_000, TO, HEADER),  # 5 ms of something else, to 11.72
            at(11_720, FROM, ACK),  # to 13.64
            at(14_640, TO, PACKET),  # 1 ms, though the answer is there, to 55.28
            at(55_280, FROM, ACK),  # to 57.20
        ],
        60_200,  # and 3 ms more
    )
    assert found.waits == ((Wait.OTHER, 9 * MS),)


def test_nothing_at_all_on_the_line() -> None:
    assert times([], 7_000).waits == ((Wait.OTHER, 7 * MS),)
    assert times([], 0) == Times(line_ns=0, floor_ns=47_360_000, total_ns=0, waits=())


def test_a_person_counts_before_the_line_begins() -> None:
    found = times([at(0, TO, HEADER), at(7_720, FROM, ACK)], 9_640, person_ns=8000 * MS)
    assert found.total_ns == 8_009_640_000
    assert found.waits == ((Wait.PERSON, 8000 * MS), (Wait.HEADER, 1 * MS))
    assert found.line_ns == 8_640_000


def test_active_sensing_and_clock_are_no_answer_and_end_no_wait() -> None:
    # single bytes F8 and FE, whoever sends them (M1 pp. 30, 32)
    pulses = [at(us, FROM, bytes([byte])) for us in (7_000, 9_000) for byte in (0xFE, 0xF8)]
    found = times(
        [
            at(0, TO, HEADER),
            *pulses,
            at(11_720, FROM, ACK),
            at(13_640, TO, PACKET),
            at(54_300, FROM, b"\xfe"),
        ],
        74_280,
    )
    assert found.waits == ((Wait.NO_PACKET_ANSWER, 20 * MS), (Wait.HEADER, 5 * MS))


def test_an_echo_is_line_time_and_no_answer() -> None:
    found = times(
        [
            at(0, TO, HEADER),  # to 6.72
            at(6_720, FROM, HEADER),  # to 13.44
            at(18_440, FROM, ACK),  # 5 ms later, to 20.36
            at(20_360, TO, PACKET),  # to 61.00
            at(61_000, FROM, PACKET),  # to 101.64
        ],
        103_640,  # 2 ms more
    )
    assert found.waits == ((Wait.HEADER, 5 * MS), (Wait.NO_PACKET_ANSWER, 2 * MS))


def test_a_clock_byte_inside_a_message_does_not_hide_it() -> None:
    found = times(
        [
            at(0, TO, b"\xf8" + HEADER),  # to 7.04
            at(8_040, FROM, b"\xf8" + WAIT[:2] + b"\xf8" + WAIT[2:]),  # 1 ms, to 10.60
            at(15_600, FROM, ACK),  # 5 ms held, to 17.52
            at(17_520, TO, PACKET[:1] + b"\xf8" + PACKET[1:]),  # to 58.48
            at(60_480, FROM, ACK),  # 2 ms, to 62.40
        ],
        62_400,
    )
    assert found.waits == ((Wait.HELD, 5 * MS), (Wait.STORING, 2 * MS), (Wait.HEADER, 1 * MS))


def test_both_directions_at_once_are_line_time_once() -> None:
    found = times(
        [
            at(0, TO, HEADER),  # to 6.72
            at(16_720, FROM, ACK),  # inside the packet, to 18.64
            at(10_720, TO, PACKET),  # 4 ms after the header, to 51.36
            at(52_360, FROM, ACK),  # 1 ms later, to 54.28
        ],
        54_280,
    )
    assert found.waits == ((Wait.NO_HEADER_ANSWER, 4 * MS), (Wait.STORING, 1 * MS))
    assert found.line_ns == 49_280_000


def test_a_message_in_two_stretches_waits_in_between() -> None:
    # a byte was lost on the way: the line is silent for its time
    found = times([at(0, TO, PACKET[:60]), at(19_520, TO, PACKET[61:])], 40_640)
    assert found.total_ns - found.line_ns == 320_000


def test_the_floor_is_320_us_a_byte_of_header_and_packets() -> None:
    # 31,250 baud, ten bits a byte (M1 p. 1)
    outgoing = Outgoing(header=HEADER, packets=[PACKET, PACKET[:-2]], after=(NAME,))
    assert floor_of(outgoing) == (21 + 127 + 125) * 320_000


# Real rehearsals

BENCH = Profile(
    unit=UnitTraits(name="bench"),
    input=InputTraits(
        store_header_ns=timeline.CLOSED_HEADER_ANSWER_NS,
        store_packet_ns=timeline.CLOSED_PACKET_ANSWER_NS,
    ),
)
SILENT = replace(BENCH, habits=Habits(answers=False))
V1 = oracle.dump(bits=16, words=dumps.V1.words, sample_number=1, period_ns=dumps.V1.period_ns)


def rehearsed(profile: Profile) -> tuple[Rehearsal, Times]:
    rehearsal = Rehearsal(profile)
    return rehearsal, rehearsal.play(only(V1)).times


def test_a_closed_loop_rehearsal_takes_what_the_worked_timeline_takes() -> None:
    _, found = rehearsed(BENCH)
    assert found.total_ns == timeline.CLOSED_LOOP[-1][2]
    assert found.line_ns == sum(end - start for _, start, end in timeline.CLOSED_LOOP)
    assert found.floor_ns == 275 * timeline.BYTE_NS
    assert dict(found.waits) == {
        Wait.HEADER: timeline.CLOSED_HEADER_ANSWER_NS,
        Wait.STORING: 2 * timeline.CLOSED_PACKET_ANSWER_NS,
    }


def test_an_open_loop_rehearsal_takes_what_the_worked_timeline_takes() -> None:
    _, found = rehearsed(SILENT)
    assert found.total_ns == timeline.OPEN_LOOP_OVER_NS
    assert found.line_ns == found.floor_ns == 275 * timeline.BYTE_NS
    assert dict(found.waits) == {
        Wait.NO_HEADER_ANSWER: timeline.HEADER_WAIT_NS,
        Wait.NO_PACKET_ANSWER: 2 * timeline.PACKET_WAIT_NS,
    }


def test_the_time_of_a_second_dump_begins_where_it_begins() -> None:
    rehearsal = Rehearsal(BENCH)
    first = rehearsal.play(only(V1)).times
    second = rehearsal.play(only(V1)).times
    assert first == second
    assert rehearsal.line.now_ns > 2 * first.total_ns  # reading back has its own time


@pytest.mark.parametrize("profile", [BENCH, SILENT], ids=["closed", "open"])
def test_the_line_time_is_that_of_the_bytes_in_the_capture(profile: Profile) -> None:
    rehearsal = Rehearsal(profile)
    transfer = rehearsal.play(only(V1))
    passages = rehearsal.line.capture.passages
    sent = [each for each in passages if each.end_ns <= transfer.times.total_ns]
    assert transfer.times.line_ns == sum(len(each.data) for each in sent) * 320_000
