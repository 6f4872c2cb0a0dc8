"""The unit's input buffer, byte by byte.

The line tells a unit of stretches of bytes, all at once.  Nobody may be able to tell that from a line
that tells it of every byte at its instant (31,250 baud, ten bits a byte: M1 p. 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from unittest.mock import patch

from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.dump.events import EventKind
from emulator.line.cable import Cable
from emulator.line.disturbance import (
    AddByte,
    DelayMessage,
    Disturbance,
    FlipBit,
    LoseByte,
    LoseMessage,
    RepeatMessage,
)
from emulator.unit.possible import Profile
from emulator.unit.traits import Habits, InputTraits, MemoryTraits, UnitTraits
from tests import oracle
from tests.line.players import BYTE_NS, FROM, TO, Player, apart, bytewise
from tests.unit.desk import Desk

HEADER = oracle.header(sample_number=0, bits=16, period_ns=22676, length=160)
PACKETS = [
    oracle.packet(number=number, data=bytes((number * 31 + at) % 128 for at in range(120)))
    for number in range(5)
]


class ByteCable(Cable):
    """The same cable, only that it tells of every byte by itself."""

    def send(self, message: bytes, now_ns: int) -> int:
        before = len(self.arrivals)
        left_ns = super().send(message, now_ns)
        new = [self.arrivals.pop() for _ in range(len(self.arrivals) - before)][::-1]
        self.arrivals.extend((at_ns, bytes([byte])) for at_ns, byte in apart(new))
        return left_ns


MESSAGES = st.sampled_from(
    [
        HEADER,
        *PACKETS,
        *PACKETS,
        oracle.packet(device_id=5, number=0, data=b"\x01"),
        oracle.packet(number=1, data=b"\x01")[:-2],  # no end
        oracle.identity_request(),
        oracle.dump_request(sample_number=0),
        oracle.sample_name(sample_number=0, name=b"bell"),
        oracle.handshake(kind="CANCEL"),
        b"\x90\x40\x7f\x41\x7f",
        b"\xf8",
    ]
)
GAPS = st.sampled_from([0, 0, 0, 1, BYTE_NS, 20_000_000]) | st.integers(0, 60_000_000)
TALK = st.lists(st.tuples(GAPS, MESSAGES), min_size=1, max_size=12)
PLACED = {"direction": st.just(TO), "message": st.integers(0, 8)}
PLACE = st.integers(0, 130)
DISTURBANCES: st.SearchStrategy[list[Disturbance]] = st.lists(
    st.one_of(
        st.builds(FlipBit, **PLACED, byte=PLACE, bit=st.integers(0, 7)),
        st.builds(LoseByte, **PLACED, byte=PLACE),
        st.builds(AddByte, **PLACED, byte=PLACE, value=st.integers(0, 255)),
        st.builds(LoseMessage, **PLACED),
        st.builds(RepeatMessage, **PLACED),
        st.builds(DelayMessage, **PLACED, by_ns=st.integers(0, 30_000_000)),
    ),
    max_size=3,
)
INPUTS = st.builds(
    InputTraits,
    buffer_bytes=st.sampled_from([128, 128, 140, 200, 4096]),
    store_packet_ns=st.sampled_from([0, 2_000_000, 45_000_000]) | st.integers(0, 90_000_000),
    store_header_ns=st.integers(0, 90_000_000),
)
UNIT = Profile(unit=UnitTraits(name="bench"), memory=MemoryTraits(bank_words=400, fitted=(1,)))


def outcome(
    profile: Profile, talk: Sequence[tuple[int, bytes]], disturbances: Sequence[Disturbance]
) -> tuple[object, ...]:
    """Everything that can be seen of a unit that is talked to like this."""
    desk = Desk(profile, disturbances)
    at_ns, script = 0, []
    for gap_ns, message in talk:
        at_ns += gap_ns
        script.append((at_ns, message))
    host = Player(*script)
    desk.line.connect(host)
    desk.line.run(lambda: host.is_over)
    desk.line.advance(5_000_000_000)
    lost = sum(int(e.detail.split()[0]) for e in desk.events if e.kind is EventKind.OVERRUN)
    rest = [event for event in desk.events if event.kind is not EventKind.OVERRUN]
    capture = desk.line.capture
    return (
        lost,
        bytewise(capture, FROM),
        rest,
        desk.words_in(1),
        desk.unit.keeper.receipt,
        desk.unit.panel.line_since_ns,
        bytewise(capture, TO),
    )


@given(traits=INPUTS, talk=TALK, disturbances=DISTURBANCES, wait=st.booleans())
@settings(max_examples=300, deadline=None, derandomize=True)
def test_stretches_cannot_be_told_from_single_bytes(
    traits: InputTraits,
    talk: list[tuple[int, bytes]],
    disturbances: list[Disturbance],
    wait: bool,
) -> None:
    profile = replace(UNIT, input=traits, habits=Habits(wait_before_ack=wait))
    in_stretches = outcome(profile, talk, disturbances)
    with patch("emulator.line.simulate.Cable", ByteCable):
        byte_by_byte = outcome(profile, talk, disturbances)
    assert in_stretches == byte_by_byte
