"""How long the command line takes to say what it can do, beside Python doing nothing."""

import subprocess
import sys
from collections.abc import Sequence

from tests.bench.measure import Row, side_by_side

ROUNDS = 15
HEAVY = ("numpy", "soundfile", "soxr", "rtmidi", "supriya_midi", "mido", "construct")
"""What must not be imported on the way to --help."""
_HELP = "import sys; sys.argv[1:] = ['--help']; from dryload.harness.cli.main import main; main()"
_LOADED = (
    "import atexit, sys; "
    "atexit.register(lambda: print('loaded:', *sorted(sys.modules), file=sys.stderr)); "
)


def run() -> list[Row]:
    """Measure the start of `dryload --help` in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", _LOADED + _HELP], capture_output=True, text=True, check=True
    )
    loaded = set(done.stderr.partition("loaded:")[2].split())
    if found := loaded.intersection(HEAVY):
        raise AssertionError(f"--help imports {', '.join(sorted(found))}")

    def check(results: Sequence[object]) -> None:
        if results[0] != done.stdout:
            raise AssertionError("--help said something else")

    ours, bare = side_by_side(
        [
            lambda: (
                subprocess.run(
                    [sys.executable, "-c", _HELP], capture_output=True, text=True, check=True
                ).stdout
            ),
            lambda: subprocess.run([sys.executable, "-c", "pass"], check=True),
        ],
        check,
        rounds=ROUNDS,
    )
    return [Row(what="dryload --help, cold", ours_us=ours, other="bare python", other_us=bare)]
