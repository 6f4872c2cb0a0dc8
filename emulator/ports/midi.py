"""Opening the system's MIDI ports with python-rtmidi: the only file that imports it, when asked to.

Theory of operation.  The library was built for one or several systems; each that can be used lists
its ports, and what is wanted is looked for in one after the other.  Where a system has virtual
ports a unit can appear among them as a device does.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from emulator.ports.clock import Clock
from emulator.ports.hush import hushed
from emulator.ports.midi_latency import measure_latency
from emulator.ports.midi_names import SystemPorts, choose, listed, nothing_fits
from emulator.ports.midi_port import MidiPort
from emulator.ports.port import PortError
from emulator.ports.presence import watch_server

_CLIENT: Final = "dryload"
_QUEUE: Final = 1 << 16  # messages that may wait until they are polled
_LONGEST_NAME: Final = 30
_TRIES: Final = 20
_SETTLE_NS: Final = 100_000_000
"""Messages in the first few ms of a connection were lost now and then (measured with JACK)."""
_GET_IT: Final = (
    "They need the package python-rtmidi, which has ready-made builds for Python 3.11 and 3.12: "
    "use one of these, or a tcp: target."
)
_HINTS: Final = {
    "alsa": "the sequencer of the kernel is missing: modprobe snd-seq",
    "jack": "no JACK server is running here",
}


def list_ports() -> tuple[SystemPorts, ...]:
    """Return what each system that the library knows has; PortError without the library."""
    library = _library()
    found = []
    for api in library.get_compiled_api():
        with hushed():
            ports, source, sink = _ends(library, api, _CLIENT)
            _delete(source, sink)
        found.append(ports)
    return tuple(found)


def open_midi(
    name: str, clock: Clock, *, hears: str | None = None, system: str | None = None
) -> MidiPort:
    """Open the ports that fit `name`; `hears` is the one to hear where it is called otherwise.

    PortError where none or several fit says which there are.
    """
    library = _library()
    seen = []
    for api in _apis(library, system):
        with hushed():
            ports, source, sink = _ends(library, api, _CLIENT)
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
                        sent_to, clock, source, sink, system=ports.system, missing=missing
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
            f"{name!r} can't be the name of a MIDI port.",
            f"Take one to {_LONGEST_NAME} signs, and no colon among them.",
        )
    library = _library()
    problems = []
    for api in _apis(library, system):
        with hushed():
            ports, source, sink = _ends(library, api, name)
            if not ports.problem:
                try:
                    return _serve(name, clock, ports, source, sink)
                except PortError as problem:
                    problems.append(f"{ports.title}: {problem.what}")
            else:
                problems.append(f"{ports.title}: {ports.problem}")
            _delete(source, sink)
    raise PortError(
        f'No virtual MIDI port "{name}" can be made here:{listed(problems)}',
        "Use --tcp, or connect to a loopback port of the system.",
    )


def _serve(name: str, clock: Clock, ports: SystemPorts, source: Any, sink: Any) -> MidiPort:
    # Where ports are listed with their client, the client bears the name.
    has_clients = ports.system in _HINTS
    _open(source.open_virtual_port, "in" if has_clients else name)
    _open(sink.open_virtual_port, "out" if has_clients else name)
    port = MidiPort(
        name, clock, source, sink, system=ports.system, missing=watch_server(ports.system)
    )
    _measure(port, type(sink), sink.get_current_api(), set(ports.send))
    return port


def _measure(port: MidiPort, output: Any, api: int, others: set[str]) -> None:
    """Connect a client to the port that was made last, and measure the way there."""
    probe = output(api, name=_CLIENT)
    try:
        names = probe.get_ports()
        ours = [index for index, name in enumerate(names) if name not in others]
        if len(ours) == 1:
            probe.open_port(ours[0], "probe")
            port.clock.sleep_ns(_SETTLE_NS)
            measure_latency(port, probe)
    finally:
        probe.delete()


def _library() -> Any:
    try:
        import rtmidi
    except ImportError as problem:
        raise PortError("MIDI ports are not available here.", _GET_IT) from problem
    return rtmidi


def _apis(library: Any, system: str | None) -> Iterator[int]:
    """Return the systems to look at; PortError where the wanted one is not among them."""
    names = {library.get_api_name(api): api for api in library.get_compiled_api()}
    if system is None:
        yield from names.values()
    elif system in names:
        yield names[system]
    else:
        raise PortError(
            f'The MIDI library here knows no system "{system}".', f"It knows {', '.join(names)}."
        )


def _ends(library: Any, api: int, client: str) -> tuple[SystemPorts, Any, Any]:
    """Return the ports of one system, and an input and an output to open or None for both."""
    system, title = library.get_api_name(api), library.get_api_display_name(api)
    source = sink = None
    try:
        source = library.MidiIn(api, name=client, queue_size_limit=_QUEUE)
        source.ignore_types(sysex=False, timing=False, active_sense=False)
        sink = library.MidiOut(api, name=client)
        hear, send = tuple(source.get_ports()), tuple(sink.get_ports())
    except Exception as problem:
        _delete(source, sink)
        why = _HINTS.get(system, str(problem))
        return SystemPorts(system=system, title=title, problem=why), None, None
    return SystemPorts(system=system, title=title, hear=hear, send=send), source, sink


def _open(how: Callable[..., object], *what: object) -> None:
    try:
        how(*what)
    except Exception as problem:
        raise PortError(
            f"The MIDI port can't be opened: {problem}.", "See whether another program has it."
        ) from problem


def _open_listed(end: Any, listed: Sequence[str], place: int, called: str) -> None:
    """Open the port that was listed at `place`, wherever it is listed by now.

    The library opens by place, and places move when any program comes or goes: also when we have
    opened our other end, which is listed too.
    """
    name = listed[place]
    before = listed[:place].count(name)  # some systems list several of one name
    for _ in range(_TRIES):
        names = end.get_ports()
        places = [at for at, each in enumerate(names) if each == name]
        if len(places) <= before:
            raise PortError(f'"{name}" has gone.', "Connect or start it again.")
        try:
            _open(end.open_port, places[before], called)
        except PortError:
            if end.get_ports() == names:
                raise
            continue
        if end.get_ports() == names:
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
        if sent_to not in sink.get_ports():
            return f'"{sent_to}" is no longer among the ports to send to'
        if heard not in source.get_ports():
            return f'"{heard}" is no longer among the ports to hear'
        return ""

    return missing
