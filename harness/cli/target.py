"""Where a command sends: an emulated unit, a MIDI port, or a TCP address."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from dryload.harness.files.opening import shown
from dryload.harness.files.problem import RIG, Problem

if TYPE_CHECKING:
    from dryload.emulator.ports.clock import Clock
    from dryload.emulator.ports.port import Port

_KINDS: Final = ("unit", "midi", "tcp")


class Target(Struct, frozen=True, kw_only=True):
    """What stood behind `--to` or `--from`."""

    kind: str
    """"unit", "midi" or "tcp"."""
    where: str
    """The name of the unit or port, or HOST:PORT."""

    @property
    def given(self) -> str:
        """The words as they are given."""
        return f"{self.kind}:{self.where}"

    @property
    def is_live(self) -> bool:
        """Whether it is at the other end of a port: then our own emulator is not asked."""
        return self.kind != "unit"


def target_of(text: str, *, option: str) -> Target:
    """Return the target that `text` names; a Problem where it names none."""
    kind, colon, where = text.partition(":")
    if not colon or kind not in _KINDS:
        given = f" {shown(text)}" if text else ""
        raise Problem(
            f"{option}{given}: a target is unit:NAME, unit:PATH.toml, midi:PORT NAME or "
            "tcp:HOST:PORT.",
            do="dryload profiles lists the units and dryload ports the MIDI ports there are.",
        )
    if kind == "tcp":
        address_of(where, option=option)
    elif kind == "midi" and not where:
        raise Problem(
            f"{option} {shown(text)}: the name of the port is missing.",
            do="dryload ports lists the MIDI ports there are.",
        )
    return Target(kind=kind, where=where)


def address_of(where: str, *, option: str) -> tuple[str, int]:
    """Return host and port number of HOST:PORT; a Problem where it is none."""
    host, colon, number = where.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not (number.isascii() and number.isdigit()) or int(number) > 65_535:
        raise Problem(
            f"{option} {shown(where)}: give an address and a port number from 0 to 65535.",
            do="For example 127.0.0.1:4000.",
        )
    return host, int(number)


@contextmanager
def opened(
    target: Target, *, hear: str | None = None, clock: "Clock | None" = None
) -> "Iterator[Port]":
    """Yield the port of a live target, with a clock of its own unless one is given.

    A Problem where there is none, and where it fails in a way that no job has an answer to.
    """
    with port_problems():
        port = _open(target, hear, clock)
        try:
            yield port
        finally:
            port.close()


def _open(target: Target, hear: str | None, clock: "Clock | None") -> "Port":
    from dryload.emulator.ports.clock import MonotonicClock

    clock = clock or MonotonicClock()
    if target.kind == "tcp":
        from dryload.emulator.ports.tcp import open_tcp

        if hear is not None:
            raise Problem("--hear is for MIDI ports: a TCP connection goes both ways.")
        host, number = address_of(target.where, option="")
        return open_tcp(host, number, clock)
    from dryload.emulator.ports.midi import open_midi

    return open_midi(target.where, clock, hears=hear)


@contextmanager
def port_problems() -> Iterator[None]:
    """Put what fails at a port as the user's problem with the rig."""
    from dryload.emulator.ports.port import PortError

    try:
        yield
    except PortError as problem:
        raise Problem(problem.what, do=problem.do, code=RIG) from problem
