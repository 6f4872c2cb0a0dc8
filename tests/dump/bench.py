"""A receiver on a bench: tell it bytes, read what it answers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from msgspec import Struct, field

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.receiver import Pace, Receiver
from dryload.emulator.dump.receiver_table import ReceiverState
from dryload.emulator.dump.storage import Accept, Decision
from dryload.emulator.dump.switches import ReceiverSwitches
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import DataPacket, Header
from tests import oracle
from tests.dump.talk import kinds, packets, reply

ID: Final = 5
PACKETS: Final = packets(300, device_id=ID)


class Shelf(Struct, dict=True):
    """A storage that writes down what it is told."""

    decision: Decision = field(default_factory=Accept)
    room: int = 10**9
    headers: list[Header] = []
    numbers: list[int] = []
    ends: list[str] = []

    def begin(self, header: Header, now_ns: int) -> Decision:
        self.headers.append(header)
        self.numbers.clear()
        return self.decision

    def has_room(self, packets: int = 1) -> bool:
        return len(self.numbers) + packets <= self.room

    def append(self, packet: DataPacket, now_ns: int) -> None:
        self.numbers.append(packet.packet_number)

    def extend(self, packets: Sequence[bytes]) -> None:
        self.numbers.extend(packet[4] for packet in packets)

    def finish(self, now_ns: int) -> None:
        self.ends.append("whole")

    def abandon(self, now_ns: int) -> None:
        self.ends.append("abandoned")


class Bench:
    """A receiver on a bench: tell it bytes, read what it answers."""

    def __init__(
        self,
        *,
        pace: Pace | None = None,
        decision: Decision | None = None,
        room: int = 10**9,
        **switches: Any,
    ) -> None:
        self.shelf = Shelf(decision=decision or Accept(), room=room)
        self.receiver = Receiver(
            self.shelf, device_id=ID, switches=ReceiverSwitches(**switches), pace=pace
        )

    @property
    def state(self) -> ReceiverState:
        return self.receiver.state

    def tell(self, body: bytes, now_ns: int = 0) -> list[EventKind]:
        self.receiver.take(decode(body), now_ns)
        return kinds(self.receiver.take_events())

    def answers(self) -> list[bytes]:
        found = []
        while message := self.receiver.bytes_to_send():
            found.append(message)
        return found

    def hear(self, body: bytes, now_ns: int = 0) -> list[str]:
        """Return the answers to one message in words."""
        self.tell(body, now_ns)
        return [said(answer) for answer in self.answers()]

    def opened(self, length: int = 120, now_ns: int = 0) -> Bench:
        """Take a header of so many 16-bit words, 40 a packet."""
        assert self.tell(header(length), now_ns)[-1] is EventKind.OPENED
        self.answers()
        return self


def header(length: int = 120, device_id: int = ID, **fields: int) -> bytes:
    given: dict[str, int] = {"sample_number": 1, "bits": 16, "period_ns": 22676, **fields}
    return oracle.header(device_id=device_id, length=length, **given)


def said(answer: bytes) -> str:
    """Return a handshake in words; its device ID only where it is not the unit's own."""
    name = next(name for name, sub_id in oracle.HANDSHAKES.items() if sub_id == answer[3])
    whose = "" if answer[2] == ID else f" as {answer[2]}"
    assert answer == reply(name, answer[4], device_id=answer[2])
    return f"{name} {answer[4]}{whose}"


def spoilt(packet: bytes) -> bytes:
    """Return a packet with one bit of its sum turned over."""
    return packet[:125] + bytes([packet[125] ^ 1]) + packet[126:]
