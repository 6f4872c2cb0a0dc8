"""What no cause explains is told, and "nothing is wrong" never stands beside it."""

import pytest
from msgspec.structs import replace

from dryload.harness.diagnose.confidence import Confidence
from dryload.harness.diagnose.diagnose import Answer, CaptureDiagnosis, diagnose
from dryload.harness.diagnose.table import TABLE
from dryload.harness.files.recorded import TakenAt
from dryload.harness.judge.finding import Verdict
from tests import oracle
from tests.diagnosis.injector import KINDS
from tests.diagnosis.injector_kinds import LEGAL, case_in
from tests.judge.talking import Tape, dump, end, flipped, header, packets, say


def told(tape: Tape) -> CaptureDiagnosis:
    return diagnose(replace(tape.recorded(), taken_at=TakenAt.LINE))


def test_a_whole_dump_leaves_nothing_unexplained() -> None:
    found = told(dump())
    assert found.answer is Answer.NOTHING_WRONG
    assert not found.unexplained


def test_a_second_dump_without_an_answer_is_no_matter_of_the_first() -> None:
    tape = dump(4, tail=False)
    tape.to(oracle.header(sample_number=2, bits=16, period_ns=22_676, length=80), after_ms=500)
    for packet in packets(2):
        tape.to(packet, after_ms=2100 if packet[4] == 0 else 25)
    found = told(end(tape))
    assert found.answer is not Answer.NOTHING_WRONG
    assert found.causes or found.unexplained


def damaged(tape: Tape, _: int, packet: bytes) -> None:
    tape.to(flipped(packet))


@pytest.mark.parametrize(
    "left_out", ["bytes altered on the way", "checksums wrong in the dump", "header missing"]
)
def test_a_broken_finding_is_never_told_as_nothing_wrong(left_out: str) -> None:
    """With the cause of it left out, the judge still sees a wrong checksum (M1 p. 39)."""
    recorded = replace(dump(steps={3: damaged}).recorded(), taken_at=TakenAt.LINE)
    found = diagnose(recorded, causes=TABLE.without(left_out))
    assert found.scene.verdicts.is_broken
    assert found.answer is not Answer.NOTHING_WRONG


def test_without_any_cause_everything_that_is_broken_is_unexplained() -> None:
    nothing_known = TABLE.without(*(each.name for each in TABLE.causes))
    for kind in KINDS:
        run = case_in(kind, "11")
        found = diagnose(run.recorded, run.sources, causes=nothing_known)
        wrong = [
            each
            for each in found.scene.verdicts.all_findings
            if each.verdict in (Verdict.BROKEN, Verdict.BENT)
        ]
        assert {each.clause for each in found.unexplained} >= {each.clause for each in wrong}
        assert not found.causes
        if wrong:
            assert found.answer is Answer.UNDECIDED


def test_a_cause_that_leaves_something_broken_open_is_not_certain() -> None:
    """A sender that passes over CANCEL, in a dump with a loop that cannot be (M1 p. 39 and 37)."""
    tape = Tape().to(header(6)).back(say("ACK"))
    for place, packet in enumerate(packets(6)):
        tape.to(packet).back(say("CANCEL" if place == 2 else "ACK", place))
    alone = told(end(tape))
    assert alone.first is not None
    assert alone.first.name == "sender passes over an answer"
    assert not alone.unexplained
    tape = Tape().to(oracle.header(
        sample_number=1, bits=16, period_ns=22_676, length=240, loop_type=5
    )).back(say("ACK"))  # fmt: skip
    for place, packet in enumerate(packets(6)):
        tape.to(packet).back(say("CANCEL" if place == 2 else "ACK", place))
    recorded = replace(end(tape).recorded(), taken_at=TakenAt.LINE)
    both = diagnose(recorded, causes=TABLE.without("header wrong"))
    assert both.first is not None
    assert {each.clause for each in both.unexplained if each.clause} == {"HDR-08"}
    assert both.confidence not in (Confidence.CERTAIN, Confidence.VERY_LIKELY)


def test_what_is_healthy_or_odd_and_legal_is_not_called_wrong() -> None:
    for kind in LEGAL:
        for number in range(3):
            run = case_in(kind, str(number))
            found = diagnose(run.recorded, run.sources)
            if run.is_clean:
                assert found.answer in (Answer.NOTHING_WRONG, Answer.NOT_ENOUGH), kind.name
                assert not found.unexplained, kind.name
