"""The encoders by name, for a process of their own: tests.trial.on_trial:s12 is the twelfth.

TRIAL_ENCODERS names another file of them.
"""

from __future__ import annotations

import importlib.util
import os
import sys

from tests.trial import encoders
from tests.trial.subject import Encoder, Subject


def subjects() -> tuple[Subject, ...]:
    if not (path := os.environ.get("TRIAL_ENCODERS")):
        return encoders.ALL
    if (loaded := sys.modules.get("encoders_elsewhere")) is None:
        spec = importlib.util.spec_from_file_location("encoders_elsewhere", path)
        assert spec is not None
        assert spec.loader is not None
        loaded = importlib.util.module_from_spec(spec)
        sys.modules["encoders_elsewhere"] = loaded
        spec.loader.exec_module(loaded)
    return (*loaded.BROKEN, *loaded.UNNAMED, *loaded.RIGHT)


def __getattr__(name: str) -> Encoder:
    if not name.startswith("s") or not name[1:].isdigit():
        raise AttributeError(name)
    return subjects()[int(name[1:])].make()
