"""From suspicions to an order: by strength, and what another cause brings along behind it."""

from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.diagnose import diagnose
from harness.diagnose.sign import Evidence, Sign
from harness.diagnose.table import TABLE
from harness.diagnose.weigh import ranked
from tests.diagnosis.injector import KINDS
from tests.diagnosis.injector_kinds import case_in


def seen(kind: str) -> Sign:
    return Sign(kind=kind, values={}, evidence=(), at=None, dump=0)


def suspicion(cause: str, strength: Strength, text: str = "seen", kind: str = "") -> Suspicion:
    signs = (seen(kind),) if kind else ()
    return Suspicion(
        cause=cause, strength=strength, evidence=(Evidence(text=text),), dump=0, signs=signs
    )


BRINGER, BROUGHT, KIND = "reset on the cable", "unit fell silent", "answers cease"
"""A cause, one that follows from it, and the sign that it is known by."""


def test_the_stronger_one_comes_first_whatever_stands_first_in_the_register() -> None:
    one, other = [each.name for each in TABLE.causes if not each.is_harmless][:2]
    causes, _ = ranked([suspicion(one, Strength.WEAK), suspicion(other, Strength.FAIR)])
    assert [each.name for each in causes] == [other, one]


def test_what_a_cause_brings_along_stands_behind_and_is_said_to_follow() -> None:
    causes, _ = ranked(
        [suspicion(BROUGHT, Strength.STRONG, kind=KIND), suspicion(BRINGER, Strength.STRONG)]
    )
    assert [(each.name, each.follows) for each in causes] == [
        (BRINGER, False),
        (BROUGHT, True),
    ]


def test_nothing_explains_what_is_surer_than_itself() -> None:
    causes, _ = ranked(
        [suspicion(BROUGHT, Strength.SURE, kind=KIND), suspicion(BRINGER, Strength.FAIR)]
    )
    assert [(each.name, each.follows) for each in causes] == [
        (BROUGHT, False),
        (BRINGER, False),
    ]


def test_suspicions_of_one_cause_become_one_with_the_evidence_of_all() -> None:
    causes, _ = ranked(
        [
            suspicion(BROUGHT, Strength.WEAK, "first sign"),
            suspicion(BROUGHT, Strength.STRONG, "second sign"),
            suspicion(BROUGHT, Strength.FAIR, "second sign"),
        ]
    )
    (only,) = causes
    assert only.strength is Strength.STRONG
    assert [each.text for each in only.suspicion.evidence] == ["second sign", "first sign"]


def test_what_is_harmless_is_a_remark() -> None:
    harmless = next(cause.name for cause in TABLE.causes if cause.is_harmless)
    causes, remarks = ranked([suspicion(harmless, Strength.SURE)])
    assert not causes
    assert [each.name for each in remarks] == [harmless]


def test_all_sixty_faults_of_a_transfer_have_a_cause() -> None:
    assert {number for cause in TABLE.causes for number in cause.faults} == set(range(1, 61))


def test_a_table_without_a_cause_does_not_name_it() -> None:
    """Otherwise leaving a cause out would measure nothing."""
    run = case_in(KINDS[0], "1")
    with_it = diagnose(run.recorded, run.sources)
    assert with_it.first is not None
    name = with_it.first.name
    left_out = diagnose(run.recorded, run.sources, causes=TABLE.without(name))
    assert name not in {each.name for each in left_out.causes}
