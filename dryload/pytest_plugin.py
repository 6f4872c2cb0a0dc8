"""pytest: emulated units, probes and golden captures, and dumps that are compared as dumps.

It is asked for by `pytest_plugins = ["dryload.pytest_plugin"]` in the conftest.py at the top of the
tests, or by `-p dryload.pytest_plugin`, and does nothing unless it is.  Then `assert found ==
expected` says of two dumps in which packet, word, field and byte they differ; the one on the right
is taken for the expected one.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

if TYPE_CHECKING:
    from dryload import Result, Unit
    from dryload.api import Material
    from dryload.harness.files.recorded import Recorded

__all__ = ["Golden", "dryload_golden", "dryload_unit"]

_REWRITE: Final = "--dryload-rewrite"
_BYTES: Final = bytes | bytearray
_DUMP: Final = b"\xf0\x7e"  # how a System Exclusive message of the standard begins (FRM-01, FRM-06)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option that writes golden captures."""
    parser.getgroup("dryload").addoption(
        _REWRITE,
        action="store_true",
        help="write golden captures anew where they differ, instead of comparing",
    )


@pytest.fixture
def dryload_unit(request: pytest.FixtureRequest) -> "Unit":
    """An emulated unit with empty memory, a new one for each test.

    It is lantern-desk, or what `@pytest.mark.parametrize("dryload_unit", ["prompt-box",
    "my-own.toml"], indirect=True)` names.
    """
    from dryload import Problem, Unit

    try:
        return Unit(*([request.param] if hasattr(request, "param") else []))
    except Problem as problem:
        pytest.fail(str(problem), pytrace=False)


@pytest.fixture
def dryload_golden(request: pytest.FixtureRequest) -> "Golden":
    """Compare what passed with a golden capture: `dryload_golden("bell.jsonl", result)`.

    The file lies beside the test.  With --dryload-rewrite it is written where it differs.
    """
    rewrite = bool(request.config.getoption(_REWRITE, default=False))
    return Golden(request.path.parent, rewrite=rewrite)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Give a test that takes `dryload_probe` all probes of 16 bits, one test each.

    `@pytest.mark.parametrize("dryload_probe", dryload.probes(12), ids=str)` gives it others.
    """
    name = "dryload_probe"
    marks = metafunc.definition.iter_markers("parametrize")
    if name in metafunc.fixturenames and not any(name in str(mark.args[0]) for mark in marks):
        from dryload import probes

        metafunc.parametrize(name, probes(), ids=str)


class Golden:
    """Golden captures in a folder; with `rewrite` those that differ are written."""

    def __init__(self, folder: Path, *, rewrite: bool) -> None:
        self._folder: Final = folder
        self._rewrite: Final = rewrite

    def __call__(self, name: str, found: "Result | Material") -> None:
        """Assert that `found` is the same conversation as the capture in the file `name`.

        `found` is what `dryload.rehearse` returned, or a capture.  The name ends in .jsonl or .mid,
        and the form of the file follows.  AssertionError says which message came other, later or
        not at all; Problem for a file that can't be read, or is no capture.
        """
        __tracebackhide__ = True
        from dryload.api import named
        from dryload.harness.files import capture_file
        from dryload.results import Result

        path = self._folder / name
        if isinstance(found, Result):
            recorded = found.recorded
            if not recorded.capture.passages:
                raise AssertionError(" ".join(["Nothing passed.", *found.not_sent]))
        else:
            recorded = capture_file.load(named(found, "what passed")).recorded
        differences = _differences(path, recorded)
        if differences and self._rewrite:
            path.parent.mkdir(parents=True, exist_ok=True)
            capture_file.save(str(path), recorded, overwrite=True)
        elif differences:
            do = f"If what passed is right, pytest {_REWRITE} writes the file; look at it then."
            raise AssertionError("\n".join([*differences, do]))


def _differences(path: Path, recorded: "Recorded") -> list[str]:
    """Return how a conversation differs from that of a capture; [] where it doesn't."""
    from dryload.harness.files import capture_lines
    from dryload.harness.files.opening import Held
    from dryload.harness.files.problem import Problem
    from dryload.harness.jobs import compare
    from dryload.harness.report import capture_diff

    if not path.exists():
        return [f"There is no golden capture {path}."]
    now = Held("what passed", capture_lines.build(recorded))
    if not compare.are_captures(now, str(path)):
        raise Problem(f"{path} is no capture.")
    result = compare.compare_captures(str(path), now)
    if result.comparison.same:
        return []
    return [f"A is {path}, B is what passed.", *capture_diff.lines_of(result.comparison)]


def pytest_assertrepr_compare(op: str, left: object, right: object) -> list[str] | None:
    """Explain why two dumps are not equal, and leave everything else to pytest."""
    if op != "==" or not (isinstance(left, _BYTES) and isinstance(right, _BYTES)):
        return None
    found, expected = bytes(left), bytes(right)
    if not (found.startswith(_DUMP) and expected.startswith(_DUMP)):
        return None
    from dryload.assertions import difference_lines

    lines = difference_lines(found, expected)
    return [" == ".join(map(_dump_named, (found, expected))), *lines] if lines else None


def _dump_named(dump: bytes) -> str:
    return f"dump of {len(dump):,} bytes"
