"""Whole dumps over the simulated line: worked timelines and digests (M1 pp. 1, 37, 39)."""

from __future__ import annotations

import hashlib

import pytest
from msgspec.structs import replace

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.sample import Loop, Sample
from dryload.emulator.dump.sender import SenderEnd
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.traits import Habits, InputTraits, SlotTraits, UnitTraits, WordTraits
from tests.edits import cut_line
from tests.line.players import BYTE_NS, FROM, TO
from tests.unit.desk import Desk, sample_of
from tests.vectors import dumps, timeline

UNIT = Profile(
    unit=UnitTraits(name="bench"),
    slots=SlotTraits(count=400),
    words=WordTraits(accepts=tuple(range(8, 29))),
    input=InputTraits(
        store_header_ns=timeline.CLOSED_HEADER_ANSWER_NS,
        store_packet_ns=timeline.CLOSED_PACKET_ANSWER_NS,
    ),
)
SILENT = replace(UNIT, habits=Habits(answers=False))
AT_ONCE = replace(UNIT, input=InputTraits(store_header_ns=0, store_packet_ns=0))


def sample_in(vector: dumps.DumpVector) -> Sample:
    return sample_of(
        vector.words,
        bits=vector.bits,
        period_ns=vector.period_ns,
        sustain=Loop(start=vector.loop_start, end=vector.loop_end, loop_type=vector.loop_type),
    )


def spans(desk: Desk) -> list[tuple[int, int, int]]:
    """Return (length, start, end) of each message that passed, in order of arrival."""
    return [
        (len(data), end_ns - len(data) * BYTE_NS, end_ns)
        for _, end_ns, data in desk.line.capture.passages
    ]


LENGTHS = {"header": 21, "packet": 127, "ACK": 6}  # M1 pp. 36, 37


def expected(entries: timeline.Timeline) -> list[tuple[int, int, int]]:
    return [(LENGTHS[what.split()[0]], start, end) for what, start, end in entries]


def test_the_closed_loop_to_the_nanosecond() -> None:
    desk = Desk(UNIT)
    sender = desk.start(sample_in(dumps.V1), 1)
    assert desk.line.run(lambda: sender.end is not None)
    assert spans(desk) == expected(timeline.CLOSED_LOOP)
    assert sender.end is SenderEnd.SENT
    assert desk.now_ns == timeline.CLOSED_LOOP[-1][2]
    directions = [passage.direction for passage in desk.line.capture.passages]
    assert directions == [TO, FROM, TO, FROM, TO, FROM]


def test_the_fastest_legal_open_loop_to_the_nanosecond() -> None:
    desk = Desk(SILENT)
    sender = desk.start(sample_in(dumps.V1), 1)
    assert desk.line.run(lambda: sender.end is not None)
    assert spans(desk) == expected(timeline.OPEN_LOOP)
    assert desk.now_ns == timeline.OPEN_LOOP_OVER_NS
    assert desk.words_in(2) == dumps.V1.words


def test_over_a_line_whose_return_is_cut_a_closed_loop_unit_sees_an_open_loop() -> None:
    # from the sender's chair, no answer is no answer (M1 p. 39)
    desk = Desk(UNIT, [cut_line(direction=FROM, at_ns=0)])
    sender = desk.start(sample_in(dumps.V1), 1)
    assert desk.line.run(lambda: sender.end is not None)
    assert spans(desk) == expected(timeline.OPEN_LOOP)
    assert desk.words_in(2) == dumps.V1.words


@pytest.mark.parametrize("vector", dumps.ALL, ids=lambda vector: vector.name[:2])
@pytest.mark.parametrize("profile", [UNIT, SILENT, AT_ONCE], ids=["closed", "open", "at once"])
def test_what_passes_on_the_line_is_the_dump_by_its_digest(
    vector: dumps.DumpVector, profile: Profile
) -> None:
    profile = replace(profile, unit=replace(profile.unit, device_id=vector.device_id))
    desk = Desk(profile)
    sender = desk.send(sample_in(vector), vector.sample_number, device_id=vector.device_id)
    passed = desk.line.capture.bytes_of(TO)
    assert sender.end is SenderEnd.SENT
    assert len(passed) == vector.size
    assert hashlib.sha256(passed).hexdigest() == vector.sha256
    assert desk.words_in(vector.sample_number + 1) == vector.words


@pytest.mark.parametrize("vector", dumps.ALL, ids=lambda vector: vector.name[:2])
def test_what_the_unit_sends_when_asked_is_the_dump_by_its_digest(
    vector: dumps.DumpVector,
) -> None:
    desk = Desk(replace(UNIT, unit=replace(UNIT.unit, device_id=vector.device_id)))
    desk.send(sample_in(vector), vector.sample_number, device_id=vector.device_id)
    before = len(desk.line.capture.passages)
    requester = desk.read(vector.sample_number, device_id=vector.device_id)
    assert requester.collected.whole
    sent = b"".join(data for way, _, data in desk.line.capture.passages[before:] if way is FROM)
    assert hashlib.sha256(sent).hexdigest() == vector.sha256


@pytest.mark.parametrize(("words", "open_loop", "closed_loop"), timeline.WORDS_PER_SECOND)
def test_words_per_second_in_the_long_run(words: int, open_loop: float, closed_loop: float) -> None:
    bits = {60: 14, 40: 16, 30: 24}[words]
    for profile, rate in ((SILENT, open_loop), (AT_ONCE, closed_loop)):
        desk = Desk(profile)
        desk.send(sample_of([0] * (words * 12), bits=bits), 1)
        ends = [end_ns for length, _, end_ns in spans(desk) if length == 127]
        steady_ns = ends[-1] - ends[1]
        assert round(words * 10 * 1e9 / steady_ns, 1) == rate


def test_a_unit_that_takes_18_08_ms_is_just_in_time_and_one_that_takes_longer_is_not() -> None:
    # the ACK must be complete within 20 ms of the packet (TIM-04, M1 p. 39)
    for extra_ns in (0, 1):
        store_ns = timeline.LATEST_ANSWER_START_NS + extra_ns
        profile = replace(UNIT, input=InputTraits(store_header_ns=0, store_packet_ns=store_ns))
        desk = Desk(profile)
        desk.send(sample_of(range(120)), 1)
        ends = [end_ns for length, _, end_ns in spans(desk) if length == 127]
        assert ends[1] - ends[0] - 127 * BYTE_NS == timeline.PACKET_WAIT_NS
        answered = [e.packet for e in desk.host_events if e.kind is EventKind.ANSWERED]
        silent = [e.packet for e in desk.host_events if e.kind is EventKind.SILENCE]
        if extra_ns == 0:
            assert (answered, silent) == ([None, 0, 1, 2], [])
        else:
            assert (answered, silent) == ([None], [0, 1, 2])
