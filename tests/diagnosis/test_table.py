"""The register of causes: what is shipped, and that a mistake in it names its row."""

import pytest

from dryload.emulator.wire.clauses import clauses
from dryload.harness.diagnose.scene import scene_of
from dryload.harness.diagnose.sign import CONTEXT, FINDING
from dryload.harness.diagnose.signs import signs_of
from dryload.harness.diagnose.table import TABLE, parse_causes
from tests.diagnosis.injector import cases

SMALL = """
usual = ["HSK-09"]

[signs]
"damaged" = { means = "packets arrived damaged", values = ["hit", "count"] }
"no answer" = { means = "no answer came" }

[steps]
"alone" = "Unplug the others."

[groups]
silence = ["TIM-04", "no answer"]

[[cause]]
name = "bytes lost"
where = "on the way to the unit"
sentence = "Bytes get lost."
tells = "A bad contact."
remedy = ["@alone"]
explains = ["@silence", "PKT-05"]
rows = [
    { sign = "damaged", hit = ["lost", "cut"], count = "at least 3", strength = "strong" },
]
"""


def test_groups_and_steps_are_opened() -> None:
    (cause,) = parse_causes(SMALL).causes
    assert cause.explains == {"TIM-04", "no answer", "PKT-05"}
    assert cause.remedy == ("Unplug the others.",)


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        ('where = "on the way to the unit"', 'where = "nowhere"', "'bytes lost'.*nowhere"),
        ('tells = "A bad contact."\n', "", "'bytes lost'.*tells"),
        ('tells = "A', 'tell = 1\ntells = "A', "'bytes lost'.*tell"),
        ('"@alone"', '"@nobody"', "'bytes lost'.*@nobody"),
        ('"@silence"', '"@noise"', "'bytes lost'.*@noise"),
        ('"PKT-05"]', '"PKT-99"]', "'bytes lost'.*PKT-99"),
        ('sign = "damaged"', 'sign = "hurt"', "'bytes lost'.*row 1.*hurt"),
        ("hit = ", "hits = ", "'bytes lost'.*row 1.*damaged has no hits"),
        ('"strong"', '"strongest"', "'bytes lost'.*row 1.*STRONGEST"),
    ],
)
def test_a_mistake_names_its_row(right: str, wrong: str, told: str) -> None:
    assert SMALL.count(right) == 1
    with pytest.raises(ValueError, match=told):
        parse_causes(SMALL.replace(right, wrong))


def test_every_cause_is_told_for_a_musician() -> None:
    names = [cause.name for cause in TABLE.causes]
    assert len(set(names)) == len(names)
    for cause in TABLE.causes:
        text = " ".join((cause.sentence, cause.tells, *cause.remedy, cause.experiment))
        assert cause.sentence.endswith("."), cause.name
        assert cause.remedy, cause.name
        assert cause.experiment or cause.is_harmless, cause.name
        assert text.isascii(), cause.name
        assert not any(clause in text for clause in ("PKT-", "HDR-", "WRD-", "HSK-")), cause.name


def test_every_cause_has_a_row_and_every_sign_a_row_that_wants_it() -> None:
    assert all(cause.rows for cause in TABLE.causes)
    wanted = {name for cause in TABLE.causes for row in cause.rows for name in row.sign.names}
    assert wanted - set(clauses()) == set(TABLE.signs)


def test_every_value_of_a_sign_is_asked_for_by_a_row() -> None:
    asked: dict[str, set[str]] = {kind: set() for kind in TABLE.signs}
    for cause in TABLE.causes:
        for row in cause.rows:
            for want in (row.sign, *row.beside, *row.unless):
                for name in asked.keys() & set(want.names):
                    asked[name] |= {*want.values, *want.at_least} - set(CONTEXT)
    assert asked == {kind: set(each.values) for kind, each in TABLE.signs.items()}


def test_signs_have_the_values_that_the_register_says() -> None:
    """Over captures of all kinds of faults; most kinds of signs are among them."""
    kinds = set()
    for run in cases(5, range(400)):
        for sign in signs_of(scene_of(run.recorded, run.sources)):
            assert sign.evidence, sign.kind
            kinds.add(sign.kind)
            if sign.kind != FINDING:
                own = set(sign.values) - set(CONTEXT)
                assert own == set(TABLE.signs[sign.kind].values), sign.kind
    assert len(kinds) > 0.7 * len(TABLE.signs)
