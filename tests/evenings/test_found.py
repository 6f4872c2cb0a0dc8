"""What thousands of evenings have found, one by one: each was claimed once and refuted."""

from __future__ import annotations

import os
from dataclasses import replace

import pytest

from tests.evenings import tool
from tests.evenings.account import account
from tests.evenings.evening import Lived, Turn, live_through
from tests.evenings.plan import Dump, Evening, Hit, Run, Trouble, evening_of, quiet_evening
from tests.evenings.rack import Manners
from tests.evenings.said import Claim
from tests.foreign.habits import Habits

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="each run is forked")

SHORT = Dump(file="a.syx", index=0, number=1, filed=1, words=tuple(range(100)))
"""Three packets; the last one is on the line from 0.10 to 0.14 s."""
LONG = Dump(file="b.syx", index=0, number=2, filed=2, words=tuple(range(300)))


@pytest.fixture(scope="module", autouse=True)
def _preloaded() -> None:
    tool.preload()


def lived(
    *troubles: Trouble,
    hits: tuple[Hit, ...] = (),
    dumps: tuple[Dump, ...] = (SHORT,),
    options: tuple[str, ...] = (),
    habits: Habits | None = None,
    manners: Manners | None = None,
    target: str = "midi",
    held_before: tuple[int, ...] = (),
) -> Lived:
    """An evening that begins with a run in which something goes wrong, and goes on calmly."""
    evening: Evening = replace(
        quiet_evening(),
        target=target,
        dumps=dumps,
        habits=habits or Habits(),
        manners=manners or Manners(has_battery=True),
        faulty=False,
        held_before=held_before,
        runs=(Run(options=options, as_json=True, troubles=troubles, hits=hits),),
    )
    return live_through(evening)


def told(turn: Turn, file: str = "a.syx") -> Claim:
    (claim,) = (each for each in turn.said.claims if each.by == "JSON" and each.file == file)
    return claim


def is_true(evening: Lived) -> None:
    assert not evening.faults, "\n".join(account(evening))


STOPS = {"ctrl-c": 0.0, "unplug": 1e9}
"""What stops a dump for good, and for how long it lasts."""


@pytest.mark.parametrize("kind", STOPS)
def test_what_is_stopped_in_its_last_packet_may_be_whole_in_the_unit(kind: str) -> None:
    evening = lived(Trouble(kind=kind, at_s=0.12, for_s=STOPS[kind]))
    assert told(evening.turns[0]).outcome == "unconfirmed"
    assert "the last one" in told(evening.turns[0]).reason
    is_true(evening)


@pytest.mark.parametrize("kind", STOPS)
def test_what_is_stopped_before_its_last_packet_is_incomplete(kind: str) -> None:
    evening = lived(Trouble(kind=kind, at_s=0.08, for_s=STOPS[kind]))
    assert told(evening.turns[0]).outcome == "incomplete"
    is_true(evening)


def test_a_last_packet_that_nobody_answered_is_no_proof_of_anything() -> None:
    # Switched off in the last packet; it is silent from there on, and empty afterwards.
    evening = lived(Trouble(kind="unit off", at_s=0.12, for_s=8.0), manners=Manners())
    assert told(evening.turns[0]).outcome == "unconfirmed"
    is_true(evening)


def test_what_was_never_confirmed_and_is_not_there_is_sent_again_by_resume() -> None:
    # The header is lost, so nothing is stored; the unit says nothing to the request for it either.
    evening = lived(hits=(Hit(to_unit=True, message=0, what="lost"),))
    assert told(evening.turns[0]).outcome == "unconfirmed"
    assert "--resume" in evening.turns[1].run.options
    assert told(evening.turns[1]).outcome == "loaded"
    is_true(evening)


def test_a_unit_that_waits_for_the_rest_of_a_dump_is_told_that_it_does_not_come() -> None:
    # It answers no requests as long as it waits, which is no sign that anything is not there.
    evening = lived(Trouble(kind="kill", at_s=0.5), dumps=(SHORT, LONG))
    assert evening.turns[0].ran.code == 137
    claims = [(each.file, each.outcome) for each in evening.turns[1].said.claims]
    assert ("a.syx", "loaded before") in claims
    assert "not there any more" not in evening.turns[1].ran.err
    is_true(evening)


def test_silence_at_the_end_accuses_nobody_where_the_last_request_met_it_too() -> None:
    # The last dump makes the unit deaf to requests for a while.
    evening = lived(dumps=(SHORT, LONG), manners=Manners(deaf_s=0.0, has_battery=True))
    assert evening.turns[0].ran.code == 0
    deaf = lived(
        dumps=(SHORT, LONG),
        manners=Manners(has_battery=True),
        hits=tuple(Hit(to_unit=True, message=at, what="lost") for at in range(17, 40)),
    )
    assert told(deaf.turns[0]).outcome == "unconfirmed"
    is_true(deaf)


def test_a_header_that_is_damaged_on_the_way_back_is_not_held_against_the_unit() -> None:
    # A header has no checksum; the message after the ACKs of header and packets is the header.
    for place in (6, 7, 10, 12):
        hits = (Hit(to_unit=False, message=4, what="damaged", place=place),)
        evening = lived(hits=hits, dumps=(SHORT, LONG))
        assert evening.turns[0].ran.log.hits == 1
        is_true(evening)
        assert evening.turns[0].ran.code == 0


def test_an_older_sample_that_comes_back_says_nothing_about_a_dump_that_never_arrived() -> None:
    hits = (Hit(to_unit=True, message=0, what="lost"),)
    evening = lived(hits=hits, held_before=(1,))
    assert told(evening.turns[0]).outcome == "unconfirmed"
    is_true(evening)


AGAIN = Dump(file="c.syx", index=0, number=1, filed=1, words=tuple(range(500, 700)))
"""For the same sample number as SHORT."""


def test_what_was_loaded_before_and_is_replaced_now_is_not_there_any_more() -> None:
    # Stopped before the third dump; --resume sends it, to the place of the first.
    evening = lived(
        Trouble(kind="ctrl-c", at_s=0.8), dumps=(SHORT, LONG, AGAIN), options=("--replace",)
    )
    assert evening.turns[0].ran.code == 130
    assert told(evening.turns[1]).outcome == "replaced"
    assert evening.turns[1].ran.code == 0
    is_true(evening)


def test_what_a_dump_that_never_arrived_was_to_replace_is_not_said_to_be_gone() -> None:
    # Silent from packet 4 of the second dump on: the third one, for the first one's place, is lost.
    evening = lived(
        dumps=(SHORT, LONG, AGAIN), options=("--replace",), habits=Habits(falls_silent_at=4)
    )
    assert told(evening.turns[0], "c.syx").outcome == "unconfirmed"
    assert told(evening.turns[0]).outcome == "unconfirmed"
    assert not [fault for fault in evening.faults if fault.kind.endswith("held")]


def test_what_is_there_and_has_only_to_be_read_is_not_replaced_by_an_earlier_dump() -> None:
    # Stopped while the last of two for one number is read back: --resume goes on with reading.
    evening = lived(Trouble(kind="ctrl-c", at_s=0.65), dumps=(SHORT, AGAIN), options=("--replace",))
    assert evening.turns[0].ran.code == 130
    assert [claim.outcome for claim in evening.turns[1].said.claims] == ["loaded", "replaced"]
    is_true(evening)


def test_a_unit_that_lost_its_memory_and_answers_nothing_is_not_said_to_hold_anything() -> None:
    # Off for a moment in the second dump: the first sample is lost, the second never arrives.
    evening = lived(
        Trouble(kind="unit off", at_s=0.4, for_s=0.3), dumps=(SHORT, LONG), manners=Manners()
    )
    assert told(evening.turns[0]).outcome == "unconfirmed"
    is_true(evening)


def test_a_second_ack_of_one_dump_answers_nothing_of_the_next_one() -> None:
    """The last ACK of the first dump comes twice, and the only packet of the second one is lost."""
    short = Dump(file="b.syx", index=0, number=2, filed=2, words=tuple(range(40)))
    evening = lived(
        hits=(
            Hit(to_unit=False, message=8, what="lost"),
            Hit(to_unit=True, message=5, what="lost"),
        ),
        dumps=(SHORT, short),
        options=("--no-read-back",),
        habits=Habits(ack_times=2),
    )
    is_true(evening)


def test_the_capture_of_who_would_not_wait_has_the_message_that_was_on_its_way() -> None:
    options = ("--capture", "passed-0.jsonl")
    evening = lived(Trouble(kind="ctrl-c", at_s=0.06, for_s=0.0005), options=options)
    is_true(evening)


@pytest.mark.parametrize("number", ["0", "127", "random"])
def test_answers_that_name_nothing_are_no_proof_of_a_dump_that_is_not_read_back(
    number: str,
) -> None:
    """The cable doubles packet 5: its second answer may be taken for that of 6, which is lost."""
    evening = lived(
        hits=(
            Hit(to_unit=True, message=6, what="doubled"),
            Hit(to_unit=True, message=7, what="lost"),
        ),
        dumps=(LONG,),
        options=("--no-read-back", "--no-pace"),
        habits=Habits(ack_number=number),
        target="tcp",
    )
    assert told(evening.turns[0], "b.syx").outcome == "unconfirmed"
    is_true(evening)


def test_a_dump_that_went_to_another_place_has_not_replaced_the_one_before() -> None:
    """The unit gives some samples a number of its own: the earlier one comes back for both."""
    is_true(live_through(evening_of(20261201, 1238)))


@pytest.mark.parametrize(
    "at_s",
    [0.32, 0.5],
    ids=["while its place is taken", "while what took its place is read back"],
)
def test_a_sample_whose_place_was_taken_is_not_loaded_though_the_port_failed_then(
    at_s: float,
) -> None:
    other = replace(SHORT, file="c.syx", words=tuple(range(50, 150)))
    evening = lived(
        Trouble(kind="unplug", at_s=at_s, for_s=1e9), dumps=(SHORT, other), options=("--replace",)
    )
    assert told(evening.turns[0]).outcome == "unconfirmed"
    is_true(evening)


def test_what_was_acknowledged_and_not_read_back_is_not_called_loaded() -> None:
    # A header has no checksum (M1 p. 37): this one was altered on the way, and acknowledged.
    evening = lived(
        Trouble(kind="ctrl-c", at_s=0.18), hits=(Hit(to_unit=True, message=0, what="damaged"),)
    )
    assert told(evening.turns[0]).outcome == "unconfirmed"
    is_true(evening)


def test_an_answer_that_was_lost_at_the_end_does_not_make_a_sample_gone() -> None:
    # The unit takes 2 s to send a sample; one request, and the WAIT for the next one, are lost.
    is_true(live_through(evening_of(20261129, 1741)))


def test_late_answers_to_copies_are_not_taken_for_answers_to_the_next_dump() -> None:
    # The unit takes 1.9 s for each answer, also to each copy that went out meanwhile.
    is_true(live_through(evening_of(20261130, 2660)))


def test_one_answer_more_may_stand_for_a_packet_that_was_lost() -> None:
    # The unit says each ACK twice: the second one to the header is just that of packet 0.
    is_true(live_through(evening_of(20261202, 617)))


def test_a_unit_that_hangs_up_with_its_last_answer_gets_the_next_dump_too() -> None:
    # There is no line behind its port: it hangs up while our line still carries the last packet.
    is_true(live_through(evening_of(20261203, 146)))


def test_a_header_that_comes_back_otherwise_is_not_held_against_the_unit() -> None:
    # A header has no checksum (M1 p. 37): this one was altered on the way, and the unit kept it.
    is_true(live_through(evening_of(20261205, 2252)))


def test_a_dump_that_lost_its_place_is_told_though_nothing_is_told_at_the_end() -> None:
    # Ctrl-C twice in the last look: the table that takes "loaded" back is never shown.
    is_true(live_through(evening_of(20261205, 2686)))


def test_a_unit_that_hangs_up_after_each_dump_is_asked_at_the_end_all_the_same() -> None:
    # Two dumps: what asks for the first one again finds the port hung up by the second.
    is_true(live_through(evening_of(20261206, 170)))


def test_a_quick_units_packet_that_was_lost_on_the_way_is_not_its_doing() -> None:
    # It sends a packet each 20 ms; the capture has them back to back, at the pace of a line.
    is_true(live_through(evening_of(20261206, 78)))


def test_what_was_lost_while_the_port_was_gone_is_not_the_units_doing() -> None:
    # Its last packet was lost with the port, and the ACK to its header came twice.
    is_true(live_through(evening_of(20261206, 2790)))


def test_a_unit_that_hangs_up_before_its_answer_is_understood_is_read_back() -> None:
    # Its ACKs say 127 and come after 0.9 s: the last packet went out twice by then.
    is_true(live_through(evening_of(20261209, 1708)))


def test_the_answer_to_a_header_said_twice_is_none_to_the_only_packet() -> None:
    # Nothing is read back: that the unit goes on answering is all that shows it.
    is_true(live_through(evening_of(20261210, 2917)))


def test_a_dump_whose_place_another_is_to_take_says_so_before_that_one_is_sent() -> None:
    """A power cut in the middle of the other one left "loaded and verified" as the last word."""
    is_true(live_through(evening_of(20261230, 1483)))


def test_what_a_port_delivers_at_once_shows_no_time_for_what_was_lost() -> None:
    # The first of two packets was lost; the second came 20 ms later, and is told at a line's pace.
    is_true(live_through(evening_of(20261211, 959)))
