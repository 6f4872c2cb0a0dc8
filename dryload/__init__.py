"""Judge, rehearse, diagnose and compare MIDI sample dumps, in tests and programs of one's own.

Nothing of dryload or of numpy is loaded before one of these names is used.  What is wrong with a
dump is never an exception; `Problem` is raised where what was asked for can't be done.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dryload.api import (
        Unit,
        decode,
        diagnose,
        diff,
        encode,
        messages,
        rehearse,
        validate,
    )
    from dryload.assertions import assert_loads
    from dryload.emulator.dump.sample import Loop, Sample
    from dryload.harness.files.problem import Problem
    from dryload.harness.jobs.outcome import Outcome
    from dryload.harness.judge.finding import Finding
    from dryload.probing import Probe, probes
    from dryload.results import Diagnosis, Difference, Report, Result

__all__ = [
    "Diagnosis",
    "Difference",
    "Finding",
    "Loop",
    "Outcome",
    "Probe",
    "Problem",
    "Report",
    "Result",
    "Sample",
    "Unit",
    "assert_loads",
    "decode",
    "diagnose",
    "diff",
    "encode",
    "messages",
    "probes",
    "rehearse",
    "validate",
]

_ROOMS = {
    "Finding": "dryload.harness.judge.finding",
    "Loop": "dryload.emulator.dump.sample",
    "Outcome": "dryload.harness.jobs.outcome",
    "Problem": "dryload.harness.files.problem",
    "Sample": "dryload.emulator.dump.sample",
    "assert_loads": "dryload.assertions",
    "Probe": "dryload.probing",
    "probes": "dryload.probing",
    **dict.fromkeys(("Diagnosis", "Difference", "Report", "Result"), "dryload.results"),
}


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value: object = getattr(import_module(_ROOMS.get(name, "dryload.api")), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
