"""Profiles by name or from a file."""

from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from pathlib import Path
from stat import S_ISREG
from typing import Final

from dryload.emulator.unit.possible import Profile, ProfileError
from dryload.emulator.unit.schema import parse_profile
from dryload.emulator.wire.prose import listed

__all__ = ["DEFAULT_PROFILE", "Profile", "ProfileError", "load_profile", "profile_names"]

DEFAULT_PROFILE: Final = "lantern-desk"

_SUFFIX: Final = ".toml"
_LARGEST: Final = 1 << 20


@cache
def profile_names() -> tuple[str, ...]:
    """Return the names of the profiles that are shipped, in alphabetical order."""
    entries = (
        Path(entry.name) for entry in files("dryload.emulator").joinpath("profiles").iterdir()
    )
    return tuple(sorted(entry.stem for entry in entries if entry.suffix == _SUFFIX))


def load_profile(name_or_path: str | Path = DEFAULT_PROFILE) -> Profile:
    """Return a shipped profile by its name, or one from a TOML file.

    ProfileError says what is wrong with the file, or which names there are.
    """
    written = str(name_or_path)
    if written in profile_names():
        entry = files("dryload.emulator").joinpath("profiles", written + _SUFFIX)
        return parse_profile(entry.read_text(encoding="utf-8"), f"profile {written}")
    path = Path(name_or_path)
    try:
        try:
            found = path.stat()  # not is_file(): what that takes for False depends on the Python
        except (FileNotFoundError, NotADirectoryError):
            if path.suffix != _SUFFIX:
                raise ProfileError(_no_such(written)) from None
            raise
        if not S_ISREG(found.st_mode):  # a pipe would be waited for
            none = f"{path}: a profile is a file, and this is not one"
            raise ProfileError(none if path.suffix == _SUFFIX else _no_such(written))
        if found.st_size > _LARGEST:
            raise ProfileError(f"{path}: this is too large for a profile, more than 1 MB")
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as problem:
        raise ProfileError(f"{path}: a profile is text in UTF-8, and this is not") from problem
    except OSError as problem:
        raise ProfileError(f"{path}: the profile can't be read: {problem.strerror}") from problem
    return parse_profile(text, str(path))


def _no_such(written: str) -> str:
    near = get_close_matches(written, profile_names(), n=1)
    hint = f"did you mean {near[0]}? The" if near else "the"
    return (
        f"there is no profile {written!r}: {hint} profiles are "
        f"{listed(profile_names(), 'and')}; a profile of your own is a path that ends in {_SUFFIX}"
    )
