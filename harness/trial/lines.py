"""How a program of any language is asked: a line of JSON on its standard input, one back.

An encoder is told `{"words": [...], "bits": 16, "rate": 44100.0, "number": 1, "device_id": 0,
"loop": null, "name": ""}`, a loop being `[first word, last word, type byte]`, and answers
`{"dump": "F0 7E ..."}`.  A decoder is told `{"dump": "F07E..."}` and answers `{"words": [...],
"bits": 16, "rate": 44100}`, where it likes with number, loop, name and warnings.  Both say no by
`{"declined": "why"}`, and end when their input does.
"""

import json
from typing import Any

from dryload.harness.trial.hearing import as_bytes, returned
from dryload.harness.trial.task import PARAMETERS, CallAnswer, CallEnding, DumpTask, Task


def line_of(task: Task | DumpTask) -> bytes:
    """Return what a program is told."""
    if isinstance(task, DumpTask):
        told: dict[str, Any] = {"dump": task.data.hex()}
    else:
        told = {"words": task.words.tolist(), **{name: getattr(task, name) for name in PARAMETERS}}
    return json.dumps(told).encode() + b"\n"


def answer_in(line: bytes) -> CallAnswer:
    """Return what a program answered; a line that is no answer counts as a crash."""
    try:
        told = json.loads(line)
        if (why := told.get("declined")) is not None:
            return CallAnswer(ending=CallEnding.DECLINED, said=str(why))
        if "dump" in told:
            return CallAnswer(ending=CallEnding.MADE, data=bytes.fromhex(told["dump"]))
        heard = returned(told)
        return CallAnswer(ending=CallEnding.MADE, data=as_bytes(heard), heard=heard)
    except (ValueError, TypeError, AttributeError, OverflowError) as problem:
        shown = line[:60].decode("utf-8", "replace").strip()
        return CallAnswer(
            ending=CallEnding.CRASHED, said=f"its line {shown!r} is no answer: {problem}"
        )
