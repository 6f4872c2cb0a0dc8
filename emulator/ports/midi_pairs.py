"""Which of the MIDI ports belong together, and by what name both are meant.

What is said here is tried with the same choice that opening makes (`midi_names.choose`).
"""

from collections.abc import Iterator, Sequence

from msgspec import Struct

from dryload.emulator.ports.midi_names import COUNT, NUMBERS, SystemPorts, choose
from dryload.emulator.ports.port import PortError


class Pair(Struct, frozen=True, kw_only=True):
    """A port to send to and a port to hear that one name means."""

    name: str
    """What to give behind midi:."""
    system: str
    send: str
    hear: str


class Single(Struct, frozen=True, kw_only=True):
    """A port of one way that has no partner of its name."""

    system: str
    name: str
    """What means it, the shortest there is."""
    port: str
    is_heard: bool


def pairs_of(systems: Sequence[SystemPorts]) -> list[Pair]:
    """Return every port that can be sent to and has a partner to hear, by the shortest name."""
    return [
        pair
        for ports in systems
        for index, send in enumerate(ports.send)
        if (pair := _pair(systems, ports, index, send)) is not None
    ]


def singles_of(systems: Sequence[SystemPorts], pairs: Sequence[Pair]) -> list[Single]:
    """Return the ports that are in no pair."""
    found = []
    for ports in systems:
        mine = [pair.name for pair in pairs if pair.system == ports.system]
        for names, is_heard in ((ports.send, False), (ports.hear, True)):
            paired = {_means(names, name) for name in mine}
            for index, port in enumerate(names):
                name = None if index in paired else _meaning(names, index)
                if name is not None:
                    single = Single(system=ports.system, name=name, port=port, is_heard=is_heard)
                    found.append(single)
    return found


def _meaning(names: Sequence[str], index: int) -> str | None:
    """Return the shortest name that means one of them; None for one that has no name at all."""
    candidates = _candidates(names[index], names)
    return next((name for name in candidates if _means(names, name) == index), None)


def _pair(systems: Sequence[SystemPorts], ports: SystemPorts, index: int, send: str) -> Pair | None:
    for name in _candidates(send, ports.send):
        if _means(ports.send, name) != index:
            continue
        heard = _means(ports.hear, name)
        if heard is not None and not _is_taken(systems, ports, name):
            return Pair(name=name, system=ports.system, send=send, hear=ports.hear[heard])
    return None


def _candidates(port: str, names: Sequence[str]) -> Iterator[str]:
    """Yield what may mean a port: client, port, both, the whole; then numbered ones; no doubles."""
    bare = NUMBERS.sub("", port)
    client, _, own = bare.partition(":")
    plain = [COUNT.sub("", client), client, own, bare, port]
    numbered = [f"{name}#{at}" for name in plain if name for at in range(1, len(names) + 1)]
    yield from dict.fromkeys(name for name in (*plain, *numbered) if name)


def _means(names: Sequence[str], name: str) -> int | None:
    try:
        return choose(names, name, "")
    except PortError:
        return None


def _is_taken(systems: Sequence[SystemPorts], ports: SystemPorts, name: str) -> bool:
    """Whether a system that is looked at earlier has ports of this name, or several."""
    for earlier in systems:
        if earlier is ports:
            return False
        try:
            there = choose(earlier.send, name, "")
            here = choose(earlier.hear, name, "")
        except PortError:
            return True
        if there is not None and here is not None:
            return True
    return False
