"""A JACK server for these tests, and the reasons why some of them did not run."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.ports import jack


@pytest.fixture(scope="module")
def jack_name() -> Iterator[str]:
    """The name of a JACK server that is a clean wire; this process never becomes its client."""
    if reason := jack.why_not():
        pytest.skip(reason)
    with jack.jack_server(jack.SYNCHRONOUS + "-foreign") as (name, _):
        yield name


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say which of these tests did not run, and why."""
    reasons: dict[str, int] = {}
    for report in terminalreporter.stats.get("skipped", ()):
        if "tests/foreign/" in report.nodeid:
            reason = str(report.longrepr[-1]).removeprefix("Skipped: ")
            reasons[reason] = reasons.get(reason, 0) + 1
    for reason, count in reasons.items():
        terminalreporter.write_line(f"{count} tests with foreign gear did not run: {reason}")
