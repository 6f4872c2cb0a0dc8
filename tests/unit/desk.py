"""A unit on a simulated line and what the checks of this room say to it over the line."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.outgoing import outgoing
from dryload.emulator.dump.replies import Limits
from dryload.emulator.dump.requester import Requester
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.dump.sender import Sender
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.possible import Profile
from dryload.emulator.wire.messages import Message
from tests import oracle
from tests.line.players import Player, exclusives
from tests.unit.rack import profile_of

FAR_NS = 10_000_000_000
"""Longer than any unit of these checks works on one message."""


def sample_of(
    words: Sequence[int],
    *,
    bits: int = 16,
    period_ns: int = 22_676,
    channels: int = 1,
    sustain: Loop = NO_LOOP,
) -> Sample:
    """A sample of these words."""
    dtype = np.int8 if bits == 8 else np.int16 if bits <= 16 else np.int32
    return Sample(
        words=np.array(words, dtype),
        bits=bits,
        rate=Fraction(1_000_000_000, period_ns),
        channels=channels,
        sustain=sustain,
    )


def noise(count: int, bits: int = 16, seed: int = 1) -> list[int]:
    """Words over the whole range that are the same every time."""
    rng = np.random.default_rng(seed)
    top = 1 << (bits - 1)
    return [int(word) for word in rng.integers(-top, top, count)]


class Desk:
    """The unit of a profile, a line to it, and hosts that come and go at its other end."""

    def __init__(self, profile: Profile | str = "", disturbances: Sequence[Disturbance] = ()):
        made = profile_of(profile) if isinstance(profile, str) else profile
        self.unit = RackUnit(made)
        self.events: list[Event] = []
        """What the unit reported."""
        self.host_events: list[Event] = []
        self.line = SimulatedLine(self.unit, disturbances=disturbances, listener=self._hear)

    def _hear(self, direction: Direction, events: Sequence[Event]) -> None:
        is_unit = direction is Direction.FROM_UNIT
        (self.events if is_unit else self.host_events).extend(events)

    @property
    def kinds(self) -> list[EventKind]:
        """What the unit reported."""
        return [event.kind for event in self.events]

    @property
    def now_ns(self) -> int:
        return self.line.now_ns

    def say(self, *messages: bytes, wait_ns: int = FAR_NS) -> list[bytes]:
        """Say messages back to back; return what the unit said until then and `wait_ns` after."""
        return exclusives(self.hear(*messages, wait_ns=wait_ns))

    def hear(self, *messages: bytes, wait_ns: int = FAR_NS) -> bytes:
        """Say messages back to back; return every byte that came back."""
        player = Player(*((self.now_ns, message) for message in messages))
        self.line.connect(player)
        self.line.run(lambda: player.is_over)
        self.line.advance(wait_ns)
        return player.heard

    def start(
        self,
        sample: Sample,
        number: int = 0,
        *,
        device_id: int = 0,
        switches: SenderSwitches | None = None,
        limits: Limits | None = None,
    ) -> Sender:
        """Connect a sender and start it, without letting time pass."""
        dump = outgoing(sample, number=number, device_id=device_id)
        sender = Sender(dump, switches=switches, limits=limits)
        self.line.connect(sender)
        sender.start(self.now_ns)
        return sender

    def send(
        self,
        sample: Sample,
        number: int = 0,
        *,
        device_id: int = 0,
        switches: SenderSwitches | None = None,
        limits: Limits | None = None,
    ) -> Sender:
        """Send a sample as the project's sender does, and let the unit come to rest."""
        sender = self.start(sample, number, device_id=device_id, switches=switches, limits=limits)
        assert self.line.run(lambda: sender.end is not None)
        self.line.run(lambda: not self.unit.is_receiving, until_ns=self.now_ns + FAR_NS)
        return sender

    def read(
        self, number: int = 0, *, device_id: int = 0, questions: Sequence[Message] = ()
    ) -> Requester:
        """Ask for a sample and take it."""
        requester = Requester(device_id=device_id, sample_number=number, questions=questions)
        self.line.connect(requester)
        requester.start(self.now_ns)
        assert self.line.run(lambda: requester.is_over)
        return requester

    def words_in(self, slot: int) -> list[int] | None:
        """The words that a slot holds."""
        sample = self.unit.slots[slot].sample
        return None if sample is None else [int(word) for word in sample.words]


def words_of(requester: Requester) -> list[int] | None:
    """What a requester was sent, taken apart by the plain codec; None where nothing whole came."""
    collected = requester.collected
    if not collected.whole or collected.header is None:
        return None
    header = collected.header
    size = oracle.bytes_per_word(header.bits) * header.length * header.channels
    data = b"".join(packet.data for packet in collected.packets)
    return oracle.bytes_to_words(data[:size], header.bits)
