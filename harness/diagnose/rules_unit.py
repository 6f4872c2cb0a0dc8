"""Rules: the unit."""

from collections.abc import Callable, Iterator
from typing import Final

from harness.diagnose.cause import Suspicion
from harness.diagnose.rules_unit_flow import UNIT_FLOW_RULES
from harness.diagnose.rules_unit_stored import UNIT_STORED_RULES
from harness.diagnose.scene import Scene

UNIT_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    *UNIT_FLOW_RULES,
    *UNIT_STORED_RULES,
)
