"""Clauses that need a conversation of their own: handshakes from the wrong side, WAIT, requests."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from msgspec.structs import replace

from dryload.harness.judge.dialogue.exchanges import Ended
from dryload.harness.judge.dialogue.heard import MOST_SCRAPS
from dryload.harness.judge.dialogue.judge import judge_capture
from dryload.harness.judge.finding import Answerable, Finding, Verdict
from tests import oracle
from tests.judge import talking
from tests.judge.talking import FROM, MS, TO, Tape, accusations, dump, end, every, of_clause, say

SENDER, UNIT, RIG = Answerable.SENDER, Answerable.UNIT, Answerable.RIG
BROKEN, BENT, NOTED = Verdict.BROKEN, Verdict.BENT, Verdict.NOTED


def the(tape: Tape, clause: str) -> Finding:
    (finding,) = of_clause(tape.judged(), clause)
    return finding


def begun(packets: int = 3, of: int = 8) -> Tape:
    """A dump of which some packets were sent and acknowledged."""
    tape = Tape()
    talking.usual(tape, -1, talking.header(of))
    for place, packet in enumerate(talking.packets(of)[:packets]):
        talking.usual(tape, place, packet)
    return tape


@pytest.mark.parametrize("kind", ["ACK", "NAK", "WAIT"])
def test_a_handshake_of_the_sending_side_is_noted(kind: str) -> None:
    tape = dump(2, tail=False).to(say(kind, 40), after_ms=5)

    finding = the(end(tape), "HSK-19")

    assert (finding.answerable, finding.verdict, finding.found) == (SENDER, NOTED, kind)


def test_a_cancel_of_the_sending_side_is_its_right() -> None:
    verdicts = end(begun().to(say("CANCEL", 2), after_ms=30)).judged()

    assert verdicts.all_findings == ()
    assert verdicts.dumps[0].ended is Ended.STOPPED


def test_a_sender_that_breaks_off_at_a_nak_for_another_packet() -> None:
    tape = begun().to(talking.packets(8)[3]).back(say("NAK", 1)).to(say("CANCEL", 3), after_ms=1)
    patient = begun().to(talking.packets(8)[3]).back(say("NAK", 1)).back(say("ACK", 3))
    for place in range(4, 8):
        talking.usual(patient, place, talking.packets(8)[place])

    broken_off = of_clause(end(tape).judged(), "HSK-08")

    assert {(each.answerable, each.verdict) for each in broken_off} == {
        (SENDER, BENT),
        (UNIT, NOTED),
    }
    assert [each.verdict for each in of_clause(end(patient).judged(), "HSK-08")] == [NOTED]


def test_a_receiver_that_sends_eof() -> None:
    finding = the(end(dump(2, tail=False).back(say("EOF", 1))), "HSK-18")

    assert (finding.answerable, finding.verdict) == (UNIT, NOTED)


def test_a_message_during_wait_is_recorded_with_what_followed() -> None:
    def disturbed(goes_on: bool) -> Tape:
        tape = begun().to(talking.packets(8)[3]).back(say("WAIT", 3))
        tape.back(oracle.identity_request(), after_ms=50)
        if goes_on:
            tape.back(say("ACK", 3), after_ms=50)
            for place in range(4, 8):
                talking.usual(tape, place, talking.packets(8)[place])
        return end(tape)

    assert "went on" in the(disturbed(True), "HSK-22").message
    assert "no packet followed" in the(disturbed(False), "HSK-22").message
    assert accusations(disturbed(True).judged()) == []


def test_a_wait_may_last_as_long_as_it_likes() -> None:
    tape = begun().to(talking.packets(8)[3]).back(say("WAIT", 3))
    held = end(tape).judged()

    assert held.dumps[0].ended is Ended.HELD
    assert accusations(held) == []


@pytest.mark.parametrize(("kind", "clause"), [("CANCEL", "REQ-03"), (None, "REQ-03")])
def test_a_request_that_gets_no_dump_is_only_noted(kind: str | None, clause: str) -> None:
    tape = end(Tape()).to(oracle.dump_request(sample_number=7))
    if kind:
        tape.back(say(kind))

    finding = the(end(tape), clause)

    assert (finding.verdict, finding.answerable) == (NOTED, UNIT)
    assert finding.found == (kind or "silence")


def test_a_request_in_the_middle_of_a_dump_is_recorded() -> None:
    def asking(tape: Tape, place: int, packet: bytes) -> None:
        talking.usual(tape, place, packet)
        tape.to(oracle.dump_request(sample_number=7))

    assert the(dump(8, {3: asking}), "REQ-04").verdict is NOTED
    assert of_clause(dump(8, {7: asking}).judged(), "REQ-04") == []  # after the last packet


def test_a_new_header_in_the_middle_of_a_dump_is_recorded() -> None:
    tape = begun()
    talking.usual(tape, -1, talking.header(2, sample_number=9))
    for place, packet in enumerate(talking.packets(2)):
        talking.usual(tape, place, packet)

    verdicts = end(tape).judged()

    (finding,) = of_clause(verdicts, "STA-03")
    assert (finding.verdict, finding.answerable, finding.at.packet) == (NOTED, SENDER, 2)
    assert [each.ended for each in verdicts.dumps] == [Ended.REPLACED, Ended.WHOLE]
    assert accusations(verdicts) == []


def test_packets_that_follow_a_rejected_header() -> None:
    def rejected(pause_ms: float) -> Tape:
        tape = Tape().to(talking.header(4)).back(say("NAK"))
        for place, packet in enumerate(talking.packets(4)):
            tape.to(packet, after_ms=0 if place else pause_ms).back(say("ACK", place))
        return end(tape)

    finding = the(rejected(5), "PKT-13")
    assert (finding.verdict, finding.answerable, finding.at.packet) == (BROKEN, SENDER, 0)
    assert of_clause(rejected(2000).judged(), "PKT-13") == []


@pytest.mark.parametrize(
    ("raw", "clause"),
    [
        (b"\xf0\x7e\x00\x7f\xf7", "HSK-01"),  # no packet number, M1 p. 36
        (b"\xf0\x7e\x00\x7f\x00\x00\xf7", "HSK-01"),
    ],
)
def test_answers_of_the_wrong_form_are_the_units(raw: bytes, clause: str) -> None:
    def clipped(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(raw)
        tape.now_ns += 20 * MS

    finding = the(dump(8, every(clipped)), clause)
    once = dump(8, {3: clipped})

    assert (finding.verdict, finding.answerable) == (BROKEN, UNIT)
    assert finding.found.startswith(f"{len(raw)} bytes")
    assert the(once, clause).answerable is RIG
    assert of_clause(dump().judged(), clause) == []


def test_an_identity_reply_of_the_wrong_form() -> None:
    reply = oracle.identity_reply(device_id=0, maker=b"\x7d", family=1, member=1, revision=bytes(4))
    for raw, found in ((reply, 0), (reply[:-2] + b"\xf7", 1)):
        tape = Tape().to(oracle.identity_request()).back(raw)
        assert len(of_clause(tape.judged(), "IDN-01")) == found


def test_a_fragment_that_is_acknowledged() -> None:
    def torn(kind: str) -> Tape:
        def go(tape: Tape, place: int, packet: bytes) -> None:
            tape.to(packet[:60] + b"\x90\x40\x40")  # a note breaks it off, M1 p. 29
            tape.back(say(kind, place))
            if kind == "NAK":
                talking.usual(tape, place, packet)

        return dump(8, {3: go})

    finding = the(torn("ACK"), "FRM-04")
    assert (finding.verdict, finding.answerable, finding.at.packet) == (BROKEN, UNIT, 3)
    assert of_clause(torn("NAK").judged(), "FRM-04") == []


def test_a_packet_that_came_again_and_was_rejected() -> None:
    def again(kind: str) -> Tape:
        def go(tape: Tape, place: int, packet: bytes) -> None:
            talking.usual(tape, place, packet)
            tape.to(packet).back(say(kind, place))
            if kind == "NAK":
                talking.usual(tape, place, packet)

        return dump(8, every(go))

    finding = the(again("NAK"), "HSK-15")
    assert (finding.verdict, finding.answerable) == (BENT, UNIT)
    assert of_clause(again("ACK").judged(), "HSK-15") == []


def test_numbers_that_wrap_are_followed() -> None:
    verdicts = dump(300).judged()
    assert verdicts.all_findings == ()
    assert verdicts.dumps[0].packets == 300

    def wrong(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(talking.flipped(packet)).back(say("ACK", place))

    for place in (127, 128, 129, 256):
        (finding,) = of_clause(dump(300, {place: wrong}).judged(), "HSK-05")
        assert (finding.at.packet, finding.at.packet_number) == (place, place % 128)


STYLES: dict[str, Callable[[int], int]] = {
    "the number that is due next": lambda place: place + 1,
    "always 0": lambda place: 0,
}


@pytest.mark.parametrize("style", STYLES)
def test_a_style_of_numbering_is_bent_and_not_broken(style: str) -> None:
    def answer(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("ACK", STYLES[style](place)))

    verdicts = dump(200, every(answer, 200)).judged()

    assert accusations(verdicts) == [("HSK-02", "bent", "unit")]


def test_the_header_may_be_answered_with_any_number() -> None:
    for number in (0, 1, 77, 127):
        tape = Tape().to(talking.header(2)).back(say("ACK", number))
        for place, packet in enumerate(talking.packets(2)):
            talking.usual(tape, place, packet)
        assert end(tape).judged().all_findings == ()


def test_the_answer_to_the_header_and_that_to_packet_0_are_told_apart() -> None:
    tape = Tape().to(talking.header(2))
    first, second = talking.packets(2)
    tape.to(first, after_ms=2000)
    tape.beside(FROM, say("ACK", 0), tape.now_ns - 30 * MS)  # while packet 0 is on its way
    tape.back(say("ACK", 0)).to(second).back(say("ACK", 1))

    verdicts = end(tape).judged()

    (finding,) = verdicts.all_findings
    assert (finding.clause, finding.at.packet) == ("TIM-02", None)  # late, and for the header


def test_a_dump_that_comes_from_the_unit_turns_the_sides_round() -> None:
    tape = Tape().to(oracle.dump_request(sample_number=1))
    tape.back(talking.header(8)).to(say("ACK"), after_ms=1)
    for place, packet in enumerate(talking.packets(8)):
        tape.back(packet, after_ms=0).to(say("ACK", place), after_ms=25)

    verdicts = end(tape).judged()

    assert accusations(verdicts) == [("TIM-04", "bent", "sender")]
    assert verdicts.dumps[0].direction is FROM
    assert verdicts.dumps[0].direction is not TO


def test_noise_beyond_measure_is_counted_and_not_kept() -> None:
    """A dump in megabytes of loose bytes is judged, and what was passed over is told."""
    noise = b"\x90\x40" * (MOST_SCRAPS + 1_000)  # each note breaks off where the next one begins
    tape = (
        Tape()
        .to(talking.header(1))
        .back(say("ACK"))
        .to(talking.packets(1)[0])
        .back(say("ACK", 0))
        .to(noise)
    )
    verdicts = judge_capture(tape.recorded())
    (seen,) = verdicts.dumps
    assert (seen.packets, seen.ended) == (1, Ended.WHOLE)
    assert any("1,000 scraps" in each for each in verdicts.unknown)
    few = judge_capture(Tape().to(noise[:99]).recorded())
    assert not any("scraps" in each for each in few.unknown)


@pytest.mark.parametrize("late_ns", [0, 5_000_000_000])
def test_a_packet_that_crosses_a_cancel_is_no_echo_of_the_one_that_was_sent(late_ns: int) -> None:
    """The unit was asked for what it had just been sent, and told to stop after one packet."""
    tape = dump(2, tail=False).to(oracle.dump_request(sample_number=1), after_ms=5)
    first, second = talking.packets(2)
    tape.back(talking.header(2), after_ms=5).to(say("ACK")).back(first)
    tape.to(say("CANCEL")).back(second)
    recorded = replace(end(tape).recorded(start_ns=1), late_ns=late_ns)

    assert not of_clause(judge_capture(recorded), "HSK-21")


def test_packets_that_all_bear_one_number_are_as_many_as_they_are() -> None:
    """What is sent again is the same: other words under the number of the one before are new."""
    tape = Tape()
    talking.usual(tape, -1, talking.header(3))
    for packet in talking.packets(3):
        tape.to(oracle.packet(number=0, data=packet[5:125])).back(say("ACK", 0))

    (judged,) = end(tape).judged().dumps

    assert (judged.packets, judged.ended) == (3, Ended.WHOLE)
