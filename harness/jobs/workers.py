"""What runs the cases of a campaign: a thread, processes of this machine, or those of a cluster.

dask.distributed is an extra (`cluster`) and imported here alone, when it is asked for.
A task whose worker dies is run again elsewhere by the scheduler; it comes back once.
"""

import logging
import multiprocessing
import signal
import socket
from collections.abc import Iterator
from concurrent.futures import (
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from importlib import import_module
from typing import Any, Final

from msgspec import Struct

from dryload.harness.files.opening import shown
from dryload.harness.files.problem import RIG, Problem
from dryload.harness.jobs.campaign_case import CampaignPlan
from dryload.harness.jobs.campaign_run import result_of

_CONNECT_S: Final = 10
_WORKERS_S: Final = 10


class Workers(Struct, frozen=True, kw_only=True):
    """Whoever runs the cases."""

    executor: Executor
    count: int
    """How many runs they make at a time."""


@contextmanager
def here(count: int) -> Iterator[Workers]:
    """Yield workers of this machine.

    A thread for one worker: it needs no time to start, and there is nobody to share work with.
    """
    if count == 1:
        with ThreadPoolExecutor(1) as thread:
            yield Workers(executor=thread, count=1)
        return
    context = multiprocessing.get_context("spawn")
    pool = _Pool(count, mp_context=context, initializer=be_a_worker)
    try:
        yield Workers(executor=pool, count=count)
    finally:
        pool.shutdown(cancel_futures=True)


class _Pool(ProcessPoolExecutor):
    """Starts its processes when work is handed over, each deaf to Ctrl-C from the start."""

    def submit(self, *args: Any, **kwargs: Any) -> "Future[Any]":
        if not hasattr(signal, "pthread_sigmask"):  # Windows has no such mask
            return super().submit(*args, **kwargs)
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            return super().submit(*args, **kwargs)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


def be_a_worker() -> None:
    """Leave Ctrl-C to the process that hands out the work: it is told of it as well."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def cluster(address: str) -> Iterator[Workers]:
    """Yield the workers of the scheduler at `address`, as tcp://HOST:PORT.

    A Problem where the package is missing, nobody is there, there are no workers, or theirs is not
    this dryload.
    """
    client = _client(address)
    try:
        count = _workers(client, address)
        _check_same(client, address)
        with client.get_executor(pure=False) as executor:
            try:
                yield Workers(executor=executor, count=count)
            finally:
                executor.shutdown(wait=False)
    finally:
        client.close(timeout=_CONNECT_S)


def why_failed(failed: Exception, address: str | None) -> Problem:
    """Return what to say of what ended a campaign; `address` is that of a cluster."""
    what = f"a worker failed: {type(failed).__name__}: {shown(str(failed))}"
    if address is None:
        if not isinstance(failed, BrokenProcessPool):
            return Problem(f"{what}.")
        return Problem(
            "a worker ended in the middle of its runs, perhaps for want of memory; "
            "what was done until then is counted.",
            do="Try fewer, as in --workers 1.",
        )
    if isinstance(failed, CancelledError):
        what = f"the scheduler at {shown(address)} went away in the middle"
    elif type(failed).__name__ == "KilledWorker":
        what = "workers of the cluster died again and again over the same runs"
    else:
        what = what.replace("a worker", "the cluster", 1).rstrip(".")
    return Problem(f"{what}.", do="What was done until then is counted.", code=RIG)


def sign() -> str:
    """Return what is the same wherever the same runs come out: the digest of one."""
    return result_of(CampaignPlan(), 0).digest


def _client(address: str) -> Any:
    try:
        distributed = import_module("distributed")
    except ImportError as problem:
        raise Problem(
            "--cluster needs the package dask.distributed, which is not installed.",
            do="In your clone of dryload, install it with: pip install -e '.[cluster]'",
            code=RIG,
        ) from problem
    # What it has to say of its own affairs is no part of a report.
    for name in ("distributed", "tornado", *logging.root.manager.loggerDict):
        if name.partition(".")[0] in ("distributed", "tornado"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
    nobody = Problem(
        f"no scheduler answers at {shown(address)}.",
        do="Start one with: dask scheduler.",
        code=RIG,
    )
    try:
        # The library waits for ever for who says nothing, and leaves a thread that complains.
        where = import_module("distributed.comm").get_address_host_port(address, strict=True)
        with socket.create_connection(where, _CONNECT_S) as there:
            if address.startswith("tcp:") and not there.recv(1):  # a scheduler speaks first
                raise nobody
    except (ValueError, TypeError) as problem:
        raise Problem(
            f"--cluster {shown(address)} is no address.", do="Try tcp://HOST:PORT."
        ) from problem
    except OSError as problem:
        raise nobody from problem
    try:
        return distributed.Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as problem:
        for client in list(distributed.Client._instances):
            if client.status != "running":
                client.status = "closed"  # or it waits for itself when it is collected
        raise nobody from problem


def _workers(client: Any, address: str) -> int:
    """Wait for the first worker; return how many runs all of them make at a time."""
    try:
        client.wait_for_workers(1, timeout=_WORKERS_S)
    except OSError as problem:  # a timeout is one
        raise Problem(
            f"the scheduler at {shown(address)} has no workers.",
            do=f"Start some with: dask worker {shown(address)} --nthreads 1.",
            code=RIG,
        ) from problem
    return sum(client.nthreads().values())


def _check_same(client: Any, address: str) -> None:
    try:
        others = client.run(sign)
    except Exception as problem:  # whatever is wrong with an installation of others
        raise Problem(
            f"the workers at {shown(address)} can't run dryload "
            f"({type(problem).__name__}: {shown(str(problem))}).",
            do="Install the same release of it for them.",
            code=RIG,
        ) from problem
    odd = [worker for worker, theirs in others.items() if theirs != sign()]
    if odd:
        raise Problem(
            f"the same run comes out otherwise at the worker {shown(odd[0])}.",
            do="Install the same release of dryload there as here.",
            code=RIG,
        )
