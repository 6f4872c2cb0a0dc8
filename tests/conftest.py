"""What holds for all tests."""

import os
import tempfile
from pathlib import Path
from typing import Final

import pytest
from hypothesis import HealthCheck, settings

TESTS: Final = Path(__file__).parent
PATIENT: Final = ("foreign", "cli", "evenings", "lanes", "ports", "jobs", "diagnosis")
"""The rooms whose tests wait for processes, ports and clocks, or take longest: they come first, so
that what only computes fills the gaps and no core is idle at the end."""

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


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Run the whole suite side by side; a room or a file that is named runs in this process.

    A file stays together, because what its tests share is made once in each process.  One process
    more than there are cores, because many tests wait.  `-n 0` and `-p no:xdist` run all in one.
    """
    if hasattr(config, "workerinput") or not config.pluginmanager.hasplugin("xdist"):
        return  # this is one of those processes, or there can be none
    option = config.option
    is_whole = config.args_source is not pytest.Config.ArgsSource.ARGS
    is_plain = option.numprocesses is None and option.dist == "no"
    if is_whole and is_plain and not (option.usepdb or option.collectonly):
        option.numprocesses = (os.cpu_count() or 1) + 1
        option.dist = "loadfile"
        option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with what waits; where nothing waits the order stays."""
    places = {room: place for place, room in enumerate(PATIENT)}
    items.sort(key=lambda item: places.get(_room(item.path), len(places)))


def _room(path: Path) -> str:
    return path.relative_to(TESTS).parts[0] if path.is_relative_to(TESTS) else ""
