"""A live replay that does not go well is diagnosed on its own; at the other end is serve."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests import oracle
from tests.cli.diagnosing import OK, PERIOD_NS, is_told, sample
from tests.cli.runs import Ran, run
from tests.cli.serving import serving
from tests.jobs.bench import words as bench_words


def replayed(
    folder: Path, profile: str, *arguments: str, serve: tuple[str, ...] = ()
) -> tuple[Ran, dict[str, Any]]:
    with serving(folder, "--no-pace", *serve, profile=profile) as unit:
        host, number = unit.address
        to = ("--to", f"tcp:{host}:{number}", "--no-pace", "--journal", "journal.jsonl")
        text = run("replay", *arguments, *to, folder=folder)
        document = json.loads(run("replay", *arguments, *to, "--json", folder=folder).out)
    transfer = document["transfers"][0]
    diagnosis = transfer["diagnosis"]
    assert diagnosis is None or isinstance(diagnosis, dict)
    return text, {"diagnosis": diagnosis}


def test_a_live_replay_that_a_unit_refuses_says_why_and_what_to_do(tmp_path: Path) -> None:
    # prompt-box has 65,536 words of memory (dryload profiles prompt-box).
    (tmp_path / "long.syx").write_bytes(
        oracle.dump(bits=16, words=bench_words(70_000), sample_number=1, period_ns=PERIOD_NS)
    )

    text, document = replayed(tmp_path, "prompt-box", "long.syx")

    assert text.code == 1
    assert document["diagnosis"]["answer"] == "cause"
    first = document["diagnosis"]["causes"][0]
    assert first["cause"] in ("unit refuses the sample", "unit ended the dump")
    assert is_told(first["sentence"], text.out)
    assert all(is_told(step, text.out) for step in first["do"])


def test_a_live_replay_that_goes_well_says_nothing_of_it(tmp_path: Path) -> None:
    (tmp_path / "bell.syx").write_bytes(sample())

    text, document = replayed(tmp_path, "lantern-desk", "bell.syx")

    assert text.code == OK
    assert document["diagnosis"] is None
    assert "How sure" not in text.out
    assert "What to do" not in text.out


def test_a_live_replay_to_a_unit_that_never_answers(tmp_path: Path) -> None:
    (tmp_path / "tick.syx").write_bytes(sample(1))

    text, document = replayed(tmp_path, "thunder-sheet", "tick.syx")

    assert text.code == 1
    assert document["diagnosis"]["causes"][0]["cause"] == "nothing comes back"
    assert "What to do:" in text.out


def test_memory_that_was_never_initialised_is_told_once_with_what_to_do(tmp_path: Path) -> None:
    names = [f"{number}.syx" for number in (1, 2, 3)]
    for number, name in enumerate(names, start=1):
        data = oracle.dump(
            bits=16,
            words=bench_words(40 * number),
            sample_number=number,
            period_ns=PERIOD_NS,
        )
        (tmp_path / name).write_bytes(data)

    text, document = replayed(tmp_path, "lantern-desk", *names, serve=("--banks", "1"))

    assert text.code == 1
    assert is_told("If memory was fitted lately, initialise it first at the unit's", text.out)
    assert is_told("that wipes", text.out)
    assert text.out.count("What to do:") == 1
    assert "Refused as before" in text.out
    assert "not sent: the unit refused the same way before" in text.out
    assert document["diagnosis"]["causes"][0]["cause"] == "unit refuses the sample"
