"""What holds for all tests."""

import os
import tempfile

from hypothesis import HealthCheck, settings

# A busy machine is no fault; on a machine that only checks, the same examples every time.
settings.register_profile(
    "dryload",
    deadline=None,
    derandomize=bool(os.environ.get("CI")),
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("dryload")

# Journals of replays go to a place that is forgotten, never to the home of whoever runs the tests.
_state = tempfile.TemporaryDirectory()
os.environ["XDG_STATE_HOME"] = _state.name
