"""The processor's time of `dryload plan` for a folder with 64 files, for each unit."""

import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from dryload.emulator.unit.profile import profile_names
from tests.bench.measure import Row
from tests.plan import folder

ROUNDS = 3
MOST_US = 2_000_000


def run() -> list[Row]:
    """Measure the command, start of the process included; the least of a few rounds."""
    with tempfile.TemporaryDirectory() as place:
        folder.fill(Path(place))
        return [
            Row(
                what=f"plan of 64 files for {unit}, processor",
                ours_us=min(_cpu_us(place, unit) for _ in range(ROUNDS)),
                other="limit",
                other_us=MOST_US,
                needed=1,
            )
            for unit in profile_names()
        ]


def _cpu_us(place: str, unit: str) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    words = [sys.executable, "-m", "dryload.harness.cli.main", "plan", place, "--for", unit]
    done = subprocess.run(words, capture_output=True, check=False)
    if done.returncode != 1:  # some of the files are broken, and some do not fit
        raise AssertionError(done.stderr)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime) * 1e6
