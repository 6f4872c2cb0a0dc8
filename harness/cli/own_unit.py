"""What commands with an emulated unit of ours have in common: which it is, and who stands at it."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from dryload.harness.files.opening import shown, shown_lines
from dryload.harness.files.problem import Problem

if TYPE_CHECKING:
    from dryload.emulator.unit.board import RackUnit
    from dryload.emulator.unit.possible import Profile
    from dryload.harness.faults.asked import Disturbances

_SECOND_NS: Final = 1_000_000_000
_LONGEST_WALK_S: Final = 86_400


@contextmanager
def profile_problems(front: str = "") -> Iterator[None]:
    """Put what is wrong with a profile as the user's problem, with the words of `front` before."""
    from dryload.emulator.unit.possible import ProfileError

    try:
        yield
    except ProfileError as problem:
        raise Problem(f"{front}{shown_lines(str(problem))}.") from problem


def profile_of(name: str) -> "Profile":
    """Return the profile of a name or file; a Problem where there is none."""
    from dryload.emulator.unit.profile import load_profile

    with profile_problems():
        return load_profile(name)


def disturbances_of(texts: Sequence[str]) -> "Disturbances":
    """Return what --disturb asks for; a Problem where it is not understood."""
    from dryload.harness.faults.reading import NotUnderstood, read_all

    try:
        return read_all(texts)
    except NotUnderstood as problem:
        raise Problem(
            f"--disturb {problem}", do="dryload disturbances lists what there is."
        ) from problem


def check_banks(banks: int | None, profile: "Profile") -> None:
    """Raise a Problem for more banks than the unit has room for."""
    places = profile.memory.places
    if banks is not None and not 0 <= banks <= places:
        raise Problem(f"--banks {banks}: {profile.name} has room for 0 to {places}.")


def prepare(unit: "RackUnit", banks: int | None, *, initialise: bool) -> None:
    """Fit new banks and initialise the memory, if that is asked for."""
    check_banks(banks, unit.profile)
    if banks is not None:
        unit.panel.fit_banks((), 0)  # as many as before are newly fitted too
        unit.panel.fit_banks(range(1, banks + 1), 0)
    if initialise:
        unit.panel.initialise(0)


def walk_ns_of(text: str) -> int | None:
    """Return how long it takes until somebody presses confirm; None: nobody does."""
    if text == "none":
        return None
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 <= seconds <= _LONGEST_WALK_S:
        given = f" {shown(text)}" if text else ""
        raise Problem(f"--operator{given}: give seconds, as in 8 or 2.5, or none.")
    return round(seconds * _SECOND_NS)
