"""The pytest plugin, in test runs of its own: fixtures, golden captures, and what `==` says."""

from __future__ import annotations

import re

import pytest

import dryload
import dryload.assertions  # here, and so once: numpy can't be loaded anew by each of the runs
from dryload.harness.files import capture_file

pytest_plugins = ["pytester"]

ENCODER = """
import dryload
BELL = [0, 1000, -1000, 32767, -32768, 7] * 50
"""
GOLDEN = (
    ENCODER
    + """
def test_golden(dryload_unit, dryload_golden):
    dryload_golden("captures/bell.jsonl", dryload_unit.rehearse(dryload.encode(BELL)))
"""
)


@pytest.fixture
def project(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    """A project that asks for the plugin in its conftest.py, run as a person runs it: in a build
    pytest cuts nothing off, and says more, and twice.
    """
    monkeypatch.delenv("CI", raising=False)
    monkeypatch.delenv("BUILD_NUMBER", raising=False)
    pytester.makeconftest('pytest_plugins = ["dryload.pytest_plugin"]')
    return pytester


def said(result: pytest.RunResult) -> str:
    return "\n".join(result.outlines)


def test_each_test_has_an_empty_unit_of_the_profile_that_is_asked_for(
    project: pytest.Pytester,
) -> None:
    project.makepyfile(
        ENCODER
        + """
import pytest

def fill(unit, name):
    assert (unit.profile.name, unit.samples) == (name, {})
    unit.rehearse(dryload.encode([5, 6, 7], bits=12, number=4, device_id=127))
    assert len(unit.samples) == 1

def test_default(dryload_unit):
    fill(dryload_unit, "lantern-desk")

def test_default_again(dryload_unit):
    fill(dryload_unit, "lantern-desk")

@pytest.mark.parametrize("dryload_unit", ["prompt-box", "call-board"], indirect=True)
def test_named(dryload_unit, request):
    fill(dryload_unit, request.node.callspec.params["dryload_unit"])
"""
    )
    project.runpytest().assert_outcomes(passed=4)


def test_a_unit_that_there_is_not_ends_the_test_with_a_line(project: pytest.Pytester) -> None:
    project.makepyfile(
        """
import pytest

@pytest.mark.parametrize("dryload_unit", ["no-such-desk"], indirect=True)
def test_it(dryload_unit): pass
"""
    )
    result = project.runpytest()
    result.assert_outcomes(errors=1)
    assert "there is no profile 'no-such-desk'" in said(result)
    assert "Traceback" not in said(result)
    assert "def dryload_unit" not in said(result)


def test_two_dumps_that_differ_are_told_apart_as_dumps(project: pytest.Pytester) -> None:
    project.makepyfile(
        ENCODER
        + """
def test_dump():
    other = [*BELL]
    other[203] = 118
    assert dryload.encode(BELL) == dryload.encode(other)

def test_array():
    assert bytearray(dryload.encode(BELL)) == dryload.encode(BELL, rate=22_050)

def test_others():
    assert b"tickets" == b"seats"

def test_half():
    assert dryload.encode(BELL) == b"seats"

def test_same():
    assert dryload.encode(BELL) != dryload.encode(BELL)
"""
    )
    result = project.runpytest()
    result.assert_outcomes(failed=5)
    result.stdout.fnmatch_lines(
        [
            "E * assert dump of 1,037 bytes == dump of 1,037 bytes",
            "E * Packet 5, word 203: +118 expected, +7 found; 1 of 300 words differ.",
            "E * First byte that differs: byte *, packet 5, word 203: * expected, * found.",
        ]
    )
    assert "Sample rate: 22,050.230 Hz expected, 44,099.488 Hz found." in said(result)
    assert "assert b'tickets' == b'seats'" in said(result)
    assert said(result).count("First byte that differs") == 2
    # What pytest would cut off is not said.
    assert "Full diff" not in said(result).split("test_others")[0]
    assert "truncated" not in said(result).split("test_others")[0]


def test_what_fails_is_shown_in_the_test_and_not_in_our_code(project: pytest.Pytester) -> None:
    project.makepyfile(
        GOLDEN
        + """
def test_loads(dryload_unit):
    dryload.assert_loads(dryload.encode(BELL), dryload_unit, words=[5, *BELL[1:]])
"""
    )
    result = project.runpytest("--tb=short")
    result.assert_outcomes(failed=2)
    assert "E   AssertionError: Packet 0, word 0: +5 expected, +0 found" in said(result)
    assert "assertions.py" not in said(result)
    assert "pytest_plugin.py" not in said(result)


def test_a_golden_capture_is_written_when_asked_and_then_compared(
    project: pytest.Pytester,
) -> None:
    project.makepyfile(GOLDEN)
    path = project.path / "captures" / "bell.jsonl"

    result = project.runpytest()
    result.assert_outcomes(failed=1)
    assert "There is no golden capture" in said(result)
    assert "--dryload-rewrite writes the file" in said(result)
    assert not path.exists()

    project.runpytest("--dryload-rewrite").assert_outcomes(passed=1)
    bell = [0, 1000, -1000, 32767, -32768, 7] * 50
    result_here = dryload.rehearse(dryload.encode(bell))
    kept = capture_file.load(str(path)).recorded
    assert kept.capture.passages == list(result_here.passages)
    assert (kept.is_timed, kept.taken_at) == (True, "line")
    written = path.read_bytes()
    project.runpytest().assert_outcomes(passed=1)
    project.runpytest("--dryload-rewrite").assert_outcomes(passed=1)
    assert path.read_bytes() == written

    project.makepyfile(GOLDEN.replace("7] * 50", "8] * 50"))
    result = project.runpytest()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            f"E * A is {path}, B is what passed.",
            "E * Different in * places of *.",
            "E * The first: Message 2 to unit (data packet with number 0), *, first byte 21: 01 *",
        ]
    )
    assert path.read_bytes() == written
    project.runpytest("--dryload-rewrite").assert_outcomes(passed=1)
    assert path.read_bytes() != written


def test_times_are_compared_as_well(project: pytest.Pytester) -> None:
    project.makepyfile(GOLDEN)
    project.runpytest("--dryload-rewrite").assert_outcomes(passed=1)
    project.makepyfile(
        GOLDEN.replace(
            "dryload_unit.rehearse", 'dryload.Unit(disturb=["delay replies by 5 ms"]).rehearse'
        )
    )
    result = project.runpytest()
    result.assert_outcomes(failed=1)
    assert "it comes 5 ms later" in said(result)


def test_a_unit_that_was_used_before_passes_the_same_conversation(
    project: pytest.Pytester,
) -> None:
    project.makepyfile(GOLDEN)
    project.runpytest("--dryload-rewrite").assert_outcomes(passed=1)
    project.makepyfile(
        GOLDEN.replace(
            "    dryload_golden(",
            "    dryload_unit.rehearse(dryload.encode(BELL))\n    dryload_golden(",
        )
    )
    project.runpytest().assert_outcomes(passed=1)


def test_a_capture_of_another_program_is_compared(project: pytest.Pytester) -> None:
    result = dryload.rehearse(dryload.encode([1, 2, 3]))
    for name in ("golden.mid", "theirs.jsonl"):
        capture_file.save(str(project.path / name), result.recorded)
    project.makepyfile(
        """
from pathlib import Path

def test_path(dryload_golden):
    dryload_golden("golden.mid", Path(__file__).parent / "theirs.jsonl")

def test_bytes(dryload_golden):
    dryload_golden("golden.mid", (Path(__file__).parent / "theirs.jsonl").read_bytes())
"""
    )
    project.runpytest().assert_outcomes(passed=2)


def test_what_is_no_capture_is_never_written_over(project: pytest.Pytester) -> None:
    project.makepyfile(GOLDEN)
    path = project.path / "captures" / "bell.jsonl"
    path.parent.mkdir()
    path.write_text("tickets sold: 40\n")
    for options in ([], ["--dryload-rewrite"]):
        result = project.runpytest(*options)
        result.assert_outcomes(failed=1)
        assert path.read_text() == "tickets sold: 40\n"
        assert re.search(r"Problem: .*bell.jsonl", said(result))


def test_a_dump_that_is_not_sent_is_no_golden_capture(project: pytest.Pytester) -> None:
    project.makepyfile(GOLDEN.replace("dryload.encode(BELL)", "dryload.encode(BELL)[:-200]"))
    result = project.runpytest("--dryload-rewrite")
    result.assert_outcomes(failed=1)
    assert "Nothing passed. the bytes given" in said(result)
    assert not (project.path / "captures").exists()


def test_asked_for_in_a_test_file_it_works_without_its_option(pytester: pytest.Pytester) -> None:
    pytester.makepyfile('pytest_plugins = ["dryload.pytest_plugin"]\n' + GOLDEN)
    result = pytester.runpytest()
    result.assert_outcomes(failed=1)
    assert "There is no golden capture" in said(result)


def test_asked_for_on_the_command_line_it_works(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(GOLDEN)
    pytester.runpytest("-p", "dryload.pytest_plugin", "--dryload-rewrite").assert_outcomes(passed=1)
    fixtures = said(pytester.runpytest("-p", "dryload.pytest_plugin", "--fixtures"))
    assert re.search(r"dryload_unit .*\n +An emulated unit with empty memory", fixtures)
    assert re.search(r"dryload_golden .*\n +Compare what passed with a golden capture", fixtures)


def test_loading_it_loads_nothing_heavy(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
import sys

def test_it():
    assert "dryload.pytest_plugin" in sys.modules
    assert not {"numpy", "mido", "msgspec"} & set(sys.modules)
"""
    )
    result = pytester.runpytest_subprocess(
        "-p", "dryload.pytest_plugin", "-p", "no:hypothesispytest"
    )
    result.assert_outcomes(passed=1)
