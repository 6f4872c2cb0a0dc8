"""Writing a file whole or not at all, and never over another one unless that was asked for."""

import os
import secrets
import stat
from contextlib import suppress

from dryload.harness.files.opening import STANDARD_INPUT, refusal, shown
from dryload.harness.files.problem import Problem


def check_target(
    path: str, *, overwrite: bool, sources: tuple[str, ...] = (), option: str = "-o"
) -> None:
    """Raise the Problem that `write` would meet, before any work is done.

    `sources` are the input files, which may not be replaced.  `option` is the option of the path.
    """
    name = shown(path)
    if not path:
        raise Problem(f"{option} is empty.", do=f"Give a file name after {option}.")
    if path == STANDARD_INPUT:
        raise Problem(
            "standard output cannot take the result.", do=f"Give a file name after {option}."
        )
    try:
        status = os.stat(path)
    except FileNotFoundError as problem:
        folder = os.path.dirname(os.path.realpath(path))
        if os.path.basename(path) == "" or not os.path.isdir(folder):
            raise Problem(f"{name}: there is no such folder.", do="Create it first.") from problem
        return
    except (OSError, ValueError) as problem:
        raise refusal(name, "written", problem) from problem
    if stat.S_ISDIR(status.st_mode):
        raise Problem(f"{name} is a folder.", do=f"Give a file name after {option}.")
    if not stat.S_ISREG(status.st_mode):
        raise Problem(f"{name} is not an ordinary file.", do=f"Give another name after {option}.")
    if any(_is_same(path, source) for source in sources):
        raise Problem(f"{name} is the input file.", do=f"Give another name after {option}.")
    if not overwrite:
        raise Problem(f"{name} exists already.", do="--overwrite replaces it.")


def write(path: str, data: bytes, *, overwrite: bool = False) -> None:
    """Write `data` to the file `path`: other processes see all of it or nothing.

    A Problem if the file exists and may not be replaced, or cannot be written.
    """
    check_target(path, overwrite=overwrite)
    # A link is followed: what it points to is replaced, not the link.
    target = os.path.realpath(path)
    draft = os.path.join(os.path.dirname(target), f".dryload-{secrets.token_hex(6)}")
    try:
        _write_by_way_of(draft, target, data, overwrite=overwrite)
    except FileExistsError as problem:
        raise Problem(f"{shown(path)} exists already.", do="--overwrite replaces it.") from problem
    except OSError as problem:
        raise refusal(shown(path), "written", problem) from problem


def draft_of(path: str) -> str:
    """Return the file beside `path` through which `replace` writes."""
    folder, base = os.path.split(os.path.realpath(path))
    return os.path.join(folder, f".{base}.draft")


def replace(path: str, data: bytes) -> None:
    """Write `data` to the file `path`; OSError where that is not possible.

    For a file that one process owns: a draft left behind by a killed process is overwritten.  When
    this returns, the file is on the disk.
    """
    target, draft = os.path.realpath(path), draft_of(path)
    with suppress(FileNotFoundError):
        os.unlink(draft)
    _write_by_way_of(draft, target, data, overwrite=True)
    _settle_folder(os.path.dirname(target))


def rename_to_new(old: str, new: str) -> None:
    """Rename a file and never replace another one; FileExistsError where the name is taken."""
    try:
        os.link(old, new)  # unlike renaming, this never replaces a file
    except FileExistsError:
        raise
    except (OSError, AttributeError):  # not every file system has links
        if os.path.lexists(new):
            raise FileExistsError(new) from None
        os.rename(old, new)
    else:
        os.unlink(old)


def _write_by_way_of(draft: str, target: str, data: bytes, *, overwrite: bool) -> None:
    _write_draft(draft, data)
    try:
        _keep_permissions(target, draft)
        if overwrite:
            os.replace(draft, target)
        else:
            rename_to_new(draft, target)
    finally:
        with suppress(FileNotFoundError):
            os.unlink(draft)


def _write_draft(draft: str, data: bytes) -> None:
    try:
        with open(draft, "xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        with suppress(OSError):
            os.unlink(draft)
        raise


def _settle_folder(folder: str) -> None:
    """Make a renaming survive a power cut, where the system supports it."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _keep_permissions(target: str, draft: str) -> None:
    with suppress(OSError):
        os.chmod(draft, stat.S_IMODE(os.stat(target).st_mode))


def _is_same(path: str, source: str) -> bool:
    try:
        return os.path.samefile(path, source)
    except (OSError, ValueError):
        return False
