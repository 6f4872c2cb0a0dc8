"""The processes behind `tests.bench.port`: a dump in closed loop, ours and as bare as can be.

Each way is a pair of processes with ports of their own, made alike, on one server; while one pair
has its turn the others wait.  A bare pair sends the same messages, waits for any answer and looks
at nothing: no clock, no splitter, no unit.
"""

from __future__ import annotations

import hashlib
import select
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from fractions import Fraction
from typing import Any, Final

import numpy as np
from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.outgoing import Outgoing, outgoing
from dryload.emulator.dump.sample import Sample
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.ports.clock import MonotonicClock
from dryload.emulator.ports.midi import open_midi, serve_midi
from dryload.emulator.ports.midi_port import MidiPort
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.real import RealLine
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.profile import load_profile
from dryload.emulator.wire.codec import handshake
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import DataPacket, HandshakeKind
from dryload.emulator.wire.words import Words

NAME: Final = "Bench Desk"
PACKETS: Final = 200
NUMBER: Final = FIXED[DataPacket].span("packet_number").start
OVER: Final = bytes.fromhex("F0 7D F7")  # the ID for non-commercial use
SILENT_S: Final = 0.5  # the same for both: a wire that loses messages is part of the comparison
NAP_S: Final = 50e-6  # between two looks: without a pause the server itself gets less time
POLLING: Final = "polling"
BARE: Final = (POLLING, "callback")
"""How a bare loop waits for its answer."""
ANSWERS: Final = [
    handshake(HandshakeKind.ACK, device_id=0, packet_number=number) for number in range(128)
]


def words() -> Words:
    """Return the words of the dump; a packet holds 40 of 16 bit (M1 p. 39)."""
    made = np.random.default_rng(7).integers(-32_768, 32_768, 40 * PACKETS)
    return made.astype(np.int16)


def dump() -> Outgoing:
    """Return what is sent."""
    return outgoing(Sample(words=words(), bits=16, rate=Fraction(44_100)), number=1, device_id=0)


def quick_profile() -> Profile:
    """Return a unit that needs no time to store anything: the bare way stores nothing."""
    profile = load_profile()
    return replace(profile, input=replace(profile.input, store_packet_ns=0, store_header_ns=0))


def digest(held: Words | None) -> str:
    """Return what tells whether two samples are the same."""
    return "" if held is None else hashlib.sha256(np.asarray(held, np.int16).tobytes()).hexdigest()


# the unit's side


def serve(way: str) -> None:
    """Answer whenever a line on standard input says so; ends with the input."""
    with closing(serve_midi(f"{NAME} {way}", MonotonicClock())) as port:
        if way == "callback":
            _answer_when_called(port)
        say("ready")
        while sys.stdin.readline():
            if way == "ours":
                say(_serve_ours(port))
                continue
            say("ready")
            if way != "callback":
                _serve_bare(port)


def _serve_ours(port: MidiPort) -> str:
    """Return what tells what the unit holds in the end."""
    unit = RackUnit(quick_profile())
    line = RealLine(
        port,
        sends=Direction.FROM_UNIT,
        pacer=Pacer(byte_ns=0),
        emulates_line=True,
        keeps_capture=False,
    )
    line.connect(unit)
    say("ready")  # what came before is dropped
    line.run(lambda: bool(select.select([sys.stdin], [], [], 0)[0]))
    sys.stdin.readline()
    slot = unit.slots.addressed(1)
    return digest(None if slot is None or slot.sample is None else slot.sample.words)


def _serve_bare(port: MidiPort) -> None:
    hear, answer = port._source.get_message, port._sink.send_message
    while True:
        if (found := hear()) is None:
            time.sleep(NAP_S)
        elif len(found[0]) > len(OVER):
            answer(ANSWERS[found[0][NUMBER]])
        else:
            return


def _answer_when_called(port: MidiPort) -> None:
    source: Any = port._source
    answer = port._sink.send_message

    def called(found: tuple[list[int], float], _: object) -> None:
        if len(found[0]) > len(OVER):
            answer(ANSWERS[found[0][NUMBER]])

    source.set_callback(called)  # and never taken back: that can stop the whole process


# the host's side


def play(way: str) -> None:
    """Send the dump whenever a line on standard input says so; print the seconds it took."""
    sent = dump()
    messages = [sent.header, *sent.packets]
    with closing(open_midi(f"{NAME} {way}", MonotonicClock())) as port:
        called = Called(port) if way == "callback" else None
        say("ready")
        while sys.stdin.readline():
            if called is not None:
                took_s = called.send(messages)
            elif way == "ours":
                took_s = _send_ours(port, sent)
            else:
                took_s = _send_bare(port, messages)
            say(str(took_s))


def _send_ours(port: MidiPort, sent: Outgoing) -> float:
    line = RealLine(port, pacer=Pacer(byte_ns=0))
    sender = Sender(sent, switches=SenderSwitches(after_silence="again"))
    line.connect(sender)
    begun = time.perf_counter()
    sender.start(line.now_ns)
    line.run(lambda: sender.end is not None)
    took_s = time.perf_counter() - begun
    if sender.end is not SenderEnd.SENT:
        raise AssertionError(f"not everything was sent: {sender.end}")
    return took_s


def _send_bare(port: MidiPort, messages: list[bytes]) -> float:
    hear, send = port._source.get_message, port._sink.send_message
    begun = time.perf_counter()
    for message in messages:
        send(message)
        until = time.perf_counter() + SILENT_S
        while hear() is None:
            time.sleep(NAP_S)
            if time.perf_counter() > until:
                send(message)
                until += SILENT_S
    took_s = time.perf_counter() - begun
    send(OVER)
    return took_s


class Called:
    """Sends the next message where the answer is heard: nobody has to be woken for it."""

    def __init__(self, port: MidiPort) -> None:
        self._send = port._sink.send_message
        self._left: Iterator[bytes] = iter(())
        self._message = b""
        self._heard = 0.0
        self._is_over = True
        source: Any = port._source
        source.set_callback(self._called)

    def _called(self, _: object, __: object) -> None:
        self._heard = time.perf_counter()
        message = next(self._left, None)
        if message is None:
            self._is_over = True
        else:
            self._message = message
            self._send(message)

    def send(self, messages: list[bytes]) -> float:
        """Send them; return the seconds it took."""
        self._left = iter(messages[1:])
        self._message = messages[0]
        self._is_over = False
        begun = self._heard = time.perf_counter()
        self._send(self._message)
        while not self._is_over:
            time.sleep(0.01)
            if time.perf_counter() - self._heard > SILENT_S:
                self._heard = time.perf_counter()
                self._send(self._message)
        return self._heard - begun


def say(what: str) -> None:
    """Print a line at once."""
    sys.stdout.write(f"{what}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    {"serve": serve, "play": play}[sys.argv[1]](sys.argv[2])
