"""The README's example project as somebody else would have it: a wheel, an environment, a folder.

In the folder there are also a `harness` and an `emulator` of that somebody, which end whoever
imports them; and the plugin is shown to change nothing where it is not asked for.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import venv
import zipfile
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parents[2]
SECTION: Final = re.search(
    r"^## An encoder of your own\n(.*?)^## ", (ROOT / "README.md").read_text("utf-8"), re.M | re.S
)
SOURCES: Final = ("dryload", "emulator", "harness", "pyproject.toml", "README.md")
BUSY: Final = """
from hypothesis import HealthCheck, Phase, settings

slow = [HealthCheck.too_slow]
first = [Phase.generate]
settings.register_profile("busy", deadline=None, suppress_health_check=slow, phases=first)
settings.load_profile("busy")
"""
"""A busy machine is no fault, and the simplest sample that fails is not looked for."""
STRANGER: Final = '''
"""Tests of somebody who does not know dryload."""
import pytest

@pytest.fixture
def lamp():
    """A lamp."""
    return 60

def test_lamp(lamp):
    assert lamp == 60

def test_dumps():
    assert b"\\xf0\\x7e\\x00\\x7f\\x00\\xf7" == b"\\xf0\\x7e\\x00\\x7f\\x01\\xf7"
'''


class Environment:
    """A virtual environment with what is installed here, but for dryload."""

    def __init__(self, folder: Path) -> None:
        ours = ("PYTHON", "PYTEST", "CI")
        self._environ = {key: each for key, each in os.environ.items() if not key.startswith(ours)}
        venv.create(folder, with_pip=False, symlinks=sys.platform != "win32")
        (self.python,) = (each for each in folder.glob("*/python*") if each.stem == "python")
        (self.packages,) = self.say("import sysconfig; print(sysconfig.get_path('purelib'))")
        others = folder / "others"
        others.mkdir()
        for each in Path(pytest.__file__).parents[1].iterdir():
            # Links to each, because a folder that is named in a .pth gives all that is in it.
            if not each.name.startswith(("dryload", "__editable__", "__pycache__")):
                (others / each.name).symlink_to(each)
        (Path(self.packages) / "others.pth").write_text(f"{others}\n")

    def run(self, *words: str, folder: Path | None = None) -> str:
        """Run Python with these words, and return what it says."""
        done = subprocess.run(
            [self.python, *words],
            cwd=folder,
            env={**self._environ, "COLUMNS": "80"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        return done.stdout

    def say(self, code: str, folder: Path | None = None) -> list[str]:
        return self.run("-c", code, folder=folder).splitlines()


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built of a copy, because building leaves things behind."""
    source, target = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("wheel")
    for name in SOURCES:
        if (ROOT / name).is_dir():
            ignored = shutil.ignore_patterns("__pycache__")
            shutil.copytree(ROOT / name, source / name, symlinks=True, ignore=ignored)
        else:
            shutil.copy(ROOT / name, source)
    words = ["wheel", "-q", "--no-deps", "--no-build-isolation", "--no-index", "-w", str(target)]
    done = subprocess.run(
        [sys.executable, "-m", "pip", *words, str(source)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (built,) = target.iterdir()
    return built


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stranger")
    (folder / "test_lamp.py").write_text(STRANGER)
    return folder


def strangers_run(environment: Environment, folder: Path) -> list[str]:
    """What a test run says to somebody who does not ask for the plugin, without its times."""
    shutil.rmtree(folder / ".pytest_cache", ignore_errors=True)
    said = environment.run("-m", "pytest", "-v", folder=folder)
    said += environment.run("-m", "pytest", "--fixtures", folder=folder)
    said += environment.run("-m", "pytest", "--markers", folder=folder)
    said += environment.run("-m", "pytest", "--help", folder=folder)
    return untimed(said).splitlines()


def untimed(said: str) -> str:
    """What a test run says, without how long it took."""
    return re.sub(r"in \d+\.\d+s( =*)?", "in a moment", said)


@pytest.fixture(scope="module")
def before_and_after(
    wheel: Path, stranger: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Environment, list[str], list[str]]:
    """The environment with dryload in it, and a stranger's run before and after it came there."""
    environment = Environment(tmp_path_factory.mktemp("environment") / "venv")
    assert environment.say("import dryload", stranger)[-1].startswith("ModuleNotFoundError")
    before = strangers_run(environment, stranger)
    words = ["install", "-q", "--no-deps", "--no-index", str(wheel)]
    subprocess.run(
        [sys.executable, "-m", "pip", "--python", str(environment.python), *words], check=True
    )
    return environment, before, strangers_run(environment, stranger)


@pytest.fixture(scope="module")
def environment(before_and_after: tuple[Environment, list[str], list[str]]) -> Environment:
    return before_and_after[0]


def blocks(kind: str) -> list[str]:
    assert SECTION is not None
    return re.findall(rf"^```{kind}\n(.*?)^```$", SECTION[1], re.M | re.S)


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """The example of the README, with packages that have the names of ours."""
    for text in blocks("python"):
        (tmp_path / text.split("\n", 1)[0].removeprefix("# ")).write_text(text)
    assert {each.name for each in tmp_path.iterdir()} == {
        "lantern_street.py",
        "conftest.py",
        "test_lantern_street.py",
    }
    (tmp_path / "busy.py").write_text(BUSY)
    for room in ("harness", "emulator"):
        for name in ("__init__", "wire", "dump", "unit", "line", "files", "judge", "jobs"):
            (tmp_path / room).mkdir(exist_ok=True)
            (tmp_path / room / f"{name}.py").write_text('raise SystemExit("somebody else\'s")\n')
    return tmp_path


def test_what_is_imported_is_what_was_installed(environment: Environment, project: Path) -> None:
    (place,) = environment.say("import dryload; print(dryload.__file__)", project)
    assert Path(place).is_relative_to(environment.packages)
    assert environment.say("import harness", project)[-1] == "somebody else's"
    (used,) = environment.say(
        "import sys, dryload; dryload.rehearse(dryload.encode([1]));"
        "print({m.partition('.')[0] for m in sys.modules} & {'harness', 'emulator'})",
        project,
    )
    assert used == "set()"


def test_the_example_passes(environment: Environment, project: Path) -> None:
    said = environment.run("-m", "pytest", "-p", "busy", "-q", folder=project)
    assert "3 passed" in said, said


def test_a_broken_encoder_is_told_as_the_readme_shows(
    environment: Environment, project: Path
) -> None:
    assert SECTION is not None
    (taken_out, words) = re.findall(r"takes the `(.*?)` out.*`python (.*?)` says:", SECTION[1])[0]
    path = project / "lantern_street.py"
    assert path.read_text().count(taken_out) == 1
    path.write_text(path.read_text().replace(taken_out, ""))
    (shown,) = blocks("text")
    said = environment.run(*words.split(), "-p", "busy", folder=project)
    assert untimed(said) == untimed(shown)


def test_every_test_of_the_example_fails_by_itself(environment: Environment, project: Path) -> None:
    path = project / "lantern_street.py"
    path.write_text(path.read_text().replace("[::-1]", ""))
    said = environment.run("-m", "pytest", "-p", "busy", "-q", folder=project)
    assert "3 failed" in said, said


def test_not_asked_for_the_plugin_changes_nothing(
    before_and_after: tuple[Environment, list[str], list[str]],
) -> None:
    _, before, after = before_and_after
    assert after == before
    assert any("test_lamp PASSED" in each for each in before)
    assert any("1 failed, 1 passed" in each for each in before)
    assert not any("dryload" in each for each in before)


def test_the_check_of_it_can_fail(environment: Environment, stranger: Path) -> None:
    said = environment.run(
        "-m", "pytest", "--fixtures", "-p", "dryload.pytest_plugin", folder=stranger
    )
    assert "dryload_unit" in said


def test_the_wheel_says_that_it_is_typed_and_has_no_entry_for_pytest(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as file:
        names = file.namelist()
        (about,) = (each for each in names if each.endswith("/METADATA"))
        needs = [each for each in file.read(about).decode().splitlines() if "Requires-Dist" in each]
        (entries,) = (each for each in names if each.endswith("/entry_points.txt"))
        said = file.read(entries).decode()
    plugins = [each for each in needs if "hypothesis" in each or "pytest" in each]
    assert plugins
    assert all("extra ==" in each for each in plugins)  # they bring plugins into every test run
    assert "dryload/py.typed" in names
    assert "pytest" not in said
    assert "console_scripts" in said
