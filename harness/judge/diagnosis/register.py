"""All causes there are, and all rules."""

from collections.abc import Callable, Iterator
from typing import Final

from harness.judge.diagnosis.cause import Cause, Suspicion
from harness.judge.diagnosis.causes_answers import ANSWER_CAUSES
from harness.judge.diagnosis.causes_file import FILE_CAUSES
from harness.judge.diagnosis.causes_unit import UNIT_CAUSES
from harness.judge.diagnosis.causes_way import WAY_CAUSES
from harness.judge.diagnosis.scene import Scene

CAUSES: Final[tuple[Cause, ...]] = (*WAY_CAUSES, *ANSWER_CAUSES, *UNIT_CAUSES, *FILE_CAUSES)
"""Of two that are suspected as strongly, the one that stands here first is told first."""
_BY_NAME: Final = {cause.name: cause for cause in CAUSES}
Rule = Callable[[Scene], Iterator[Suspicion]]
"""Looks at a scene and yields what it suspects; knows of no other rule."""


def cause_named(name: str) -> Cause:
    """Return the cause of this name; KeyError where there is none."""
    return _BY_NAME[name]


def all_rules() -> tuple[Rule, ...]:
    """Return every rule; those of content import numpy, so they are looked up late."""
    from harness.judge.diagnosis.rules_answers import ANSWER_RULES
    from harness.judge.diagnosis.rules_file import FILE_RULES
    from harness.judge.diagnosis.rules_unit import UNIT_RULES
    from harness.judge.diagnosis.rules_way import WAY_RULES

    return (*WAY_RULES, *ANSWER_RULES, *UNIT_RULES, *FILE_RULES)
