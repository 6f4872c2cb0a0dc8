"""Recording what passes at a port: line by line, as a MIDI file at the end, or not at all."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.cli.terminal import note

if TYPE_CHECKING:
    from emulator.dump.capture import Capture
    from emulator.ports.real import Recorder
    from harness.files.recorded import TakenAt


@dataclass(frozen=True, slots=True, kw_only=True)
class Tape:
    """Where passages are recorded."""

    take: "Recorder | None" = None
    """To be called with each passage."""
    finish: "Callable[[Capture], None] | None" = None
    """To be called with everything at the end; None if nothing has to be kept for that."""


@contextmanager
def taping(path: str | None, *, about: str, overwrite: bool, start_ns: int) -> Iterator[Tape]:
    """Yield the recorder of the requested capture; its clock shows `start_ns` now.

    The caller has checked the file (`capture_file.check_target`).
    """
    from harness.files.capture_stream import CaptureStream, is_streamed
    from harness.files.opening import shown
    from harness.files.recorded import TakenAt

    if path is None:
        yield Tape()
        return
    if not is_streamed(path):

        def write(capture: "Capture") -> None:
            write_capture(
                path,
                capture,
                about=about,
                overwrite=overwrite,
                taken_at=TakenAt.HOST,
                start_ns=start_ns,
            )

        yield Tape(finish=write)
        return
    stream = CaptureStream(
        path, start_ns=start_ns, about=about, overwrite=overwrite, taken_at=TakenAt.HOST
    )
    try:
        yield Tape(take=stream.enter)
    finally:
        stream.close()
        told = stream.problem or f"what passed is in {shown(path)}"
        note(f"{told}.")


def write_capture(
    path: str,
    capture: "Capture",
    *,
    about: str,
    overwrite: bool,
    taken_at: "TakenAt",
    start_ns: int = 0,
) -> None:
    """Write a capture; the clock of its times showed `start_ns` when it began."""
    from harness.files.capture_file import save
    from harness.files.opening import shown
    from harness.files.recorded import Recorded

    recorded = Recorded(capture=capture, about=about, start_ns=start_ns, taken_at=taken_at)
    save(path, recorded, overwrite=overwrite)
    note(f"what passed is in {shown(path)}.")
