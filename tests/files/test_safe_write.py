"""A file is written whole or not at all, and never over another one."""

import os
import stat
from pathlib import Path

import pytest

from dryload.harness.files import safe_write
from dryload.harness.files.problem import Problem


def left_in(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def refused(path: object, *, overwrite: bool = False) -> str:
    with pytest.raises(Problem) as caught:
        safe_write.write(str(path), b"new", overwrite=overwrite)
    assert str(caught.value).isprintable()
    return str(caught.value)


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_new_file(tmp_path: Path, overwrite: bool) -> None:
    safe_write.write(str(tmp_path / "bell.syx"), b"new", overwrite=overwrite)
    assert (tmp_path / "bell.syx").read_bytes() == b"new"
    assert left_in(tmp_path) == ["bell.syx"]


def test_the_usual_permissions(tmp_path: Path) -> None:
    safe_write.write(str(tmp_path / "bell.syx"), b"new")
    (tmp_path / "plain").touch()
    modes = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("bell.syx", "plain")]
    assert modes[0] == modes[1]


def test_an_existing_file_stays(tmp_path: Path) -> None:
    path = tmp_path / "bell.syx"
    path.write_bytes(b"old")
    assert "exists already. --overwrite replaces it." in refused(path)
    assert path.read_bytes() == b"old"
    assert left_in(tmp_path) == ["bell.syx"]


def test_an_existing_file_is_replaced_where_that_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "bell.syx"
    path.write_bytes(b"old")
    path.chmod(0o640)
    safe_write.write(str(path), b"new", overwrite=True)
    assert path.read_bytes() == b"new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert left_in(tmp_path) == ["bell.syx"]


def test_a_link_is_followed(tmp_path: Path) -> None:
    path, link = tmp_path / "bell.syx", tmp_path / "link"
    link.symlink_to(path)
    safe_write.write(str(link), b"new")
    assert path.read_bytes() == b"new"
    safe_write.write(str(link), b"newer", overwrite=True)
    assert path.read_bytes() == b"newer"
    assert link.is_symlink()


def test_a_file_that_appears_meanwhile_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bell.syx"
    real = os.fsync

    def somebody_else_is_faster(handle: int) -> None:
        real(handle)
        path.write_bytes(b"theirs")

    monkeypatch.setattr(os, "fsync", somebody_else_is_faster)
    assert "exists already" in refused(path)
    assert path.read_bytes() == b"theirs"
    assert left_in(tmp_path) == ["bell.syx"]


@pytest.mark.parametrize("appears", [False, True])
def test_a_file_system_without_links(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, appears: bool
) -> None:
    path = tmp_path / "bell.syx"

    def no_links(*_: object) -> None:
        if appears:
            path.write_bytes(b"theirs")
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    if appears:
        assert "exists already" in refused(path)
        assert path.read_bytes() == b"theirs"
    else:
        safe_write.write(str(path), b"new")
        assert path.read_bytes() == b"new"
    assert left_in(tmp_path) == ["bell.syx"]


@pytest.mark.parametrize("stop", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_nothing_is_left_of_a_file_that_could_not_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stop: BaseException
) -> None:
    path = tmp_path / "bell.syx"
    path.write_bytes(b"old")

    def fail(_: int) -> None:
        raise stop

    monkeypatch.setattr(os, "fsync", fail)
    if isinstance(stop, OSError):
        assert "cannot be written: No space left on device" in refused(path, overwrite=True)
    else:
        with pytest.raises(KeyboardInterrupt):
            safe_write.write(str(path), b"new", overwrite=True)
    assert path.read_bytes() == b"old"
    assert left_in(tmp_path) == ["bell.syx"]


@pytest.mark.parametrize("overwrite", [False, True])
def test_what_cannot_be_a_target(tmp_path: Path, overwrite: bool) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert "is a folder" in refused(tmp_path, overwrite=overwrite)
    assert "not an ordinary file" in refused(tmp_path / "pipe", overwrite=overwrite)
    assert "not an ordinary file" in refused("/dev/null", overwrite=overwrite)
    assert "no such folder" in refused(tmp_path / "no" / "bell.syx", overwrite=overwrite)
    assert "no such folder" in refused(f"{tmp_path}/bell/", overwrite=overwrite)
    assert "cannot be written" in refused(tmp_path / ("x" * 300), overwrite=overwrite)
    assert "no file can have that name" in refused("a\0b", overwrite=overwrite)
    assert "standard output" in refused("-", overwrite=overwrite)
    assert refused("", overwrite=overwrite)
    assert left_in(tmp_path) == ["pipe"]


def test_what_is_read_is_never_replaced(tmp_path: Path) -> None:
    path, link = tmp_path / "bell.syx", tmp_path / "link"
    path.write_bytes(b"old")
    link.hardlink_to(path)
    with pytest.raises(Problem, match="is the input file"):
        safe_write.check_target(str(link), overwrite=True, sources=("-", str(path)))


def test_a_folder_that_may_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def deny(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", deny)
    assert "may not be written" in refused(tmp_path / "bell.syx")
