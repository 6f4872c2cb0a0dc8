"""The lanes there are here, and the reasons why others are not."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.lanes.lane import LANES, SHOWN, Lane, NoLaneError


@pytest.fixture(scope="module", params=LANES)
def lane(request: pytest.FixtureRequest) -> Iterator[Lane]:
    """Each lane in turn."""
    try:
        with LANES[request.param]() as it:
            yield it
    except NoLaneError as why:
        pytest.skip(f"{request.param}: {why}")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what came of each transfer, which lanes were not tried, and why."""
    for outcome in ("passed", "failed"):
        for report in terminalreporter.stats.get(outcome, ()):
            if "tests/lanes/" in report.nodeid:
                for shown in (value for name, value in report.user_properties if name == SHOWN):
                    terminalreporter.write_line(f"lane {shown}")
    reasons: dict[str, int] = {}
    for report in terminalreporter.stats.get("skipped", ()):
        if "tests/lanes/" in report.nodeid:
            reason = str(report.longrepr[-1]).removeprefix("Skipped: ")
            reasons[reason] = reasons.get(reason, 0) + 1
    for reason, count in reasons.items():
        terminalreporter.write_line(f"{count} tests of lanes did not run: {reason}")
