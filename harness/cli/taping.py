"""Recording what passes at a port: line by line, as a MIDI file at the end, or not at all."""

from collections.abc import Iterator
from contextlib import contextmanager

from dryload.emulator.dump.capture import Capture
from dryload.emulator.ports.real import Recorder
from dryload.harness.cli.terminal import note
from dryload.harness.files.capture_file import save
from dryload.harness.files.capture_stream import CaptureStream, is_streamed
from dryload.harness.files.opening import shown
from dryload.harness.files.recorded import Recorded, TakenAt


@contextmanager
def taping(
    path: str | None, *, about: str, overwrite: bool, start_ns: int
) -> Iterator[Recorder | None]:
    """Yield the recorder of the requested capture, if any; its clock shows `start_ns` now.

    The caller has checked the file (`capture_file.check_target`).
    """

    if path is None:
        yield None
        return
    host = TakenAt.HOST
    if not is_streamed(path):
        capture = Capture()
        yield capture.passages.append
        write_capture(
            path, capture, about=about, overwrite=overwrite, taken_at=host, start_ns=start_ns
        )
        return
    stream = CaptureStream(path, start_ns=start_ns, about=about, overwrite=overwrite, taken_at=host)
    try:
        yield stream.enter
    finally:
        stream.close()
        told = stream.problem or f"what passed is in {shown(path)}"
        note(f"{told}.")


def write_capture(
    path: str | None,
    capture: Capture,
    *,
    about: str,
    overwrite: bool,
    taken_at: TakenAt,
    start_ns: int = 0,
) -> None:
    """Write a capture if that is wanted; the clock of its times showed `start_ns` when it began."""
    if path is None:
        return
    recorded = Recorded(capture=capture, about=about, start_ns=start_ns, taken_at=taken_at)
    save(path, recorded, overwrite=overwrite)
    note(f"what passed is in {shown(path)}.")
