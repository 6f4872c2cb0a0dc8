"""Whole rehearsals over each link: what the user of such an interface sees.

121 words are a header of 21 bytes and four packets of 127 (M1 p. 37); what comes back are
handshakes of 6 (M1 p. 36).
"""

from __future__ import annotations

import pytest

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.link import link_named
from dryload.emulator.unit.possible import Profile
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from tests import oracle
from tests.edits import flip_bit
from tests.jobs.bench import FROM, TO, clauses, dump, in_slot, kinds, said, unit, words
from tests.line.any_link import USUAL
from tests.line.players import bytewise

LOADED, INCOMPLETE, UNCONFIRMED = Outcome.LOADED, Outcome.INCOMPLETE, Outcome.UNCONFIRMED
MS = 1_000_000
STANDARD = SenderSwitches()
"""A sender that goes on where it hears nothing, as M1 p. 39 allows."""


def rehearsed(
    name: str | None,
    *disturbances: Disturbance,
    count: int = 121,
    profile: Profile | None = None,
    read_back: bool = True,
    sender: SenderSwitches | None = None,
) -> tuple[Rehearsal, Transfer]:
    """A rehearsal of one dump over a link."""
    rehearsal = Rehearsal(
        profile or unit(),
        settings=Settings(sender=sender or Settings().sender, read_back=read_back),
        disturbances=disturbances,
        link=None if name is None else link_named(name),
    )
    return rehearsal, rehearsal.play(dump(words(count)))


def capture_of(name: str | None) -> Capture:
    return rehearsed(name)[0].line.capture


def ends(rehearsal: Rehearsal, direction: Direction) -> list[int]:
    """When each delivery was complete."""
    passages = rehearsal.line.capture.passages
    return [each.end_ns for each in passages if each.direction is direction]


# Nothing is lost


@pytest.mark.parametrize("name", ["usb", "splits", "splits-16", "joins"])
@pytest.mark.parametrize("count", [40, 121, 1000])
def test_a_link_that_loses_nothing_costs_time_only(name: str, count: int) -> None:
    plain, without = rehearsed(None, count=count)
    rehearsal, transfer = rehearsed(name, count=count)
    assert (transfer.outcome, transfer.verified, transfer.findings) == (LOADED, True, ())
    assert in_slot(rehearsal, 2) == words(count)
    for direction in Direction:
        assert rehearsal.line.capture.bytes_of(direction) == plain.line.capture.bytes_of(direction)
    assert transfer.times.total_ns > without.times.total_ns


@pytest.mark.parametrize("name", ["at-most-127", "splits-127", "every-100000th"])
def test_a_link_whose_limit_nothing_reaches_changes_nothing(name: str) -> None:
    assert capture_of(name) == capture_of(None)


@pytest.mark.parametrize("name", ["at-most-126", "splits-126", "every-500th"])
def test_a_link_whose_limit_something_reaches_shows(name: str) -> None:
    assert capture_of(name) != capture_of(None)


def test_over_usb_answers_are_there_on_whole_milliseconds() -> None:
    rehearsal, _ = rehearsed("usb")
    plain, _ = rehearsed(None)
    assert all(at_ns % MS == 0 for at_ns in ends(rehearsal, FROM))
    assert not all(at_ns % MS == 0 for at_ns in ends(plain, FROM))


def test_over_splits_no_piece_is_longer() -> None:
    rehearsal, _ = rehearsed("splits-32")
    lengths = {len(each.data) for each in rehearsal.line.capture.passages}
    assert max(lengths) == 32
    assert lengths >= {32, 31, 21, 6}  # three of 32 and one of 31 are a packet


def test_many_small_pieces_make_answers_late() -> None:
    # 18 pauses of 1 ms of which the sender knows nothing, and an answer after 3.92 ms: over 20
    _, transfer = rehearsed("splits-7", sender=STANDARD)
    assert (transfer.outcome, transfer.verified) == (LOADED, True)
    assert {"TIM-04", "TIM-10"} <= set(clauses(transfer))


def test_over_joins_wait_and_its_end_come_together() -> None:
    profile = unit(habits={"wait_before_ack": True})
    rehearsal, transfer = rehearsed("joins", profile=profile)
    assert (transfer.outcome, transfer.verified) == (LOADED, True)
    passages = rehearsal.line.capture.passages
    together = [each.data for each in passages if each.direction is FROM and len(each.data) == 12]
    assert together
    assert all(kinds([data[:6], data[6:]]) == ["WAIT", "ACK"] for data in together)
    plain, _ = rehearsed(None, profile=profile)
    assert not [each for each in plain.line.capture.passages if len(each.data) == 12]


# Lost ends


def test_with_lost_ends_headers_and_answers_arrive_and_packets_never_end() -> None:
    rehearsal, transfer = rehearsed("usb-lost-ends", count=40, sender=STANDARD)
    there = said(rehearsal, TO)
    assert [(len(message), message[-1] == 0xF7) for message in there] == [
        (21, True),  # header: 3 x 7
        (126, False),  # packet: 3 x 42 + 1
        (6, False),  # request: 3 x 2 + 1
    ]
    assert kinds(said(rehearsal, FROM)) == ["ACK"]  # of the header; 6 bytes
    assert (transfer.outcome, transfer.verified) == (INCOMPLETE, None)
    assert transfer.reason.startswith("the unit took 0 of 1 packets")
    assert transfer.unread == "the unit did not answer the request for the sample"
    assert {"STA-03", "TIM-04"} <= set(clauses(transfer))


def test_with_lost_ends_a_longer_dump_is_given_up() -> None:
    rehearsal, transfer = rehearsed("usb-lost-ends")
    assert (transfer.outcome, transfer.is_well) == (INCOMPLETE, False)
    assert in_slot(rehearsal, 2) is None
    assert "NAK" in kinds(said(rehearsal, FROM))  # the next F0 shows that a packet was cut


def test_with_ends_lost_on_the_way_back_a_dump_is_loaded_and_cannot_be_read() -> None:
    rehearsal, transfer = rehearsed("usb-lost-ends-from-unit")
    assert (transfer.outcome, transfer.verified) == (LOADED, None)
    assert in_slot(rehearsal, 2) == words(121)
    assert transfer.unread == "it ended after its header"


# Too long, or too many


def test_at_most_64_lets_no_packet_arrive_whole() -> None:
    rehearsal, transfer = rehearsed("at-most-64", count=40, sender=STANDARD)
    assert [len(message) for message in said(rehearsal, TO)] == [21, 64, 7]
    assert kinds(said(rehearsal, FROM))[0] == "ACK"
    assert (transfer.outcome, transfer.verified) == (INCOMPLETE, None)
    assert in_slot(rehearsal, 2) is None


def test_at_most_20_lets_not_even_the_header_arrive() -> None:
    rehearsal, transfer = rehearsed("at-most-20")
    assert (transfer.outcome, transfer.is_well) == (UNCONFIRMED, False)
    assert said(rehearsal, FROM) == []


def test_every_256th_byte_hurts_long_streams_and_no_single_packet() -> None:
    rehearsal, single = rehearsed("every-256th", count=40, read_back=False)
    assert (single.outcome, single.resent, single.findings) == (LOADED, 0, ())
    assert len(rehearsal.line.capture.bytes_of(TO)) == 21 + 127  # under 256

    rehearsal, transfer = rehearsed("every-256th", read_back=False)
    assert (transfer.outcome, transfer.sent) == (LOADED, 4)  # a closed loop heals it
    assert transfer.resent > 0
    assert in_slot(rehearsal, 2) == words(121)
    assert {"HSK-06", "HSK-07"} <= set(clauses(transfer))
    torn = [len(message) for message in said(rehearsal, TO)]
    sent = 21 + 127 * (transfer.sent + transfer.resent)
    assert sum(torn) == sent - sent // 256


def test_every_128th_byte_leaves_no_packet_whole() -> None:
    rehearsal, transfer = rehearsed("every-128th")
    assert (transfer.outcome, transfer.sent, transfer.is_well) == (INCOMPLETE, 1, False)
    assert "rejected packet 0" in transfer.reason
    assert in_slot(rehearsal, 2) is None


# Echo and filter


def test_an_echo_is_heard_and_not_taken_for_an_answer() -> None:
    assert rehearsed("echo")[1].verified is True
    rehearsal, transfer = rehearsed("echo", read_back=False)
    assert transfer.outcome is LOADED
    assert clauses(transfer) == ["HSK-21"]
    header, *packets = said(rehearsal, TO)
    heard = said(rehearsal, FROM)
    assert heard[:2] == [header, oracle.handshake(kind="ACK", packet_number=0)]
    assert [message for message in heard if message in packets] == packets


def test_an_echo_confirms_nothing_where_the_unit_is_silent() -> None:
    _, transfer = rehearsed("echo", profile=unit("thunder-sheet"), read_back=False)
    assert transfer.outcome is UNCONFIRMED
    assert transfer.reason == "the unit never answered, so nothing says that it listened"


@pytest.mark.parametrize(
    ("name", "holds"),
    [
        ("no-exclusive", None),
        ("no-exclusive-to-unit", None),
        ("no-exclusive-from-unit", words(121)),
    ],
)
def test_without_exclusive_messages_nothing_is_confirmed(
    name: str, holds: list[int] | None
) -> None:
    rehearsal, transfer = rehearsed(name)
    assert (transfer.outcome, transfer.verified) == (UNCONFIRMED, None)
    assert clauses(transfer) == ["TIM-02"]
    assert said(rehearsal, FROM) == []
    assert in_slot(rehearsal, 2) == holds


def test_without_exclusive_messages_short_ones_still_arrive() -> None:
    sensing = unit(habits={"active_sensing": True})
    rehearsal, transfer = rehearsed("no-exclusive", profile=sensing)
    assert transfer.outcome is UNCONFIRMED
    assert set(rehearsal.line.capture.bytes_of(FROM)) == {0xFE}


# All of them


@pytest.mark.parametrize("name", USUAL)
def test_a_rehearsal_is_the_same_to_the_byte(name: str) -> None:
    assert capture_of(name) == capture_of(name)


def test_a_disturbance_acts_beside_a_link() -> None:
    flip = flip_bit(direction=TO, message=2, byte=60, bit=3)
    rehearsal, transfer = rehearsed("usb", flip)
    assert (transfer.outcome, transfer.verified, transfer.resent) == (LOADED, True, 1)
    assert in_slot(rehearsal, 2) == words(121)


@pytest.mark.parametrize("name", ["usb", "splits"])
def test_a_clock_of_the_unit_passes(name: str) -> None:
    clock = unit(habits={"clock_bpm": 120, "active_sensing": True})
    rehearsal, transfer = rehearsed(name, profile=clock)
    assert (transfer.outcome, transfer.verified) == (LOADED, True)
    assert {0xF8, 0xFE} <= {byte for _, byte in bytewise(rehearsal.line.capture, FROM)}
