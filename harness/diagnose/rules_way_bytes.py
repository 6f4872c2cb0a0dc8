"""Rules about bytes that are spoiled on the way to the unit."""

from collections.abc import Callable, Iterator
from typing import Final

from harness.diagnose.cause import Suspicion
from harness.diagnose.rules_way_bytes_hits import HIT_RULES
from harness.diagnose.rules_way_bytes_others import OTHER_RULES
from harness.diagnose.rules_way_bytes_same import SAME_RULES
from harness.diagnose.rules_way_bytes_unseen import UNSEEN_RULES
from harness.diagnose.scene import Scene

WAY_BYTES_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    *HIT_RULES,
    *UNSEEN_RULES,
    *SAME_RULES,
    *OTHER_RULES,
)
