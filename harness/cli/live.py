"""The part of `dryload replay` that plays to a port: real gear, or anything else that is there."""

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final, NoReturn

import typer

from harness.cli.interrupt import Interrupted, ends
from harness.cli.playing import Wishes, note, say, say_json, selection
from harness.cli.progress import PacketProgress, packet_progress
from harness.cli.target import Target, opened
from harness.cli.terminal import width
from harness.files.problem import RIG, Problem

if TYPE_CHECKING:
    from emulator.ports.port import PortError
    from harness.cli.keys import ReadKey
    from harness.files.journal import Journal
    from harness.jobs.live import LiveReplay
    from harness.jobs.playthrough import Row

_LOOK_S: Final = 0.2
_PAUSE: Final = "p"


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """What only a port can be asked for."""

    hear: str | None
    paced: bool
    answer_ns: int
    resume: bool
    journal: str | None


def play_live(wishes: Wishes, target: Target, way: Way) -> None:
    """Play dumps or captures to a port, say what came of it and end the command."""
    from harness.cli.live_verbatim import play_captures_live
    from harness.cli.taping import taping
    from harness.cli.verbatim import are_captures
    from harness.files.capture_file import check_target
    from harness.jobs.afterwards import on_the_line
    from harness.jobs.evening import Evening
    from harness.jobs.live import LiveReplay
    from harness.jobs.playthrough import Played, play_through, settled
    from harness.jobs.transfer import Settings
    from harness.report import live as report

    if wishes.capture is not None:
        check_target(wishes.capture, overwrite=wishes.overwrite, sources=wishes.files)
    if are_captures(wishes):
        play_captures_live(wishes, target, way)
    journal = _journal(target, way)
    rows: list[Row] = []
    failed = unwritten = None
    with ExitStack() as stack:
        stack.callback(journal.close)
        selected = selection(wishes, loaded=journal.loaded())
        rows += selected.left_out
        was_interrupted = stack.enter_context(ends())
        if selected.to_send:
            port = stack.enter_context(opened(target, hear=way.hear))
            note(report.before(selected, target.given))
            bar = stack.enter_context(packet_progress(selected.to_send, wishes.read_back))
            pause = stack.enter_context(_pausing(bar, was_interrupted))
            tape = stack.enter_context(
                taping(
                    wishes.capture,
                    about=f"a replay to {target.given}",
                    overwrite=wishes.overwrite,
                    start_ns=port.clock.now_ns(),
                )
            )
            live = LiveReplay(
                port,
                paced=way.paced,
                settings=Settings(
                    operator_ns=None, read_back=wishes.read_back, answer_ns=way.answer_ns
                ),
                progress=bar.show,
                wants_stop=pause.wants_stop,
                recorder=tape.take,
                keeps_capture=tape.finish is not None,
            )
            evening = Evening(live, journal)
            rows.clear()
            for row in play_through(selected, evening.play, may_begin=_may_begin(live, pause)):
                rows.append(row)
                if isinstance(row, Played) and not wishes.as_json:
                    with bar.aside():
                        say([*report.lines_of(row), ""])
            if live.replay.failed is None:
                rows = settled(rows, on_the_line(live.line, was_interrupted))
                evening.correct(rows)
            if tape.finish is not None:
                tape.finish(live.line.capture)
            failed, unwritten = live.replay.failed, evening.unwritten
    stopped = was_interrupted()
    if wishes.as_json:
        say_json(
            report.document(
                rows,
                target=target.given,
                kind=target.kind,
                stopped=stopped,
                failed=failed,
                journal=journal.path,
            )
        )
    else:
        say(report.summary(rows, width=width()))
    _end(way, failed, unwritten, stopped=stopped, is_well=all(row.is_well for row in rows))


def _end(
    way: Way,
    failed: "PortError | None",
    unwritten: Problem | None,
    *,
    stopped: bool,
    is_well: bool,
) -> NoReturn:
    """Say how it goes on and end the command."""
    if unwritten is not None:
        note([str(unwritten), "what is missing there is sent again by --resume."])
    if failed is not None:
        raise Problem(failed.what, do=f"{failed.do} {_go_on(way)}", code=RIG)
    if stopped:
        typer.echo(f"dryload: {_go_on(way)}", err=True)
        raise KeyboardInterrupt
    raise typer.Exit(0 if is_well and unwritten is None else 1)


def _go_on(way: Way) -> str:
    there = "" if way.journal is None else f" --journal {way.journal}"
    return f"The same command with --resume{there} goes on with what is not loaded yet."


def _journal(target: Target, way: Way) -> "Journal":
    from harness.files.journal import Journal, usual_path

    path = usual_path(target.given) if way.journal is None else way.journal
    began = datetime.now().astimezone().isoformat(timespec="seconds")
    if way.resume:
        return Journal.resume(path, target=target.given, began=began)
    return Journal.begin(path, target=target.given, began=began)


def _may_begin(live: "LiveReplay", pause: "Pause") -> "Callable[[], bool]":
    """Return what waits as long as somebody wants a pause and says whether the next dump begins."""

    def may_begin() -> bool:
        pause.wait()
        return not pause.wants_stop() and live.replay.failed is None

    return may_begin


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
