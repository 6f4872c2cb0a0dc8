"""Where a served unit can be reached: a MIDI port of its own, one that is there, or TCP."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from dryload.harness.files.problem import Problem

if TYPE_CHECKING:
    from dryload.emulator.ports.clock import Clock
    from dryload.emulator.ports.port import Port


def port_opener(
    midi: str | None, through: str | None, tcp: str | None, any_host: bool
) -> "Callable[[Clock], tuple[str, Port]]":
    """Return what opens the port and says how it is called; a Problem for words that name none."""
    given = [name for name in (midi, through, tcp) if name is not None]
    if len(given) != 1:
        raise Problem(
            f"serve needs {'only one' if given else 'a'} port to listen on.",
            do="Give --midi NAME, --through PORT or --tcp 127.0.0.1:4000.",
        )
    if any_host and tcp is None:
        raise Problem("--any-host is for --tcp.", do="Leave it out.")
    if tcp is not None:
        host, number = _address(tcp, any_host)
    elif midi is None and not through:
        raise Problem("--through is empty.", do="dryload ports lists the MIDI ports there are.")

    def open_port(clock: "Clock") -> "tuple[str, Port]":
        if tcp is not None:
            from dryload.emulator.ports.tcp import TcpServer

            port = TcpServer(number, clock, host=host)
            bare, taken = port.address
            return f"tcp:[{bare}]:{taken}" if ":" in bare else f"tcp:{bare}:{taken}", port
        from dryload.emulator.ports.midi import open_midi, serve_midi

        if midi is not None:
            return f"midi:{midi}", serve_midi(midi, clock)
        there = open_midi(through or "", clock)
        return f"midi:{there.name}", there

    return open_port


def _address(given: str, any_host: bool) -> tuple[str, int]:
    from dryload.harness.cli.target import address_of
    from dryload.harness.files.opening import shown

    host, number = address_of(f"127.0.0.1{given}" if given[:1] == ":" else given, option="--tcp")
    if not any_host and not _is_loopback(host):
        raise Problem(
            f"--tcp {shown(given)} would let other computers send to the unit as well.",
            do="Use 127.0.0.1, or add --any-host if that is what you want.",
        )
    return host, number


def _is_loopback(host: str) -> bool:
    from ipaddress import ip_address

    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
