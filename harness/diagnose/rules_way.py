"""Rules: the way to the unit."""

from collections.abc import Callable, Iterator
from typing import Final

from harness.diagnose.cause import Suspicion
from harness.diagnose.rules_way_bytes import WAY_BYTES_RULES
from harness.diagnose.rules_way_messages import WAY_MESSAGES_RULES
from harness.diagnose.scene import Scene

WAY_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    *WAY_BYTES_RULES,
    *WAY_MESSAGES_RULES,
)
