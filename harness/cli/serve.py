"""`dryload serve`: the emulated unit as a device that other programs and real gear can send to."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from typing import TYPE_CHECKING, Annotated, Final

from dryload.harness.cli.interrupt import ends
from dryload.harness.cli.options import (
    EMULATED,
    OUTPUT,
    Initialise,
    Overwrite,
    argument,
    flag,
    switch_off,
    value,
)
from dryload.harness.cli.own_unit import check_banks, profile_of, walk_ns_of
from dryload.harness.cli.serve_port import port_opener
from dryload.harness.cli.steady import LineReader, LineWriter
from dryload.harness.cli.target import port_problems
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem

if TYPE_CHECKING:
    from dryload.emulator.unit.board import RackUnit
    from dryload.emulator.unit.possible import Profile
    from dryload.harness.files.image_file import ImageFile
    from dryload.harness.jobs.front_panel import Note
    from dryload.harness.jobs.serve import Serving

_LAST_LINES_S: Final = 2.0
_WHERE: Final = "Where it listens (one of these)"
_SWITCH_S: Final = 0.0005
"""How long another thread may run on when the line's thread has something to do."""


def serve(
    profile: Annotated[
        str, argument("PROFILE", "The unit to emulate; see dryload profiles.")
    ] = "lantern-desk",
    midi: Annotated[
        str | None, value("NAME", "Open a virtual MIDI port of this name.", group=_WHERE)
    ] = None,
    through: Annotated[
        str | None, value("PORT", "Use a MIDI port that exists; see dryload ports.", group=_WHERE)
    ] = None,
    tcp: Annotated[
        str | None,
        value(
            "HOST:PORT",
            "Accept MIDI bytes over TCP; port 0 chooses a free port.",
            group=_WHERE,
        ),
    ] = None,
    any_host: Annotated[
        bool,
        flag("--any-host", "With --tcp: accept connections from other computers.", group=_WHERE),
    ] = False,
    pace: Annotated[
        bool,
        switch_off("--no-pace", "Pass bytes on immediately, not at 31,250 baud.", group=_WHERE),
    ] = True,
    image: Annotated[
        str | None,
        value(
            "FILE",
            "Keep the memory in this file, as a battery would; without it, the memory is "
            "lost at the end.",
            group=EMULATED,
        ),
    ] = None,
    banks: Annotated[
        int | None,
        value(
            "N",
            "Fit N memory banks; if this changes their number, initialise the memory.",
            group=EMULATED,
        ),
    ] = None,
    initialise: Initialise = False,
    operator: Annotated[
        str,
        value(
            "SECONDS",
            "Press confirm this long after the unit asks; none leaves it to you.",
            group=EMULATED,
        ),
    ] = "none",
    panel: Annotated[
        bool,
        switch_off(
            "--no-panel",
            "Print events as JSON objects and read actions from standard input.",
            group=OUTPUT,
        ),
    ] = True,
    capture: Annotated[
        str | None, value("FILE", "Record every byte with its time, as .jsonl.", group=OUTPUT)
    ] = None,
    overwrite: Overwrite = False,
) -> None:
    """Run an emulated unit on a MIDI or TCP port.

    It runs until Ctrl-C or quit; the memory is then saved to the image. With --no-panel, standard
    input takes one action per line: confirm, initialise, device-id N, filter on|off, power on|off,
    protect N, unprotect N, delete N, quit.

    Exit code 0 if you stopped it, 2 if it cannot run as asked, 3 if the port is at fault.
    """
    import sys

    from dryload.emulator.ports.clock import MonotonicClock
    from dryload.emulator.unit.board import RackUnit
    from dryload.emulator.wire.constants import BYTE_NS
    from dryload.harness.cli.panel_loop import run_panel
    from dryload.harness.files.capture_stream import CaptureStream, check_stream
    from dryload.harness.files.recorded import TakenAt
    from dryload.harness.jobs.serve import Serving

    walk_ns = walk_ns_of(operator)
    open_port = port_opener(midi, through, tcp, any_host)
    made = profile_of(profile.removeprefix("unit:"))
    check_banks(banks, made)
    if capture is not None:
        check_stream(capture, overwrite=overwrite, sources=() if image is None else (image,))
    sys.setswitchinterval(_SWITCH_S)
    unit = RackUnit(made)
    with ExitStack() as stack:
        image_file = None if image is None else stack.enter_context(_image_file(image, made))
        stack.enter_context(port_problems())
        shown_port, port = open_port(MonotonicClock())
        stack.callback(port.close)
        aside = _prepare(unit, banks, initialise, image_file)
        stream = None
        if capture is not None:
            about, start_ns = f"{made.name} served at {shown_port}", port.clock.now_ns()
            stream = CaptureStream(
                capture, start_ns=start_ns, about=about, overwrite=overwrite, taken_at=TakenAt.UNIT
            )
            stack.callback(stream.close)
        writer = LineWriter()
        stack.callback(writer.finish, _LAST_LINES_S)
        is_live, in_words = _shows(panel)
        serving = Serving(
            port,
            unit,
            shown_port=shown_port,
            byte_ns=BYTE_NS if pace else 0,
            image=image_file,
            operator_ns=walk_ns,
            teller=lambda note: None if is_live else writer.put(in_words(note)),
            recorder=None if stream is None else stream.enter,
        )

        def tick() -> None:
            if stream is not None and not stream.problem:
                stream.flush()
                if stream.problem:
                    serving.tell("capture ended", stream.problem)

        is_ended = stack.enter_context(ends())
        with _from_ready_to_end(serving, aside, paced=pace):
            if is_live:
                try:
                    run_panel(serving, is_ended, tick)
                finally:
                    is_live = False  # it has shown the notes until now
            else:
                LineReader(serving.post)
                serving.run(lambda: is_ended() or writer.is_closed, tick)
    if writer.is_closed:
        raise BrokenPipeError


@contextmanager
def _from_ready_to_end(serving: "Serving", aside: str, *, paced: bool) -> Iterator[None]:
    from dryload.harness.report import serving as report

    serving.tell("ready", *report.ready(serving.view(), paced=paced))
    if aside:
        serving.tell("set aside", aside)
    try:
        yield
    finally:
        try:
            serving.finish()
        finally:
            serving.tell("end", *report.end(serving.view()))


def _shows(wants_panel: bool) -> "tuple[bool, Callable[[Note], str]]":
    """Return whether there is a live panel, and how notes are written where there is none."""
    import sys

    from dryload.harness.cli.panel_loop import panel_possible
    from dryload.harness.report.serving import line_of, plain_line

    if not wants_panel or not sys.stdout.isatty():
        return False, line_of
    return panel_possible(), plain_line


def _image_file(path: str, profile: "Profile") -> "closing[ImageFile]":
    """Return the file that keeps the memory; a Problem for a unit without a battery."""
    from dryload.harness.files.image_file import ImageFile

    if not profile.memory.battery:
        raise Problem(
            f"{profile.name} has no battery: its memory is lost when it is switched off.",
            do="Leave --image out, or choose a unit with a battery; dryload profiles lists them.",
        )
    return closing(ImageFile(path))


def _prepare(
    unit: "RackUnit", banks: int | None, initialise: bool, image: "ImageFile | None"
) -> str:
    """Load the image, then have so many banks fitted and initialise them.

    An image that can't be loaded, or whose samples that wipes, is set aside; what is said of it is
    returned, else "".
    """
    from dryload.emulator.wire.prose import counted

    told = "" if image is None else image.load(unit)
    held = len(unit.slots.used())
    if banks is not None:
        unit.panel.fit_banks(range(1, banks + 1), 0)
    if initialise:
        unit.panel.initialise(0)
    if told:
        return f"{told}{'' if unit.memory.initialised else ': initialise it at the panel'}."
    if image is None or not held or unit.slots.used():
        return ""
    option = "--initialise" if initialise else f"--banks {banks}"
    return (
        f"{option} wipes the memory, and {shown(image.path)} held {counted(held, 'sample')}: that "
        f"image is kept as {image.set_aside()}."
    )
