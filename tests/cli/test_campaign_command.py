"""`dryload campaign` from the command line: exit codes, text, JSON, XML, and one run again."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

import click
import pytest

from dryload.harness.cli.campaign import campaign
from dryload.harness.files.problem import RIG, Problem
from dryload.harness.jobs import campaign as job
from dryload.harness.jobs import campaign_run, workers
from dryload.harness.jobs.campaign_case import CampaignPlan
from dryload.harness.jobs.campaign_run import CampaignResult
from dryload.harness.jobs.invariants import Invariant
from tests.cli.runs import COMMAND, PATIENCE_S, environment, run, run_all

UNIT = ("--profile", "lantern-desk")


def test_text_json_and_xml_tell_the_same(tmp_path: Path) -> None:
    words = ("campaign", "--runs", "40", "--seed", "3", *UNIT)
    ran = run_all(
        {
            "text": (*words, "--workers", "2"),
            "json": (*words, "--workers", "1", "--json", "--test-results", "runs.xml"),
        },
        folder=tmp_path,
    )
    assert [each.code for each in ran.values()] == [0, 0], ran
    document = json.loads(ran["json"].out)
    assert document["schema"] == "dryload/campaign/1"
    assert (document["runs"], document["broken"]) == (40, [])
    assert document["by_profile"]["lantern-desk"]["runs"] == 40
    assert sum(each["runs"] for each in document["by_group"].values()) == 40
    assert document["sha256"] in ran["text"].out  # two workers or one
    assert "No rule was broken." in ran["text"].out
    root = ElementTree.parse(tmp_path / "runs.xml").getroot()
    assert (root.get("tests"), root.get("failures")) == ("40", "0")
    assert len(root.findall("testsuite/testcase")) == 40


def test_one_run_again_is_told_wholly(tmp_path: Path) -> None:
    ran = run("campaign", "--only", "17", *UNIT, "--disturb", "lose packet 0", folder=tmp_path)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("Case 17: ")
    assert '; "lose packet 0, seed ' in ran.out
    assert (
        "Again: dryload campaign --seed 1 --profile lantern-desk --disturb 'lose packet 0' "
        "--only 17" in ran.out
    )


def test_what_cannot_be_run_is_said(tmp_path: Path) -> None:
    ran = run_all(
        {
            "unit": ("campaign", "--profile", "lantern-dask"),
            "words": ("campaign", "--disturb", "flop a bit"),
            "place": ("campaign", "--test-results", "no/such/folder.xml"),
            "runs": ("campaign", "--runs", "0"),
            "capture": ("campaign", "--capture", "it.jsonl"),
            "ending": ("campaign", "--only", "1", "--capture", "it.txt"),
            "address": ("campaign", "--cluster", "attic"),
            "both": ("campaign", "--cluster", "tcp://127.0.0.1:1", "--workers", "2"),
            "one": ("campaign", "--cluster", "tcp://127.0.0.1:1", "--only", "2"),
        },
        folder=tmp_path,
    )
    for name, each in ran.items():
        assert (each.code, each.out, len(each.lines)) == (2, "", 1), (name, each)
    assert "did you mean lantern-desk" in ran["unit"].err
    assert "--disturb" in ran["words"].err
    assert "--only NUMBER" in ran["capture"].err
    assert "tcp://HOST:PORT" in ran["address"].err


_PRESSED: Final = """
import os, signal, sys
if "--multiprocessing-fork" in sys.orig_argv and not os.path.exists("pressed"):
    open("pressed", "w").close()
    os.killpg(0, signal.SIGINT)
"""
"""In a worker, before it has imported anything: Ctrl-C reaches the whole group of processes."""


@pytest.mark.parametrize("workers", [2, 5])
def test_ctrl_c_while_workers_start_ends_it_in_one_line(tmp_path: Path, workers: int) -> None:
    (tmp_path / "sitecustomize.py").write_text(_PRESSED)
    around = environment()
    around["PYTHONPATH"] = f"{tmp_path}{os.pathsep}{around['PYTHONPATH']}"
    with subprocess.Popen(
        [*COMMAND, "campaign", "--runs", "100000", "--workers", str(workers)],
        cwd=tmp_path,
        env=around,
        start_new_session=True,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        out, err = process.communicate(timeout=PATIENCE_S)
    assert (tmp_path / "pressed").exists()
    assert (process.returncode, err) == (128 + signal.SIGINT, "dryload: stopped by you.\n")
    assert "of 100,000 runs" in out or "0 runs" in out


def test_junit_replaces_a_file_only_where_that_is_asked_for(tmp_path: Path) -> None:
    target = tmp_path / "runs.xml"
    target.write_text("somebody's own")
    words = ("campaign", "--runs", "2", "--workers", "1", "--test-results", "runs.xml")
    refused = run(*words, folder=tmp_path)
    assert (refused.code, refused.out) == (2, "")
    assert refused.lines == ["dryload: runs.xml exists already. --overwrite replaces it."]
    assert target.read_text() == "somebody's own"
    folder = run(*words[:-1], ".", folder=tmp_path)
    assert (folder.code, folder.out) == (2, "")
    assert folder.lines == ["dryload: . is a folder. Give a file name after --test-results."]
    assert run(*words, "--overwrite", folder=tmp_path).code == 0
    assert ElementTree.parse(target).getroot().tag == "testsuites"
    assert sorted(each.name for each in tmp_path.iterdir()) == ["runs.xml"]


def test_one_run_is_kept_to_the_byte_by_two_processes(tmp_path: Path) -> None:
    words = ("campaign", "--seed", "11", "--only", "3345", "--capture")
    ran = run_all(
        {name: (*words, name) for name in ("a.jsonl", "b.jsonl", "c.mid")}, folder=tmp_path
    )
    for name, each in ran.items():
        assert (each.code, each.lines) == (0, [f"dryload: what passed is in {name}."]), each
    assert (tmp_path / "a.jsonl").read_bytes() == (tmp_path / "b.jsonl").read_bytes()
    # Beside it: the sum that the text tells, from the bytes and times in the file.
    total = sha256()
    for line in (tmp_path / "a.jsonl").read_text().splitlines()[1:]:
        passage = json.loads(line)
        data = bytes.fromhex(passage["hex"])
        total.update(f"{passage['direction']} {passage['end_ns']} {len(data)}\n".encode() + data)
    assert f"All that passed: SHA-256 {total.hexdigest()}." in ran["a.jsonl"].out
    other = run(*words[:-2], "3346", "--capture", "a.jsonl", folder=tmp_path)
    assert (other.code, other.out, len(other.lines)) == (2, "", 1)  # it is there already
    again = run(*words[:-2], "3346", "--capture", "a.jsonl", "--overwrite", folder=tmp_path)
    assert again.code == 0
    assert (tmp_path / "a.jsonl").read_bytes() != (tmp_path / "b.jsonl").read_bytes()


def test_a_broken_rule_is_exit_1_and_told_with_its_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rule = Invariant("is blue", "It is blue.", lambda run: "it is <red>")
    monkeypatch.setattr(campaign_run.result_of, "__kwdefaults__", _with(rule))
    target = tmp_path / "runs.xml"
    with pytest.raises(click.exceptions.Exit) as end:
        campaign(runs=2, profile=["old-curtain"], workers=1, test_results=str(target))
    assert end.value.exit_code == 1
    out = capsys.readouterr().out
    assert "2 runs broke a rule:" in out
    assert "It is blue.\n    But it is <red>." in out
    assert "Again: dryload campaign --seed 1 --profile old-curtain --only 1" in out
    failures = ElementTree.parse(target).getroot().findall("testsuite/testcase/failure")
    assert [each.get("message") for each in failures] == ["it is <red>"] * 2


def _with(rule: Invariant) -> dict[str, object]:
    return {"twice": False, "invariants": (rule,), "look": None}


def test_a_cluster_that_is_not_there_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # and nobody listens there
        address = f"tcp://127.0.0.1:{nobody.getsockname()[1]}"
        with pytest.raises(Problem, match="no scheduler answers at") as away:
            campaign(cluster=address)
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(Problem, match="is not installed") as missing:
        campaign(cluster=address)
    assert (away.value.code, missing.value.code) == (RIG, RIG)
    assert "pip install -e '.[cluster]'" in missing.value.do  # nothing of that name is published
    assert "clone" in missing.value.do


def test_a_worker_that_ends_is_said_with_what_was_done(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(workers, "be_a_worker", _end_after_a_while)
    with pytest.raises(Problem, match="a worker ended in the middle"):
        campaign(runs=100_000, profile=["lantern-desk"], workers=2, as_json=True)
    document = json.loads(capsys.readouterr().out)
    assert (document["stopped"], document["failed"]) == (True, "BrokenProcessPool")
    assert document["runs"] == document["by_profile"].get("lantern-desk", {"runs": 0})["runs"]


def _end_after_a_while() -> None:
    """Be a worker that is gone after its first task: what it calls then ends it."""
    calls: list[int] = []

    def work(plan: CampaignPlan, number: int, **rest: object) -> CampaignResult:
        calls.append(number)
        if len(calls) > 40:
            os._exit(1)
        return result_of(plan, number)

    result_of = campaign_run.result_of
    vars(job)["result_of"] = work  # a worker has a process of its own


def test_ctrl_c_ends_it_and_reports_what_was_done(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def work(plan: CampaignPlan, numbers: Sequence[int], twice: bool) -> list[CampaignResult]:
        os.kill(os.getpid(), signal.SIGINT)
        monkeypatch.undo()  # one press; a second would end it at once
        return results_of(plan, numbers, twice)

    results_of = job.results_of
    monkeypatch.setattr(job, "results_of", work)
    with pytest.raises(KeyboardInterrupt):  # which main makes exit code 130
        campaign(runs=10_000_000, profile=["lantern-desk"], workers=1, as_json=True)
    document = json.loads(capsys.readouterr().out)
    assert document["stopped"] is True
    assert 0 < document["runs"] < document["asked"] == 10_000_000
    assert document["runs"] == document["by_profile"]["lantern-desk"]["runs"]


def test_nothing_of_the_cluster_is_loaded_on_the_way_to_help() -> None:
    code = (
        "import sys, dryload.harness.cli.app; "
        "print(sorted({name.partition('.')[0] for name in sys.modules} "
        "& {'dask', 'distributed', 'tornado', 'numpy'}))"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment(), check=True
    )
    assert ran.stdout == "[]\n"
