"""A capture that is written while things happen, a line a passage; see `capture_lines`."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO, Final

from dryload.emulator.dump.capture import Passage
from dryload.harness.files import capture_lines
from dryload.harness.files.capture_file import check_target
from dryload.harness.files.opening import refusals, shown
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import TakenAt

_ENDING: Final = ".jsonl"


def is_streamed(path: str) -> bool:
    """Whether a capture with this name can be written as it is recorded."""
    return path.lower().endswith(_ENDING)


def check_stream(path: str, *, overwrite: bool, sources: tuple[str, ...] = ()) -> None:
    """Raise the Problem that opening the stream would meet, before there is anything to write."""
    if not is_streamed(path):
        raise Problem(
            f"{shown(path)}: this capture is written as it is recorded, which needs {_ENDING}.",
            do="Give a name with this ending.",
        )
    check_target(path, overwrite=overwrite, sources=sources)


class CaptureStream:
    """A capture file that stays open until `close`; a killed process loses only the last lines."""

    def __init__(
        self, path: str, *, start_ns: int, about: str, overwrite: bool, taken_at: TakenAt
    ) -> None:
        check_stream(path, overwrite=overwrite)
        head = capture_lines.head(start_ns=start_ns, about=about, taken_at=taken_at)
        self.problem = ""
        """Why nothing is written any more, "" where it is."""
        self._name: Final = shown(path)
        with refusals(self._name, "written"):
            self._file: Final[BinaryIO] = open(path, "wb" if overwrite else "xb")  # noqa: SIM115
            self._file.write(head)
            self._file.flush()

    def enter(self, passage: Passage) -> None:
        """Write one passage."""
        if not self.problem and passage.data:
            with self._until_it_fails():
                self._file.write(capture_lines.line(passage))

    def flush(self) -> None:
        """Hand everything to the system."""
        if not self.problem:
            with self._until_it_fails():
                self._file.flush()

    def close(self) -> None:
        """End it."""
        self.flush()
        with self._until_it_fails():
            self._file.close()

    @contextmanager
    def _until_it_fails(self) -> Iterator[None]:
        try:
            yield
        except OSError as problem:
            why = problem.strerror or problem
            self.problem = f"the capture ends here: {self._name} cannot be written: {why}"
