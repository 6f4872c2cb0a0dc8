"""The part of `dryload replay` that plays to a port: real gear, or anything else that is there."""

import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from typing import Final

import click

from dryload.emulator.dump.capture import Passage
from dryload.emulator.ports.clock import MonotonicClock
from dryload.emulator.ports.real import Recorder
from dryload.harness.cli.interrupt import Interrupted, ends
from dryload.harness.cli.keys import GONE, ReadKey, keyboard
from dryload.harness.cli.playing import WORTH_A_CLOCK_NS, over_at, selection
from dryload.harness.cli.progress import PacketProgress, about, packet_progress
from dryload.harness.cli.replay_request import ReplayRequest
from dryload.harness.cli.taping import taping
from dryload.harness.cli.target import opened
from dryload.harness.cli.terminal import note, say, show, width
from dryload.harness.cli.verbatim import are_captures, play_captures_live
from dryload.harness.files.capture_file import check_target
from dryload.harness.files.journal import Journal, usual_path
from dryload.harness.files.opening import quoted
from dryload.harness.files.problem import RIG, Problem
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.forecast import Forecast, Step
from dryload.harness.jobs.live import Evening, LiveReplay
from dryload.harness.jobs.outcome import Transfer
from dryload.harness.jobs.playlist import PlayRow, Selection, Why, play_through
from dryload.harness.jobs.transfer import Settings
from dryload.harness.report import live as report
from dryload.harness.report import replay as replay_report

_LOOK_S: Final = 0.2
_PAUSE: Final = "p"
_YES: Final = "y"
_NO: Final = "n"


def play_live(asked: ReplayRequest) -> None:
    """Play dumps or captures to a port, say what came of it and end the command."""
    settings = Settings(operator_ns=None, read_back=asked.read_back, answer_ns=asked.answer_ns)
    if asked.capture is not None:
        check_target(asked.capture, overwrite=asked.overwrite, sources=asked.given.files)
    if are_captures(asked):
        play_captures_live(asked)
    journal = _journal(asked)
    with ExitStack() as stack:
        stack.callback(journal.close)
        selected = selection(asked, loaded=journal.loaded())
        if asked.planned is not None and asked.planned[0].holds is None:
            note("the plan is for an empty memory: initialise it first, which wipes it.")
        was_interrupted = stack.enter_context(ends())
        rows: list[PlayRow] = list(selected.left_out)
        evening = None
        if selected.to_send or selected.loaded_before:
            desk = Desk(was_interrupted)
            evening = stack.enter_context(_evening(asked, settings, journal, desk))
            rows = list(_played(evening, selected, asked, desk))
            before, rows = rows, evening.settle(rows, was_interrupted)
            note(*report.lost_since(before, rows))
    stopped = was_interrupted()
    failed, unwritten = (evening.failed, evening.unwritten) if evening else (None, None)
    document = replay_report.document(
        rows,
        target=asked.target.given,
        stopped=stopped,
        failed=failed,
        journal=journal.path,
        not_written_down=None if unwritten is None else str(unwritten),
    )
    show(report.summary(rows, width=width()), document, as_json=asked.as_json)
    there = "" if asked.journal is None else f" --journal {quoted(asked.journal)}"
    go_on = f"The same command with --resume{there} goes on with what is not loaded yet."
    if unwritten is not None:
        note(str(unwritten), "what is missing there is sent again by --resume.")
    if failed is not None:
        raise Problem(failed.what, do=f"{failed.do} {go_on}", code=RIG)
    if stopped:
        note(go_on)
        raise KeyboardInterrupt
    failures = [row for row in rows if not row.is_well]
    if failures and all(isinstance(row, Transfer) and row.is_rigs_fault for row in failures):
        raise click.exceptions.Exit(RIG)
    raise click.exceptions.Exit(1 if failures or unwritten is not None else 0)


class Desk:
    """What stands between a replay and whoever sits before it: Ctrl-C, keys, bar and tape.

    Bar and keyboard are there while dumps are sent (`watch`); p pauses before the next one.
    """

    def __init__(self, was_interrupted: Interrupted) -> None:
        self.was_interrupted: Final = was_interrupted
        self.tape: Recorder | None = None
        self.read_key: ReadKey | None = None
        self._bar: PacketProgress | None = None
        self._wants_pause = False

    @contextmanager
    def watch(self, bar: PacketProgress) -> Iterator[None]:
        """Show a progress bar, and read keys if standard input is a terminal."""
        self._bar = bar
        with ExitStack() as stack:
            if bar.show is not None and sys.stdin.isatty():
                bar.hint("p pauses, Ctrl-C ends it")
                self.read_key = stack.enter_context(keyboard())
            yield
        self._bar = self.read_key = None

    def record(self, passage: Passage) -> None:
        """Keep what passed, if that is wanted."""
        if self.tape is not None:
            self.tape(passage)

    def show(self, step: Step) -> None:
        """Show how far it is."""
        if self._bar is not None and self._bar.show is not None:
            self._bar.show(step)

    def wants_stop(self) -> bool:
        """Whether the user wants it to end; looks at the keyboard."""
        if self.read_key is not None and self.read_key() == _PAUSE:
            self._wants_pause = not self._wants_pause
            self._say("pauses after this dump: p goes on" if self._wants_pause else "")
        return self.was_interrupted()

    def ask(self, question: str) -> bool:
        """Ask a yes-or-no question; without a terminal, or after Ctrl-C, the answer is no."""
        if self.read_key is None:
            return False

        note(f"{question} y or n")
        while not self.was_interrupted():
            if (key := self.read_key(_LOOK_S)) in (_YES, _NO, GONE):
                return key == _YES
        return False

    def wait(self) -> None:
        """Wait for as long as somebody wants a pause; between two dumps no unit minds."""
        while self._wants_pause and self.read_key is not None and not self.was_interrupted():
            self._say("paused: p goes on, Ctrl-C ends it")
            self._wants_pause = self.read_key(_LOOK_S) != _PAUSE
        self._say("")

    def _say(self, text: str) -> None:
        if self._bar is not None:
            self._bar.say(text)


@contextmanager
def _evening(
    asked: ReplayRequest, settings: Settings, journal: Journal, desk: Desk
) -> Iterator[Evening]:
    """Yield the evening at the port, and keep what passes there."""
    clock = MonotonicClock()
    with ExitStack() as ports:

        def connect() -> LiveReplay:
            ports.close()  # the one there was
            return LiveReplay(
                ports.enter_context(opened(asked.target, hear=asked.hear, clock=clock)),
                paced=asked.pace,
                settings=settings,
                progress=desk.show,
                wants_stop=desk.wants_stop,
                recorder=desk.record,
            )

        evening = Evening(connect, journal, reads_back=asked.read_back)
        with taping(
            asked.capture,
            about=f"a replay to {asked.target.given}",
            overwrite=asked.overwrite,
            start_ns=clock.now_ns(),
        ) as desk.tape:
            yield evening


def _played(
    evening: Evening, selected: Selection, asked: ReplayRequest, desk: Desk
) -> Iterator[PlayRow]:
    """Ask what the unit has, play what is left, say how it went, and yield what came of it."""

    def hindrance() -> Why | None:
        desk.wait()
        if evening.failed is not None:
            return Why.PORT_FAILED
        return Why.STOPPED if desk.wants_stop() else None

    def goes_on(dump: Dump) -> bool:
        return desk.ask(report.asks_for(dump))

    claimed = evening.claimed(selected)
    note(*report.asking(claimed))
    selected = evening.look(selected)
    note(*report.looked(claimed, selected, evening.is_only_read))
    note(*report.before(selected, asked.target.given, evening.is_only_read))
    lasts_ns = Forecast(selected.to_send, reads_back=asked.read_back).whole_ns
    if asked.pace and lasts_ns >= WORTH_A_CLOCK_NS:
        note(f"it takes about {about(lasts_ns)} and finishes at about {over_at(lasts_ns)}.")
    with packet_progress(selected.to_send, asked.read_back) as bar, desk.watch(bar):
        said: list[PlayRow] = []
        for row in play_through(selected, evening.play, hindrance=hindrance, goes_on=goes_on):
            if isinstance(row, Transfer) and not asked.as_json:
                say([*report.lines_of(row, said, selected.to_send), ""])
            said.append(row)
            yield row


def _journal(asked: ReplayRequest) -> Journal:
    target = asked.target.given
    path = usual_path(target) if asked.journal is None else asked.journal
    began = datetime.now().astimezone().isoformat(timespec="seconds")
    take_up = Journal.resume if asked.resume else Journal.begin
    return take_up(path, target=target, began=began)
