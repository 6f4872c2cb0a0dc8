"""Rules: the unit."""

from collections.abc import Callable, Iterator
from typing import Final

from harness.judge.diagnosis.cause import Suspicion
from harness.judge.diagnosis.rules_unit_flow import UNIT_FLOW_RULES
from harness.judge.diagnosis.rules_unit_stored import UNIT_STORED_RULES
from harness.judge.diagnosis.scene import Scene

UNIT_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    *UNIT_FLOW_RULES,
    *UNIT_STORED_RULES,
)
