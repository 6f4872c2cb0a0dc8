"""Causes: the unit."""

from typing import Final

from harness.judge.diagnosis.cause import Cause
from harness.judge.diagnosis.causes_unit_flow import UNIT_FLOW_CAUSES
from harness.judge.diagnosis.causes_unit_stored import UNIT_STORED_CAUSES

UNIT_CAUSES: Final[tuple[Cause, ...]] = (*UNIT_FLOW_CAUSES, *UNIT_STORED_CAUSES)
