"""Causes: the way to the unit."""

from typing import Final

from harness.diagnose.cause import Cause
from harness.diagnose.causes_way_bytes import WAY_BYTES_CAUSES
from harness.diagnose.causes_way_messages import WAY_MESSAGES_CAUSES

WAY_CAUSES: Final[tuple[Cause, ...]] = (*WAY_BYTES_CAUSES, *WAY_MESSAGES_CAUSES)
