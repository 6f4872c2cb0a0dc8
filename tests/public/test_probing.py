"""The battery as parameters of somebody's own tests."""

from __future__ import annotations

import pytest

import dryload
from tests.trial.plain import Plain
from tests.trial.subject import as_bytes

pytest_plugins = ["pytester"]

ENCODER = Plain().encode
"""Written from the standard alone, and nothing of ours."""


def made(probe: dryload.Probe, **other: object) -> bytes:
    told = {"bits": probe.bits, "rate": probe.rate, "number": probe.number, **other}
    return as_bytes(ENCODER(probe.words, device_id=0, loop=None, name="", **told))  # type: ignore[arg-type]


@pytest.mark.parametrize("bits", [8, 12, 16, 21, 28])
def test_a_plain_encoder_passes_every_probe(bits: int) -> None:
    found = dryload.probes(bits)
    assert len({str(each) for each in found}) > 60
    for each in found:
        each.check(made(each))


def test_another_value_is_told_by_its_clause() -> None:
    probe = next(each for each in dryload.probes() if each.number == 128)
    with pytest.raises(AssertionError, match=r"HDR-02; expected 128, found 1\b"):
        probe.check(made(probe, number=1))
    with pytest.raises(dryload.Problem, match="not a dump"):
        probe.check(b"tickets")
    with pytest.raises(ValueError, match="7"):
        dryload.probes(7)


def test_the_plugin_gives_them_to_a_test_one_by_one(pytester: pytest.Pytester) -> None:
    pytester.makeconftest('pytest_plugins = ["dryload.pytest_plugin"]')
    pytester.makepyfile(
        """
import dryload, pytest

def encode(probe, **other):
    told = dict(bits=probe.bits, rate=probe.rate, number=probe.number)
    return dryload.encode(probe.words, **{**told, **other})

def test_mine(dryload_probe):
    dryload_probe.check(encode(dryload_probe))

@pytest.mark.parametrize("dryload_probe", dryload.probes(12)[:5], ids=str)
def test_twelve(dryload_probe):
    assert dryload_probe.bits == 12
    dryload_probe.check(encode(dryload_probe))

def test_broken(dryload_probe):
    dryload_probe.check(encode(dryload_probe, number=dryload_probe.number & 127))
"""
    )
    result = pytester.runpytest("-q")
    counts = result.parseoutcomes()
    assert counts["failed"] == len({each for each in dryload.probes() if each.number > 127})
    assert counts["passed"] == 2 * len(dryload.probes()) - counts["failed"] + 5
    result.stdout.fnmatch_lines(["*The upper bits of the sample number are cut off*HDR-02*"])
