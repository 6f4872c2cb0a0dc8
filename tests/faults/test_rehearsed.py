"""Rehearsals with disturbances: what both sides do, against the clause, from the raw bytes."""

from __future__ import annotations

from itertools import pairwise

import pytest

from dryload.harness.faults.asked import struck_by
from dryload.harness.faults.catalogue import situations
from dryload.harness.faults.reading import read_all
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from tests import oracle
from tests.jobs.bench import FROM, TO, dump, in_slot, kinds, said, unit, words
from tests.line.players import BYTE_NS, bytewise

MS = 1_000_000
WORDS = words(361)  # ten packets of 16 bits
PLAN = oracle.packets(bits=16, words=WORDS)


def rehearsed(*texts: str, read_back: bool = True) -> tuple[Rehearsal, Transfer]:
    asked = read_all(texts)
    made = Rehearsal(
        asked.unit(unit()),
        settings=asked.settings(Settings(read_back=read_back)),
        disturbances=asked.placed,
        link=asked.link,
    )
    return made, made.play(dump(WORDS))


def packets_sent(made: Rehearsal) -> list[bytes]:
    """The whole packets that arrived at the unit."""
    return [raw for raw in said(made, TO) if len(raw) == 127]


def answers(made: Rehearsal) -> list[tuple[str, int]]:
    raw = [each for each in said(made, FROM) if len(each) == 6]
    return list(zip(kinds(raw), [each[4] for each in raw], strict=True))


ACKS = [("ACK", 0), *(("ACK", n) for n in range(10))]


def test_without_disturbances_everything_is_as_it_was() -> None:
    made, transfer = rehearsed(read_back=False)
    assert (packets_sent(made), answers(made), made.struck) == (PLAN, ACKS, [])
    assert transfer.outcome is Outcome.LOADED


def test_a_flipped_bit_gets_nak_and_the_same_packet_again() -> None:
    made, transfer = rehearsed("flip a bit in packet 3")
    sent = packets_sent(made)
    assert (sent[:3], sent[4:]) == (PLAN[:3], PLAN[3:])  # PKT-04: same number, same bytes
    (at,) = [at for at in range(127) if sent[3][at] != PLAN[3][at]]
    assert ("NAK", 3) in answers(made)  # HSK-06
    assert (transfer.outcome, transfer.verified) == (Outcome.LOADED, True)
    (struck,) = made.struck
    assert (struck.packet, struck.byte) == (3, at)


@pytest.mark.parametrize("text", ["flip two bits of a column", "swap two bytes"])
def test_what_the_checksum_cannot_see_only_reading_back_finds(text: str) -> None:
    made, transfer = rehearsed(f"{text} in packet 3")
    assert [each for each in answers(made) if each[0] == "NAK"] == []
    assert transfer.verified is False
    held = in_slot(made, 2)
    assert held is not None
    wrong = {at // 40 for at, (a, b) in enumerate(zip(WORDS, held, strict=True)) if a != b}
    assert wrong == {3}


def test_a_lost_answer_has_the_packet_sent_again_and_not_stored_twice() -> None:
    made, transfer = rehearsed("lose the reply to packet 3")
    assert packets_sent(made) == [*PLAN[:4], *PLAN[3:]]
    assert in_slot(made, 2) == WORDS  # HSK-15
    assert transfer.verified is True


def test_real_time_bytes_are_set_aside() -> None:
    made, transfer = rehearsed("add F8 in every packet", "active sensing")
    came = made.line.capture.bytes_of(TO)
    assert came.count(b"\xf8") == 10
    assert [oracle.strip_realtime(raw) for raw in said(made, TO)][1:11] == PLAN
    assert answers(made)[:11] == ACKS  # FRM-03
    assert transfer.verified is True


def test_a_sender_without_spacing_waits_for_nobody() -> None:
    made, _ = rehearsed("no spacing", read_back=False)
    starts = [at_ns - BYTE_NS for at_ns, byte in bytewise(made.line.capture, TO) if byte == 0xF0]
    ends = [at_ns for at_ns, byte in bytewise(made.line.capture, TO) if byte == 0xF7]
    gaps = [start - end for start, end in zip(starts[2:], ends[1:], strict=False)]
    assert set(gaps[:9]) == {0}  # TIM-03 asks for 20 ms
    control, _ = rehearsed(read_back=False)
    starts = [at_ns for at_ns, byte in bytewise(control.line.capture, TO) if byte == 0xF0]
    assert min(b - a for a, b in pairwise(starts[1:])) > 127 * BYTE_NS


@pytest.mark.parametrize(
    ("text", "kind", "outcome"),
    [
        ("answer NAK to packets from 4 on", "NAK", Outcome.INCOMPLETE),
        ("answer WAIT to packets from 4 on", "WAIT", Outcome.INCOMPLETE),
        ("answer CANCEL to packet 4", "CANCEL", Outcome.REFUSED),
    ],
)
def test_answers_that_end_a_dump(text: str, kind: str, outcome: Outcome) -> None:
    made, transfer = rehearsed(text, read_back=False)
    assert transfer.outcome in (outcome, Outcome.INCOMPLETE)
    assert (kind, 4) in answers(made)
    assert PLAN[5] not in packets_sent(made)  # HSK-07, HSK-09, HSK-11
    assert in_slot(made, 2) is None


def test_a_unit_that_acknowledges_bad_packets() -> None:
    made, transfer = rehearsed("acknowledge bad packets", "flip bit 6 in packet 3, byte 5")
    assert answers(made)[:11] == ACKS  # and HSK-05 is broken
    held = in_slot(made, 2)
    assert held is not None
    assert [at for at, (a, b) in enumerate(zip(WORDS, held, strict=True)) if a != b] == [120]
    assert transfer.verified is False


def test_memory_that_ends() -> None:
    made, transfer = rehearsed("memory ends after 100 words", read_back=False)
    assert answers(made)[-1] == ("CANCEL", 2)  # HSK-12: 40, 80, and then no room for 120
    assert transfer.outcome is not Outcome.LOADED
    made, transfer = rehearsed("memory ends after 361 words")
    assert transfer.verified is True


def test_power_that_comes_back_finds_no_dump() -> None:
    made, transfer = rehearsed("power fails at packet 3 for 600 ms", read_back=False)
    assert answers(made) == ACKS[:4]
    assert transfer.outcome is Outcome.INCOMPLETE
    assert in_slot(made, 2) is None  # STA-01


@pytest.mark.parametrize("late", ["delay packet 2 by 1 s", "repeat packet 2"])
@pytest.mark.parametrize("is_first", [True, False])
def test_a_pulled_plug_lets_nothing_through_that_something_else_makes_late(
    late: str, is_first: bool
) -> None:
    unplug = "unplug the cable at 150 ms for 800 ms"  # packet 2 is on its way and done by then
    made, _ = rehearsed(*((unplug, late) if is_first else (late, unplug)), read_back=False)
    came = [at_ns for at_ns, _ in bytewise(made.line.capture, TO)]
    assert [at_ns for at_ns in came if 150 * MS < at_ns < 950 * MS] == []


def test_late_answers_are_late_by_what_was_said() -> None:
    made, _ = rehearsed("delay replies by 60 ms", read_back=False)
    there = [p.end_ns for p in made.line.capture.passages if p.direction is TO]
    back = [p.end_ns for p in made.line.capture.passages if p.direction is FROM]
    # the header is worked on for 5 ms, and its answer takes 1.92 ms
    assert back[0] - there[0] == (5 + 60) * MS + 6 * BYTE_NS


@pytest.mark.parametrize("situation", situations(), ids=lambda each: each.name)
def test_every_situation_can_be_rehearsed_and_is_the_same_again(situation: object) -> None:
    name = next(each.name for each in situations() if each is situation)
    first, transfer = rehearsed(name)
    second, _ = rehearsed(name)
    assert first.line.capture.passages == second.line.capture.passages
    assert first.struck == second.struck
    assert transfer.sent >= 0
    asked = read_all([name]).asked
    assert first.struck == sorted(
        (each for one in asked for each in struck_by(one, first.struck)),
        key=lambda each: each.at_ns,
    )


def test_another_seed_strikes_elsewhere() -> None:
    runs = [rehearsed(f"long chain of cables, seed {seed}")[0].struck for seed in range(1, 7)]
    assert len({tuple(each.packet for each in run) for run in runs}) > 1
