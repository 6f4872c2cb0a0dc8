"""From signs to an order: by strength, and what another cause brings along behind it."""

from dryload.harness.diagnose.cause import Strength
from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.diagnose.sign import Evidence, Sign
from dryload.harness.diagnose.table import TABLE, parse_causes
from dryload.harness.diagnose.weigh import suspicions_of
from tests.diagnosis.injector import KINDS
from tests.diagnosis.injector_kinds import LEGAL, case_in

CAUSE = """
[[cause]]
name = "{name}"
where = "in the unit"
sentence = "It is so."
tells = "It comes about."
remedy = ["Mend it."]
"""
SMALL = parse_causes(
    """
    [signs]
    light = { means = "a light is on" }
    "no answer" = { means = "nothing came", values = ["often"] }
    """
    + CAUSE.format(name="bringer")
    + """
    explains = ["no answer", "HSK-02"]
    rows = [
        { sign = "light", strength = "strong" },
        { clause = "TIM-04", verdict = "bent", strength = "fair" },
    ]
    """
    + CAUSE.format(name="brought")
    + """
    rows = [
        { sign = "no answer", often = "at least 2", strength = "strong" },
        { sign = "no answer", strength = "weak" },
        { clause = ["HSK-02", "HSK-03"], strength = "sure" },
        { sign = "light", with = [{ clause = "PKT-05" }], strength = "fair" },
        { sign = "light", unless = [{ clause = "PKT-05" }], strength = "weak" },
    ]
    """
)


def seen(kind: str, text: str = "Seen.", dump: int = 0, **values: int | str) -> Sign:
    line = Evidence(text=text)
    return Sign(kind=kind, values=values, evidence=(line,), at=None, dump=dump)


def finding(clause: str, verdict: str = "broken", dump: int = 0) -> Sign:
    return seen("finding", dump=dump, clause=clause, verdict=verdict)


def order(*signs: Sign) -> list[tuple[str, Strength, bool]]:
    """What is suspected by these signs: name, strength and whether it follows from another."""
    found = suspicions_of(signs, SMALL)
    return [(each.name, each.strength, each.follows) for each in found]


def test_the_stronger_one_comes_first_whatever_stands_first_in_the_register() -> None:
    assert order(finding("TIM-04", "bent"), finding("HSK-03")) == [
        ("brought", Strength.SURE, False),
        ("bringer", Strength.FAIR, False),
    ]


def test_what_a_cause_brings_along_stands_behind_and_is_said_to_follow() -> None:
    assert order(seen("no answer", often=3), seen("light", dump=1), finding("PKT-05", dump=1)) == [
        ("bringer", Strength.STRONG, False),
        ("brought", Strength.STRONG, False),
    ]
    assert order(seen("no answer", often=3), finding("HSK-02"), finding("TIM-04", "bent")) == [
        ("brought", Strength.SURE, False),
        ("bringer", Strength.FAIR, False),
    ]
    assert order(seen("no answer", often=1), finding("TIM-04", "bent")) == [
        ("bringer", Strength.FAIR, False),
        ("brought", Strength.WEAK, True),
    ]


def test_a_dump_brings_nothing_along_in_the_one_before_it() -> None:
    later = finding("TIM-04", "bent", dump=1)
    assert order(seen("no answer", often=1), later)[1] == ("brought", Strength.WEAK, False)


def test_a_row_asks_for_what_is_beside_its_sign_and_for_what_may_not_be_there() -> None:
    assert ("brought", Strength.FAIR, False) in order(seen("light"), finding("PKT-05"))
    assert ("brought", Strength.WEAK, False) in order(seen("light"))
    assert ("brought", Strength.WEAK, False) in order(seen("light"), finding("PKT-05", dump=1))


def test_a_finding_is_known_by_its_clause_and_its_values() -> None:
    assert order(finding("TIM-04", "bent")) == [("bringer", Strength.FAIR, False)]
    assert not order(finding("TIM-04", "rig"))
    assert not order(seen("finding", clause="TIM-04", verdict="bent", back=True))


def test_a_cause_has_the_evidence_of_all_its_signs_the_strongest_first() -> None:
    signs = [
        seen("no answer", "First sign.", often=1),
        seen("no answer", "Second sign.", often=2),
        seen("no answer", "Second sign.", often=1),
    ]
    (only,) = suspicions_of(signs, SMALL)
    assert only.strength is Strength.STRONG
    assert [each.text for each in only.evidence] == ["Second sign.", "First sign."]


def test_all_sixty_faults_of_a_transfer_have_a_kind_and_so_a_cause() -> None:
    """Messages that are joined and a period that is rounded harm nobody."""
    known = {number for kind in (*KINDS, *LEGAL) for number in kind.faults}
    assert known == set(range(1, 61)) - {17, 41}


def test_a_table_without_a_cause_does_not_name_it() -> None:
    """Otherwise leaving a cause out would measure nothing."""
    run = case_in(KINDS[0], "1")
    with_it = diagnose(run.recorded, run.sources)
    assert with_it.first is not None
    name = with_it.first.name
    left_out = diagnose(run.recorded, run.sources, causes=TABLE.without(name))
    assert name not in {each.name for each in left_out.causes}
