"""The floors: what may import what, and that the way to `--help` stays cheap.

Every file has a floor by its room.  It imports from lower floors and from its own room only;
harness may import emulator, never the reverse; a judge shares no code with the accused, the
emulated unit.
Below the ports there are no clocks, threads, randomness or files.
"""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).resolve().parent.parent
FLOORS: Final = (
    "dryload.emulator.wire",
    "dryload.emulator.dump",
    "dryload.emulator.unit",
    "dryload.emulator.line",
    "dryload.emulator.ports",
    "dryload.harness.files",
    "dryload.harness.judge",
    "dryload.harness.faults",
    "dryload.harness.diagnose",
    "dryload.harness.jobs",
    "dryload.harness.trial",
    "dryload.harness.plan",
    "dryload.harness.prove",
    "dryload.harness.teach",
    "dryload.harness.report",
    "dryload.harness.cli",
    "dryload",
)
"""Lowest first.  Teaching makes what reports print, so it stands below them; on top the public
package, which is a single room."""
TOPS: Final = ("dryload.emulator", "dryload.harness")
BARE: Final = ("emulator", "harness")
"""Folders at the top: what lies in them is imported as a part of dryload, as it is installed."""
JUDGE_NEVER: Final = ("dryload.emulator.unit", "dryload.emulator.line", "dryload.emulator.ports")
BANNED: Final = {
    *("time", "datetime", "sched", "signal", "asyncio", "threading", "_thread", "multiprocessing"),
    *("concurrent", "subprocess", "random", "secrets", "uuid", "socket", "select", "selectors"),
    *("os", "sys", "pathlib", "io", "shutil", "tempfile", "glob", "mmap", "fcntl", "logging"),
    *("urllib", "http", "ctypes"),
}
ALLOWED: Final = {
    # Which way round this machine keeps integers: a fact, no input.
    "dryload.emulator.wire.packets": {"sys": {"byteorder"}},
    # Profiles of a user's own are files; a path is looked at, nothing else.
    "dryload.emulator.unit.profile": {"pathlib": {"Path"}},
}
"""Names that a file below the ports may take from a banned module, each with its reason."""
BANNED_CALLS: Final = {"open", "input", "print", "exec", "eval", "__import__"}
BANNED_NUMPY: Final = {"random", "load", "save", "fromfile", "loadtxt", "memmap"}
HEAVY: Final = (
    *("numpy", "soundfile", "soxr", "mido", "rtmidi", "supriya_midi", "construct", "msgspec"),
    "rich",
)


def files() -> list[Path]:
    return sorted(path for top in (*BARE, "dryload") for path in (ROOT / top).rglob("*.py"))


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    if parts[0] in BARE:
        parts = ("dryload", *parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room_of(module: str) -> str:
    parts = module.split(".")
    return ".".join(parts[: 3 if ".".join(parts[:2]) in TOPS else 1])


def imports_of(source: str, module: str, *, package: bool = False) -> Iterator[tuple[str, str]]:
    """Yield (module, name) of every import, wherever in the file it stands; name may be ""."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, ""
        elif isinstance(node, ast.ImportFrom):
            base = module.split(".")[: None if package else -1]
            base = base[: len(base) - node.level + 1] if node.level else []
            origin = ".".join([*base, *([node.module] if node.module else [])])
            for alias in node.names:
                yield origin, alias.name


def complaint(source: str, module: str, *, package: bool = False) -> list[str]:
    """Return what is wrong with a file's imports, [] where nothing is."""
    room = room_of(module)
    if module in TOPS:
        return [
            f"{module} imports {origin}"
            for origin, _ in imports_of(source, module, package=package)
            if origin.split(".")[0] in (*BARE, "dryload")
        ]
    if room not in FLOORS:
        return [f"{module} has no floor"]
    found = []
    for origin, name in imports_of(source, module, package=package):
        whole = f"{origin}.{name}" if origin in ("dryload", *TOPS) and name else origin
        if whole.split(".")[0] in BARE:
            found.append(f"{module} imports {whole} without dryload")
        if whole.split(".")[0] != "dryload":
            continue
        target = room_of(whole)
        if target not in FLOORS:
            found.append(f"{module} imports {whole}, which has no floor")
        elif target != room and FLOORS.index(target) >= FLOORS.index(room):
            found.append(f"{module} imports {whole}, which is no lower floor")
        elif room == "dryload.harness.judge" and target in JUDGE_NEVER:
            found.append(f"{module} imports {whole}: a judge shares no code with the accused")
    return found


def impurities(source: str, module: str, *, package: bool = False) -> list[str]:
    """Return what a file below the ports must not touch."""
    found = []
    allowed = ALLOWED.get(module, {})
    for origin, name in imports_of(source, module, package=package):
        top = origin.split(".")[0]
        if top in BANNED and name not in allowed.get(origin, set()):
            found.append(f"{module} imports {origin} {name}".rstrip())
        if origin.split(".")[:2] == ["numpy", "random"] or (origin, name) == ("numpy", "random"):
            found.append(f"{module} imports numpy.random")
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.Call(func=ast.Name(id=name)) if name in BANNED_CALLS:
                found.append(f"{module} calls {name}()")
            case ast.Attribute(value=ast.Name(id="np" | "numpy"), attr=name):
                if name in BANNED_NUMPY:
                    found.append(f"{module} uses numpy.{name}")
    return found


def is_pure(module: str) -> bool:
    room = room_of(module)
    return room in FLOORS and FLOORS.index(room) < FLOORS.index("dryload.emulator.ports")


def test_files_import_from_lower_floors_only() -> None:
    found = []
    for path in files():
        package = path.name == "__init__.py"
        found += complaint(path.read_text("utf-8"), module_of(path), package=package)
    assert found == []


def test_the_tests_import_the_product_as_it_is_installed() -> None:
    found = [
        path
        for path in (ROOT / "tests").rglob("*.py")
        for origin, _ in imports_of(path.read_text("utf-8"), "tests.x")
        if origin.split(".")[0] in BARE
    ]
    assert found == []


def test_below_the_ports_there_are_no_clocks_threads_randomness_or_files() -> None:
    found = []
    for path in files():
        if is_pure(module_of(path)):
            package = path.name == "__init__.py"
            found += impurities(path.read_text("utf-8"), module_of(path), package=package)
    assert found == []


def test_every_room_stands_on_its_floor() -> None:
    rooms = {room_of(module_of(path)) for path in files()} - set(TOPS)

    assert rooms <= set(FLOORS)
    for top in BARE:
        folders = {p.name for p in (ROOT / top).iterdir() if p.is_dir() and list(p.glob("*.py"))}
        assert {f"dryload.{top}.{name}" for name in folders} <= set(FLOORS)


def test_every_room_is_installed() -> None:
    built = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]
    rooms = {module_of(path) for path in files() if path.name == "__init__.py"}
    assert set(built["packages"]) == rooms


def circle(imports: Mapping[str, set[str]]) -> list[str]:
    """Return modules each of which imports the next one, and the last the first; [] for none."""
    left = {module: set(others) - {module} for module, others in imports.items()}
    while free := {module for module, others in left.items() if not others & left.keys()}:
        for module in free:
            del left[module]
    way: list[str] = []
    module = min(left, default="")
    while left and module not in way:
        way.append(module)
        module = min(left[module] & left.keys())
    return way[way.index(module) :] if way else []


def test_no_files_import_each_other_in_a_circle() -> None:
    modules = {module_of(path): path for path in files()}
    imports = {
        module: {
            whole if (whole := f"{origin}.{name}") in modules else origin
            for origin, name in imports_of(
                path.read_text("utf-8"), module, package=path.name == "__init__.py"
            )
        }
        for module, path in modules.items()
    }
    assert imports["dryload.harness.cli.replay"] & modules.keys()  # it sees what is there
    assert circle(imports) == []


def test_what_is_allowed_is_still_needed() -> None:
    for module, names in ALLOWED.items():
        path = ROOT / f"{module.removeprefix('dryload.').replace('.', '/')}.py"
        source = path.read_text("utf-8")
        found = set(imports_of(source, module))
        for origin, wanted in names.items():
            assert {(origin, name) for name in wanted} <= found, module


# The checks can fail.


def written_out(text: str) -> str:
    """Return it with the signs @ of the tables below written out."""
    return text.replace("@", "dryload.")


@pytest.mark.parametrize(
    ("module", "source", "said"),
    [
        (
            "@emulator.wire.x",
            "from @emulator.dump.sender import Sender",
            "no lower floor",
        ),
        (
            "@emulator.wire.x",
            "def f():\n    import @emulator.dump.sender",
            "no lower floor",
        ),
        ("@emulator.unit.x", "import @harness.files.problem", "no lower floor"),
        ("@emulator.dump.x", "from ..unit import board", "no lower floor"),
        ("@emulator.dump.x", "from .. import line", "no lower floor"),
        ("@emulator.dump.x", "from @emulator import line", "no lower floor"),
        ("@harness.judge.x", "from @harness.jobs import replay", "no lower floor"),
        (
            "@harness.judge.x",
            "from @emulator.unit.board import RackUnit",
            "the accused",
        ),
        ("@harness.judge.x", "import @emulator.line.cable", "the accused"),
        ("@harness.judge.x", "from @emulator import ports", "the accused"),
        ("@harness.teach.x", "from @harness.report import explain", "no lower floor"),
        ("@harness.attic.x", "", "has no floor"),
        ("@harness.cli.x", "from @harness.attic import x", "has no floor"),
        (
            "@emulator",
            "from @emulator.wire import sizes",
            "emulator imports dryload.emulator.wire",
        ),
        ("@harness.cli.x", "import dryload", "no lower floor"),
        ("@harness.cli.x", "from dryload import rehearse", "no lower floor"),
        ("@harness.cli.x", "from emulator.wire import sizes", "without dryload"),
        ("dryload", "import harness.jobs.replay", "without dryload"),
        ("@emulator.ports.x", "from dryload.face import x", "no lower floor"),
    ],
)
def test_the_check_of_floors_can_fail(module: str, source: str, said: str) -> None:
    module = written_out(module)
    (found,) = complaint(written_out(source), module, package=module in TOPS)
    assert said in found


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("@emulator.dump.x", "from @emulator.wire.codec import decode"),
        ("@emulator.dump.x", "from .sender import Sender\nfrom . import events"),
        (
            "@harness.judge.x",
            "from @emulator.dump.sender_table import SenderState\nimport numpy",
        ),
        (
            "@harness.cli.x",
            "from @harness.report import explain\nfrom @emulator.unit import board",
        ),
        ("dryload", "from @harness.jobs import replay\nfrom . import face"),
        ("dryload.__main__", "from @harness.cli.main import main"),
    ],
)
def test_the_check_of_floors_lets_pass_what_is_right(module: str, source: str) -> None:
    assert complaint(written_out(source), written_out(module)) == []


def test_the_check_of_circles_can_fail() -> None:
    straight = {"a": {"b", "c", "typing"}, "b": {"c"}, "c": set[str]()}
    assert circle(straight) == []
    assert circle({**straight, "c": {"c", "b"}}) == ["b", "c"]
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"d"}, "d": {"b"}}) == ["b", "c", "d"]


@pytest.mark.parametrize(
    "source",
    [
        "import time",
        "from time import monotonic_ns",
        "def f():\n    import random",
        "import os.path",
        "from concurrent.futures import ThreadPoolExecutor",
        "data = open('x')",
        "print('x')",
        "import numpy as np\nr = np.random.default_rng()",
        "from numpy.random import default_rng",
        "from numpy import random",
        "from sys import byteorder",  # allowed to one file, and this is another
        "import sys",
    ],
)
def test_the_check_of_purity_can_fail(source: str) -> None:
    assert impurities(source, written_out("@emulator.dump.x"))


def test_the_check_of_purity_lets_pass_what_is_right() -> None:
    assert impurities("from sys import byteorder", written_out("@emulator.wire.packets")) == []
    assert impurities("from sys import stdin", written_out("@emulator.wire.packets"))
    assert (
        impurities("from importlib.resources import files", written_out("@emulator.wire.clauses"))
        == []
    )


# The way to --help.

PROBE: Final = """
import sys
import dryload.harness.cli.app
print(*sorted({name.split(".")[0] for name in sys.modules}))
"""


def loaded_by(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return set(done.stdout.split())


def test_nothing_heavy_is_loaded_on_the_way_to_the_commands() -> None:
    loaded = loaded_by(PROBE)

    assert "click" in loaded  # the probe sees what is there
    assert loaded & set(HEAVY) == {"msgspec"}  # it costs less than a few dataclasses would


def test_the_probe_can_fail() -> None:
    assert "numpy" in loaded_by("import numpy\n" + PROBE)
