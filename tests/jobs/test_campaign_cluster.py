"""Campaigns on a cluster: workers of their own, one of which dies, and the same result."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager

import pytest

from dryload.harness.cli import campaign as command
from dryload.harness.files.problem import RIG, Problem
from dryload.harness.jobs import workers as job
from dryload.harness.jobs.campaign import run_campaign
from dryload.harness.jobs.campaign_case import CampaignPlan
from dryload.harness.jobs.campaign_run import CampaignResult, result_of
from dryload.harness.jobs.workers import Workers, cluster, why_failed
from tests.jobs.test_campaign import Here

distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
pytestmark = [
    # The library's own: sockets of a worker that was killed are closed by the collector.
    pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning"),
]
PLAN = CampaignPlan(seed=31)
RUNS = 600


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Two workers, each a process with one thread; none is started again when it dies."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0"
    ) as local:
        yield local.scheduler_address


@pytest.fixture
def others(address: str) -> Iterator[Workers]:
    with cluster(address) as found:
        yield found


def test_a_worker_that_is_killed_in_the_middle_loses_nothing_and_counts_nothing_twice(
    address: str,
) -> None:
    here = run_campaign(PLAN, range(RUNS), Here())
    with distributed.Client(address, set_as_default=False) as client, cluster(address) as found:
        assert found.count == 2
        pids = list(client.run(os.getpid).values())
        assert os.getpid() not in pids
        killed: list[int] = []

        def progress(done: int) -> None:
            if not killed and done >= 100:
                os.kill(pids[0], signal.SIGKILL)
                killed.append(done)

        there = run_campaign(PLAN, range(RUNS), found.executor, progress=progress, ahead=6)
    assert killed
    assert killed[0] < RUNS
    assert there.failed is None
    assert (there.runs, there.digest) == (RUNS, here.digest)
    assert (there.results, there.by_profile) == (here.results, here.by_profile)


def test_a_wish_to_stop_keeps_what_was_done(others: Workers) -> None:
    told: list[int] = []
    done = run_campaign(
        PLAN, range(100_000), others.executor, progress=told.append, wants_stop=lambda: bool(told)
    )
    assert (done.stopped, done.failed) == (True, None)
    assert 25 <= done.runs < 1_000
    assert done.results is None
    assert sum(counts["runs"] for counts in done.by_profile.values()) == done.runs


def test_ctrl_c_ends_the_command_and_reports_what_was_done(
    address: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    @contextmanager
    def presses(runs: int) -> Iterator[Callable[[int], None]]:
        pressed: list[int] = []

        def show(done: int) -> None:
            if not pressed:
                pressed.append(done)
                os.kill(os.getpid(), signal.SIGINT)

        yield show

    monkeypatch.setattr(command, "_progress", presses)
    with pytest.raises(KeyboardInterrupt):  # which main makes exit code 130
        command.campaign(runs=10_000_000, cluster=address, as_json=True)
    document = json.loads(capsys.readouterr().out)
    assert (document["stopped"], document["failed"], document["broken"]) == (True, None, [])
    assert 0 < document["runs"] < document["asked"] == 10_000_000
    assert sum(each["runs"] for each in document["by_group"].values()) == document["runs"]


def test_a_scheduler_without_workers_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(job, "_WORKERS_S", 0.1)
    with (
        distributed.LocalCluster(n_workers=0, dashboard_address=":0") as empty,
        pytest.raises(Problem, match="has no workers") as problem,
        cluster(empty.scheduler_address),
    ):
        pass
    assert problem.value.code == RIG
    assert "dask worker tcp://" in problem.value.do


def test_workers_where_runs_come_out_otherwise_are_not_used(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def other(plan: CampaignPlan, number: int) -> CampaignResult:
        return result_of(plan, number + 1)

    monkeypatch.setattr(job, "result_of", other)  # here, and not in their processes
    with pytest.raises(Problem, match="comes out otherwise"), cluster(address):
        pass


def test_what_ends_a_campaign_is_said_in_one_line() -> None:
    for problem in (CancelledError(), type("KilledWorker", (Exception,), {})("x"), OSError("full")):
        said = why_failed(problem, "tcp://attic:8786")
        assert (said.code, str(said).count("\n")) == (RIG, 0)
