"""`dryload prove`: whether the memory of a unit works."""

import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, redirect_stdout
from functools import cached_property
from typing import TYPE_CHECKING, Annotated, Any, Final, NamedTuple

import click
from msgspec import Struct
from msgspec.structs import replace

from dryload.harness.cli import by_ear
from dryload.harness.cli.interrupt import Interrupted, ends
from dryload.harness.cli.options import (
    PORT,
    AsJson,
    Capture,
    Disturb,
    Hear,
    Operator,
    Overwrite,
    Pace,
    check_device_id,
    check_place,
    flag,
    value,
)
from dryload.harness.cli.target import Target, opened, target_of
from dryload.harness.cli.terminal import bar_line, note, show, signs, width
from dryload.harness.files.opening import quoted, shown
from dryload.harness.files.problem import RIG, Problem

if TYPE_CHECKING:
    from dryload.harness.jobs.forecast import Step
    from dryload.harness.jobs.line import Line
    from dryload.harness.jobs.transfer import Replay, StepProgress
    from dryload.harness.prove.passes import Pass
    from dryload.harness.prove.proof import Eyes, Proven
    from dryload.harness.prove.record import SoFar

    Enter = Callable[[Mapping[str, Any]], None]

_MINUTE_NS: Final = 60_000_000_000
_LONGEST_MIN: Final = 7 * 24 * 60
_MOST_MODULES: Final = 16
BY_EAR: Final = "A unit that sends no samples back"


class ProveRequest(Struct, frozen=True, kw_only=True, dict=True):
    """What is asked for: each field is an option of the command."""

    to: Annotated[
        str | None,
        value("TARGET", "unit:NAME, unit:FILE.toml, midi:PORT or tcp:HOST:PORT.", "--to"),
    ] = None
    minutes: Annotated[
        float | None,
        value("N", "Only look for so many minutes: finds what fitting does wrong, proves nothing."),
    ] = None
    overnight: Annotated[
        bool, flag("--overnight", "Make five passes: cells that disturb each other show too.")
    ] = False
    battery: Annotated[
        float | None,
        value("MINUTES", "At the end, have the unit switched off for so long and read again."),
    ] = None
    bits: Annotated[
        int | None,
        value("N", "The unit keeps so many bits, by its manual, though its dumps have more."),
    ] = None
    words: Annotated[
        int | None, value("N", "The memory has so many words, by the unit's manual.")
    ] = None
    modules: Annotated[
        int | None, value("N", "Say in which of N modules of one size a fault lies.")
    ] = None
    plan: Annotated[
        bool, flag("--plan", "Say how long it takes, and write nothing to a real unit.")
    ] = False
    device_id: Annotated[
        int | None, value("N", "Device ID of the unit, 0 to 127; 0 if none is given.")
    ] = None
    keep: Annotated[
        str | None,
        value("FOLDER", "Read out all samples first, and put them back at the end.", group=PORT),
    ] = None
    up_to: Annotated[
        int | None,
        value("N", "With --keep: the unit's last sample number; see its manual.", group=PORT),
    ] = None
    wipe: Annotated[bool, flag("--wipe", "Give up whatever the unit holds.", group=PORT)] = False
    resume: Annotated[
        bool, flag("--resume", "Go on with the last proof of this target.", group=PORT)
    ] = False
    journal: Annotated[
        str | None, value("FILE", "Keep the progress for --resume in this file.", group=PORT)
    ] = None
    hear: Hear = None
    pace: Pace = True
    tone: Annotated[
        str | None,
        value("FILE", "Write a dump of a test tone that fills the memory.", group=BY_EAR),
    ] = None
    recording: Annotated[
        str | None, value("FILE", "Judge a recording of the test tone.", group=BY_EAR)
    ] = None
    unit: Annotated[
        str | None,
        value(
            "PROFILE",
            "Make the test tone as this unit takes it, to fill its memory.",
            "--for",
            group=BY_EAR,
        ),
    ] = None
    operator: Operator = "8"
    disturb: Disturb = None
    capture: Capture = None
    overwrite: Overwrite = False
    as_json: AsJson = False

    @cached_property
    def target(self) -> Target:
        """Where to; a Problem where that is no target."""
        if self.to is None:
            raise Problem(
                "--to is missing: which unit is it?",
                do="For a unit that sends no samples back, --tone FILE writes a test tone.",
            )
        return target_of(self.to, option="--to")

    @property
    def passes(self) -> "tuple[Pass, ...]":
        """The passes that are wanted."""
        from dryload.harness.prove.passes import OVERNIGHT, QUICK, USUAL

        if self.minutes is not None:
            return QUICK
        return OVERNIGHT if self.overnight else USUAL

    def check(self) -> None:
        """Raise a Problem for what can't be, before anything is opened or lost."""
        from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS
        from dryload.harness.files import capture_file
        from dryload.harness.prove.passes import SHORTEST

        check_device_id(self.device_id)
        check_place(self.target)
        if self.hear is not None and self.target.kind != "midi":
            raise Problem(
                f"--hear is for MIDI ports (midi:), and --to is {shown(self.target.given)}."
            )
        if self.modules is not None and not 1 <= self.modules <= _MOST_MODULES:
            raise Problem(f"--modules {self.modules}: give a number from 1 to {_MOST_MODULES}.")
        if self.bits is not None and not MIN_BITS <= self.bits <= MAX_BITS:
            raise Problem(f"--bits {self.bits}: words have {MIN_BITS} to {MAX_BITS} bits.")
        if self.words is not None and self.words < SHORTEST:
            raise Problem(f"--words {self.words}: a memory has {SHORTEST} words at least.")
        if self.minutes is not None and (self.overnight or self.battery or self.resume):
            raise Problem("--minutes goes without --overnight, --battery and --resume.")
        if self.capture is not None:
            if not self.target.is_live:
                raise Problem("--capture is for a port: a rehearsal is the same each time.")
            capture_file.check_target(self.capture, overwrite=self.overwrite)
        if self.up_to is not None and self.keep is None:
            raise Problem("--up-to is for --keep: it says how far the unit's numbers go.")
        again = {"--bits": self.bits, "--words": self.words, "--device-id": self.device_id}
        given = [option for option, each in again.items() if each is not None]
        given += ["--overnight"] * self.overnight
        if self.resume and given:
            raise Problem(
                f"--resume goes on as the proof was begun, so {given[0]} can't be given again.",
                do="Leave it out, or begin a new proof without --resume.",
            )
        ways = (self.keep is not None, self.wipe, self.resume)
        if sum(ways) > 1:
            raise Problem("--keep, --wipe and --resume exclude each other: give one of them.")
        if self.target.is_live and not any(ways) and not self.plan:
            raise Problem(
                "a proof overwrites the samples in the unit, and nothing was written.",
                do="--keep FOLDER --up-to N reads them out first, up to the unit's last sample "
                "number N, and puts them back; --wipe gives them up.",
            )


def prove(asked: ProveRequest) -> None:
    """Prove that a unit's memory works, or name its fault.

    Test samples fill the memory, and are read back when all of it is written. That is one pass; in
    the next one every 0 is a 1, and every 1 a 0. Two passes take 37 minutes at least for 1 MB (512
    K words; a word is one number of a sample).

    It erases the samples in the unit, so that either --keep or --wipe has to be given. With --wipe,
    initialise the unit's memory before, so that all of it is tested. The test samples are loud
    noise: turn the volume down.

    A unit that sends no samples back is tested by ear: --tone FILE writes a test tone to be sent
    and played, and --recording FILE says whether anything but the tone is heard in it.

    Exit code 0 if every word came back right, or nothing wrong is heard; 1 if there is a fault, or
    nothing is proved; 2 if something would be lost, or a recording has no test tone; 3 if the cable
    changes bytes, or the port is at fault.
    """
    if by_ear.is_asked_for(asked):
        if asked.tone is not None:
            by_ear.write_tone(
                asked.tone,
                words=asked.words,
                unit=asked.unit,
                bits=asked.bits,
                device_id=asked.device_id,
                overwrite=asked.overwrite,
                as_json=asked.as_json,
            )
        elif asked.recording is not None:
            by_ear.judge_recording(
                asked.recording, words=asked.words, unit=asked.unit, as_json=asked.as_json
            )
        return
    asked.check()
    times = _Times(
        minutes_ns=_nanoseconds(asked.minutes, "--minutes"),
        battery_ns=_nanoseconds(asked.battery, "--battery"),
    )
    (_prove_live if asked.target.is_live else _rehearse)(asked, times)


class _Times(NamedTuple):
    """Times that were asked for, in nanoseconds."""

    minutes_ns: int | None
    battery_ns: int | None


def _nanoseconds(minutes: float | None, option: str) -> int | None:
    if minutes is None:
        return None
    if not 0 < minutes <= _LONGEST_MIN:
        raise Problem(f"{option} {minutes:g}: give minutes, up to {_LONGEST_MIN:,}.")
    return round(minutes * _MINUTE_NS)


# rehearsed


def _rehearse(asked: ProveRequest, times: _Times) -> None:
    """Prove the memory of an emulated unit, in virtual time."""
    from dryload.harness.cli.own_unit import (
        disturbances_of,
        profile_of,
        profile_problems,
        walk_ns_of,
    )
    from dryload.harness.jobs.rehearse import Rehearsal
    from dryload.harness.jobs.transfer import Settings
    from dryload.harness.report import prove as report

    walk_ns, disturbances = walk_ns_of(asked.operator), disturbances_of(asked.disturb or ())
    with profile_problems("--disturb: "):
        profile = disturbances.unit(profile_of(asked.target.where))
    announced: list[Proven] = []
    with ends() as was_interrupted, _watch(asked.modules, announced) as watch:
        rehearsal = Rehearsal(
            profile,
            settings=disturbances.settings(Settings(operator_ns=walk_ns)),
            disturbances=disturbances.placed,
            link=disturbances.link,
            progress=watch.step,
            wants_stop=was_interrupted,
        )
        device_id = asked.device_id
        if device_id is None:
            device_id = rehearsal.unit.panel.device_id

        def switch(off_ns: int) -> bool:
            panel, line = rehearsal.unit.panel, rehearsal.line
            panel.power_off(line.now_ns)
            line.advance(off_ns)
            panel.power_on(line.now_ns)
            return True

        proven = _proven(
            rehearsal,
            rehearsal.line,
            asked,
            times,
            watch.eyes,
            device_id=device_id,
            wants_stop=lambda: was_interrupted() or (asked.plan and bool(announced)),
            power=switch,
        )
    if asked.plan and announced:
        show(report.plan_lines(proven), _document(asked, proven), as_json=asked.as_json)
        raise click.exceptions.Exit(0)
    _tell(asked, proven)


# live


def _prove_live(asked: ProveRequest, times: _Times) -> None:
    """Prove the memory of the unit at a port, and put back what it held."""
    from dryload.harness.files.journal import usual_path
    from dryload.harness.prove.passes import USUAL
    from dryload.harness.prove.record import ProofRecord, SoFar
    from dryload.harness.report import prove as report

    if asked.plan:
        show(report.plan_lines(None), report.plan_document(), as_json=asked.as_json)
        raise click.exceptions.Exit(0)
    path = asked.journal or usual_path(asked.target.given, "proof")
    with closing(ProofRecord(path)) as record:
        enter = record.enter if asked.minutes is None else _forget
        so_far = record.take_up(asked.target.given) if asked.resume else None
        if so_far is not None:
            asked = replace(
                asked,
                keep=so_far.keep,
                device_id=so_far.device_id,
                bits=so_far.bits,
                words=so_far.words,
                overnight=so_far.passes > len(USUAL),
            )
            kept = () if asked.keep is None else _kept_numbers(asked.keep)
        else:
            kept = () if asked.keep is None else _keep(asked, asked.keep)
            passes, device_id = len(asked.passes), asked.device_id or 0
            folder = None if asked.keep is None else os.path.abspath(asked.keep)
            begun = SoFar(passes=passes, device_id=device_id, keep=folder)
            begun.bits, begun.words = asked.bits, asked.words
            record.begin(asked.target.given, begun)
        proven = _proven_at_port(asked, times, enter, so_far)
        back = _bring_back(asked, proven, enter)
    _tell(asked, proven, kept=kept, back=back)


def _proven_at_port(
    asked: ProveRequest, times: _Times, enter: "Enter", so_far: "SoFar | None"
) -> "Proven":
    """Say what has to be known before, and prove the memory."""
    from dryload.emulator.ports.clock import MonotonicClock
    from dryload.harness.cli.taping import taping
    from dryload.harness.jobs.live import LiveReplay
    from dryload.harness.jobs.transfer import Settings
    from dryload.harness.report import prove as report

    with ExitStack() as stack:
        was_interrupted = stack.enter_context(ends())
        clock = MonotonicClock()
        port = stack.enter_context(opened(asked.target, hear=asked.hear, clock=clock))
        note(*report.cautions(asked.target.given, kept=asked.keep))
        tape = stack.enter_context(
            taping(
                asked.capture,
                about=f"a proof of the memory at {asked.target.given}",
                overwrite=asked.overwrite,
                start_ns=clock.now_ns(),
            )
        )
        watch = stack.enter_context(_watch(asked.modules))
        live = LiveReplay(
            port,
            paced=asked.pace,
            settings=Settings(operator_ns=None),
            progress=watch.step,
            wants_stop=was_interrupted,
            recorder=tape,
        )
        proven = _proven(
            live,
            live.line,
            asked,
            times,
            watch.eyes,
            device_id=asked.device_id or 0,
            wants_stop=was_interrupted,
            power=_by_hand(live.line, was_interrupted),
            record=enter,
            so_far=so_far,
        )
        if proven.began_anew:
            note(f"it was begun anew: {proven.began_anew}.")
    return proven


def _keep(asked: ProveRequest, folder: str) -> tuple[int, ...]:
    """Read out all that the unit holds; a Problem where that is not complete."""
    from dryload.harness.cli.read import read
    from dryload.harness.files import backup_file

    if backup_file.is_backup(folder):
        raise Problem(
            f"{shown(folder)} holds a backup already, and nothing was written.",
            do=f"Give another one. If a proof was stopped, --resume goes on with it; or "
            f"{_back_later(asked, folder)}",
        )
    note(f"first, what the unit holds is read out into {shown(folder)}.")
    try:
        with redirect_stdout(sys.stderr):
            read(
                source=asked.target.given,
                sample="all",
                output=folder,
                up_to=asked.up_to,
                device_id=asked.device_id or 0,
                hear=asked.hear,
                pace=asked.pace,
            )
    except click.exceptions.Exit as end:
        if end.exit_code:
            raise Problem(
                "what the unit holds could not be read out completely, so nothing was overwritten.",
                do="With --up-to N no more numbers are asked for than the unit has. If it holds "
                "nothing that you need, say --wipe in place of --keep.",
            ) from end
    return _kept_numbers(folder)


def _kept_numbers(folder: str) -> tuple[int, ...]:
    from dryload.harness.files import backup_file

    return tuple(each.number for each in backup_file.load(folder).samples)


class _Back(NamedTuple):
    """What came of putting back what was kept; `has_failed` where the port has."""

    restored: tuple[int, ...] = ()
    stopped: bool = False
    has_failed: bool = False


def _bring_back(asked: ProveRequest, proven: "Proven", enter: "Enter") -> _Back | None:
    """Put back what was kept, after Ctrl-C if somebody wants that; None: nothing was touched."""
    is_over = not proven.stopped and not proven.is_rig
    back = None
    if asked.keep is not None and (is_over or (proven.stopped and sys.stdin.isatty())):
        try:
            back = _put_back(asked, asked.keep, proven, enter)
        except Problem as problem:
            note(str(problem))
            _say_how_to_go_on(asked, resumes=not is_over)
            return _Back(has_failed=problem.code == RIG)
    if not is_over and back is None:
        _say_how_to_go_on(asked, resumes=True)
    return back


def _put_back(asked: ProveRequest, folder: str, proven: "Proven", enter: "Enter") -> _Back | None:
    """Take the test samples away, and send what was kept; None where that is not wanted."""
    from dryload.harness.cli.playing import selection
    from dryload.harness.cli.progress import about, packet_progress
    from dryload.harness.cli.replay_request import ReplayRequest
    from dryload.harness.jobs.forecast import Forecast
    from dryload.harness.jobs.live import LiveReplay
    from dryload.harness.jobs.transfer import Settings
    from dryload.harness.prove.tested import TestedUnit

    selected = selection(ReplayRequest(files=[folder], to=asked.target.given, replace=True))
    to_send = selected.to_send
    lasts = about(Forecast(to_send, reads_back=True).whole_ns)
    if proven.stopped and not _is_wanted_now(folder, lasts):
        return None
    note(
        f"what was kept in {shown(folder)} is put back now. It takes about {lasts}.",
        f"Ctrl-C leaves it. After that, {_back_later(asked, folder)}",
    )
    restored = []
    with (
        ends() as was_interrupted,
        opened(asked.target, hear=asked.hear) as port,
        packet_progress(to_send, True) as bar,
    ):

        def step(now: "Step") -> None:
            if bar.show is not None and now.dump in to_send:
                bar.show(now)

        live = LiveReplay(
            port,
            paced=asked.pace,
            settings=Settings(operator_ns=None),
            progress=step,
            wants_stop=was_interrupted,
        )
        unit = TestedUnit(live, live.line, device_id=asked.device_id or 0)
        unit.width, unit.keeps_old = proven.width or unit.width, proven.keeps_old
        if proven.stopped:
            enter({"ended": "stopped"})  # without its test samples it can't go on
        for number in proven.numbers:
            unit.give_back(number)
        for dump in to_send:
            if was_interrupted() or live.failed is not None:
                break
            number = dump.header.sample_number
            if live.play(dump).is_well:
                restored.append(number)
            elif not was_interrupted():
                note(f"sample {number} did not come back as it was kept.")
    if len(restored) < len(selected.items):
        note(f"not everything is back: {_back_later(asked, folder)}")
    else:
        enter({"ended": "stopped" if proven.stopped else str(proven.verdict), "restored": True})
    return _Back(tuple(restored), stopped=was_interrupted(), has_failed=live.failed is not None)


def _is_wanted_now(folder: str, lasts: str) -> bool:
    """Ask whether what was kept is to be put back; no is the answer that loses nothing."""
    note(
        f"what the unit held is in {shown(folder)}. Putting it back takes about {lasts}, and ends "
        "this proof.",
        "y and Enter puts it back now; Enter alone leaves it for later.",
    )
    try:
        return sys.stdin.readline().strip().lower() in ("y", "yes")
    except KeyboardInterrupt:
        return False


def _back_later(asked: ProveRequest, folder: str) -> str:
    """Return how what was kept comes back without a proof."""
    again = f"dryload replay {quoted(folder)} --to {quoted(asked.target.given)}"
    return f"initialise the memory of the unit, and {again} puts back what was kept."


def _say_how_to_go_on(asked: ProveRequest, *, resumes: bool) -> None:
    """Say what can be done after a proof that did not get to its end."""
    target = quoted(asked.target.given)
    there = "" if asked.journal is None else f" --journal {quoted(asked.journal)}"
    if resumes and asked.minutes is None:
        note(f"dryload prove --to {target} --resume{there} goes on with it.")
    if asked.keep is not None:
        note(_back_later(asked, asked.keep))


def _by_hand(line: "Line", was_interrupted: Interrupted) -> "Callable[[int], bool]":
    """Return what has a person switch the unit off and on; False where nobody is there."""
    from dryload.emulator.wire.prose import duration

    def switch(off_ns: int) -> bool:
        if not sys.stdin.isatty():
            note("--battery needs somebody at the terminal who switches the unit off and on.")
            return False
        note(
            f"switch the unit off now, leave it off for {duration(off_ns)}, switch it on, and wait "
            "until it is ready. Then press Enter."
        )
        on_ns = line.now_ns + off_ns
        while sys.stdin.readline() and not was_interrupted():
            if line.now_ns >= on_ns:
                return True
            note(f"that was {duration(on_ns - line.now_ns)} too soon. Press Enter after that.")
        return False

    return switch


# both


def _forget(line: Mapping[str, Any]) -> None:
    """Keep no record: nothing goes on later."""


def _proven(
    replay: "Replay",
    line: "Line",
    asked: ProveRequest,
    times: _Times,
    eyes: "Eyes",
    *,
    device_id: int,
    wants_stop: "Callable[[], bool]",
    power: "Callable[[int], bool]",
    record: "Enter | None" = None,
    so_far: "SoFar | None" = None,
) -> "Proven":
    from dryload.harness.prove.proof import Proof, ProofRequest
    from dryload.harness.prove.quick import QuickProof
    from dryload.harness.prove.tested import LAST_NUMBER, TestedUnit

    make = Proof if asked.minutes is None else QuickProof
    return make(
        TestedUnit(
            replay,
            line,
            device_id=device_id,
            bits=asked.bits,
            last_number=LAST_NUMBER if asked.up_to is None else asked.up_to,
        ),
        ProofRequest(passes=asked.passes, words=asked.words, **times._asdict()),
        eyes=eyes,
        wants_stop=wants_stop,
        power=power,
        record=record or _forget,
        so_far=so_far,
    ).run()


class _Watch(NamedTuple):
    """What shows how far a proof is."""

    eyes: "Eyes"
    step: "StepProgress | None"
    """Told of packets; None where nothing is shown."""


@contextmanager
def _watch(modules: int | None, rehearsed: "list[Proven] | None" = None) -> "Iterator[_Watch]":
    """Yield who watches: a picture where there is a terminal, and notes of what takes its time.

    A rehearsal is over in seconds: it only puts what it announces into a list.
    """
    from dryload.harness.cli.playing import over_at
    from dryload.harness.cli.progress import ProofProgress
    from dryload.harness.prove.proof import Eyes
    from dryload.harness.report import prove as report

    with bar_line("{task.description}", has_bar=False) as bar:
        shown_now = None if bar is None else ProofProgress(bar, modules)
        stand = (lambda _: None) if shown_now is None else shown_now.stand

        def announce(proven: "Proven") -> None:
            note(report.announcement(proven, ends=over_at(proven.announced_ns or 0)))

        eyes = Eyes(
            standing=stand,
            unknown=lambda: note(report.UNKNOWN),
            announce=announce,
            sign=lambda sign: note(report.sign_line(sign)),
            passed=lambda number, proven: note(report.passed_line(number, proven)),
        )
        if rehearsed is not None:
            eyes = Eyes(standing=stand, announce=rehearsed.append)
        yield _Watch(eyes, None if shown_now is None else shown_now.step)


def _document(asked: ProveRequest, proven: "Proven", **more: "Sequence[int]") -> "object":
    from dryload.harness.report import prove as report
    from dryload.harness.report.document import target_document

    return report.document(
        proven,
        target=target_document(asked.target.given),
        modules=asked.modules,
        kept=more.get("kept", ()),
        restored=more.get("restored", ()),
    )


def _tell(
    asked: ProveRequest, proven: "Proven", *, kept: "Sequence[int]" = (), back: _Back | None = None
) -> None:
    """Say what came of it and end the command."""
    from dryload.harness.prove.proof import Verdict
    from dryload.harness.report import prove as report

    restored = () if back is None else back.restored
    show(
        report.lines_of(
            proven,
            modules=asked.modules,
            restored=len(restored) or None,
            rehearsed=not asked.target.is_live,
            width=width(),
            signs=signs(),
        ),
        _document(asked, proven, kept=kept, restored=restored),
        as_json=asked.as_json,
    )
    if proven.stopped or (back is not None and back.stopped):
        raise KeyboardInterrupt
    if proven.verdict is Verdict.RIG or proven.is_rig or (back is not None and back.has_failed):
        raise click.exceptions.Exit(RIG)
    is_well = proven.verdict is Verdict.PROVED and len(restored) == len(kept)
    raise click.exceptions.Exit(0 if is_well else 1)
