"""From what somebody wrote to one of the ports that the system lists."""

import re
from collections.abc import Callable, Sequence
from typing import Final

from msgspec import Struct

from dryload.emulator.ports.port import PortError

_CHOICE: Final = re.compile(r"(.*)#(\d+)", re.DOTALL)
NUMBERS: Final = re.compile(r" \d+:\d+$")
"""What a system appends to tell ports apart: numbers of client and port (common practice)."""
COUNT: Final = re.compile(r"-\d\d$")
"""What it appends to tell clients apart (common practice)."""


class SystemPorts(Struct, frozen=True, kw_only=True):
    """The ports of one system, or why it can't be used."""

    system: str
    """As the library calls it: alsa, jack, core, winmm."""
    title: str
    hear: tuple[str, ...] = ()
    """Names of ports that can be heard."""
    send: tuple[str, ...] = ()
    """Names of ports that can be sent to."""
    problem: str = ""


def _parts(name: str) -> tuple[str, ...]:
    """Return the names of client and port in `client:port 128:0`, with and without a count."""
    client, _, port = NUMBERS.sub("", name).partition(":")
    return client, COUNT.sub("", client), port


_WAYS: Final[tuple[Callable[[str, str], bool], ...]] = (
    lambda name, wanted: name == wanted,
    lambda name, wanted: NUMBERS.sub("", name) == wanted,
    lambda name, wanted: wanted in _parts(name),
    lambda name, wanted: wanted.casefold() in [part.casefold() for part in _parts(name)],
    lambda name, wanted: wanted.casefold() in name.casefold(),
)


def matching(names: Sequence[str], wanted: str) -> list[int]:
    """Return which of `names` fit best: the same text, the same client or port, a part of it."""
    for fits in _WAYS:
        found = [index for index, name in enumerate(names) if fits(name, wanted)]
        if found:
            return found
    return []


def choose(names: Sequence[str], wanted: str, purpose: str) -> int | None:
    """Return the index of the one port that fits `wanted`, None where none does.

    `NAME#2` is the second of those that fit.  PortError where several fit, `purpose` says for what.
    """
    found = matching(names, wanted)
    if len(found) == 1:
        return found[0]
    if found:
        raise PortError(
            f'{len(found)} ports {purpose} match "{wanted}":{_listed(names, found, wanted)}',
            "Give the name as shown here, or the text in brackets.",
        )
    if (choice := _CHOICE.fullmatch(wanted)) is None:
        return None
    found = matching(names, choice[1])
    number = int(choice[2])
    return found[number - 1] if 0 < number <= len(found) else None


def listed(names: Sequence[str]) -> str:
    """Return the names as lines below a heading."""
    return "".join(f"\n  {name}" for name in names) + "\n" if names else " none.\n"


def _listed(names: Sequence[str], found: Sequence[int], wanted: str) -> str:
    return listed([f"{names[index]}  ({wanted}#{at})" for at, index in enumerate(found, 1)])


def nothing_fits(name: str, hears: str | None, seen: Sequence[SystemPorts]) -> PortError:
    """Return the error that says which ports there are instead."""
    lines = []
    for ports in seen:
        if ports.problem:
            lines.append(f"{ports.title}: can't be used, {ports.problem}")
        lines += [f"{ports.title}, to send to: {each}" for each in ports.send]
        lines += [f"{ports.title}, to hear: {each}" for each in ports.hear]
    wanted = f'"{name}"' if hears is None else f'"{name}" to send to and "{hears}" to hear'
    return PortError(
        f"No pair of MIDI ports matches {wanted}. These are available:{listed(lines)}",
        "Connect and switch on the device or its interface, or give one of these names.",
    )
