"""Rules: whole messages on the way, the cable, and its pace."""

from collections.abc import Callable, Iterator
from typing import Final

from harness.diagnose.cause import Suspicion
from harness.diagnose.rules_way_messages_cable import CABLE_RULES
from harness.diagnose.rules_way_messages_end import END_RULES
from harness.diagnose.rules_way_messages_lost import LOST_RULES
from harness.diagnose.rules_way_messages_pace import PACE_RULES
from harness.diagnose.scene import Scene

WAY_MESSAGES_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    *CABLE_RULES,
    *LOST_RULES,
    *END_RULES,
    *PACE_RULES,
)
