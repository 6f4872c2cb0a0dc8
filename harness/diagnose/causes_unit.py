"""Causes: the unit."""

from typing import Final

from harness.diagnose.cause import Cause
from harness.diagnose.causes_unit_flow import UNIT_FLOW_CAUSES
from harness.diagnose.causes_unit_stored import UNIT_STORED_CAUSES

UNIT_CAUSES: Final[tuple[Cause, ...]] = (*UNIT_FLOW_CAUSES, *UNIT_STORED_CAUSES)
