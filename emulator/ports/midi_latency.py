"""How long a MIDI system takes from one program to another: measured, for settings decide it.

Theory of operation.  The emulated unit's line is as quick as a real one only if the time in which
a system passes messages on is taken off.  JACK passes them on in periods, and who sends as soon as
something has come, as in a closed loop, always waits for nearly a whole one: so do the probes.  The
median counts: a busy machine delays a few of them by far.
"""

from statistics import median
from typing import Final

from msgspec.structs import replace

from dryload.emulator.ports.midi_port import MidiOutput, MidiPort
from dryload.emulator.wire.constants import ACTIVE_SENSING

_PROBES: Final = 16
_PATIENCE_NS: Final = 200_000_000


def measure_latency(port: MidiPort, probe: MidiOutput) -> None:
    """Note in the abilities of `port` how long what `probe` sends takes to get there."""
    clock = port.clock
    took_ns = []
    for _ in range(_PROBES):
        port.receive(0)
        sent_ns = clock.now_ns()
        probe.send_message(bytes([ACTIVE_SENSING]))
        for arrival in port.receive(_PATIENCE_NS)[:1]:
            took_ns.append(max(arrival.at_ns - sent_ns, 0))
    if took_ns:
        port.abilities = replace(port.abilities, latency_ns=round(median(took_ns)))
