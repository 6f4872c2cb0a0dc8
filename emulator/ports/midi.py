"""Opening the system's MIDI ports.

Theory of operation.  The MIDI library was built for one or several systems; each that can be used
lists its ports, and what is wanted is looked for in one after the other.  Where a system has
virtual ports a unit can appear among them as a device does.
"""

from collections.abc import Callable, Sequence
from typing import Any, Final

from dryload.emulator.ports.clock import Clock
from dryload.emulator.ports.hush import hushed
from dryload.emulator.ports.midi_latency import measure_latency
from dryload.emulator.ports.midi_library import MidiSystem, midi_systems
from dryload.emulator.ports.midi_names import SystemPorts, choose, listed, nothing_fits
from dryload.emulator.ports.midi_port import MidiPort
from dryload.emulator.ports.port import PortError
from dryload.emulator.ports.presence import watch_server

_CLIENT: Final = "dryload"
_LONGEST_NAME: Final = 30
_TRIES: Final = 20
_SETTLE_NS: Final = 100_000_000
"""Messages in the first few ms of a connection were lost now and then (measured with JACK)."""
_HINTS: Final = {
    "alsa": "the kernel's sequencer is not loaded; load it with: modprobe snd-seq",
    "jack": "no JACK server is running here",
}


def list_ports() -> tuple[SystemPorts, ...]:
    """Return what each system that the library knows has; PortError without the library."""
    found = []
    for each in midi_systems():
        with hushed():
            ports, source, sink = _ends(each, _CLIENT)
            _delete(source, sink)
        found.append(ports)
    return tuple(found)


def open_midi(
    name: str, clock: Clock, *, hears: str | None = None, system: str | None = None
) -> MidiPort:
    """Open the ports that fit `name`; `hears` is the one to hear where it is called otherwise.

    PortError where none or several fit says which there are.
    """
    seen = []
    for each in _systems(system):
        with hushed():
            ports, source, sink = _ends(each, _CLIENT)
            try:
                there = choose(ports.send, name, "to send to")
                here = choose(ports.hear, hears or name, "to hear")
                if there is not None and here is not None:
                    _open_listed(sink, ports.send, there, "out")
                    _open_listed(source, ports.hear, here, "in")
                    sent_to, heard = ports.send[there], ports.hear[here]
                    missing = _watch(ports, source, heard, sink, sent_to)
                    clock.sleep_ns(_SETTLE_NS)
                    while source.get_message() is not None:
                        pass  # from before, and perhaps from another port
                    return MidiPort(
                        sent_to,
                        clock,
                        source,
                        sink,
                        system=each.name,
                        truncated=each.truncated,
                        missing=missing,
                    )
            except PortError:
                _delete(source, sink)
                raise
            _delete(source, sink)
            seen.append(ports)
    raise nothing_fits(name, hears, seen)


def serve_midi(name: str, clock: Clock, *, system: str | None = None) -> MidiPort:
    """Make virtual ports that other programs see as `name`; PortError where that can't be."""
    if not 0 < len(name) <= _LONGEST_NAME or ":" in name or not name.isprintable():
        raise PortError(
            f"{name!r} cannot be the name of a MIDI port.",
            f"Use 1 to {_LONGEST_NAME} characters, and no colon.",
        )
    problems = []
    for each in _systems(system):
        with hushed():
            ports, source, sink = _ends(each, name)
            if not ports.problem:
                try:
                    return _serve(name, clock, each, source, sink)
                except PortError as problem:
                    problems.append(f"{ports.title}: {problem.what}")
            else:
                problems.append(f"{ports.title}: {ports.problem}")
            _delete(source, sink)
    raise PortError(
        f'The virtual MIDI port "{name}" cannot be created:{listed(problems)}',
        "Use --tcp, or connect to a loopback port of the system.",
    )


def _serve(name: str, clock: Clock, system: MidiSystem, source: Any, sink: Any) -> MidiPort:
    others = set(_names(sink))
    # Where ports are listed with their client, the client bears the name.
    has_clients = system.name in _HINTS
    _open(source.open_virtual_port, "in" if has_clients else name)
    _open(sink.open_virtual_port, "out" if has_clients else name)
    port = MidiPort(
        name,
        clock,
        source,
        sink,
        system=system.name,
        truncated=system.truncated,
        missing=watch_server(system.name),
    )
    _measure(port, system, others)
    return port


def _measure(port: MidiPort, system: MidiSystem, others: set[str]) -> None:
    """Connect a client to the port that was made last, and measure the way there."""
    probe = system.make_output(_CLIENT)
    try:
        ours = [index for index, name in enumerate(_names(probe)) if name not in others]
        if len(ours) == 1:
            probe.open_port(ours[0], "probe")
            port.clock.sleep_ns(_SETTLE_NS)
            measure_latency(port, probe)
    finally:
        probe.delete()


def _systems(wanted: str | None) -> Sequence[MidiSystem]:
    """Return the systems to look at; PortError where the wanted one is not among them."""
    systems = midi_systems()
    found = [each for each in systems if wanted in (None, each.name)]
    if wanted is not None and not found:
        raise PortError(
            f'The MIDI library of this computer does not support "{wanted}".',
            f"It knows {', '.join(each.name for each in systems)}.",
        )
    return found


def _ends(system: MidiSystem, client: str) -> tuple[SystemPorts, Any, Any]:
    """Return the ports of one system, and an input and an output to open or None for both."""
    name, title = system.name, system.title
    source = sink = None
    try:
        source = system.make_input(client)
        sink = system.make_output(client)
        # Not asked twice: some systems say only the first time that they can't be used.
        hear, send = tuple(source.get_ports()), tuple(sink.get_ports())
    except Exception as problem:
        _delete(source, sink)
        why = _HINTS.get(name, str(problem))
        return SystemPorts(system=name, title=title, problem=why), None, None
    return SystemPorts(system=name, title=title, hear=hear, send=send), source, sink


def _names(end: Any) -> tuple[str, ...]:
    """Return the names of the ports that an input or output can be connected to.

    The library counts them first and then asks for each name, which fails where one has gone.
    """
    for _ in range(_TRIES):
        try:
            return tuple(end.get_ports())
        except Exception:
            continue
    raise PortError(
        "The list of MIDI ports keeps changing.",
        "Wait until no other program opens or closes ports, then try again.",
    )


def _open(how: Callable[..., object], *what: object) -> None:
    try:
        how(*what)
    except Exception as problem:
        raise PortError(
            f"The MIDI port cannot be opened: {problem}.",
            "Check whether another program is using it.",
        ) from problem


def _open_listed(end: Any, listed: Sequence[str], place: int, called: str) -> None:
    """Open the port that was listed at `place`, wherever it is listed by now.

    The library opens by place, and places move when any program comes or goes: also when we have
    opened our other end, which is listed too.
    """
    name = listed[place]
    before = listed[:place].count(name)  # some systems list several of one name
    for _ in range(_TRIES):
        names = _names(end)
        places = [at for at, each in enumerate(names) if each == name]
        if len(places) <= before:
            raise PortError(f'"{name}" has disappeared.', "Connect or start it again.")
        try:
            _open(end.open_port, places[before], called)
        except PortError:
            if _names(end) == names:
                raise
            continue
        if _names(end) == names:
            return
        end.close_port()
    raise PortError(
        "The list of MIDI ports keeps changing while one is opened.",
        "Wait until no other program opens or closes ports, then try again.",
    )


def _delete(*ends: Any) -> None:
    for end in ends:
        if end is not None:
            end.delete()


def _watch(
    ports: SystemPorts, source: Any, heard: str, sink: Any, sent_to: str
) -> Callable[[], str]:
    """Return what says whether the two ports are still listed."""
    server_missing = watch_server(ports.system)

    def missing() -> str:
        if (gone := server_missing()) != "":
            return gone
        if sent_to not in _names(sink):
            return f'"{sent_to}" is no longer among the ports to send to'
        if heard not in _names(source):
            return f'"{heard}" is no longer among the ports to hear'
        return ""

    return missing
