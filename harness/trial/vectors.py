"""The batteries as files that any language can use.

A case is a dump with what a right encoder was asked to come to it, what a right decoder makes of
it, and whether it is valid, left open by the standard, or invalid.  `vectors.schema.json` says what
the manifest holds.
"""

import json
from collections.abc import Iterator
from importlib.resources import files
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dryload.harness.trial.battery import WIDTHS
from dryload.harness.trial.changes import changed_dumps
from dryload.harness.trial.dumps import Ask, DumpProbe, RightReading, good_dumps
from dryload.harness.trial.task import PARAMETERS, Task

SCHEMA: Final = "dryload/vectors/1"
MANIFEST: Final = "vectors.json"
SCHEMA_FILE: Final = "vectors.schema.json"
_USUAL_BITS: Final = 16
_LONGEST: Final = 70_000
"""Words of the longest dump that is written."""
_IN_THE_MANIFEST: Final = 64
"""Words up to which they stand in the manifest; others are files of their own."""
_VERDICTS: Final = {
    Ask.MUST: "valid",
    Ask.MAY: "valid",
    Ask.OPEN: "open",
    Ask.DAMAGED: "invalid",
}


def vectors() -> Iterator[tuple[str, bytes]]:
    """Yield each file as its name in the folder and what it holds; the manifest comes last."""
    widths = (_USUAL_BITS, *(bits for bits in WIDTHS if bits != _USUAL_BITS))
    cases, left_out = [], []
    probes = [*good_dumps(widths), *changed_dumps(_USUAL_BITS)]
    for number, probe in enumerate(probes, start=1):
        if probe.made_for is not None and probe.made_for.size > _LONGEST:
            left_out.append(f"{probe.group}: {probe.what}")
            continue
        name = f"{number:04}"
        words = _Words(name)
        cases.append(_case(name, probe, words))
        yield f"dumps/{name}.syx", probe.task.data
        yield from words.files.items()
    manifest = {
        "schema": SCHEMA,
        "about": "Dumps of the MIDI Sample Dump Standard, and what is right of them.",
        "left_out": left_out,
        "cases": cases,
    }
    yield SCHEMA_FILE, files("dryload.harness.trial").joinpath(SCHEMA_FILE).read_bytes()
    yield MANIFEST, (json.dumps(manifest, indent=1) + "\n").encode()


class _Words:
    """The words of a case: short ones for the manifest, long ones as files, each once."""

    def __init__(self, name: str) -> None:
        self.files: Final[dict[str, bytes]] = {}
        self._name: Final = name

    def told(self, words: NDArray[Any]) -> list[int] | str:
        """Return the words, or the name of the file of 32-bit words, the low byte first."""
        if len(words) <= _IN_THE_MANIFEST:
            told: list[int] = words.tolist()
            return told
        data = words.astype(np.dtype("<i4")).tobytes()
        for path, held in self.files.items():
            if held == data:
                return path
        path = f"words/{self._name}{'abc'[len(self.files)]}.i32"
        self.files[path] = data
        return path


def _case(name: str, probe: DumpProbe, words: _Words) -> dict[str, Any]:
    return {
        "id": name,
        "group": str(probe.group),
        "note": probe.what,
        "verdict": _VERDICTS[probe.ask],
        "asked": probe.ask.value,
        "clauses": list(probe.about),
        "dump": f"dumps/{name}.syx",
        "encode": None if probe.made_for is None else _asked(probe.made_for, words),
        "readings": [_reading(each, words) for each in probe.meanings],
    }


def _asked(task: Task, words: _Words) -> dict[str, Any]:
    return {"words": words.told(task.words), **{name: getattr(task, name) for name in PARAMETERS}}


def _reading(meaning: RightReading, words: _Words) -> dict[str, Any]:
    sample = meaning.sample
    return {
        "words": words.told(sample.words),
        "bits": sample.bits,
        "channels": sample.channels,
        "rate": float(sample.rate),
        "number": meaning.number,
        "loop": meaning.loop,
        "name": meaning.name,
    }
