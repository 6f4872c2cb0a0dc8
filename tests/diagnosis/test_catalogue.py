"""The catalogue of faults and the table of causes: a fault is diagnosed as what it says it is."""

from __future__ import annotations

import pytest

from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.faults.catalogue import Fault, faults
from dryload.harness.jobs.dumps import source_of
from tests.diagnosis.rehearsing import dump_of, rehearsed

_LENGTH = 1_590
"""Words: forty packets, so that every place in an example is there."""
KNOWN = [fault for fault in faults() if fault.causes and fault.example]


AS_TRUE = {
    "reorder": "messages doubled on the way",  # a sender that hears nothing sends a second one
    "join": "messages doubled on the way",
    "unplug": "bytes lost on the way",  # of the message that was under way
}
"""What is as true of an example, because of what the sender does then."""


@pytest.mark.parametrize("fault", KNOWN, ids=lambda fault: f"{fault.group}: {fault.name}")
def test_the_example_of_a_fault_is_diagnosed_as_it_says_if_it_does_harm(fault: Fault) -> None:
    causes = diagnosed(fault)
    right = {*fault.causes.values(), AS_TRUE.get(fault.name, "")}
    assert not causes or set(causes[:3]) & right, causes


def diagnosed(fault: Fault) -> list[str]:
    """The causes, with the source and the sample read back, so that everything shows."""
    recorded = rehearsed(fault.example, read_back=True, length=_LENGTH)
    return [each.name for each in diagnose(recorded, [source_of(dump_of(_LENGTH))]).causes]


def test_most_examples_do_harm() -> None:
    assert sum(bool(diagnosed(fault)) for fault in KNOWN) > 0.6 * len(KNOWN)
