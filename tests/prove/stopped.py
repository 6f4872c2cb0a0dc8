"""Proofs of memories that are stopped at random instants: what was kept is safe, the verdict stays.

`python -m tests.prove.stopped 200 10`: so many in virtual time, in a minute of processor time, then
so many as processes over TCP, with real signals, in three minutes.

Each time is checked: what was kept is on the disk, word for word, before the first header reaches
the gear; a proof that goes on, or begins anew and says why, ends with the verdict and the first
fault of one that nobody disturbs; and in the end the gear was sent again what was kept, and has it
where its memory works.
"""

from __future__ import annotations

import json
import random
import re
import shlex
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from tests.cli.replaying import Said
from tests.foreign import wire
from tests.prove.stopped_bench import Bench, Stop, StoppedRig
from tests.prove.stopped_live import LiveBench

ENDED, USAGE, RIG, INTERRUPTED = (0, 1), 2, 3, 130
FAULTS = (
    *("nothing", "nothing", "nothing", "data_line_stuck", "data_lines_joined", "address_line"),
    *("missing", "half_the_size", "together", "chip", "block", "cells"),
)
"""Those that are the same each time."""
SAME = ("kind", "lines", "level", "distance", "place")
WAYS = {
    "killed": ("kill", None),
    "Ctrl-C, nobody there": ("ctrl-c", None),
    "Ctrl-C, left for later": ("ctrl-c", "\n"),
    "Ctrl-C, put back": ("ctrl-c", "y\n"),
    "cable pulled": ("cable", None),
}
"""What happens, and what is typed then."""


class Whole(NamedTuple):
    """A proof that nobody disturbs."""

    document: Mapping[str, Any]
    seen: Mapping[str, int]
    """How much there is of what instants are counted in."""
    heard: tuple[int | None, ...]
    """The kinds of the messages that reached the gear."""


@contextmanager
def bench_of(fault: str, *, is_live: bool) -> Iterator[StoppedRig]:
    with tempfile.TemporaryDirectory() as folder:
        if is_live:
            with closing(LiveBench(Path(folder), fault)) as bench:
                yield bench
        else:
            with pytest.MonkeyPatch.context() as patch:
                yield Bench(Path(folder), fault, patch)


@cache
def whole(fault: str, *, is_live: bool = False) -> Whole:
    with bench_of(fault, is_live=is_live) as bench:
        said = bench.keep()
        assert said is not None
        assert said.code in ENDED, said.err
        assert bench.has_overwritten
        check_back(bench, told(said)["restored"])
        kinds = tuple(wire.said(raw, 0) for raw in bench.heard)
        return Whole(told(said), dict(bench.seen), kinds)


def trial(way: str, fault: str, seed: int, *, is_live: bool = False) -> str:
    """Stop a proof, once or twice, until it has ended; return what came of it in a few words."""
    dice = random.Random(seed)
    undisturbed = whole(fault, is_live=is_live)
    how, typed = WAYS[way]
    loses_power = dice.random() < 0.25

    def stop() -> Stop:
        place = dice.choice([*undisturbed.seen])
        again = dice.randrange(1, 60) if typed == "y\n" and dice.random() < 0.5 else 0
        return Stop(how, place, dice.randrange(1, undisturbed.seen[place] + 1), again)

    with bench_of(fault, is_live=is_live) as bench:
        said = bench.keep(stop=stop(), typed=typed)
        came = "was over before"
        for left in (dice.randrange(2), 0, 0):
            if said is not None and said.code in ENDED:
                break
            if not bench.has_overwritten:  # then all is as it was
                assert [bench.words(number) for number in bench.kept] == list(bench.held.values())
                assert bench.prove("--resume").code == USAGE  # type: ignore[union-attr]
                bench.folder += " again"
                came = "nothing was lost yet"
                said = bench.keep(stop=stop() if left else None, typed=typed)
                continue
            if loses_power:
                bench.lose_power(dice)
            before, said = said, bench.prove("--resume", stop=stop() if left else None, typed=typed)
            came = how_it_went(said)
            if "not as it was written" in came:
                assert loses_power or fault != "nothing"
            if said is not None and said.code == USAGE:
                return put_back(bench, before, said, undisturbed, loses_power=loses_power)
        assert said is not None
        assert said.code in ENDED
        assert what_of(told(said)) == what_of(undisturbed.document), (way, fault, seed)
        check_back(bench, told(said)["restored"])
        assert set(bench.gear.held) == set(bench.kept)  # nothing of the test is left
        return came


def how_it_went(said: Said | None) -> str:
    """Return whether a proof went on, or why it began anew."""
    reason = "" if said is None else said.err.partition("it was begun anew: ")[2].partition("\n")[0]
    return f"began anew, {re.sub(r'[0-9]+', 'N', reason.rstrip('.'))}" if reason else "went on"


def put_back(
    bench: StoppedRig, before: Said | None, said: Said, undisturbed: Whole, *, loses_power: bool
) -> str:
    """A proof that has ended says how it did; what was kept is back, or comes back as it says."""
    result = said.err.partition("has ended (")[2].partition(")")[0]
    assert result in (undisturbed.document["result"], "stopped"), said.err
    if result == "stopped":
        assert before is None or before.code in (RIG, INTERRUPTED)
    if "dryload replay " not in said.err:
        if loses_power:
            return "was back, and lost with the power"
        check_back(bench, None)
        return "was put back at once" if result == "stopped" else "was back already"
    bench.initialise()
    words = shlex.split(said.err.partition("dryload ")[2].partition(" puts back")[0])
    played = bench.run(*words, "--json")
    assert played is not None
    check_back(
        bench, [each["sample_number"] for each in told(played)["transfers"] if each["verified"]]
    )
    return "was put back by the command"


def check_back(bench: StoppedRig, restored: list[int] | None) -> None:
    """What was kept was sent again word for word, and is said to be there where it is."""
    for number in bench.kept:
        assert bench.gear.taken[number] == bench.held[number], number
    there = [number for number in bench.kept if bench.words(number) == bench.held[number]]
    assert restored in (None, there)
    if bench.fault == "nothing":
        assert there == list(bench.kept)


def what_of(document: Mapping[str, Any]) -> tuple[Any, ...]:
    """Return the verdict and the first fault."""
    first = document["faults"][0] if document["faults"] else {}
    return (document["result"], document["proved_to"], *(first.get(name) for name in SAME))


def told(said: Said) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(said.out)
    return document


def count(often: int, *, is_live: bool) -> None:
    """Stop so many proofs, and say what came of them."""
    dice, came = random.Random(2_026), Counter[str]()
    for seed in range(often):
        way, fault = [*WAYS][seed % len(WAYS)], dice.choice(FAULTS)
        try:
            came[f"{way}: {trial(way, fault, seed, is_live=is_live)}"] += 1
        except BaseException:
            print(f"{way}, {fault}, seed {seed}", file=sys.stderr)
            raise
    for what, times in sorted(came.items()):
        print(f"{times:5}  {what}", flush=True)


def main(often: int, often_live: int = 0) -> None:
    """Stop proofs in virtual time, and over TCP in real time."""
    count(often, is_live=False)
    if often_live:
        print("As processes over TCP:")
        count(often_live, is_live=True)
    print(f"{often + often_live} proofs were stopped: what was kept was safe, no verdict differs.")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
