"""The part of `dryload replay` that plays to a port: real gear, or anything else that is there."""

import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Final, NoReturn

import typer

from harness.cli.interrupt import Interrupted, ends
from harness.cli.playing import WORTH_A_CLOCK_NS, PortOptions, ReplayOptions, over_at, selection
from harness.cli.progress import PacketProgress, about, packet_progress
from harness.cli.taping import taping
from harness.cli.target import Target, opened
from harness.cli.terminal import note, say, say_json, width
from harness.cli.verbatim import are_captures, play_captures_live
from harness.files.problem import RIG, Problem

if TYPE_CHECKING:
    from emulator.dump.capture import Passage
    from emulator.ports.port import PortError
    from emulator.ports.real import Recorder
    from harness.cli.keys import ReadKey
    from harness.files.journal import Journal
    from harness.jobs.dumps import Dump
    from harness.jobs.forecast import Step
    from harness.jobs.live import Evening
    from harness.jobs.playlist import Row, Selection

_LOOK_S: Final = 0.2
_PAUSE: Final = "p"
_YES: Final = "y"
_NO: Final = "n"


def play_live(options: ReplayOptions, target: Target, port_options: PortOptions) -> None:
    """Play dumps or captures to a port, say what came of it and end the command."""
    from harness.files.capture_file import check_target
    from harness.report import live as report

    if options.capture is not None:
        check_target(options.capture, overwrite=options.overwrite, sources=options.files)
    if are_captures(options):
        play_captures_live(options, target, port_options)
    journal = _journal(target, port_options)
    with ExitStack() as stack:
        stack.callback(journal.close)
        selected = selection(options, loaded=journal.loaded())
        was_interrupted = stack.enter_context(ends())
        desk = _Desk(was_interrupted)
        rows: list[Row] = list(selected.left_out)
        evening = None
        if selected.to_send or selected.loaded_before:
            evening = stack.enter_context(_evening(options, target, port_options, journal, desk))
            rows = list(_played(evening, selected, options, target, port_options, desk))
            before, rows = rows, evening.settle(rows, was_interrupted)
            note(*report.lost_since(before, rows))
    stopped = was_interrupted()
    failed, unwritten = (evening.failed, evening.unwritten) if evening else (None, None)
    if options.as_json:
        say_json(
            report.document(
                rows,
                target=target.given,
                kind=target.kind,
                stopped=stopped,
                failed=failed,
                journal=journal.path,
                unwritten=None if unwritten is None else str(unwritten),
            )
        )
    else:
        say(report.summary(rows, width=width()))
    failures = [row for row in rows if not row.is_well]
    _end(
        port_options,
        failed,
        unwritten,
        stopped=stopped,
        is_well=not failures,
        is_rigs_fault=bool(failures) and all(map(report.is_rigs_fault, failures)),
    )


class _Desk:
    """What stands between a replay and whoever sits before it; comes to be there bit by bit."""

    def __init__(self, was_interrupted: Interrupted) -> None:
        self.was_interrupted: Final = was_interrupted
        self.bar: PacketProgress | None = None
        self.pause: Pause | None = None
        self.take: Recorder | None = None

    def wants_stop(self) -> bool:
        """Whether the user wants it to end."""
        return self.was_interrupted() if self.pause is None else self.pause.wants_stop()

    def show(self, step: "Step") -> None:
        """Show how far it is."""
        if self.bar is not None and self.bar.show is not None:
            self.bar.show(step)

    def record(self, passage: "Passage") -> None:
        """Keep what passed, if that is wanted."""
        if self.take is not None:
            self.take(passage)


@contextmanager
def _evening(
    options: ReplayOptions,
    target: Target,
    port_options: PortOptions,
    journal: "Journal",
    desk: _Desk,
) -> "Iterator[Evening]":
    """Yield the evening at the port, and keep what passes there."""
    from emulator.dump.capture import Capture
    from emulator.ports.clock import MonotonicClock
    from harness.jobs.live import Evening, LiveReplay
    from harness.jobs.transfer import Settings

    clock = MonotonicClock()
    with ExitStack() as ports:

        def connect() -> LiveReplay:
            ports.close()  # the one there was
            return LiveReplay(
                ports.enter_context(opened(target, hear=port_options.hear, clock=clock)),
                paced=port_options.paced,
                settings=Settings(
                    operator_ns=None, read_back=options.read_back, answer_ns=port_options.answer_ns
                ),
                progress=desk.show,
                wants_stop=desk.wants_stop,
                recorder=desk.record,
            )

        evening = Evening(connect, journal, reads_back=options.read_back)
        about, start_ns = f"a replay to {target.given}", evening.now_ns
        with taping(
            options.capture, about=about, overwrite=options.overwrite, start_ns=start_ns
        ) as tape:
            passed = Capture()
            desk.take = passed.passages.append if tape.finish is not None else tape.take
            yield evening
            if tape.finish is not None:
                tape.finish(passed)


def _played(
    evening: "Evening",
    selected: "Selection",
    options: ReplayOptions,
    target: Target,
    port_options: PortOptions,
    desk: _Desk,
) -> "Iterator[Row]":
    """Ask what the unit has, play what is left, say how it went, and yield what came of it."""
    from harness.jobs.forecast import Forecast
    from harness.jobs.outcome import Transfer
    from harness.jobs.playlist import Why, play_through
    from harness.report import live as report

    def hindrance() -> "Why | None":
        pause.wait()
        if evening.failed is not None:
            return Why.PORT_FAILED
        return Why.STOPPED if pause.wants_stop() else None

    def goes_on(dump: "Dump") -> bool:
        return pause.ask(report.asks_for(dump))

    claimed = evening.claimed(selected)
    note(*report.asking(claimed))
    selected = evening.look(selected)
    note(*report.looked(claimed, selected, evening.is_only_read))
    note(*report.before(selected, target.given, evening.is_only_read))
    lasts_ns = Forecast(selected.to_send, reads_back=options.read_back).whole_ns
    if port_options.paced and lasts_ns >= WORTH_A_CLOCK_NS:
        note(f"it takes about {about(lasts_ns)} and finishes at about {over_at(lasts_ns)}.")
    with (
        packet_progress(selected.to_send, options.read_back) as bar,
        _pausing(bar, desk.was_interrupted) as pause,
    ):
        desk.bar, desk.pause = bar, pause
        said: list[Row] = []
        for row in play_through(selected, evening.play, hindrance=hindrance, goes_on=goes_on):
            if isinstance(row, Transfer) and not options.as_json:
                say([*report.lines_of(row, said), ""])
            said.append(row)
            yield row
        desk.bar = desk.pause = None


def _end(
    port_options: PortOptions,
    failed: "PortError | None",
    unwritten: Problem | None,
    *,
    stopped: bool,
    is_well: bool,
    is_rigs_fault: bool,
) -> NoReturn:
    """Say how it goes on and end the command."""
    if unwritten is not None:
        note(str(unwritten), "what is missing there is sent again by --resume.")
    if failed is not None:
        raise Problem(failed.what, do=f"{failed.do} {_go_on(port_options)}", code=RIG)
    if stopped:
        note(_go_on(port_options))
        raise KeyboardInterrupt
    if is_rigs_fault:
        raise typer.Exit(RIG)
    raise typer.Exit(0 if is_well and unwritten is None else 1)


def _go_on(port_options: PortOptions) -> str:
    there = "" if port_options.journal is None else f" --journal {port_options.journal}"
    return f"The same command with --resume{there} goes on with what is not loaded yet."


def _journal(target: Target, port_options: PortOptions) -> "Journal":
    from harness.files.journal import Journal, usual_path

    path = usual_path(target.given) if port_options.journal is None else port_options.journal
    began = datetime.now().astimezone().isoformat(timespec="seconds")
    if port_options.resume:
        return Journal.resume(path, target=target.given, began=began)
    return Journal.begin(path, target=target.given, began=began)


class Pause:
    """Whether to stop, and whether to wait before the next dump: Ctrl-C, and the key p."""

    def __init__(
        self, bar: PacketProgress, was_interrupted: Interrupted, read_key: "ReadKey | None"
    ) -> None:
        self._bar: Final = bar
        self._was_interrupted: Final = was_interrupted
        self._read_key: Final = read_key
        self._is_wanted = False

    def wants_stop(self) -> bool:
        """Whether the user wants it to end; looks at the keyboard."""
        if self._read_key is not None and self._read_key() == _PAUSE:
            self._is_wanted = not self._is_wanted
            self._bar.say("pauses after this dump: p goes on" if self._is_wanted else "")
        return self._was_interrupted()

    def ask(self, question: str) -> bool:
        """Ask something that y or n answers; no where nobody sits there, or wants to end."""
        if self._read_key is None:
            return False
        from harness.cli.keys import GONE

        note(f"{question} y or n")
        while not self._was_interrupted():
            if (key := self._read_key(_LOOK_S)) in (_YES, _NO, GONE):
                return key == _YES
        return False

    def wait(self) -> None:
        """Wait for as long as somebody wants a pause; between two dumps no unit minds."""
        while self._is_wanted and not self._was_interrupted():
            self._bar.say("paused: p goes on, Ctrl-C ends it")
            assert self._read_key is not None
            if self._read_key(_LOOK_S) == _PAUSE:
                self._is_wanted = False
        self._bar.say("")


@contextmanager
def _pausing(bar: PacketProgress, was_interrupted: Interrupted) -> Iterator[Pause]:
    if bar.show is None or not sys.stdin.isatty():
        yield Pause(bar, was_interrupted, None)
        return
    from harness.cli.keys import keyboard

    bar.hint("p pauses, Ctrl-C ends it")
    with keyboard() as read_key:
        yield Pause(bar, was_interrupted, read_key)
