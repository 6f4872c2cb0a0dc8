"""Rules on what a unit does while a dump runs."""

from collections.abc import Callable, Iterator
from typing import Final

from harness.diagnose.cause import Suspicion
from harness.diagnose.rules_unit_flow_ends import END_RULES
from harness.diagnose.rules_unit_flow_packets import PACKET_RULES
from harness.diagnose.rules_unit_flow_silence import SILENCE_RULES
from harness.diagnose.scene import Scene

UNIT_FLOW_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    *END_RULES,
    *PACKET_RULES,
    *SILENCE_RULES,
)
