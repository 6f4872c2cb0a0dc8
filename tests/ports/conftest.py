"""What the tests of ports need: JACK servers, and the reasons why some did not run."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.ports import jack


@pytest.fixture(scope="package")
def clean_jack() -> Iterator[str]:
    """The name of a JACK server that is a clean wire."""
    yield from _server(jack.SYNCHRONOUS)


@pytest.fixture(scope="package")
def bad_jack() -> Iterator[str]:
    """The name of a JACK server that is a bad wire."""
    yield from _server(jack.ASYNCHRONOUS)


def _server(mode: str) -> Iterator[str]:
    if reason := jack.why_not():
        pytest.skip(reason)
    with jack.jack_server(mode) as (name, _):
        yield name


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say which port tests did not run, and why."""
    reasons: dict[str, int] = {}
    for report in terminalreporter.stats.get("skipped", ()):
        if "tests/ports/" in report.nodeid:
            reason = str(report.longrepr[-1]).removeprefix("Skipped: ")
            reasons[reason] = reasons.get(reason, 0) + 1
    for reason, count in reasons.items():
        terminalreporter.write_line(f"{count} tests of ports did not run: {reason}")
