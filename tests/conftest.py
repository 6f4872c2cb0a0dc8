"""What holds for all tests."""

import gc
import os
import signal
import tempfile
from collections.abc import Generator
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import HealthCheck, settings

TESTS: Final = Path(__file__).parent
PATIENT: Final = ("foreign", "cli", "evenings", "lanes", "ports", "jobs")
"""The rooms whose tests wait for processes, ports and clocks: they come first."""
_LANE: Final = "real ports"
"""The tests that have a lane of their own."""
_BEHIND: Final = 5
"""How much nicer a process is that has no test of real ports to run, or none any more."""
_FAR_BEHIND: Final = 10
"""How much nicer it is from when it computes: what waits has to be there when something comes."""

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # a shell's background process
    signal.signal(signal.SIGINT, signal.default_int_handler)  # tests press Ctrl-C

# A busy machine is no fault; on a machine that only checks, the same examples every time.
settings.register_profile(
    "dryload",
    deadline=None,
    derandomize=bool(os.environ.get("CI")),
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("dryload")

_NICE: Final = os.nice(0) if hasattr(os, "nice") else 0

# Journals of replays go to a place that is forgotten, never to the home of whoever runs the tests.
_state = tempfile.TemporaryDirectory()
os.environ["XDG_STATE_HOME"] = _state.name

# In which file each process says which tests are in the lane, for the one that deals them out.
_in_lane = tempfile.TemporaryDirectory()


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Run the whole suite side by side; a room or a file that is named runs in this process.

    A file stays together, because what its tests share is made once in each process.  Tests of real
    ports are one after the other in one process, and first.  Two processes more than there are
    cores, because half of them begin with what waits.  `-n 0` and `-p no:xdist` run all in one.
    """
    if hasattr(config, "workerinput") or not config.pluginmanager.hasplugin("xdist"):
        return  # this is one of those processes, or there can be none
    option = config.option
    is_whole = config.args_source is not pytest.Config.ArgsSource.ARGS
    is_plain = option.numprocesses is None and option.dist == "no"
    if is_whole and is_plain and not (option.usepdb or option.collectonly):
        option.numprocesses = (os.cpu_count() or 1) + 2
        option.dist = "loadfile"
        option.loadscopereorder = False


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Tell a process where to say which tests are in the lane."""
    node.workerinput["lane"] = str(Path(_in_lane.name, node.gateway.id))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Keep a file together, and the lane, whatever files its tests are in.

    Every other process takes files from the end, so that at any time some compute while others
    wait; what is left for the last moments lies between.
    """
    from xdist.scheduler import LoadFileScheduling

    class FilesAndLane(LoadFileScheduling):  # type: ignore[misc]  # xdist ships no types
        @cached_property
        def _lane(self) -> set[str]:
            said = (each.read_text(encoding="utf-8") for each in Path(_in_lane.name).iterdir())
            return {name for names in said for name in names.splitlines()}

        def _split_scope(self, nodeid: str) -> str:
            return _LANE if nodeid in self._lane else nodeid.split("::", 1)[0]

        def _assign_work_unit(self, node: Any) -> None:
            if self.nodes.index(node) % 2:
                self.workqueue.move_to_end(next(reversed(self.workqueue)), last=False)
            super()._assign_work_unit(node)

    return FilesAndLane(config, log) if config.getvalue("dist") == "loadfile" else None


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Begin with real ports, go on with what waits; where nothing waits the order stays."""
    places = {room: place for place, room in enumerate(PATIENT)}
    of_file = {path: places.get(_room(path), len(places)) for path in {it.path for it in items}}
    items.sort(key=lambda item: (not _is_in_lane(item), of_file[item.path]))
    if config.pluginmanager.hasplugin("rerunfailures"):
        # A MIDI server turns a client away now and then, or loses what was on its way, when many
        # processes want the cores at once: what a real port failed at is tried once more, and told.
        for item in filter(_is_in_lane, items):
            item.add_marker(pytest.mark.flaky(reruns=1, reruns_delay=3))
    if hasattr(config, "workerinput"):
        names = "".join(f"{item.nodeid}\n" for item in items if _is_in_lane(item))
        Path(config.workerinput["lane"]).write_text(names, encoding="utf-8")


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Thousands of tests and what they import stay to the end: nobody looks among them for garbage.

    Looking took an eighth of the time of those processes that compute.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.collect()
        gc.freeze()
        gc.enable()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Let the lane have a core when it wants one: a late answer is what many of its tests look for.

    Nobody may become less nice again, so the process of the lane goes behind when it is through.
    """
    if hasattr(item.config, "workerinput") and not _is_in_lane(item) and hasattr(os, "nice"):
        behind = _BEHIND if _room(item.path) in PATIENT else _FAR_BEHIND
        os.nice(max(_NICE + behind - os.nice(0), 0))


def _is_in_lane(item: pytest.Item) -> bool:
    return item.get_closest_marker("port") is not None


def _room(path: Path) -> str:
    return path.relative_to(TESTS).parts[0] if path.is_relative_to(TESTS) else ""
