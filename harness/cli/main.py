"""The entry point of the command line; it handles Ctrl-C before anything slow is imported."""

import gc
import os
import signal
import sys
from types import FrameType
from typing import NoReturn

from dryload.harness.files.problem import INTERRUPTED


def _leave(number: int, frame: FrameType | None) -> NoReturn:
    """End the process immediately: nothing has begun yet, or everything is done."""
    os.write(2, b"dryload: stopped by you.\n")
    os._exit(INTERRUPTED)


def main() -> NoReturn:
    """Run the command line and end the process with its exit code."""
    # numpy's algebra keeps memory for a thread a core, and nothing here uses more than one.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # What a command makes lives to its end, mostly; to look through it for what does not, again and
    # again, takes a fifth of the time of a large capture.
    gc.set_threshold(50_000, 20, 20)
    usual = signal.getsignal(signal.SIGINT)
    is_heard = usual is signal.default_int_handler  # a shell switches it off for background jobs
    if is_heard:
        signal.signal(signal.SIGINT, _leave)
    from dryload.harness.cli.app import run

    if is_heard:
        signal.signal(signal.SIGINT, usual)
    code = run()
    if is_heard:
        signal.signal(signal.SIGINT, _leave)
    sys.exit(code)


if __name__ == "__main__":
    main()
