"""The judge of both directions: what is right is called right, and what is not known is said."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.harness.files.recorded import Recorded
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from dryload.harness.judge.dialogue.exchanges import Ended, LoopMode
from dryload.harness.judge.dialogue.judge import DumpSeen, Verdicts, judge_capture
from dryload.harness.judge.finding import Answerable, Verdict
from tests import oracle
from tests.jobs.bench import SECOND, rehearsal, unit
from tests.jobs.bench import dump as playable
from tests.jobs.test_replay import SHIPPED
from tests.judge import talking
from tests.judge.talking import FROM, MS, TO, Tape, accusations, dump, of_clause, say
from tests.vectors import timeline

HABITS = {  # what a shipped unit is told of, and by its own profile rightly
    "slow-pulley": {("HSK-02", "bent", "unit")},
}


def seen(verdicts: Verdicts, number: int = 0) -> DumpSeen:
    return verdicts.dumps[number]


def v1(entries: timeline.Timeline) -> Recorded:
    """Dump V1 (16 bit, 41 words, 2 packets) at the instants of a worked timeline (M1 p. 39)."""
    content = [(1021 * i) % 65536 - 32768 for i in range(41)]
    head = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=41)
    first, second = oracle.packets(bits=16, words=content)
    messages = {"header": head, "packet 0": first, "packet 1": second}
    acks = iter([0, 0, 1])
    passages = [
        Passage(TO, end_ns, messages[what])
        if what in messages
        else Passage(FROM, end_ns, say("ACK", next(acks)))
        for what, _, end_ns in entries
    ]
    return Recorded(capture=Capture(passages))


# The worked timelines.


def test_the_worked_closed_loop_is_right() -> None:
    # header 0-6.72; ACK 11.72-13.64; packet 0 13.64-54.28; ACK 56.28-58.20; packet 1 58.20-98.84;
    # ACK 100.84-102.76 ms (computed from M1 pp. 1 and 39)
    verdicts = judge_capture(v1(timeline.CLOSED_LOOP))

    assert verdicts.all_findings == ()
    dump_seen = seen(verdicts)
    assert (dump_seen.loop, dump_seen.ended) == (LoopMode.CLOSED, Ended.WHOLE)
    assert (dump_seen.start_ns, dump_seen.end_ns) == (0, 102_760_000)
    assert (dump_seen.planned, dump_seen.packets, dump_seen.resent) == (2, 2, 0)
    assert dump_seen.replies == {"ACK": 3}


def test_the_fastest_open_loop_is_right() -> None:
    verdicts = judge_capture(v1(timeline.OPEN_LOOP))

    assert verdicts.all_findings == ()
    assert (seen(verdicts).loop, seen(verdicts).ended) == (LoopMode.OPEN, Ended.WHOLE)


@pytest.mark.parametrize(("which", "clause"), [(1, "TIM-01"), (2, "TIM-03")])
def test_the_open_loop_may_not_be_faster(which: int, clause: str) -> None:
    by_ns = 30 * MS if which == 1 else MS // 1000  # TIM-01 is judged at 1.98 s
    entries = tuple(
        (what, start - by_ns, end - by_ns) if at >= which else (what, start, end)
        for at, (what, start, end) in enumerate(timeline.OPEN_LOOP)
    )

    (finding,) = judge_capture(v1(entries)).all_findings

    assert (finding.clause, finding.answerable) == (clause, Answerable.SENDER)
    assert finding.at.packet == which - 1


# Rehearsals: nobody is accused of what he did not do.


@pytest.mark.parametrize("read_back", [True, False])
@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_unit_is_innocent(name: str, read_back: bool) -> None:
    row, profile = SHIPPED[name], load_profile(name)
    played = rehearsal(profile, read_back=read_back)
    content = talking.words(row.count, row.bits)
    played.play(
        playable(content, number=row.number, device_id=profile.unit.device_id, bits=row.bits)
    )
    played.finish()

    verdicts = judge_capture(Recorded(capture=played.line.capture))

    assert set(accusations(verdicts)) == HABITS.get(name, set())
    assert seen(verdicts).ended is Ended.WHOLE
    assert seen(verdicts).loop is (LoopMode.OPEN if name == "thunder-sheet" else LoopMode.CLOSED)
    answers = read_back and name != "thunder-sheet"
    assert [each.direction for each in verdicts.dumps] == [TO, FROM][: 2 if answers else 1]


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(profile_names())),
    count=st.integers(0, 400) | st.sampled_from([5120, 5160]),
    bits=st.sampled_from([8, 12, 14, 16, 21, 24, 28]),
    number=st.integers(0, 30),
    device_id=st.sampled_from([0, 1, 5, 127]),
    extended=st.booleans(),
    silence=st.sampled_from(["go on", "again", "stop"]),
    eof=st.booleans(),
    read_back=st.booleans(),
    loops=st.booleans(),
)
def test_no_rehearsal_is_called_broken(
    *,
    name: str,
    count: int,
    bits: int,
    number: int,
    device_id: int,
    extended: bool,
    silence: str,
    eof: bool,
    read_back: bool,
    loops: bool,
) -> None:
    switches = SenderSwitches(after_silence=silence, sends_eof=eof)  # type: ignore[arg-type]  # drawn
    more = (
        (
            oracle.loop_points(
                sample_number=number,
                device_id=device_id,
                loop_number=3,
                loop_type=0,
                loop_start=0,
                loop_end=1,
            ),
            oracle.sample_name(sample_number=number, device_id=device_id, name=b"Bell"),
        )
        if loops and count > 1
        else ()
    )
    played = Rehearsal(
        load_profile(name),
        settings=Settings(sender=switches, read_back=read_back, operator_ns=8 * SECOND),
    )
    for _ in range(2):
        played.play(
            playable(
                talking.words(count, bits),
                *more,
                number=number,
                device_id=device_id,
                bits=bits,
                extended=extended,
            )
        )

    verdicts = judge_capture(Recorded(capture=played.line.capture))

    of_words = {"WRD-06", "WRD-07", "WRD-08", "WRD-04", "EXT-08", "HDR-15"}  # of the dump itself
    left = {each for each in accusations(verdicts) if each[0] not in of_words}
    allowed = set(HABITS.get(name, set()))
    if count * bits > 5000 * 12 or name in ("leaky-roof", "rattling-cart"):
        # The first loses bytes, and over the other's echo answers come late.
        allowed |= {
            (clause, verdict, who)
            for clause in ("TIM-04", "HSK-06", "PKT-11")
            for verdict, who in (("rig", "rig"), ("bent", "unit"))
        }
    assert left <= allowed
    assert not verdicts.is_broken


LINE: dict[str, dict[str, Any]] = {
    "clock inside": {"habits": {"clock_bpm": 300}},
    "active sensing": {"habits": {"active_sensing": True}},
    "echo": {"habits": {"echo": True}},
    "WAIT before each ACK": {"habits": {"wait_before_ack": True}},
    "any number for the header": {"habits": {"header_ack_number": "varying"}},
    "slow, and just in time": {"input": {"store_packet_ns": 18_080_000}},
    "header answered just in time": {"input": {"store_header_ns": 2 * SECOND - 1_920_000}},
}


@pytest.mark.parametrize("what", LINE)
def test_odd_and_legal_units_are_innocent(what: str) -> None:
    played = rehearsal(unit(**LINE[what]))
    played.play(playable(talking.words(500)))

    verdicts = judge_capture(Recorded(capture=played.line.capture))

    assert accusations(verdicts) == []
    assert seen(verdicts).loop is LoopMode.CLOSED


@pytest.mark.parametrize("late_ns", [1, MS])
def test_a_unit_that_is_late_is_told_of(late_ns: int) -> None:
    played = rehearsal(unit(input={"store_packet_ns": 18_080_000 + late_ns}))
    played.play(playable(talking.words(500)))

    verdicts = judge_capture(Recorded(capture=played.line.capture))

    assert accusations(verdicts) == [("TIM-04", "bent", "unit")]
    (finding,) = of_clause(verdicts, "TIM-04")
    assert "13 times" in finding.message
    assert finding.at.packet == 0


# What a recording cannot show.


def test_of_one_direction_only_what_was_sent_is_judged() -> None:
    tape = Tape().to(talking.header(3))
    for packet in talking.packets(3):
        tape.to(packet)  # no answer, no pause: in both directions TIM-01 and TIM-03

    both = judge_capture(tape.recorded())
    one = judge_capture(tape.recorded(TO))

    assert {"TIM-01", "TIM-03"} <= talking.clauses(both.all_findings)
    assert one.all_findings == ()
    assert seen(one).loop is LoopMode.UNKNOWN
    assert any("from unit" in text for text in one.unknown)


def test_what_one_direction_shows_is_told() -> None:
    bad = [talking.flipped(packet, bit=1 << at) for at, packet in enumerate(talking.packets(3))]
    tape = Tape().to(talking.header(3))
    for packet in bad:
        tape.to(packet)

    verdicts = judge_capture(tape.recorded(TO))

    assert accusations(verdicts) == [("PKT-05", "broken", "sender")]


def test_answers_alone_accuse_nobody() -> None:
    verdicts = judge_capture(dump().recorded(FROM))

    assert accusations(verdicts) == []
    assert verdicts.dumps == ()
    assert any("to unit" in text for text in verdicts.unknown)


def test_without_times_no_limit_is_judged_but_the_order_is() -> None:
    def passed_over(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("NAK", place))

    early = Tape().to(talking.header(2))
    for packet in talking.packets(2):
        early.to(packet)
    rejected = dump(8, {3: passed_over})

    assert judge_capture(early.recorded(is_timed=False)).all_findings == ()
    verdicts = judge_capture(rejected.recorded(is_timed=False))
    # One packet that was rejected though it is right may have been altered further on.
    assert accusations(verdicts) == [("HSK-07", "broken", "sender"), ("HSK-06", "rig", "rig")]
    assert of_clause(verdicts, "HSK-07")[0].at.time_ns is None
    assert any("no times" in text for text in verdicts.unknown)


@pytest.mark.parametrize(
    ("late_us", "known", "told"),
    [
        (1, {}, True),
        (1, {"rounded_ns": 1000}, False),
        (3, {"rounded_ns": 1000}, True),
        (1500, {"start_ns": 1}, False),  # the clock of a port scatters by two milliseconds
        (2500, {"start_ns": 1}, True),
    ],
)
def test_nothing_is_told_that_is_finer_than_the_times(
    late_us: int, known: dict[str, int | bool], told: bool
) -> None:
    def late(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("ACK", place), after_ms=18.08 + late_us / 1000)

    verdicts = judge_capture(dump(8, talking.every(late)).recorded(**known))

    assert bool(of_clause(verdicts, "TIM-04")) is told


def test_a_capture_that_ends_in_the_middle_breaks_nothing() -> None:
    whole = dump(8, tail=False)
    for stop in range(1, len(whole.passages)):
        cut = Tape()
        cut.passages = whole.passages[:stop]
        verdicts = cut.judged()
        assert accusations(verdicts) == []
        if stop < 17:
            assert seen(verdicts).ended is Ended.CUT
            assert any("middle of a dump" in text for text in verdicts.unknown)
        torn = Tape()
        direction, end_ns, data = whole.passages[stop]
        torn.passages = [*whole.passages[:stop], Passage(direction, end_ns, data[:-3])]
        assert accusations(torn.judged()) == []


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(Direction),
            st.integers(0, 3 * SECOND),
            st.binary(max_size=20)
            | st.sampled_from(
                [
                    talking.header(3),
                    talking.header(3)[:-1],
                    *talking.packets(3),
                    talking.flipped(talking.packets(1)[0]),
                    *(say(kind, n) for kind in oracle.HANDSHAKES for n in (0, 1, 5)),
                    oracle.dump_request(sample_number=1),
                    oracle.identity_request(),
                    oracle.loop_points_request(sample_number=1, loop_number=16383),
                    oracle.sample_name(sample_number=1, name=b"Bell"),
                ]
            ),
        ),
        max_size=25,
    ),
    st.booleans(),
)
def test_nothing_that_passes_raises(
    parts: list[tuple[Direction, int, bytes]], is_timed: bool
) -> None:
    now_ns, passages = 0, []
    for direction, pause_ns, data in parts:
        now_ns += pause_ns + len(data) * talking.BYTE_NS
        passages.append(Passage(direction, now_ns, data))

    verdicts = judge_capture(Recorded(capture=Capture(passages), is_timed=is_timed))

    for finding in verdicts.all_findings:
        assert finding.message.endswith(".")
        if not is_timed:
            assert finding.at.time_ns is None


def test_nothing_is_said_of_an_empty_capture() -> None:
    verdicts = judge_capture(Recorded(capture=Capture()))

    assert (verdicts.dumps, verdicts.findings) == ((), ())
    assert verdicts.worst is None


def test_findings_are_one_a_clause_with_their_number() -> None:
    def bad(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(talking.flipped(packet)).back(say("ACK", place))

    verdicts = judge_capture(dump(8, {2: bad, 3: bad, 5: bad}).recorded())

    (finding,) = of_clause(verdicts, "HSK-05")
    assert finding.at.packet == 2
    assert "3 times in all" in finding.message
    assert finding.verdict is Verdict.BROKEN


def test_a_port_without_a_line_behind_it_is_the_rig_and_nobody_else() -> None:
    # Over a network a packet takes no time, and an answer and the next packet bear one instant.
    now_ns = SECOND
    passages = [Passage(TO, now_ns, talking.header(20))]
    for place, packet in enumerate(talking.packets(20)):
        now_ns += 2 * MS
        passages.append(Passage(FROM, now_ns, say("ACK", max(place - 1, 0))))
        passages.append(Passage(TO, now_ns, packet))
    passages.append(Passage(FROM, now_ns + MS, say("ACK", 19)))

    verdicts = judge_capture(Recorded(capture=Capture(passages), start_ns=SECOND))

    assert accusations(verdicts) == [("TIM-06", "rig", "rig")]
    assert seen(verdicts).loop is LoopMode.CLOSED
    assert any("faster than a line" in text for text in verdicts.unknown)


def test_a_packet_may_be_as_fast_as_the_line_allows() -> None:
    def paced(percent: float) -> Verdicts:
        passages, now_ns = [Passage(TO, SECOND, talking.header(20))], SECOND + 2 * SECOND
        for packet in talking.packets(20):
            now_ns += round(40_640_000 / (1 + percent / 100))  # 127 bytes, M1 p. 1
            passages.append(Passage(TO, now_ns, packet))
        return judge_capture(Recorded(capture=Capture(passages), directions=(TO,)))

    assert of_clause(paced(0.99), "TIM-06") == []
    assert len(of_clause(paced(1.5), "TIM-06")) == 1
