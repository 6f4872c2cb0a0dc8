"""Clause by clause: a conversation that violates it, and one that is a step away and does not.

The bytes come from the plain codec; limits and rules from M1 pp. 36-40 and CA-019 pp. 2-4.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import pytest

from dryload.harness.judge.finding import Answerable, Verdict
from tests import oracle
from tests.judge import talking
from tests.judge.talking import FROM, MS, TO, Step, Tape, dump, end, every, flipped, of_clause, say

SENDER, UNIT, RIG = Answerable.SENDER, Answerable.UNIT, Answerable.RIG
BROKEN, BENT, NOTED = Verdict.BROKEN, Verdict.BENT, Verdict.NOTED


class Case(NamedTuple):
    """A violation and its innocent neighbour."""

    clause: str
    guilty: Callable[[], Tape]
    innocent: Callable[[], Tape]
    who: Answerable
    verdict: Verdict
    packet: int | None = None


def step(*parts: tuple[str, int, float] | str) -> Step:
    """Return a step: "packet" stands for it, a handshake is its kind, number offset and delay."""

    def go(tape: Tape, place: int, packet: bytes) -> None:
        for part in parts:
            if isinstance(part, tuple):
                kind, offset, after_ms = part
                tape.back(say(kind, max(place, 0) + offset), after_ms=after_ms)
            elif part == "packet":
                tape.to(packet)
            elif part == "flipped":
                tape.to(flipped(packet))
            else:  # other bytes, with a checksum that is right
                data = packet[5:124] + bytes([packet[124] ^ 1])
                tape.to(oracle.packet(number=packet[4], data=data))

    return go


ACK: tuple[str, int, float] = ("ACK", 0, 2)
NAK: tuple[str, int, float] = ("NAK", 0, 2)
WAIT: tuple[str, int, float] = ("WAIT", 0, 2)
CANCEL: tuple[str, int, float] = ("CANCEL", 0, 2)


def at(place: int, *parts: tuple[str, int, float] | str, count: int = 8) -> Callable[[], Tape]:
    return lambda: dump(count, {place: step(*parts)})


def always(*parts: tuple[str, int, float] | str) -> Callable[[], Tape]:
    return lambda: dump(8, every(step(*parts)))


def stopped(*parts: tuple[str, int, float] | str, more: int = 0) -> Callable[[], Tape]:
    """A dump that ends at packet 3, but for `more` packets."""

    def make() -> Tape:
        tape = Tape()
        talking.usual(tape, -1, talking.header(8))
        made = talking.packets(8)
        for place in range(3):
            talking.usual(tape, place, made[place])
        step(*parts)(tape, 3, made[3])
        for place in range(4, 4 + more):
            tape.to(made[place])
            if place == 4:
                tape.mark()
        return end(tape)

    return make


def open_loop(header_ms: float = 2000, packet_ms: float = 20) -> Callable[[], Tape]:
    def make() -> Tape:
        tape = Tape().to(talking.header(8))
        for place, packet in enumerate(talking.packets(8)):
            tape.to(packet, after_ms=packet_ms if place else header_ms)
        return end(tape)

    return make


def early(answer_ms: float, pause_ms: float) -> Callable[[], Tape]:
    """Packets that begin `pause_ms` behind each other; each answer ends after `answer_ms`."""

    def make() -> Tape:
        tape = Tape()
        talking.usual(tape, -1, talking.header(8))
        for place, packet in enumerate(talking.packets(8)):
            tape.to(packet, after_ms=pause_ms if place else 0)
            start_ns = tape.now_ns + round((answer_ms - 1.92) * MS)
            tape.beside(FROM, say("ACK", place), start_ns)
        tape.now_ns += 40 * MS
        return end(tape)

    return make


def late_by_one(trusted: bool) -> Tape:
    """ACKs 62 ms after their packets; every other time they are taken for those of the next."""
    tape = Tape()
    talking.usual(tape, -1, talking.header(8))
    for place, packet in enumerate(talking.packets(8)):
        pause_ms = 0 if place == 0 else 20.0 if place % 2 or not trusted else 5.0
        tape.to(packet, after_ms=pause_ms)
        if place % 2 == 0:
            tape.beside(FROM, say("ACK", place), tape.now_ns + 62 * MS)
    tape.now_ns += 100 * MS
    return end(tape)


def extended_silence(fall_back: bool) -> Tape:
    tape = Tape().to(
        oracle.extended_header(sample_number=1, bits=16, rate_integer=44_100, length=80)
    )
    if fall_back:
        tape.to(talking.header(2), after_ms=2000).back(say("ACK"))
        for place, packet in enumerate(talking.packets(2)):
            talking.usual(tape, place, packet)
        return end(tape)
    for place, packet in enumerate(talking.packets(2)):
        tape.to(packet, after_ms=20 if place else 2000)
    return end(tape)


def two_ids(second: int, *, packets: int = 8, only: int | None = None) -> Tape:
    def answer(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("ACK", place, device_id=second))

    return dump(packets, every(answer) if only is None else {only: answer})


def echoing(other: bool) -> Tape:
    """The unit's output says what came in, or only answers."""
    tape = Tape()
    for place, message in enumerate([talking.header(3), *talking.packets(3)], start=-1):
        tape.to(message).back(say("ACK", max(place, 0)))
        if other:
            tape.beside(FROM, message, tape.now_ns)
            tape.now_ns += len(message) * talking.BYTE_NS
    return end(tape)


def sensing(silent_ms: float, direction: str = "unit") -> Tape:
    tape = Tape()
    way = FROM if direction == "unit" else TO
    tape.add(way, b"\xfe").add(way, b"\xfe", after_ms=200)
    tape.add(way, b"\xfe", after_ms=silent_ms)
    return dump_after(tape)


def dump_after(tape: Tape) -> Tape:
    talking.usual(tape, -1, talking.header(1))
    talking.usual(tape, 0, talking.packets(1)[0])
    return tape


def eof(place: int) -> Tape:
    def with_eof(tape: Tape, at_place: int, packet: bytes) -> None:
        talking.usual(tape, at_place, packet)
        tape.to(say("EOF", at_place))

    return dump(8, {place: with_eof})


def gap_inside(kind: str) -> Tape:
    """Each packet has a pause of 50 ms inside."""

    def paused(tape: Tape, place: int, packet: bytes) -> None:
        for _ in range(2 if kind == "NAK" else 1):
            tape.to(packet[:60]).to(packet[60:], after_ms=50)
            tape.back(say(kind, place))
        if kind == "NAK":
            talking.usual(tape, place, packet)

    return dump(8, every(paused))


def clock_inside(kind: str) -> Tape:
    def ticking(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet[:60] + b"\xf8" + packet[60:]).back(say(kind, place))
        if kind == "NAK":
            talking.usual(tape, place, packet)

    return dump(8, every(ticking))


def requested(number: int, after_ms: float = 5) -> Tape:
    """Sample 1 is asked for, and the unit sends `number`."""
    tape = Tape().to(oracle.dump_request(sample_number=1))
    tape.back(talking.header(2, sample_number=number), after_ms=after_ms).to(say("ACK"))
    for place, packet in enumerate(talking.packets(2)):
        tape.back(packet, after_ms=0).to(say("ACK", place), after_ms=1)
    return end(tape)


def named(number: int | None) -> Tape:
    tape = end(Tape()).to(oracle.sample_name_request(sample_number=2))
    if number is not None:
        tape.back(oracle.sample_name(sample_number=number, name=b"Bell"))
    return end(tape)


def loop(number: int, start: int = 0, last: int = 0) -> bytes:
    """A loop of sample 1."""
    return oracle.loop_points(
        sample_number=1, loop_number=number, loop_type=0, loop_start=start, loop_end=last
    )


def loops(*told: tuple[int, int], deleted: bool = False) -> Tape:
    """Loop 3 of sample 1 is set to 1-5 and then to 2-6, all are asked for, and `told` come back."""
    tape = Tape().to(loop(3, 1, 5)).to(loop(3, 2, 6))
    if deleted:
        tape.to(loop(16_383))
    tape.to(oracle.loop_points_request(sample_number=1, loop_number=16_383))
    for number, start in told:
        tape.back(loop(number, start, start + 4))
    return end(tape)


def sustain(start: int, *, knows: bool = True) -> Tape:
    """Loop 0 is set to 2-6; the header that comes back says otherwise, or the same."""
    tape = dump(2)
    tape.to(loop(0, 2, 6))
    if knows:
        tape.to(oracle.loop_points_request(sample_number=1, loop_number=0))
        tape.back(loop(0, 2, 6))
    tape.to(oracle.dump_request(sample_number=1))
    tape.back(talking.header(2, loop_start=start, loop_end=6, loop_type=0)).to(say("ACK"))
    for place, packet in enumerate(talking.packets(2)):
        tape.back(packet, after_ms=0).to(say("ACK", place), after_ms=1)
    return end(tape)


def identity(answered: int) -> Tape:
    tape = dump(2, tail=False)
    for at_place in range(2):
        tape.to(oracle.identity_request(), after_ms=1500)
        if at_place < answered:
            tape.back(
                oracle.identity_reply(
                    device_id=0, maker=b"\x7d", family=1, member=1, revision=bytes(4)
                )
            )
    return tape.to(oracle.dump_request(sample_number=99), after_ms=2500)


def addressed(device_id: int) -> Tape:
    """The unit says that it is device 0, and answers a dump for another."""
    tape = end(Tape())
    tape.to(oracle.header(device_id=device_id, sample_number=1, bits=16, period_ns=9, length=0))
    return end(tape.back(say("ACK", device_id=device_id)))


def all_call(answers: bool) -> Tape:
    tape = dump(2)
    tape.to(oracle.header(device_id=127, sample_number=1, bits=16, period_ns=22676, length=0))
    if answers:
        tape.back(say("ACK"))
    return end(tape)


def after_loops(handshake: bool) -> Tape:
    tape = dump(2)
    tape.to(loop(3, 1, 5))
    if handshake:
        tape.back(say("ACK"))
    return end(tape)


def jumping(back: bool = False) -> Tape:
    """Packet 3 is left out, with no time for it to have been lost on the way."""
    return dump(8, {3: lambda tape, place, packet: None}) if not back else dump(8)


CASES = [
    # the sender
    Case("TIM-01", open_loop(header_ms=1979), open_loop(), SENDER, BROKEN, 0),
    Case("TIM-03", open_loop(packet_ms=19.9), open_loop(), SENDER, BENT, 1),
    Case("TIM-05", early(15, 5), early(5, 5), SENDER, BROKEN, 1),
    Case("TIM-10", lambda: late_by_one(True), lambda: late_by_one(False), SENDER, BENT, 2),
    Case("HSK-07", stopped("packet", NAK, more=1), at(3, "packet", NAK, "packet", ACK), SENDER,
         BROKEN, 4),
    Case("HSK-10", stopped("packet", WAIT, ("NAK", 0, 900), more=1),
         at(3, "packet", WAIT, ("NAK", 0, 900), "packet", ACK), SENDER, BROKEN, 4),
    Case("HSK-09", stopped("packet", WAIT, more=1), at(3, "packet", WAIT, ("ACK", 0, 30_000)),
         SENDER, BROKEN, 4),
    Case("HSK-11", stopped("packet", CANCEL, more=2), stopped("packet", CANCEL), SENDER, BROKEN, 4),
    Case("PKT-04", at(3, "packet", NAK, "other", ACK), at(3, "packet", NAK, "packet", ACK), SENDER,
         BROKEN, 3),
    Case("PKT-05", stopped("flipped", NAK, "flipped", NAK, "flipped", CANCEL),
         at(3, "packet", NAK, "packet", ACK), SENDER, BROKEN, 3),
    Case("PKT-10", jumping, lambda: jumping(True), SENDER, BROKEN, 3),
    Case("PKT-11", always("packet", ACK, "packet", ACK), always("packet", NAK, "packet", ACK),
         SENDER, BENT, 0),
    Case("EXT-09", lambda: extended_silence(False), lambda: extended_silence(True), SENDER, BENT,
         0),
    Case("HSK-18", lambda: eof(3), lambda: eof(7), SENDER, NOTED),
    Case("TIM-07", lambda: dump(8, {3: lambda tape, _, packet: (
        tape.to(packet, after_ms=101).back(say("ACK", 3)), None)[1]}),
         lambda: dump(8, {3: lambda tape, _, packet: (
             tape.to(packet, after_ms=99).back(say("ACK", 3)), None)[1]}), SENDER, NOTED, 3),
    # the unit
    Case("TIM-02", lambda: dump(8, {-1: lambda tape, _, head: (
        tape.to(head).back(say("ACK"), after_ms=1999), None)[1]}),
         lambda: dump(8, {-1: lambda tape, _, head: (
             tape.to(head).back(say("ACK"), after_ms=1998), None)[1]}), UNIT, BENT),
    Case("TIM-04", always("packet", ("ACK", 0, 18.1)), always("packet", ("ACK", 0, 18.08)), UNIT,
         BENT, 0),
    Case("HSK-05", at(3, "flipped", ACK), at(3, "flipped", NAK, "packet", ACK), UNIT, BROKEN, 3),
    Case("HSK-06", at(3, "flipped", ACK), at(3, "flipped", NAK, "packet", ACK), UNIT, BROKEN, 3),
    # every ACK says 5: that is how this unit counts
    Case("HSK-02", always("packet", ("ACK", 5, 2)), always("packet", ACK), UNIT, BENT, 0),
    Case("HSK-03", lambda: dump(8, every(step("packet", ("NAK", 20, 2), "packet", ACK))),
         always("packet", NAK, "packet", ACK), UNIT, BROKEN, 0),
    Case("HSK-14", always("packet", NAK, ACK), always("packet", WAIT, ACK), UNIT, BENT, 0),
    Case("DEV-05", always("packet", ACK, ("ACK", 0, 1)), always("packet", ACK), UNIT, NOTED, 0),
    Case("DEV-03", lambda: two_ids(4), lambda: two_ids(0), UNIT, BENT, 0),
    # one reply of two may have been changed on the way: it has no checksum
    Case("DEV-03", lambda: two_ids(4, packets=1, only=0), lambda: two_ids(0), RIG, NOTED, 0),
    Case("HSK-20", stopped("packet", CANCEL, more=0), stopped("packet", CANCEL), UNIT, BENT, 4),
    Case("HSK-17", stopped("packet", NAK, "packet", NAK, "packet", NAK, "packet", CANCEL),
         at(3, "packet", NAK, "packet", NAK, "packet", ACK), UNIT, NOTED, 3),
    Case("HSK-13", at(7, "packet"), always("packet", ACK), UNIT, NOTED, 7),
    Case("HSK-16", jumping, lambda: jumping(True), UNIT, NOTED, 4),
    Case("HSK-21", lambda: echoing(True), lambda: echoing(False), UNIT, NOTED),
    Case("FRM-03", lambda: clock_inside("NAK"), lambda: clock_inside("ACK"), UNIT, BENT, 0),
    Case("TIM-08", lambda: gap_inside("NAK"), lambda: gap_inside("ACK"), UNIT, BENT, 0),
    Case("TIM-09", lambda: sensing(331), lambda: sensing(329), UNIT, BENT),
    Case("TIM-09", lambda: sensing(331, "host"), lambda: sensing(329, "host"), SENDER, BENT),
    Case("TIM-11", lambda: requested(1, 201), lambda: requested(1, 199), UNIT, NOTED),
    Case("REQ-02", lambda: requested(2), lambda: requested(1), UNIT, BROKEN),
    Case("REQ-02", lambda: requested(128), lambda: requested(1), UNIT, BROKEN),
    Case("NAM-03", lambda: named(3), lambda: named(2), UNIT, BENT),
    Case("NAM-03", lambda: named(256), lambda: named(2), UNIT, NOTED),
    Case("NAM-03", lambda: named(None), lambda: named(2), UNIT, NOTED),
    Case("LOP-03", lambda: loops((3, 1)), lambda: loops((3, 2)), UNIT, BROKEN),
    Case("LOP-04", lambda: loops((3, 2), deleted=True), lambda: loops(deleted=True), UNIT, BROKEN),
    Case("LOP-05", lambda: loops((3, 2), (3, 2)), lambda: loops((3, 2), (4, 2)), UNIT, BROKEN),
    Case("LOP-02", lambda: sustain(1), lambda: sustain(2), UNIT, BROKEN),
    Case("LOP-02", lambda: sustain(1, knows=False), lambda: sustain(2), UNIT, NOTED),
    Case("LOP-07", lambda: after_loops(True), lambda: after_loops(False), UNIT, NOTED),
    Case("IDN-01", lambda: identity(0), lambda: identity(2), UNIT, BROKEN),
    Case("DEV-01", lambda: addressed(4), lambda: addressed(0), UNIT, BROKEN),
    Case("DEV-02", lambda: all_call(False), lambda: all_call(True), UNIT, BROKEN),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.clause)
def test_a_violation_is_found_with_its_place(case: Case) -> None:
    tape = case.guilty()
    if case.clause == "HSK-20":
        tape = answered_after_cancel()

    found = [each for each in of_clause(tape.judged(), case.clause) if each.answerable is case.who]

    assert len(found) == 1
    (finding,) = found
    assert (finding.answerable, finding.verdict) == (case.who, case.verdict)
    assert finding.at.packet == case.packet
    assert finding.at.packet_number == case.packet  # fewer than 128 packets
    if tape.marked_ns is not None:
        assert finding.at.time_ns == tape.marked_ns


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.clause)
def test_its_neighbour_is_innocent(case: Case) -> None:
    verdicts = case.innocent().judged()

    assert [each for each in of_clause(verdicts, case.clause) if each.verdict is case.verdict] == []
    assert not verdicts.is_broken


def answered_after_cancel() -> Tape:
    tape = Tape()
    talking.usual(tape, -1, talking.header(8))
    made = talking.packets(8)
    for place in range(3):
        talking.usual(tape, place, made[place])
    step("packet", CANCEL)(tape, 3, made[3])
    tape.to(made[4]).back(say("ACK", 4)).mark()
    return end(tape)
