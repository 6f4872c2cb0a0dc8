"""What a transfer showed, as findings: events of both ends, and what came back."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from dryload.emulator.dump.events import (
    DOUBTFUL,
    NUMBERS_ALWAYS,
    NUMBERS_BY,
    NUMBERS_FREELY,
    OVERDUE,
    TAKES,
    TWICE,
    WAITED_FOR,
    WAITED_FOR_LAST,
    Event,
    EventKind,
)
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.wire.clauses import clauses
from dryload.emulator.wire.messages import LoopPointsRequest, SampleNameRequest
from dryload.harness.judge.difference import compare_samples
from dryload.harness.judge.finding import Answerable, Finding, Verdict
from dryload.harness.judge.observed import (
    judge_address,
    judge_events,
    judge_read_back,
    judge_untold,
)

K = EventKind
QUIET = {K.ANSWERED, K.OPENED, K.DONE, K.CANCELLED, K.GAVE_UP, K.NO_ANSWER, K.LEARNT}
"""What needs no finding of its own: the outcome says it, or its detail does."""


def event(kind: EventKind, packet: int | None = None, detail: str = "", ns: int = 7) -> Event:
    return Event(kind, ns, packet, detail)


def one(*events: Event) -> Finding:
    (finding,) = judge_events(events)
    return finding


def test_nothing_that_happened_is_nothing_found() -> None:
    assert judge_events(()) == ()
    assert judge_events([event(kind, 3) for kind in QUIET]) == ()


@pytest.mark.parametrize("kind", [kind for kind in EventKind if kind not in QUIET])
@pytest.mark.parametrize("packet", [None, 0, 200])
@pytest.mark.parametrize("detail", ["", "number 3", "MESSAGE", "ACK_OTHER_LAST 5"])
def test_every_other_event_is_one_finding_in_plain_words(
    kind: EventKind, packet: int | None, detail: str
) -> None:
    finding = one(event(kind, packet, detail))
    assert finding.clause in clauses()
    assert finding.message[0].isupper()
    assert finding.message.endswith((".", "(open in the standard)"))
    for said in (finding.message, finding.do):
        assert "MESSAGE" not in said
        assert "_" not in said
    assert finding.at.time_ns == 7
    assert finding.verdict in (Verdict.NOTED, Verdict.BENT)


@pytest.mark.parametrize(
    ("kind", "where", "clause"),
    [
        (K.REJECTED, "Packet 130: ", "HSK-07"),
        (K.HELD, "Packet 130: ", "HSK-09"),
        (K.FAULTY, "Packet 130: ", "HSK-06"),
        (K.JUMPED, "Packet 130: ", "HSK-16"),
        (K.REPEATED, "Packet 129: ", "HSK-15"),  # a unit counts what it has: the last of them
        (K.ABANDONED, "After 130 packets: ", "STA-03"),
        (K.SILENCE, "Packet 130 was not answered within 20 ms.", "TIM-04"),
    ],
)
def test_a_packet_is_named_by_its_place_and_its_number(
    kind: EventKind, where: str, clause: str
) -> None:
    finding = one(event(kind, 130))
    assert finding.message.startswith(where)
    assert finding.clause == clause
    named = 129 if kind is K.REPEATED else 130
    # numbers begin again after 127 (M1 p. 39)
    assert (finding.at.packet, finding.at.packet_number) == (named, named - 128)


def test_the_header_is_named_where_no_packet_is() -> None:
    assert one(event(K.HELD)).message == "Header: the unit asked to wait (WAIT)."
    refused = one(event(K.REFUSED, None, "slot 2 is protected"))
    assert refused.message == "Header: the unit did not take it."
    assert refused.found == "slot 2 is protected"
    assert (refused.at.packet, refused.at.packet_number) == (None, None)


def test_several_of_a_kind_are_counted_and_the_first_is_named() -> None:
    finding = one(*(event(K.REJECTED, packet, ns=packet) for packet in (9, 9, 12, 40)))
    assert "4 times in all" in finding.message
    assert (finding.at.packet, finding.at.time_ns) == (9, 9)


def test_one_packet_that_was_given_up_after_is_one() -> None:
    assert one(event(K.ABANDONED, 1)).message.startswith("After 1 packet: ")
    assert one(event(K.ABANDONED, 0)).message.startswith("After 0 packets: ")


def test_lost_bytes_belong_to_no_packet() -> None:
    finding = one(event(K.OVERRUN, None, "3 bytes lost"))
    assert finding.message.startswith("The unit lost bytes at its input")
    assert (finding.verdict, finding.answerable) == (Verdict.BENT, Answerable.UNIT)


@pytest.mark.parametrize(
    ("detail", "clause", "found"),
    [
        ("MESSAGE", "HSK-21", ""),
        ("ACK_LATE 6", "TIM-10", "number 6"),
        ("ACK_OTHER 9", "HSK-02", "number 9"),
        ("ACK_OTHER_LAST 9", "HSK-02", "number 9"),
        ("NAK_OTHER 0", "HSK-08", "number 0"),
        ("EOF 0", "HSK-18", "number 0"),
        ("STOP", "HSK-02", ""),
    ],
)
def test_what_the_sender_ignored_is_told_by_what_it_was(
    detail: str, clause: str, found: str
) -> None:
    finding = one(event(K.IGNORED, 4, detail))
    assert (finding.clause, finding.found) == (clause, found)


def test_different_things_ignored_are_different_findings() -> None:
    found = judge_events(
        [
            event(K.IGNORED, 1, "ACK_OTHER 4"),
            event(K.IGNORED, 2, "MESSAGE"),
            event(K.IGNORED, 3, "ACK_OTHER_LAST 5"),
        ]
    )
    assert [finding.clause for finding in found] == ["HSK-02", "HSK-21"]
    assert "2 times in all" in found[0].message


def test_points_that_the_standard_leaves_open_are_called_so() -> None:
    for kind in (K.JUMPED, K.REPEATED, K.FELL_BACK):
        assert "(open in the standard)" in one(event(kind, 1)).message
    for kind in (K.REJECTED, K.HELD, K.FAULTY):
        assert "open in the standard" not in one(event(kind, 1)).message


# Silence


def test_a_header_without_answer_points_at_the_cable() -> None:
    finding = one(event(K.SILENCE), event(K.SILENCE, 0), event(K.SILENCE, 1))
    assert finding.message == "The unit did not answer the header within 2 s."
    assert (finding.clause, finding.verdict) == ("TIM-02", Verdict.NOTED)
    assert "cable" in finding.do


def test_packets_without_answer_among_answered_ones_are_bent() -> None:
    finding = one(event(K.ANSWERED), *(event(K.SILENCE, packet) for packet in (5, 6, 9)))
    assert finding.message == ("3 packets, the first is packet 5, were not answered within 20 ms.")
    assert (finding.clause, finding.verdict, finding.do) == ("TIM-04", Verdict.BENT, "")


def test_what_was_sent_again_for_want_of_an_answer_is_a_matter_of_the_rig() -> None:
    finding = one(
        *(event(K.SILENCE, packet, WAITED_FOR) for packet in (5, 9)), event(K.ANSWERED, 5)
    )
    assert (finding.clause, finding.verdict) == ("HSK-15", Verdict.RIG)
    assert (finding.answerable, finding.at.packet) == (Answerable.RIG, 5)
    assert "2 times in all" in finding.message


def test_the_last_packet_that_got_no_answer_is_only_noted() -> None:
    finding = one(event(K.SILENCE, 9, WAITED_FOR_LAST))
    assert (finding.clause, finding.verdict) == ("HSK-13", Verdict.NOTED)
    assert finding.at.packet == 9


def test_answers_that_came_late_and_were_waited_for_are_noted() -> None:
    # Nobody went on without them, so nothing came of it.
    finding = one(
        event(K.ANSWERED, 0),
        *(event(K.ANSWERED, at, OVERDUE) for at in (5, 6)),
        event(K.LEARNT, None, f"{TAKES} 913000000"),
    )
    assert finding.message.startswith(
        "2 packets, the first is packet 5, were answered later than 20 ms, at most 0.91 s."
    )
    assert (finding.clause, finding.verdict) == ("TIM-04", Verdict.NOTED)
    assert finding.found == "an answer that came later"


@pytest.mark.parametrize(
    ("detail", "clause", "says"),
    [
        (f"{NUMBERS_BY} +1", "HSK-02", "bear numbers 1 ahead of their packets'"),
        (f"{NUMBERS_BY} -1", "HSK-02", "bear numbers 1 behind their packets'"),
        (f"{NUMBERS_ALWAYS} 127", "HSK-02", "always bear the number 127"),
        (NUMBERS_FREELY, "HSK-02", "follow no rule"),
        (TWICE, "HSK-14", "says every ACK twice"),
    ],
)
def test_habits_that_were_learnt_are_noted_in_plain_words(
    detail: str, clause: str, says: str
) -> None:
    finding = one(event(K.LEARNT, None, detail))
    assert (finding.clause, finding.verdict) == (clause, Verdict.NOTED)
    assert says in finding.message


def test_what_went_out_again_because_an_ack_came_too_early_is_noted() -> None:
    finding = one(event(K.SILENCE, 0, DOUBTFUL), event(K.ANSWERED, 0))
    assert (finding.clause, finding.verdict, finding.at.packet) == ("TIM-05", Verdict.NOTED, 0)


# What came back


def sample(
    words: list[int],
    *,
    bits: int = 16,
    name: str = "",
    sustain: Loop = NO_LOOP,
    rate: Fraction = Fraction(44_100),
) -> Sample:
    return Sample(words=np.array(words, np.int16), bits=bits, rate=rate, name=name, sustain=sustain)


def back(sent: Sample, got: Sample) -> tuple[Finding, ...]:
    return judge_read_back(compare_samples(sent, got), sent, got)


WORDS = [(1021 * i) % 65536 - 32768 for i in range(160)]


def test_a_rate_that_came_back_other_is_nobodys_fault_yet_but_for_a_unit_whose_memory_is_seen() -> (
    None
):
    # A header has no checksum (M1 p. 37): the line may have altered it, there or back.
    sent, got = sample(WORDS), sample(WORDS, rate=Fraction(44_350))
    (finding,) = back(sent, got)
    assert (finding.verdict, finding.answerable) == (Verdict.BENT, Answerable.RIG)
    assert "Send the dump again" in finding.do
    (finding,) = judge_read_back(compare_samples(sent, got), sent, got, is_in_memory=True)
    assert finding.answerable is Answerable.UNIT


@pytest.mark.parametrize("words", [159, 120])
def test_an_end_that_came_too_soon_may_be_a_header_that_was_altered(words: int) -> None:
    # A header has no checksum (M1 p. 37), and a unit takes as many packets as its length calls for.
    (finding,) = back(sample(WORDS), sample(WORDS[:words]))
    assert (finding.verdict, finding.answerable) == (Verdict.BROKEN, Answerable.RIG)


def test_the_same_sample_is_nothing_found() -> None:
    assert back(sample(WORDS), sample(WORDS)) == ()


def test_words_at_fewer_bits_are_noted_once() -> None:
    got = sample([word // 16 for word in WORDS], bits=12)
    (finding,) = back(sample(WORDS), got)
    assert (finding.verdict, finding.answerable) == (Verdict.NOTED, Answerable.UNIT)
    assert "12 bits" in finding.message


@pytest.mark.parametrize(
    ("places", "answerable"),
    [
        # two flips of one column leave the checksum as it was: it may have been the line (PKT-05)
        ((50, 52), Answerable.RIG),
        # a packet with one flip is rejected, so it did not come that way
        ((50,), Answerable.UNIT),
        # each in a packet of its own: the same
        ((50, 90), Answerable.UNIT),
    ],
)
def test_words_that_were_altered_point_at_the_line_if_no_checksum_saw_it(
    places: tuple[int, ...], answerable: Answerable
) -> None:
    altered = [word ^ (1 << 9 if at in places else 0) for at, word in enumerate(WORDS)]
    finding = back(sample(WORDS), sample(altered))[0]
    assert (finding.verdict, finding.answerable) == (Verdict.BROKEN, answerable)
    assert finding.at.packet == 1  # 40 words a packet (M1 p. 39)
    assert ("cable" in finding.do) == (answerable is Answerable.RIG)


def test_words_that_are_missing_are_held_against_the_unit() -> None:
    (finding,) = back(sample(WORDS), sample(WORDS[:40] + WORDS[80:]))
    assert (finding.verdict, finding.answerable) == (Verdict.BROKEN, Answerable.UNIT)
    assert (finding.clause, finding.at.packet) == ("PKT-10", 1)


def test_name_and_loop_that_came_back_otherwise() -> None:
    loop = Loop(start=1, end=9, loop_type=0)
    sent = sample(WORDS, name="Thunder above", sustain=loop)
    got = sample(WORDS, name="Thunder", sustain=Loop(start=1, end=8, loop_type=0))
    found = back(sent, got)
    assert [(each.clause, each.verdict) for each in found] == [
        ("HDR-08", Verdict.BENT),
        ("NAM-02", Verdict.BENT),
    ]
    # neither headers nor names have a checksum (M1 p. 37, CA-019 p. 4): the line may have done it
    assert {each.answerable for each in found} == {Answerable.RIG}


def test_a_rate_that_a_period_cannot_say_is_only_noted() -> None:
    got = sample(WORDS, rate=Fraction(1_000_000_000, 22_676))  # 44,099.49 Hz (M1 p. 37)
    (finding,) = back(sample(WORDS), got)
    assert (finding.clause, finding.verdict) == ("HDR-05", Verdict.NOTED)


# What was not told, and to whom it was addressed


def test_questions_without_answer_are_noted() -> None:
    where = {"device_id": 0, "sample_number": 1}
    found = judge_untold(
        [LoopPointsRequest(**where, loop_number=16_383), SampleNameRequest(**where)]
    )
    assert [(each.clause, each.verdict) for each in found] == [
        ("LOP-05", Verdict.NOTED),
        ("NAM-03", Verdict.NOTED),
    ]
    assert "loops" in found[0].message
    assert "name" in found[1].message
    assert judge_untold([]) == ()


def test_a_dump_for_another_device_says_both_ids_and_the_way_out() -> None:
    finding = judge_address(16, 5)
    assert finding.clause == "DEV-01"
    assert "16" in finding.message
    assert "5" in finding.message
    assert "--device-id 5" in finding.do
