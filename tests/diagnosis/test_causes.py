"""Each cause has an example in which it is named, and the same without its fault in which not.

A cause is one row of the table and one example: a kind of the injector that has this cause, in any
`injector_*.py`.  A new cause needs nothing here.
"""

from __future__ import annotations

import pytest

from dryload.harness.diagnose.cause import Cause
from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.diagnose.table import TABLE
from tests.diagnosis.injector import KINDS
from tests.diagnosis.injector_kinds import LEGAL, Case, Kind, case_in, plain_of
from tests.diagnosis.scoring import TOP

REMARKS = {
    "others talk on the cable": (
        "clock inside",
        "notes between messages",
        "a reset that nobody obeys",
    ),
    "pieces with pauses": ("pauses inside packets", "pieces with short gaps"),
    "slow sender": ("a slow sender",),
    "unit numbers answers its own way": ("the unit numbers answers its own way",),
    "unit changes the width": ("a width that the unit cuts",),
    "final answer missing": ("the last packet unanswered",),
    "extended header without need": ("an extended header",),
    "sent to another number": ("another number than that of the source",),
}
"""Causes that do no harm, and the kinds in which each is told as a remark."""
BY_NAME = {kind.name: kind for kind in (*KINDS, *LEGAL)}


def examples_of(cause: Cause) -> list[Kind]:
    """The kinds that are examples of a cause."""
    if cause.is_harmless:
        return [BY_NAME[name] for name in REMARKS[cause.name]]
    return [kind for kind in KINDS if kind.cause == cause.name]


def is_named(cause: Cause, case: Case) -> bool:
    """Whether it stands first, or among the first three where others are as right."""
    found = diagnose(case.recorded, case.sources)
    names = [each.name for each in found.causes]
    if cause.is_harmless:
        return cause.name in {each.name for each in found.remarks}
    return cause.name in names[: TOP if len(case.accepted) > 1 else 1]


def test_every_cause_has_an_example() -> None:
    own = {kind.cause for kind in KINDS} | set(REMARKS)
    assert {cause.name for cause in TABLE.causes} <= own


@pytest.mark.parametrize(
    "cause",
    TABLE.causes,
    ids=lambda cause: cause.name,
)
def test_it_is_named_in_its_example_and_not_without_its_fault(cause: Cause) -> None:
    wheres = [
        (kind, f"example {seed}", view)
        for kind in examples_of(cause)
        for view in dict.fromkeys(kind.views)
        for seed in range(5)
    ]
    named = [is_named(cause, case_in(kind, seed, view=view)) for kind, seed, view in wheres]
    assert any(named)
    for where in wheres:
        assert not diagnose(*plain_of(*where)).causes, where
