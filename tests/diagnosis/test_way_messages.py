"""Causes on the way: for each a capture that proves it and a near miss that does not.

Times and numbers are those of M1 pp. 1 and 35-39; ways to go wrong that are no clause are common
practice.
"""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Passage
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import DumpHeader
from dryload.harness.diagnose.diagnose import CaptureDiagnosis, diagnose
from dryload.harness.diagnose.scene import Source
from dryload.harness.files.recorded import Recorded, TakenAt
from tests import oracle
from tests.judge.talking import (
    BYTE_NS,
    FROM,
    MS,
    TO,
    Step,
    Tape,
    dump,
    end,
    header,
    packets,
    say,
    usual,
)

_LOST = "messages lost on the way"
_TWICE = "messages doubled on the way"
_ORDER = "messages out of order"
_CABLE = "cable out"
_FILTER = "exclusive messages filtered out"
_FAST = "line too fast"
_SPEED = "line speed off"
_SLOW = "pieces with pauses"
_PIECES = "pieces with pauses"
_JOINED = "messages joined"
_PAUSES = "faulty pauses"
_NOTE = bytes((0x90, 60, 64))


def told(tape: Tape, taken_at: TakenAt = TakenAt.LINE, **known: int | bool) -> CaptureDiagnosis:
    """What is said of a recording that was taken at a place."""
    return diagnose(replace(tape.recorded(**known), taken_at=taken_at))


def first(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> tuple[str, int | None]:
    """The cause named first, and its packet."""
    cause = told(tape, taken_at).first
    assert cause is not None, "nothing was named"
    return cause.name, None if cause.at is None else cause.at.packet


def named(tape: Tape, taken_at: TakenAt = TakenAt.LINE, **known: int | bool) -> set[str]:
    """Whatever is named of a recording, remarks included."""
    found = told(tape, taken_at, **known)
    return {each.name for each in (*found.causes, *found.remarks)}


def missing(tape: Tape, place: int, packet: bytes) -> None:
    """Leave it out, and the time in which it would have come and been waited for (M1 p. 39)."""
    tape.now_ns += len(packet) * BYTE_NS + 20 * MS


def nothing(tape: Tape, place: int, packet: bytes) -> None:
    """Leave it out as if there were none."""


def again(*, after_ms: float, answer: str = "") -> Step:
    """Send it, perhaps have it answered, and send it again after a while and have that answered."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet)
        if answer:
            tape.back(say(answer, place))
        tape.to(packet, after_ms=after_ms)
        tape.back(say("ACK", place))

    return step


def held(pause_ms: float, *, answered: bool) -> Step:
    """Let a packet stand still in its middle; then it is answered, or sent again and answered."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet[:60]).to(packet[60:], after_ms=pause_ms)
        if not answered:
            tape.to(packet, after_ms=500)
        tape.back(say("ACK", place))

    return step


def source(count: int = 8) -> Source:
    """The dump as it was to be sent."""
    made = decode(header(count))
    assert isinstance(made, DumpHeader)
    return Source(name="thunder", header=made, packets=tuple(packets(count)))


@pytest.mark.parametrize("taken_at", list(TakenAt))
def test_a_dump_as_it_should_be_names_nothing(taken_at: TakenAt) -> None:
    assert not named(dump(), taken_at)


# Lost.


@pytest.mark.parametrize("place", [1, 3, 5])
def test_a_packet_that_never_arrives(place: int) -> None:
    assert first(dump(steps={place: missing})) == (_LOST, place)


def test_a_packet_that_nobody_can_have_sent() -> None:
    """There was no time for it between its neighbours, so it is missing in the dump."""
    assert _LOST not in named(dump(steps={3: nothing}))


def test_the_host_knows_of_no_jump_on_the_way() -> None:
    assert _LOST not in named(dump(steps={3: missing}), TakenAt.HOST)


def test_a_packet_sent_again_for_want_of_an_answer() -> None:
    assert first(dump(steps={3: again(after_ms=500)}), TakenAt.HOST) == (_LOST, 3)


def test_behind_the_line_that_packet_had_arrived() -> None:
    assert _LOST not in named(dump(steps={3: again(after_ms=500)}), TakenAt.LINE)


def test_a_header_that_never_arrives() -> None:
    tape = Tape()
    for packet in packets(4):
        tape.to(packet, after_ms=20.5)
    assert _LOST in named(end(tape))


def test_a_recording_that_begins_late_lost_no_header() -> None:
    tape = Tape()
    for place, packet in list(enumerate(packets(6)))[3:]:
        usual(tape, place, packet)
    assert _LOST not in named(end(tape))


# Doubled.


@pytest.mark.parametrize("place", [0, 4, 6])
def test_a_packet_behind_its_own_copy(place: int) -> None:
    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).to(packet)
        tape.back(say("ACK", place)).back(say("ACK", place))

    assert first(dump(steps={place: step})) == (_TWICE, place)


def test_a_packet_sent_again_for_a_no_is_no_copy() -> None:
    assert _TWICE not in named(dump(steps={4: again(after_ms=1, answer="NAK")}))


def test_a_packet_sent_again_after_a_while_is_no_copy() -> None:
    assert _TWICE not in named(dump(steps={4: again(after_ms=500)}))


# Out of order.


def _open_loop(order: list[int]) -> Tape:
    tape = Tape().to(header(8))
    sent = packets(8)
    for place in order:
        tape.to(sent[place], after_ms=20.5)
    return end(tape)


_CROSSED = [0, 1, 3, 2, 4, 5, 6, 7]


def test_packets_that_changed_places() -> None:
    recorded = replace(_open_loop(_CROSSED).recorded(), taken_at=TakenAt.LINE)
    found = diagnose(recorded, [source()])
    assert found.first is not None
    assert found.first.name == _ORDER
    assert found.first.at is not None
    assert found.first.at.packet == 2


def test_packets_that_the_dump_has_in_that_order() -> None:
    made = source()
    crossed = replace(made, packets=tuple(made.packets[place] for place in _CROSSED))
    recorded = replace(_open_loop(_CROSSED).recorded(), taken_at=TakenAt.LINE)
    found = diagnose(recorded, [crossed])
    assert _ORDER not in {each.name for each in found.causes}


# Cables.


def test_a_packet_that_breaks_off_before_one_that_never_comes() -> None:
    def torn(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet[:50]).now_ns += 77 * BYTE_NS + 20 * MS

    assert first(dump(steps={2: torn, 3: missing})) == (_CABLE, 2)


def test_nobody_knows_whether_the_recording_ended_there() -> None:
    tape = dump(4, steps={3: nothing}, tail=False).to(packets(4)[3][:2])
    assert _CABLE not in named(tape, TakenAt.UNKNOWN)


def test_a_prompt_no_is_of_no_cable() -> None:
    assert _CABLE not in named(dump(steps={2: again(after_ms=2, answer="NAK")}), TakenAt.HOST)


# Filters.


def _to_nobody(from_unit: bytes) -> Tape:
    tape = Tape().back(from_unit).to(header(3), after_ms=5)
    tape.now_ns += 2_000 * MS
    for packet in packets(3):
        tape.to(packet, after_ms=20.5)
    return tape.back(from_unit, after_ms=900)


def test_notes_pass_and_no_exclusive_message() -> None:
    assert _FILTER in named(_to_nobody(_NOTE), TakenAt.HOST)


def test_where_one_exclusive_message_passes_there_is_no_filter() -> None:
    reply = oracle.identity_reply(device_id=5, maker=b"\x7d", family=1, member=1, revision=bytes(4))
    assert _FILTER not in named(_to_nobody(_NOTE).back(reply), TakenAt.HOST)


# Pace.


def _through_usb(answered: int) -> Tape:
    """Packets 10 ms apart, which a line takes 40.64 ms for (M1 p. 1), some of them answered."""
    tape = Tape()
    usual(tape, -1, header(8))
    for place, packet in enumerate(packets(8)):
        tape.now_ns += 10 * MS
        tape.passages.append(Passage(TO, tape.now_ns, packet))
        if place % answered == 0:
            tape.passages.append(Passage(FROM, tape.now_ns + 4 * MS, say("ACK", place)))
    return end(tape)


def test_packets_faster_than_a_line_of_which_some_are_missed() -> None:
    assert first(_through_usb(3))[0] == _FAST


def test_packets_faster_than_a_line_that_are_all_taken() -> None:
    assert _FAST not in named(_through_usb(1))


def test_a_pause_that_nobody_waits_for() -> None:
    assert first(dump(steps={3: held(4_000, answered=False)})) == (_PAUSES, 3)


def test_a_pause_that_the_unit_waits_for() -> None:
    found = named(dump(steps={3: held(60, answered=True)}))
    assert _PAUSES not in found
    assert _PIECES in found


def test_no_pauses_in_whole_packets() -> None:
    assert _PIECES not in named(dump(steps={3: again(after_ms=500)}))


def _slow(by: float, spoiled: int | None = None) -> Tape:
    """Each packet byte by byte, each byte later by a part of its time; one perhaps spoiled."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        wrong = packet[:70] + bytes((packet[70] ^ 4,)) + packet[71:]
        for data in (wrong, packet) if place == spoiled else (packet,):
            for at in range(len(data)):
                tape.to(data[at : at + 1], after_ms=by * BYTE_NS / MS)
            tape.back(say("NAK" if data is wrong else "ACK", place))

    return dump(steps=dict.fromkeys(range(8), step))


def test_a_slow_line_that_does_no_harm() -> None:
    found = told(_slow(0.05))
    assert _SLOW in {each.name for each in found.remarks}
    assert _SPEED not in {each.name for each in found.causes}


def test_a_line_within_one_per_cent() -> None:
    assert not {_SLOW, _SPEED} & named(_slow(0.005, spoiled=4))


def _live(capture: Capture) -> Recorded:
    return Recorded(capture=capture, start_ns=1, taken_at=TakenAt.HOST)
