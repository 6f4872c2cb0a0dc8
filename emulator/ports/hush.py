"""Libraries of the system complain on standard error of what is no news to the user: not here."""

import contextlib
import os
import sys
import tempfile
from collections.abc import Iterator

_STDERR = 2


@contextlib.contextmanager
def hushed() -> Iterator[None]:
    """Let nothing through to standard error that is written below Python."""
    try:
        sys.stderr.flush()
        kept = os.dup(_STDERR)
    except (OSError, ValueError, AttributeError):  # there is no standard error at all
        yield
        return
    try:
        with tempfile.TemporaryFile() as sink:
            os.dup2(sink.fileno(), _STDERR)
            yield
    finally:
        os.dup2(kept, _STDERR)
        os.close(kept)
