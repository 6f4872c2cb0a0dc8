"""Run the command in a process of its own, at whose port is a world in virtual time."""

from __future__ import annotations

import contextlib
import importlib
import io
import os
import pickle
import random
import selectors
import signal
import sys
import tempfile
import traceback
import types
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NoReturn

from dryload.emulator.ports import tcp
from dryload.emulator.ports.clock import Clock
from dryload.emulator.ports.port import PortError
from tests.evenings.disk import Disk, free
from tests.evenings.plan import Evening, Run
from tests.evenings.rack import Rack
from tests.evenings.world import ENDLESS, KILLED, Log, Steps, World, dice_of

ADDRESS: Final = {"tcp": "tcp:127.0.0.1:4000", "midi": "midi:the desk"}
HUNG: Final = 97
_LIMIT_S: Final = 60  # of real time


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What came of running the command once."""

    arguments: tuple[str, ...]
    code: int
    out: str
    err: str
    log: Log
    rack: Rack
    ends_ns: int
    began_ns: int
    modules: tuple[str, ...] = ()
    """What had been imported when it ended."""


def preload() -> None:
    """Import what the command will import, so that each of its processes has it from the start.

    Which modules those are is found out by running it once.
    """
    from tests.evenings.plan import quiet_evening

    evening = quiet_evening()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for dump in evening.dumps:
            (folder / dump.file).write_bytes(dump.data())
        rack = Rack(evening.habits, evening.manners)
        ran = run_tool(evening, evening.runs[0], 0, rack, folder=folder, began_ns=0)
    for name in ran.modules:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)


def run_tool(
    evening: Evening, run: Run, turn: int, rack: Rack, *, folder: Path, began_ns: int
) -> Ran:
    """Run the command once; the unit is taken along and comes back as it is then."""
    words = ("replay", *evening.files, "--to", ADDRESS[evening.target], *run.options)
    arguments = (*words, "--json") if run.as_json else words
    with tempfile.TemporaryFile() as kept:
        pipes = [os.pipe(), os.pipe()]
        child = os.fork()
        if not child:
            with contextlib.suppress(BaseException):
                world = World(evening, run, rack, began_ns)
                for (_, entrance), place in zip(pipes, (1, 2), strict=True):
                    os.dup2(entrance, place)
                dice = dice_of(evening, turn)
                _be_tool(world, run, dice, arguments=arguments, folder=folder, keeps=kept.fileno())
            os._exit(99)
        for _, entrance in pipes:
            os.close(entrance)
        out, err = _read([exit_ for exit_, _ in pipes])
        _, status = os.waitpid(child, 0)
        code = os.waitstatus_to_exitcode(status)
        kept.seek(0)
        content = kept.read()
    if not content:
        return Ran(
            arguments=arguments,
            code=HUNG if code == -signal.SIGALRM else code,
            out=out,
            err=err,
            log=Log(ended="hung" if code == -signal.SIGALRM else f"died: {code}"),
            rack=rack,
            began_ns=began_ns,
            ends_ns=began_ns,
        )
    log, rack, ends_ns, modules = pickle.loads(content)
    return Ran(
        arguments=arguments,
        code=code,
        out=out,
        err=err,
        log=log,
        rack=rack,
        began_ns=began_ns,
        ends_ns=ends_ns,
        modules=modules,
    )


def _be_tool(
    world: World,
    run: Run,
    dice: random.Random,
    *,
    arguments: tuple[str, ...],
    folder: Path,
    keeps: int,
) -> NoReturn:
    """Be the process of the command, whose standard streams are there; `keeps` is left to."""
    os.chdir(folder)
    os.environ["XDG_STATE_HOME"] = str(folder)
    sys.stdin = open(os.devnull, encoding="utf-8")  # noqa: SIM115
    sys.stdout = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), line_buffering=True)
    sys.stderr = io.TextIOWrapper(io.FileIO(2, "w", closefd=False), line_buffering=True)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.alarm(_LIMIT_S)
    known = set(sys.modules)
    disk = Disk(folder)
    os.fsync = os.fdatasync = disk.sync  # type: ignore[assignment]

    def leave(code: int) -> NoReturn:
        free()
        new = tuple(name for name in sys.modules if name not in known)
        os.lseek(keeps, 0, os.SEEK_SET)
        rest = memoryview(pickle.dumps((world.log, world.rack, world.time_ns, new)))
        while rest:
            rest = rest[os.write(keeps, rest) :]
        os._exit(code)

    def end(how: str) -> NoReturn:
        sys.setprofile(None)
        world.log.ended = how
        if how == "power":
            disk.cut(dice)
        leave(ENDLESS if how == "endless" else KILLED)

    world.end = end
    world.rival = lambda: _rival(arguments, folder)
    _replace_ports(world)
    steps = Steps(world, run.troubles)
    if steps.is_needed:
        sys.setprofile(steps.take)
    code = _main(arguments)
    sys.setprofile(None)
    leave(code)


def _main(arguments: tuple[str, ...]) -> int:
    """Run the command as the interpreter would; return its exit code."""
    from dryload.harness.cli.main import main

    sys.argv = ["dryload", *arguments]
    code: Any = 1
    try:
        main()
    except SystemExit as ended:
        code = ended.code
    except BaseException:
        traceback.print_exc()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    return code if isinstance(code, int) else int(code is not None)


def _replace_ports(world: World) -> None:
    def open_tcp(host: str, port: int, clock: Clock, **_: object) -> object:
        return world.open(f"tcp:{host}:{port}")

    def open_midi(name: str, clock: Clock, **_: object) -> object:
        return world.open(f"midi:{name}")

    tcp.open_tcp = open_tcp  # type: ignore[assignment]
    midi: Any = types.ModuleType("dryload.emulator.ports.midi")
    midi.open_midi = open_midi
    sys.modules["dryload.emulator.ports.midi"] = midi


def _rival(arguments: tuple[str, ...], folder: Path) -> None:
    """Let somebody give the same command in another window: the seat at the unit is taken."""
    child = os.fork()
    if child:
        os.waitpid(child, 0)
        return
    with contextlib.suppress(BaseException):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        sys.setprofile(None)

        def taken(*_: object, **__: object) -> object:
            raise PortError("the port is taken.", "End what has it.")

        tcp.open_tcp = taken  # type: ignore[assignment]
        sys.modules["dryload.emulator.ports.midi"].open_midi = taken  # type: ignore[attr-defined]
        words = [each for each in arguments if not each.startswith(("--capture", "passed-"))]
        _main(tuple(words))
    os._exit(0)


def _read(exits: list[int]) -> list[str]:
    """Return what comes out of pipes until all of them are closed."""
    found = {handle: bytearray() for handle in exits}
    with selectors.DefaultSelector() as selector:
        for handle in exits:
            selector.register(handle, selectors.EVENT_READ)
        while selector.get_map():
            for key, _ in selector.select():
                if data := os.read(key.fd, 1 << 16):
                    found[key.fd] += data
                else:
                    selector.unregister(key.fd)
                    os.close(key.fd)
    return [found[handle].decode("utf-8", "replace") for handle in exits]
