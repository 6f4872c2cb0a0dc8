"""The strategies for everybody: what they draw is what they say, by the plain codec."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, find, given, settings
from hypothesis import strategies as st

import dryload
from dryload import strategies
from tests import oracle

LOADABLE = strategies.samples(bits=st.integers(8, 16))
"""What every emulated unit has a width for."""


def test_every_name_is_there_and_documented() -> None:
    for name in strategies.__all__:
        assert (getattr(strategies, name).__doc__ or "").strip(), name


def test_hypothesis_is_loaded_for_strategies_alone() -> None:
    code = "import dryload, dryload.api, sys; assert 'hypothesis' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


@given(st.data(), st.integers(8, 28), st.integers(0, 40), st.integers(0, 40))
def test_words_are_signed_and_as_many_as_asked(
    data: st.DataObject, bits: int, least: int, more: int
) -> None:
    words = data.draw(strategies.words(bits, least=least, most=least + more))
    assert words.ndim == 1
    assert least <= len(words) <= least + more
    assert all(-(2 ** (bits - 1)) <= each < 2 ** (bits - 1) for each in words.tolist())


@pytest.mark.parametrize("word", [-(2**19), 2**19 - 1, 0, -1])
def test_the_ends_come_often(word: int) -> None:
    found: list[list[int]] = []

    @settings(max_examples=100, database=None, derandomize=True)
    @given(strategies.words(20, least=50))
    def draw(words: np.ndarray) -> None:
        found.append(words.tolist())

    draw()
    assert sum(word in each for each in found) > 20  # by chance one in a million words is it
    assert sum(len({*each}) > 20 for each in found) > 20  # and there are others


@given(strategies.samples())
def test_a_sample_makes_sense(sample: dryload.Sample) -> None:
    assert 1 <= len(sample.words) <= 130
    assert 8 <= sample.bits <= 28  # M1 p. 37
    assert (sample.channels, sample.loops) == (1, ())
    assert 4_000 <= sample.rate <= 100_000
    assert sample.rate.numerator * sample.period_ns == 1_000_000_000 * sample.rate.denominator
    assert sample.name.isprintable()
    assert sample.name.isascii()
    loop = sample.sustain
    if loop.loop_type != 0x7F:  # M1 p. 37
        assert loop.loop_type in (0x00, 0x01)
        assert 0 <= loop.start < loop.end < len(sample.words)


def test_a_part_can_be_pinned() -> None:
    twelve = strategies.samples(bits=st.just(12), name=st.just("gull"), channels=st.just(2))
    sample = find(twelve, lambda each: each.sustain.loop_type == 0x01)
    assert (sample.bits, sample.name, sample.channels) == (12, "gull", 2)
    assert len(find(twelve, lambda each: each.frames > 100).words) > 200


@given(st.data(), strategies.samples())
def test_a_dump_is_that_of_its_sample(data: st.DataObject, sample: dryload.Sample) -> None:
    dump = data.draw(strategies.dumps(st.just(sample)))
    end = dump.rindex(b"\xf0") if sample.name else len(dump)  # the name is a message of its own
    theirs = oracle.read_dump(dump[:end])
    assert (theirs.words, theirs.bits) == (sample.words.tolist(), sample.bits)
    assert theirs.period_ns == sample.period_ns
    assert (theirs.loop_start, theirs.loop_end, theirs.loop_type) == (
        sample.sustain.start,
        sample.sustain.end,
        sample.sustain.loop_type,
    )
    assert dryload.validate(dump).is_right


@given(strategies.dumps(LOADABLE, number=st.integers(0, 63), device_id=st.just(127)))
def test_a_dump_that_fits_is_loaded(dump: bytes) -> None:
    assert dryload.rehearse(dump).is_well


def readable(dump: bytes) -> list[int] | None:
    """The words that the plain codec reads, None where it refuses."""
    try:
        return oracle.read_dump(dump).words
    except (ValueError, IndexError):
        return None


@given(strategies.damaged_dumps(strategies.samples(name=st.just(""))))
def test_a_damaged_dump_is_another_one_and_says_why(damaged: strategies.DamagedDump) -> None:
    words = readable(damaged.original)
    assert words is not None
    assert damaged.data != damaged.original
    # A column of two bits and two swapped bytes leave the sum as it was, and a header has none.
    unseen = ("flip two bits", "swap two bytes")
    if "header" not in damaged.done and not damaged.done.startswith(unseen):
        assert readable(damaged.data) is None, damaged.done
    elif "header" not in damaged.done and readable(damaged.data) is not None:
        assert readable(damaged.data) != words


@pytest.mark.parametrize(
    "done", ["flip a bit", "lose", "add", "swap", "set a high bit", "noise", "repeat", "cut"]
)
def test_damage_is_of_every_kind(done: str) -> None:
    # The simplest of them would take long to find.
    first = settings(phases=[Phase.generate], max_examples=5000)
    damages = strategies.damaged_dumps(strategies.samples(most_frames=3))
    damaged = find(damages, lambda each: each.done.startswith(done), settings=first)
    assert damaged.data != damaged.original


@settings(suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(strategies.damaged_dumps(strategies.samples(name=st.just(""), most_frames=300)))
def test_what_is_said_to_be_lost_is_lost(damaged: strategies.DamagedDump) -> None:
    packets = [damaged.original[at : at + 127] for at in range(21, len(damaged.original), 127)]
    match damaged.done.rstrip("0123456789"):
        case "lose packet ":
            del packets[int(damaged.done.split()[-1])]
        case "reorder packet ":
            at = int(damaged.done.split()[-1])
            packets[at : at + 2] = packets[at + 1], packets[at]
        case "lose the header":
            assert damaged.data == b"".join(packets)
            return
        case _:
            return
    assert damaged.data == damaged.original[:21] + b"".join(packets)


@given(strategies.profiles())
def test_a_profile_is_that_of_a_unit(name: str) -> None:
    assert dryload.Unit(name).profile.name == name


def test_the_simplest_profile_is_the_default() -> None:
    assert find(strategies.profiles(), lambda _: True) == dryload.Unit().profile.name


def test_a_buffer_too_small_for_some_unit_is_not_drawn() -> None:
    """An extended header has 34 bytes (CA-019 p. 2), so a unit that knows it has a buffer of 34."""
    drawn = strategies.disturbances().filter(lambda said: said.startswith("buffer of"))
    smallest = find(drawn, lambda _: True)
    assert int(smallest.split()[2]) >= 34


@given(strategies.disturbances(), strategies.profiles())
def test_a_disturbance_is_one_that_a_unit_takes(said: str, profile: str) -> None:
    unit = dryload.Unit(profile, disturb=[said])
    dump = dryload.encode(np.arange(100), bits=12, number=1, device_id=127)
    assert len(unit.rehearse(dump).transfers) == 1


def test_the_example_in_the_module_works(tmp_path: Path) -> None:
    code = strategies.__doc__ or ""
    lines = [line.removeprefix("    ") for line in code.splitlines() if line.startswith("    ")]
    body = "    assert 8 <= sample.bits <= 14\n    print(1)\n\ntest_an_encoder_of_ours()\n"
    (tmp_path / "example.py").write_text("\n".join(lines).replace("...", "\n") + body)
    done = subprocess.run(
        [sys.executable, "example.py"],
        cwd=tmp_path,
        # As on a build server: a busy computer is no fault of the example.
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "CI": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("1") >= 50
