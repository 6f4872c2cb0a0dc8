"""All causes there are, and all rules."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from harness.diagnose.cause import Cause, Suspicion
from harness.diagnose.causes_answers import ANSWER_CAUSES
from harness.diagnose.causes_file import FILE_CAUSES
from harness.diagnose.causes_unit import UNIT_CAUSES
from harness.diagnose.causes_way import WAY_CAUSES
from harness.diagnose.scene import Scene


@dataclass(frozen=True, slots=True)
class Table:
    """The causes that a diagnosis knows of."""

    causes: tuple[Cause, ...]
    """Of two that are suspected as strongly, the one that stands here first is told first."""

    def without(self, *names: str) -> "Table":
        """Return the table without some causes, as if nobody had thought of them."""
        return Table(tuple(each for each in self.causes if each.name not in names))

    def __contains__(self, name: str) -> bool:
        """Whether there is a cause of this name."""
        return any(each.name == name for each in self.causes)


TABLE: Final = Table((*WAY_CAUSES, *ANSWER_CAUSES, *UNIT_CAUSES, *FILE_CAUSES))
CAUSES: Final = TABLE.causes
_BY_NAME: Final = {cause.name: cause for cause in CAUSES}
Rule = Callable[[Scene], Iterator[Suspicion]]
"""Looks at a scene and yields what it suspects; knows of no other rule."""


def cause_named(name: str) -> Cause:
    """Return the cause of this name; KeyError where there is none."""
    return _BY_NAME[name]


def all_rules() -> tuple[Rule, ...]:
    """Return every rule; those of content import numpy, so they are looked up late."""
    from harness.diagnose.rules_answers import ANSWER_RULES
    from harness.diagnose.rules_file import FILE_RULES
    from harness.diagnose.rules_unit import UNIT_RULES
    from harness.diagnose.rules_way import WAY_RULES

    return (*WAY_RULES, *ANSWER_RULES, *UNIT_RULES, *FILE_RULES)
