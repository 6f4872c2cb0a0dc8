"""`dryload prove`: whether the memory of a unit works."""

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, redirect_stdout
from typing import TYPE_CHECKING, Annotated, Any, Final

import click
from msgspec import Struct
from msgspec.structs import replace

from dryload.harness.cli.interrupt import Interrupted, ends
from dryload.harness.cli.options import (
    EMULATED,
    PORT,
    AsJson,
    Disturb,
    Hear,
    Pace,
    check_device_id,
    flag,
    value,
)
from dryload.harness.cli.target import Target, opened, target_of
from dryload.harness.cli.terminal import bar_line, note, show
from dryload.harness.files.opening import quoted, shown
from dryload.harness.files.problem import RIG, Problem

if TYPE_CHECKING:
    from dryload.harness.jobs.line import Line
    from dryload.harness.jobs.transfer import Replay
    from dryload.harness.prove.passes import Pass
    from dryload.harness.prove.proof import Eyes, Proven
    from dryload.harness.prove.record import SoFar

_MINUTE_NS: Final = 60_000_000_000
_LONGEST_MIN: Final = 7 * 24 * 60
_MOST_MODULES: Final = 16
_LINE: Final = "{task.description}"


class _Asked(Struct, frozen=True, kw_only=True):
    """What was asked for, checked."""

    target: Target
    device_id: int
    minutes_ns: int | None
    overnight: bool
    modules: int | None
    bits: int | None
    keep: str | None
    up_to: int | None
    resume: bool
    journal: str | None
    battery_ns: int | None
    hear: str | None
    pace: bool
    operator: str
    disturb: tuple[str, ...]
    as_json: bool


def prove(
    to: Annotated[
        str, value("TARGET", "unit:NAME, unit:FILE.toml, midi:PORT or tcp:HOST:PORT.", "--to")
    ],
    minutes: Annotated[
        float | None,
        value("N", "Only look for so many minutes: finds what fitting does wrong, proves nothing."),
    ] = None,
    overnight: Annotated[
        bool, flag("--overnight", "Make five passes: cells that disturb each other show too.")
    ] = False,
    keep: Annotated[
        str | None,
        value("FOLDER", "Read out all samples first, and put them back at the end."),
    ] = None,
    up_to: Annotated[
        int | None, value("N", "The last sample number of the unit, for --keep; see its manual.")
    ] = None,
    wipe: Annotated[bool, flag("--wipe", "Give up whatever the unit holds.")] = False,
    battery: Annotated[
        float | None,
        value("MINUTES", "At the end, have the unit switched off for so long and read again."),
    ] = None,
    bits: Annotated[
        int | None,
        value("N", "The unit keeps so many bits, by its manual, though its dumps have more."),
    ] = None,
    modules: Annotated[
        int | None, value("N", "Say in which of N modules of one size a fault lies.")
    ] = None,
    resume: Annotated[
        bool, flag("--resume", "Go on with the last proof of this target.", group=PORT)
    ] = False,
    journal: Annotated[
        str | None, value("FILE", "Keep the progress for --resume in this file.", group=PORT)
    ] = None,
    plan: Annotated[
        bool, flag("--plan", "Say how long it takes, and write nothing to a real unit.")
    ] = False,
    device_id: Annotated[
        int | None, value("N", "Device ID of the unit, 0 to 127; 0 if none is given.")
    ] = None,
    hear: Hear = None,
    pace: Pace = True,
    operator: Annotated[
        str, value("SECONDS", "Press confirm after this time, or never: none.", group=EMULATED)
    ] = "8",
    disturb: Disturb = None,
    as_json: AsJson = False,
) -> None:
    """Prove that a unit's memory works, or name its fault.

    Test samples fill the memory, and are read back when all of it is written; then once more with
    the complement of every word. That takes 38 minutes for 512 K words. It overwrites what the unit
    holds, so that either --keep or --wipe has to be given. Initialise the unit's memory before, so
    that all of it is tested. The test samples are loud noise: turn the volume down.

    Exit code 0 if every word came back right; 1 if there is a fault, or nothing is proved; 2 if
    something would be lost; 3 if the cable changes bytes, or the port is at fault.
    """
    from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS

    target = target_of(to, option="--to")
    check_device_id(device_id)
    _check(target, keep=keep, up_to=up_to, wipe=wipe, hear=hear, plan=plan, resume=resume)
    if minutes is not None and (overnight or battery is not None or resume):
        raise Problem("--minutes goes without --overnight, --battery and --resume.")
    if modules is not None and not 1 <= modules <= _MOST_MODULES:
        raise Problem(f"--modules {modules}: give a number from 1 to {_MOST_MODULES}.")
    if bits is not None and not MIN_BITS <= bits <= MAX_BITS:
        raise Problem(f"--bits {bits}: words have {MIN_BITS} to {MAX_BITS} bits.")
    asked = _Asked(
        target=target,
        device_id=device_id or 0,
        minutes_ns=_nanoseconds(minutes, "--minutes"),
        overnight=overnight,
        modules=modules,
        bits=bits,
        keep=keep,
        up_to=up_to,
        resume=resume,
        journal=journal,
        battery_ns=_nanoseconds(battery, "--battery"),
        hear=hear,
        pace=pace,
        operator=operator,
        disturb=tuple(disturb or ()),
        as_json=as_json,
    )
    if target.is_live:
        _prove_live(asked, plan=plan)
    else:
        _rehearse(asked, device_id, plan=plan)


def _check(
    target: Target,
    *,
    keep: str | None,
    up_to: int | None,
    wipe: bool,
    hear: str | None,
    plan: bool,
    resume: bool,
) -> None:
    """Find what can't be, before anything is opened or lost."""
    if hear is not None and target.kind != "midi":
        raise Problem(f"--hear is for MIDI ports (midi:), and --to is {shown(target.given)}.")
    if keep is not None and wipe:
        raise Problem("--keep and --wipe contradict each other: give one of them.")
    if up_to is not None and keep is None:
        raise Problem("--up-to is for --keep: it says how far the unit's numbers go.")
    if not target.is_live and keep is not None:
        raise Problem("--keep is for a real unit: an emulated one starts empty.")
    if resume and (keep is not None or wipe):
        raise Problem("--resume goes on as it was begun: leave --keep and --wipe out.")
    if resume and not target.is_live:
        raise Problem("--resume is for a real unit: a rehearsal is over in seconds.")
    if target.is_live and keep is None and not (wipe or plan or resume):
        raise Problem(
            "a proof overwrites the samples in the unit, and nothing was written.",
            do="--keep FOLDER reads them out first and puts them back; --wipe gives them up.",
        )


def _nanoseconds(minutes: float | None, option: str) -> int | None:
    if minutes is None:
        return None
    if not 0 < minutes <= _LONGEST_MIN:
        raise Problem(f"{option} {minutes:g}: give minutes, up to {_LONGEST_MIN:,}.")
    return round(minutes * _MINUTE_NS)


# rehearsed


def _rehearse(asked: _Asked, device_id: int | None, *, plan: bool) -> None:
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

    walk_ns, disturbances = walk_ns_of(asked.operator), disturbances_of(asked.disturb)
    with profile_problems("--disturb: "):
        profile = disturbances.unit(profile_of(asked.target.where))
    announced: list[Proven] = []
    with ends() as was_interrupted:
        rehearsal = Rehearsal(
            profile,
            settings=disturbances.settings(Settings(operator_ns=walk_ns)),
            disturbances=disturbances.placed,
            link=disturbances.link,
            wants_stop=was_interrupted,
        )
        own = rehearsal.unit.panel.device_id if device_id is None else device_id

        def switch(off_ns: int) -> bool:
            panel, line = rehearsal.unit.panel, rehearsal.line
            panel.power_off(line.now_ns)
            line.advance(off_ns)
            panel.power_on(line.now_ns)
            return True

        with _eyes(announced) as eyes:
            proven = _proven(
                rehearsal,
                rehearsal.line,
                asked,
                eyes,
                device_id=own,
                wants_stop=lambda: was_interrupted() or (plan and bool(announced)),
                power=switch,
            )
    if plan and announced:
        show(report.plan_lines(proven), _document(asked, proven), as_json=asked.as_json)
        raise click.exceptions.Exit(0)
    _tell(asked, proven)


# live


def _prove_live(asked: _Asked, *, plan: bool) -> None:
    """Prove the memory of the unit at a port."""
    from dryload.emulator.ports.clock import MonotonicClock
    from dryload.harness.files.journal import usual_path
    from dryload.harness.jobs.live import LiveReplay
    from dryload.harness.jobs.transfer import Settings
    from dryload.harness.prove.passes import USUAL
    from dryload.harness.prove.record import ProofRecord, SoFar
    from dryload.harness.report import prove as report

    if plan:
        show(report.plan_lines(None), {"schema": report.SCHEMA}, as_json=False)
        raise click.exceptions.Exit(0)
    restored: list[int] = []
    with ExitStack() as stack:
        record = ProofRecord(asked.journal or usual_path(asked.target.given, "proof"))
        stack.callback(record.close)
        so_far = record.take_up(asked.target.given) if asked.resume else None
        if so_far is not None:
            asked = replace(
                asked,
                keep=so_far.keep,
                device_id=so_far.device_id,
                overnight=so_far.passes > len(USUAL),
            )
            kept = () if asked.keep is None else _kept_numbers(asked.keep)
        else:
            kept = () if asked.keep is None else _keep(asked, asked.keep)
            begun = SoFar(passes=len(_passes(asked)), device_id=asked.device_id, keep=asked.keep)
            record.begin(asked.target.given, begun)
        note(*report.cautions(asked.target.given, kept=asked.keep))
        was_interrupted = stack.enter_context(ends())
        clock = MonotonicClock()
        port = stack.enter_context(opened(asked.target, hear=asked.hear, clock=clock))
        live = LiveReplay(
            port,
            paced=asked.pace,
            settings=Settings(operator_ns=None),
            wants_stop=was_interrupted,
        )
        eyes = stack.enter_context(_eyes())
        proven = _proven(
            live,
            live.line,
            asked,
            eyes,
            device_id=asked.device_id,
            wants_stop=was_interrupted,
            power=_by_hand(was_interrupted),
            record=record.enter,
            so_far=so_far,
        )
        if proven.began_anew:
            note(f"it was begun anew: {proven.began_anew}.")
    has_ended = not proven.stopped and not proven.is_rig
    if not has_ended:
        _say_how_to_go_on(asked)
    elif asked.keep is not None:
        restored = _put_back(asked, asked.keep, proven)
    _tell(asked, proven, kept=kept, restored=restored)


def _keep(asked: _Asked, folder: str) -> tuple[int, ...]:
    """Read out all that the unit holds; a Problem where that is not complete."""
    from dryload.harness.cli.read import read

    note(f"first, what the unit holds is read out into {shown(folder)}.")
    try:
        with redirect_stdout(sys.stderr):
            read(
                source=asked.target.given,
                sample="all",
                output=folder,
                up_to=asked.up_to,
                device_id=asked.device_id,
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


def _put_back(asked: _Asked, folder: str, proven: "Proven") -> list[int]:
    """Replace the test samples by silence, and send what was kept; return what is there again."""
    from dryload.harness.cli.playing import selection
    from dryload.harness.cli.replay_request import ReplayRequest
    from dryload.harness.jobs.live import LiveReplay
    from dryload.harness.jobs.transfer import Settings
    from dryload.harness.prove.tested import TestedUnit

    note(f"what was kept in {shown(folder)} is put back now.")
    again = f"dryload replay {quoted(folder)} --to {quoted(asked.target.given)}"
    selected = selection(ReplayRequest(files=[folder], to=asked.target.given, replace=True))
    restored = []
    with ends() as was_interrupted, opened(asked.target, hear=asked.hear) as port:
        live = LiveReplay(
            port,
            paced=asked.pace,
            settings=Settings(operator_ns=None),
            wants_stop=was_interrupted,
        )
        unit = TestedUnit(live, live.line, device_id=asked.device_id)
        unit.width = proven.width or unit.width
        for part in proven.parts:
            unit.silence(part.number)
        for dump in selected.to_send:
            if was_interrupted() or live.failed is not None:
                break
            number = dump.header.sample_number
            if live.play(dump).is_well:
                restored.append(number)
            else:
                note(f"sample {number} did not come back as it was kept.")
    if len(restored) < len(selected.to_send):
        note(f"not everything is back: {again} sends it once more.")
    return restored


def _say_how_to_go_on(asked: _Asked) -> None:
    """Say what can be done after a proof that did not get to its end."""
    target = quoted(asked.target.given)
    there = "" if asked.journal is None else f" --journal {quoted(asked.journal)}"
    note(f"dryload prove --to {target} --resume{there} goes on with it.")
    if asked.keep is not None:
        note(f"dryload replay {quoted(asked.keep)} --to {target} puts back what was kept.")


def _by_hand(was_interrupted: Interrupted) -> "Callable[[int], bool]":
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
        return bool(sys.stdin.readline()) and not was_interrupted()

    return switch


# both


def _proven(
    replay: "Replay",
    line: "Line",
    asked: _Asked,
    eyes: "Eyes",
    *,
    device_id: int,
    wants_stop: "Callable[[], bool]",
    power: "Callable[[int], bool]",
    record: "Callable[[Mapping[str, Any]], None]" = lambda _: None,
    so_far: "SoFar | None" = None,
) -> "Proven":
    from dryload.harness.prove.proof import Proof, ProofRequest
    from dryload.harness.prove.quick import QuickProof
    from dryload.harness.prove.tested import LAST_NUMBER, TestedUnit

    make = Proof if asked.minutes_ns is None else QuickProof
    return make(
        TestedUnit(
            replay,
            line,
            device_id=device_id,
            bits=asked.bits,
            last_number=LAST_NUMBER if asked.up_to is None else asked.up_to,
        ),
        ProofRequest(
            passes=_passes(asked), minutes_ns=asked.minutes_ns, battery_ns=asked.battery_ns
        ),
        eyes=eyes,
        wants_stop=wants_stop,
        power=power,
        record=record,
        so_far=so_far,
    ).run()


def _passes(asked: _Asked) -> "tuple[Pass, ...]":
    from dryload.harness.prove.passes import OVERNIGHT, QUICK, USUAL

    if asked.minutes_ns is not None:
        return QUICK
    return OVERNIGHT if asked.overnight else USUAL


@contextmanager
def _eyes(rehearsed: "list[Proven] | None" = None) -> "Iterator[Eyes]":
    """Yield who watches: a bar where there is a terminal, and notes of what takes its time.

    A rehearsal is over in seconds: it only puts what it announces into a list.
    """
    from dryload.harness.cli.playing import over_at
    from dryload.harness.prove.proof import Eyes, Standing
    from dryload.harness.report import prove as report

    with bar_line(_LINE) as bar:
        task = None if bar is None else bar.add_task("")

        def stand(standing: Standing) -> None:
            if bar is not None and task is not None:
                bar.update(task, description=report.standing_line(standing))

        def announce(proven: "Proven") -> None:
            note(report.announcement(proven, ends=over_at(proven.announced_ns or 0)))

        if rehearsed is not None:
            yield Eyes(standing=stand, announce=rehearsed.append)
            return
        yield Eyes(
            standing=stand,
            announce=announce,
            sign=lambda sign: note(report.sign_line(sign)),
            passed=lambda number, proven: note(report.passed_line(number, proven)),
        )


def _document(asked: _Asked, proven: "Proven", **more: "Sequence[int]") -> "object":
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
    asked: _Asked,
    proven: "Proven",
    *,
    kept: "Sequence[int]" = (),
    restored: "Sequence[int]" = (),
) -> None:
    """Say what came of it and end the command."""
    from dryload.harness.prove.proof import Verdict
    from dryload.harness.report import prove as report

    show(
        report.lines_of(proven, modules=asked.modules),
        _document(asked, proven, kept=kept, restored=restored),
        as_json=asked.as_json,
    )
    if proven.stopped:
        raise KeyboardInterrupt
    if proven.verdict is Verdict.RIG or proven.is_rig:
        raise click.exceptions.Exit(RIG)
    is_well = proven.verdict is Verdict.PROVED and len(restored) == len(kept)
    raise click.exceptions.Exit(0 if is_well else 1)
