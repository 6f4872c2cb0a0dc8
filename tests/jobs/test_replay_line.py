"""Replay over lines that lose, alter and break off, to units that are not ours, and interrupted."""

from __future__ import annotations

import pytest

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.line.disturbance import Disturbance
from dryload.harness.jobs.outcome import Outcome
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from dryload.harness.judge.finding import Answerable, Verdict
from tests import oracle
from tests.edits import (
    add_byte,
    cut_line,
    delay_message,
    flip_bit,
    lose_byte,
    lose_message,
    repeat_message,
)
from tests.jobs.bench import (
    FROM,
    SECOND,
    TO,
    clauses,
    dump,
    in_slot,
    kinds,
    rehearsal,
    said,
    unit,
    words,
)

LOADED, CHANGED, REFUSED, INCOMPLETE, UNCONFIRMED, NOT_KEPT = Outcome
PACKET_1 = 2  # among the messages to the unit: the header, packet 0, packet 1
MS = 1_000_000


# A closed loop heals what it sees


@pytest.mark.parametrize(
    "disturbance",
    [
        flip_bit(direction=TO, message=PACKET_1, byte=60, bit=3),
        flip_bit(direction=TO, message=PACKET_1, byte=125, bit=0),
        flip_bit(direction=TO, message=PACKET_1, byte=60, bit=7),
        lose_byte(direction=TO, message=PACKET_1, byte=60),
        add_byte(direction=TO, message=PACKET_1, byte=60, value=0x11),
    ],
    ids=["data bit", "checksum bit", "status byte", "lost byte", "added byte"],
)
def test_a_packet_that_suffers_is_sent_again_and_the_whole_is_verified(
    disturbance: Disturbance,
) -> None:
    rehearsed = rehearsal(unit(), disturbance, read_back=False)
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.sent, transfer.resent) == (LOADED, 4, 1)
    assert in_slot(rehearsed, 2) == words(121)
    assert kinds(said(rehearsed, FROM)) == ["ACK", "ACK", "NAK", "ACK", "ACK", "ACK"]
    assert clauses(transfer) == ["HSK-07", "HSK-06"]
    assert [finding.at.packet for finding in transfer.findings] == [1, 1]
    verified = rehearsal(unit(), disturbance).play(dump())
    assert (verified.outcome, verified.verified, verified.is_well) == (LOADED, True, True)


def test_as_many_packets_as_suffer_are_sent_again() -> None:
    flips = [flip_bit(direction=TO, message=at, byte=9, bit=0) for at in (1, 3, 5, 7)]
    transfer = rehearsal(unit(), *flips).play(dump())
    assert (transfer.outcome, transfer.verified) == (LOADED, True)
    assert (transfer.sent, transfer.resent) == (4, 4)
    assert "4 times in all" in transfer.findings[0].message


def test_a_clock_inside_a_message_does_no_harm() -> None:
    # real-time bytes may stand in any message (M1 pp. 5, 29)
    clock = [add_byte(direction=TO, message=at, byte=9, value=0xF8) for at in range(4)]
    transfer = rehearsal(unit(), *clock).play(dump())
    assert (transfer.outcome, transfer.verified, transfer.findings) == (LOADED, True, ())


def test_a_repeated_packet_is_not_stored_twice() -> None:
    again = repeat_message(direction=TO, message=PACKET_1)
    rehearsed = rehearsal(unit(), again)
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified) == (LOADED, True)
    (repeated,) = [each for each in transfer.findings if each.clause == "HSK-15"]
    assert repeated.at.packet == 1
    assert "Packet 1: it came again" in repeated.message


def test_a_unit_that_stores_it_twice_is_found_out_by_reading_back() -> None:
    profile = unit(habits={"repeated_packet": "store"})
    lost_ack = lose_message(direction=FROM, message=2)  # header, packet 0, packet 1
    again = repeat_message(direction=TO, message=PACKET_1)
    transfer = rehearsal(profile, lost_ack, again).play(dump(words(160)))
    assert transfer.verified is False
    assert transfer.outcome is CHANGED
    assert "HSK-15" in clauses(transfer)


# What it does not see, reading back does


def test_two_flips_in_one_column_pass_every_checksum_and_no_comparison() -> None:
    # the checksum is an exclusive-or: two flips in one column undo each other in it (M1 p. 37)
    flips = [flip_bit(direction=TO, message=PACKET_1, byte=at, bit=5) for at in (5, 17)]
    rehearsed = rehearsal(unit(), *flips)
    transfer = rehearsed.play(dump())
    assert kinds(said(rehearsed, FROM))[:5] == ["ACK"] * 5
    assert (transfer.outcome, transfer.verified, transfer.resent) == (CHANGED, False, 0)
    held = in_slot(rehearsed, 2)
    assert held is not None
    different = [at for at, (a, b) in enumerate(zip(held, words(121), strict=True)) if a != b]
    assert different == [40, 44]  # bytes 5 and 17 begin words 0 and 4 of packet 1 (M1 p. 39)
    compared = transfer.comparison
    assert compared is not None
    assert (compared.compared, compared.different) == (121, 2)
    (finding,) = transfer.findings
    assert (finding.verdict, finding.answerable) == (Verdict.BROKEN, Answerable.RIG)
    assert finding.at.packet == 1
    assert not transfer.is_well


def test_nobody_notices_two_flips_without_reading_back_but_an_emulated_memory() -> None:
    flips = [flip_bit(direction=TO, message=PACKET_1, byte=at, bit=5) for at in (5, 17)]
    transfer = rehearsal(unit(), *flips, read_back=False).play(dump())
    assert (transfer.outcome, transfer.verified, transfer.is_well) == (CHANGED, None, False)


# Headers bear no checksum at all (M1 p. 37)


def test_a_header_with_another_number_goes_to_another_slot() -> None:
    flip = flip_bit(direction=TO, message=0, byte=4, bit=2)  # sample 1 becomes 5
    rehearsed = rehearsal(unit(), flip)
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified, transfer.slot) == (CHANGED, None, 6)
    assert transfer.reason == "the unit has it as sample 5"
    assert not transfer.is_well


def test_a_header_with_another_rate_is_noticed() -> None:
    flip = flip_bit(direction=TO, message=0, byte=7, bit=3)  # 22,676 ns become 22,684
    transfer = rehearsal(unit(), flip).play(dump())
    assert (transfer.outcome, transfer.verified) == (CHANGED, False)
    assert "the sample rate is 44,083.936 Hz and not 44,099.488 Hz" in transfer.reason


def test_a_header_with_a_smaller_length_loses_words() -> None:
    flip = flip_bit(direction=TO, message=0, byte=10, bit=6)  # 121 become 57
    rehearsed = rehearsal(unit(), flip)
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified) == (INCOMPLETE, None)
    assert transfer.reason == "the unit did not answer packet 2"  # it has all it was told of
    assert in_slot(rehearsed, 2) == words(57)


def test_a_header_with_a_larger_length_waits_for_more() -> None:
    flip = flip_bit(direction=TO, message=0, byte=11, bit=0)  # 121 become 249
    transfer = rehearsal(unit(), flip).play(dump())
    assert (transfer.outcome, transfer.verified, transfer.slot) == (INCOMPLETE, None, None)
    assert "gave up waiting for the rest" in transfer.reason


# Lost for good


def test_a_packet_that_never_arrives_leaves_the_dump_incomplete() -> None:
    lost = lose_message(direction=TO, message=PACKET_1)
    rehearsed = rehearsal(unit(), lost, after_silence="go on")  # as the standard allows
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified, transfer.slot) == (INCOMPLETE, None, None)
    assert transfer.reason == "the unit took 3 of 4 packets and gave up waiting for the rest"
    assert (transfer.sent, transfer.resent) == (4, 0)
    assert {"HSK-16", "STA-03", "TIM-04"} <= set(clauses(transfer))
    assert not transfer.is_well


def test_a_unit_that_asks_for_the_packet_it_misses_gets_it() -> None:
    # a jump is answered with NAK of the number that came: the sender repeats that one, not more
    profile = unit(habits={"number_jump": "nak", "nak_limit": 0})
    lost = lose_message(direction=TO, message=PACKET_1)
    transfer = rehearsal(profile, lost, after_silence="go on").play(dump())
    assert transfer.outcome is INCOMPLETE
    assert transfer.sent == 3


@pytest.mark.parametrize("lost", range(1, 5))
@pytest.mark.parametrize("direction", [TO, FROM])
def test_what_a_unit_that_answers_does_not_answer_is_sent_again(
    lost: int, direction: Direction
) -> None:
    # packets 0 to 3 and, the other way, their answers; the last is among them
    rehearsed = rehearsal(unit(), lose_message(direction=direction, message=lost))
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified, transfer.resent) == (LOADED, True, 1)
    assert in_slot(rehearsed, 2) == words(121)
    again = transfer.findings[-1]
    assert again.clause == ("HSK-13" if lost == 4 else "HSK-15")
    assert again.at.packet == lost - 1
    assert again.verdict is (Verdict.NOTED if lost == 4 else Verdict.RIG)


def test_a_unit_that_dies_is_not_talked_to_for_long() -> None:
    rehearsed = rehearsal(unit(), cut_line(direction=TO, at_ns=500 * MS))
    transfer = rehearsed.play(dump(words(40_000)))
    assert (transfer.outcome, transfer.verified) == (INCOMPLETE, None)
    assert transfer.reason == f"the unit did not answer packet {transfer.sent - 1}"
    assert transfer.times.total_ns < 6 * SECOND  # of 46 s that the whole dump would take
    assert said(rehearsed, FROM)[-1] == oracle.handshake(
        kind="ACK", packet_number=transfer.sent - 2
    )


@pytest.mark.parametrize(("partial", "slot"), [("drop", None), ("keep", 2)])
def test_a_line_that_is_cut_on_the_way_there(partial: str, slot: int | None) -> None:
    cut = cut_line(direction=TO, at_ns=70 * MS)  # in packet 1
    profile = unit(habits={"partial": partial})
    rehearsed = rehearsal(profile, cut)
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified, transfer.slot) == (INCOMPLETE, None, slot)
    assert transfer.reason == "the unit took 1 of 4 packets and gave up waiting for the rest"
    assert in_slot(rehearsed, 2) == (None if slot is None else words(40))


def test_a_line_that_is_cut_on_the_way_back_from_the_beginning() -> None:
    rehearsed = rehearsal(unit(), cut_line(direction=FROM, at_ns=0))
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified, transfer.slot) == (UNCONFIRMED, None, 2)
    assert transfer.is_well  # an emulated memory tells
    assert in_slot(rehearsed, 2) == words(121)
    assert transfer.unread == "the unit did not answer the request for the sample"


def test_a_line_that_is_cut_on_the_way_back_later() -> None:
    transfer = rehearsal(unit(), cut_line(direction=FROM, at_ns=60 * MS)).play(dump())
    assert transfer.outcome is UNCONFIRMED
    assert transfer.reason == "2 packets were never answered, the first is packet 1"


@pytest.mark.parametrize("extended", [False, True])
def test_a_sender_that_stops_at_silence_says_at_which_packet(extended: bool) -> None:
    # the standard lets a sender go on without answers; it need not (M1 p. 39)
    rehearsed = Rehearsal(
        unit(),
        settings=Settings(sender=SenderSwitches(after_silence="stop")),
        disturbances=[cut_line(direction=FROM, at_ns=65 * MS)],
    )
    transfer = rehearsed.play(dump(extended=extended))
    assert transfer.reason == "the unit did not answer packet 1"
    assert (transfer.outcome, transfer.verified, transfer.sent) == (INCOMPLETE, None, 2)


def test_a_line_that_is_cut_while_reading_back() -> None:
    transfer = rehearsal(unit(), cut_line(direction=FROM, at_ns=320 * MS)).play(dump())
    assert (transfer.outcome, transfer.verified) == (LOADED, None)
    assert transfer.unread == "it ended after 2 packets"
    assert clauses(transfer) == []  # what reading back met is not held against sending


def test_a_lost_answer_is_survived() -> None:
    lost = lose_message(direction=FROM, message=2)
    rehearsed = rehearsal(unit(), lost, after_silence="go on")
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified, transfer.resent) == (LOADED, True, 0)
    assert clauses(transfer) == ["TIM-04"]
    unread = rehearsal(unit(), lost, read_back=False, after_silence="go on")
    assert unread.play(dump()).reason == ("1 packet was never answered, the first is packet 1")


def test_a_late_answer_is_noted_as_late() -> None:
    late = delay_message(direction=FROM, message=2, by_ns=30 * MS)
    waited = rehearsal(unit(), late).play(dump())
    assert (waited.outcome, waited.verified, waited.resent) == (LOADED, True, 0)
    transfer = rehearsal(unit(), late, after_silence="go on").play(dump())
    assert (transfer.outcome, transfer.verified) == (LOADED, True)
    (noted,) = [each for each in transfer.findings if each.clause == "TIM-10"]
    assert (noted.found, noted.at.packet) == ("number 1", 2)


# WAIT for ever


@pytest.mark.parametrize("sensing", [False, True])
def test_a_unit_that_asks_to_wait_and_never_goes_on(sensing: bool) -> None:
    # the WAIT for packet 0 is there after 56.20 ms, and its ACK would be after 58.20
    profile = unit(habits={"wait_before_ack": True, "active_sensing": sensing})
    rehearsed = rehearsal(profile, cut_line(direction=FROM, at_ns=57 * MS))
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified, transfer.sent) == (INCOMPLETE, None, 1)
    assert transfer.reason == "the unit asked to wait at packet 0 and never went on"
    assert said(rehearsed, TO)[-1] == oracle.handshake(kind="CANCEL", packet_number=0)
    assert not rehearsed.unit.is_receiving
    # where nothing will ever happen nobody waits for it; else ten minutes without a sign
    minutes = transfer.times.total_ns / (60 * SECOND)
    assert 10 <= minutes < 10.5 if sensing else minutes < 0.5


@pytest.mark.parametrize("name", ["lantern-desk", "rattling-cart"])
def test_patience_is_for_silence_and_not_for_long_dumps(name: str) -> None:
    rehearsed = Rehearsal(unit(name), settings=Settings(patience_ns=11 * SECOND))
    transfer = rehearsed.play(dump(words(40_000)))
    assert transfer.times.total_ns > 40 * SECOND
    assert transfer.read_back_ns > 40 * SECOND
    assert (transfer.outcome, transfer.verified) == (LOADED, True)
