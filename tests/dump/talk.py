"""Short words for the tests of this room: replies, whole exchanges, what events say."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.dump.replies import Limits
from dryload.emulator.dump.sender import Sender
from dryload.emulator.dump.switches import SenderSwitches
from tests import oracle

HEADER = oracle.header(sample_number=1, bits=16, period_ns=22676, length=120)
EXTENDED = oracle.extended_header(sample_number=1, bits=16, rate_integer=44100, length=120)
FAR_NS = 10**18
"""Longer than anybody waits."""


def packets(count: int, device_id: int = 0) -> list[bytes]:
    """Return packets with different data."""
    return [
        oracle.packet(device_id=device_id, number=i % 128, data=bytes([i // 128, i % 128, 5]))
        for i in range(count)
    ]


def reply(kind: str, number: int = 0, device_id: int = 0) -> bytes:
    """Return a handshake."""
    return oracle.handshake(kind=kind, packet_number=number, device_id=device_id)


def kinds(events: Iterable[Event]) -> list[EventKind]:
    """Return what happened, without when."""
    return [event.kind for event in events]


def make_sender(
    count: int = 3,
    *,
    header: bytes = HEADER,
    fallback: bytes | None = None,
    after: tuple[bytes, ...] = (),
    switches: SenderSwitches | None = None,
    limits: Limits | None = None,
) -> Sender:
    """Return a sender of `count` packets that has not been started."""
    dump = Outgoing(header=header, packets=packets(count), fallback=fallback, after=after)
    return Sender(dump, switches=switches, limits=limits)


def everything(endpoint: Sender) -> list[bytes]:
    """Take all messages that are ready."""
    taken = []
    while message := endpoint.bytes_to_send():
        taken.append(message)
    return taken


def started(sender: Sender, now_ns: int = 0) -> Sender:
    """Start, take the header and let it leave at `now_ns`."""
    sender.start(now_ns)
    assert sender.bytes_to_send()
    sender.message_left(now_ns)
    return sender


def at_packet(sender: Sender, packet: int, now_ns: int = 0) -> Sender:
    """Bring a sender to the point where `packet` has left and its answer is awaited."""
    started(sender, now_ns)
    sender.receive_bytes(reply("ACK"), now_ns)
    for number in range(packet):
        assert sender.bytes_to_send()
        sender.receive_bytes(reply("ACK", number % 128), now_ns)
    assert sender.bytes_to_send()
    sender.message_left(now_ns)
    assert sender.packet == packet
    return sender


def at_instants(events: Sequence[Event]) -> list[tuple[EventKind, int, int | None]]:
    """Return kind, instant and packet of events."""
    return [(event.kind, event.now_ns, event.packet) for event in events]
