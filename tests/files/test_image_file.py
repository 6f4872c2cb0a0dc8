"""The file of a unit's memory: written whole, owned by one process, never lost."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import image_of
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.traits import UnitTraits
from dryload.harness.files.image_file import ImageFile
from dryload.harness.files.problem import Problem
from tests import oracle
from tests.unit.rack import profile_of

WORDS = [5, -6, 32_767, -32_768]
PROFILE = profile_of("[memory]\nbank_words = 1000\n[slots]\ncount = 4\n")


def unit_with(words: list[int] | None = None) -> RackUnit:
    unit = RackUnit(PROFILE)
    if words is not None:
        data = oracle.dump(bits=16, words=words, sample_number=1, period_ns=22_676)
        for at, (_, message) in enumerate(oracle.split(data)):
            unit.receive_bytes(message, at * 1_000_000_000)
    return unit


def words_in(unit: RackUnit, slot: int = 2) -> list[int] | None:
    sample = unit.slots[slot].sample
    return None if sample is None else [int(word) for word in sample.words]


def loaded(path: Path) -> tuple[RackUnit, str]:
    file, unit = ImageFile(str(path)), RackUnit(PROFILE)
    try:
        return unit, file.load(unit)
    finally:
        file.close()


def written(path: Path, words: list[int]) -> bytes:
    file = ImageFile(str(path))
    file.write(image_of(unit_with(words)))
    file.close()
    return path.read_bytes()


def names_in(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def refused(path: object) -> Problem:
    with pytest.raises(Problem) as caught:
        ImageFile(str(path))
    assert str(caught.value).isprintable()
    assert caught.value.code == 2
    return caught.value


def test_no_file_is_a_new_unit(tmp_path: Path) -> None:
    unit, said = loaded(tmp_path / "desk.image")
    assert said == ""
    assert unit.memory.initialised
    assert names_in(tmp_path) == []


def test_what_is_written_is_loaded(tmp_path: Path) -> None:
    written(tmp_path / "desk.image", WORDS)
    unit, said = loaded(tmp_path / "desk.image")
    assert said == ""
    assert words_in(unit) == WORDS
    assert unit.panel.line == f"{2_000 - len(WORDS):,} of 2,000 words free"
    assert names_in(tmp_path) == ["desk.image"]


def test_a_link_is_followed(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "desk.image")
    written(tmp_path / "link", WORDS)
    assert (tmp_path / "link").is_symlink()
    assert words_in(loaded(tmp_path / "desk.image")[0]) == WORDS


def damages(image: bytes) -> dict[str, bytes]:
    middle = len(image) // 2
    return {
        "empty": b"",
        "cut": image[:middle],
        "one bit": image[:middle] + bytes([image[middle] ^ 1]) + image[middle + 1 :],
        "longer": image + b"\0",
        "a text": b"Lantern Street, cue sheet\n" * 20,
        "a dump": oracle.dump(bits=16, words=WORDS, sample_number=1, period_ns=22_676),
    }


@pytest.mark.parametrize("kind", ["empty", "cut", "one bit", "longer", "a text", "a dump"])
def test_what_is_no_image_of_the_unit_is_set_aside(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "desk.image"
    data = damages(written(path, WORDS))[kind]
    path.write_bytes(data)

    unit, said = loaded(path)

    aside = tmp_path / "desk.image.set-aside-1"
    assert aside.read_bytes() == data
    assert names_in(tmp_path) == [aside.name]
    assert str(aside) in said
    assert not unit.memory.initialised
    assert unit.panel.line == "memory not initialised"
    assert unit.memory.fitted == PROFILE.memory.fitted
    assert words_in(unit) is None


def test_the_image_of_another_unit_is_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "desk.image"
    data = image_of(RackUnit(Profile(unit=UnitTraits(name="gallery"))))
    path.write_bytes(data)
    unit, said = loaded(path)
    assert "belongs to the unit gallery" in said
    assert (tmp_path / "desk.image.set-aside-1").read_bytes() == data
    assert not unit.memory.initialised


def test_nothing_that_was_set_aside_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "desk.image"
    for number in range(1, 4):
        path.write_bytes(b"notes %d" % number)
        loaded(path)
    kept = {name: (tmp_path / name).read_bytes() for name in names_in(tmp_path)}
    assert kept == {f"desk.image.set-aside-{n}": b"notes %d" % n for n in range(1, 4)}


def test_a_huge_file_is_set_aside_unread(tmp_path: Path) -> None:
    path = tmp_path / "desk.image"
    with path.open("wb") as file:
        file.write(b"x")
        file.truncate(1 << 40)  # a hole: it takes no room on the disk
    assert "it is not a memory image" in loaded(path)[1]


def test_a_draft_of_one_who_was_killed_goes(tmp_path: Path) -> None:
    before = written(tmp_path / "desk.image", WORDS)
    (tmp_path / ".desk.image.draft").write_bytes(before[:100])
    (tmp_path / ".dryload-0123456789ab").write_bytes(b"of somebody else who may be at work")
    assert words_in(loaded(tmp_path / "desk.image")[0]) == WORDS
    assert names_in(tmp_path) == [".dryload-0123456789ab", "desk.image"]


def test_a_failed_write_leaves_the_old_image(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = written(tmp_path / "desk.image", WORDS)
    file = ImageFile(str(tmp_path / "desk.image"))

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(Problem, match="No space left"):
        file.write(image_of(unit_with([1])))
    file.close()
    assert (tmp_path / "desk.image").read_bytes() == before
    assert names_in(tmp_path) == ["desk.image"]


def test_paths_that_can_hold_no_image(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert "is a folder" in refused(tmp_path).what
    assert "no such folder" in refused(tmp_path / "none" / "desk.image").what
    assert "not an ordinary file" in refused(tmp_path / "pipe").what
    assert "empty" in refused("").what
    assert "no file can have that name" in refused("a\0b").what
    assert "too long" in refused(tmp_path / ("x" * 300)).what


def test_files_and_folders_that_may_not_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "desk.image"
    path.write_bytes(b"")
    for mode, word in ((os.R_OK, "read"), (os.W_OK, "written")):
        # Asked of a stand-in: whoever runs the tests may be allowed everything.
        monkeypatch.setattr(os, "access", lambda path, asked, mode=mode: asked != mode)
        assert f"may not be {word}" in refused(path).what
    assert names_in(tmp_path) == ["desk.image"]


def test_a_second_owner_is_refused_and_the_next_one_is_not(tmp_path: Path) -> None:
    first = ImageFile(str(tmp_path / "desk.image"))
    (tmp_path / "link").symlink_to(tmp_path / "desk.image")
    for name in ("desk.image", "link"):
        assert "is in use by another dryload serve" in refused(tmp_path / name).what
    ImageFile(str(tmp_path / "other.image")).close()
    first.close()
    ImageFile(str(tmp_path / "link")).close()
    assert names_in(tmp_path) == ["link"]


def test_one_who_was_killed_owns_nothing(tmp_path: Path) -> None:
    code = "import sys,os; from dryload.harness.files.image_file import ImageFile\n"
    code += "f = ImageFile(sys.argv[1]); print('mine', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "desk.image")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "mine\n"
        refused(tmp_path / "desk.image")
        other.kill()
        other.wait(20)
    ImageFile(str(tmp_path / "desk.image")).close()


def test_without_locks_everything_else_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dryload.harness.files.lock._module", lambda name: None)
    first = ImageFile(str(tmp_path / "desk.image"))
    first.write(image_of(unit_with(WORDS)))
    first.close()
    assert words_in(loaded(tmp_path / "desk.image")[0]) == WORDS
