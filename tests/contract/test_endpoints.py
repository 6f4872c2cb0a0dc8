"""What every endpoint promises its driver, checked alike on all there are.

No bytes whatever raise; events bear the time they were told; a message to send is whole; a deadline
that has not come does nothing; one that was handled is not in the past.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import Struct

from dryload.emulator.dump.endpoint import Endpoint
from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.dump.requester import Requester
from dryload.emulator.dump.script import Cue, Script
from dryload.emulator.dump.sender import Sender
from dryload.emulator.line.simulate import Silent
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.wire.codec import encode
from dryload.emulator.wire.messages import LoopPointsRequest, SampleNameRequest
from dryload.emulator.wire.splitter import PieceKind, split
from tests import oracle
from tests.strategies import messages, streams

ALL_CALL: Final = 0x7F  # every device obeys it, so that nothing here depends on an ID (M1 p. 35)


def make_sender() -> Endpoint:
    name = oracle.sample_name(device_id=ALL_CALL, sample_number=1, name=b"gulls")
    sender = Sender(
        Outgoing(
            header=oracle.extended_header(
                device_id=ALL_CALL, sample_number=1, bits=16, rate_integer=44100, length=120
            ),
            fallback=header(120),
            packets=PACKETS[:3],
            after=(name,),
        )
    )
    sender.start(0)
    return sender


def make_requester() -> Endpoint:
    requester = Requester(
        device_id=ALL_CALL,
        sample_number=1,
        questions=(
            LoopPointsRequest(device_id=ALL_CALL, sample_number=1, loop_number=16_383),
            SampleNameRequest(device_id=ALL_CALL, sample_number=1),
        ),
    )
    requester.start(0)
    return requester


def make_script() -> Endpoint:
    script = Script([Cue(0, header(80)), Cue(5, PACKETS[0]), Cue(50_000_000, PACKETS[1])])
    script.start(0)
    return script


def make_unit(name: str) -> Callable[[], Endpoint]:
    return lambda: RackUnit(_profile(name))


_profile: Final = cache(load_profile)


ENDPOINTS: Final[dict[str, Callable[[], Endpoint]]] = {
    "sender": make_sender,
    "requester": make_requester,
    "silent": Silent,
    "script": make_script,
    **{f"unit {name}": make_unit(name) for name in profile_names()},
}
ECHOING: Final = {f"unit {name}" for name in profile_names() if load_profile(name).habits.echo}
"""These copy to their output whatever comes in, torn or whole: that is their habit."""

endpoints = pytest.mark.parametrize("name", ENDPOINTS)


def header(length: int) -> bytes:
    return oracle.header(
        device_id=ALL_CALL, sample_number=1, bits=16, period_ns=22676, length=length
    )


PACKETS: Final = [
    oracle.packet(device_id=ALL_CALL, number=number, data=bytes([number])) for number in range(5)
]

# What gets an endpoint somewhere, beside what does not.
_useful: Final = st.one_of(
    st.sampled_from(PACKETS),
    st.sampled_from([0, 1, 40, 41, 120]).map(header),
    st.builds(
        lambda kind, number: oracle.handshake(device_id=ALL_CALL, kind=kind, packet_number=number),
        st.sampled_from(list(oracle.HANDSHAKES)),
        st.integers(0, 3),
    ),
    st.just(oracle.dump_request(device_id=ALL_CALL, sample_number=1)),
    st.just(oracle.identity_request()),
    st.just(oracle.loop_points_request(device_id=ALL_CALL, sample_number=1, loop_number=16_383)),
    st.sampled_from([bytes.fromhex("F0 7E 7F 02 F7"), PACKETS[0][:40], PACKETS[1][:99] + b"\xf7"]),
)
arrivals: Final = st.one_of(
    _useful,
    st.lists(_useful, min_size=2, max_size=3).map(b"".join),
    messages.map(encode),
    streams,
    st.binary(max_size=40),
)


class Step(Struct, frozen=True):
    """What a driver does next, and how much later."""

    do: str
    later_ns: int
    data: bytes = b""


_later: Final = st.sampled_from([0, 1, 320_000, 1_920_000, 40_640_000, 3_000_000_000])
steps: Final = st.lists(
    st.one_of(
        st.builds(Step, st.just("receive"), _later, arrivals),
        st.builds(Step, st.sampled_from(["take", "take", "due", "early"]), _later),
    ),
    max_size=25,
)


class Driver:
    """Drives one endpoint as a driver does, and checks each promise on the way."""

    def __init__(self, name: str) -> None:
        self.endpoint = ENDPOINTS[name]()
        self.echoes = name in ECHOING
        self.now_ns = 0
        self.on_the_wire = False

    def act(self, step: Step) -> None:
        """Take one step; on the way every deadline that comes is handled in time."""
        self.until(self.now_ns + step.later_ns)
        match step.do:
            case "receive":
                self.heard(self.endpoint.receive_bytes(step.data, self.now_ns))
            case "take":
                self.take()
            case "early":
                self.early()
            case "due":
                if (due_ns := self.endpoint.next_deadline_ns()) is not None:
                    self.until(max(due_ns, self.now_ns))

    def until(self, then_ns: int) -> None:
        """Let time pass."""
        for _ in range(10_000):
            due_ns = self.endpoint.next_deadline_ns()
            if due_ns is None or due_ns > then_ns:
                break
            self.now_ns = max(self.now_ns, due_ns)
            self.heard(self.endpoint.handle_deadline(self.now_ns))
            left = self.endpoint.next_deadline_ns()
            assert left is None or left > self.now_ns, "a deadline was handled and is still due"
        else:
            raise AssertionError("deadlines without end")
        self.now_ns = then_ns

    def take(self) -> None:
        """Put a message on the wire, or let the one that is there leave."""
        if self.on_the_wire:
            self.on_the_wire = False
            self.heard(self.endpoint.message_left(self.now_ns))
            return
        message = self.endpoint.bytes_to_send()
        self.on_the_wire = bool(message)
        if message and not self.echoes:
            (piece,) = split(message)
            assert piece.kind in (PieceKind.EXCLUSIVE, PieceKind.REALTIME)
            assert piece.realtime == ()

    def early(self) -> None:
        """Come before the deadline: nothing may happen."""
        due_ns = self.endpoint.next_deadline_ns()
        if due_ns is None or due_ns > self.now_ns:
            early_ns = self.now_ns if due_ns is None else min(due_ns - 1, self.now_ns + 10**6)
            assert list(self.endpoint.handle_deadline(early_ns)) == []
            assert self.endpoint.next_deadline_ns() == due_ns
            self.now_ns = max(self.now_ns, early_ns)

    def heard(self, events: object) -> None:
        """Check that events bear the time at which they were told."""
        assert isinstance(events, list | tuple)
        for event in events:
            assert event.now_ns == self.now_ns
            assert event.packet is None or event.packet >= 0
            assert event.kind.name != "UNEXPECTED", event.detail


@endpoints
@settings(max_examples=60, deadline=None)
@given(steps)
def test_an_endpoint_keeps_its_promises(name: str, walk: list[Step]) -> None:
    driver = Driver(name)
    for step in walk:
        driver.act(step)


@endpoints
@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(max_size=300) | streams, max_size=8))
def test_no_bytes_whatever_raise(name: str, chunks: list[bytes]) -> None:
    endpoint = ENDPOINTS[name]()
    for now_ns, chunk in enumerate(chunks):
        endpoint.receive_bytes(chunk, now_ns)
        endpoint.bytes_to_send()


@endpoints
def test_nothing_to_send_is_said_again_and_again(name: str) -> None:
    endpoint = ENDPOINTS[name]()
    for _ in range(10):
        endpoint.bytes_to_send()
    assert endpoint.bytes_to_send() == b""
    assert endpoint.bytes_to_send() == b""


@endpoints
def test_two_of_a_kind_do_the_same(name: str) -> None:
    # No clock, no randomness: the same inputs make the same outputs.
    def run() -> list[object]:
        endpoint = ENDPOINTS[name]()
        seen: list[object] = []
        for now_ns, body in enumerate([header(80), *PACKETS, header(0), oracle.identity_request()]):
            at_ns = now_ns * 50_000_000
            seen += endpoint.receive_bytes(body, at_ns)
            seen += [endpoint.next_deadline_ns(), endpoint.bytes_to_send()]
            seen += endpoint.message_left(at_ns)
            seen += [*endpoint.handle_deadline(at_ns + 10**7), endpoint.bytes_to_send()]
        return seen

    assert run() == run()


class Late:
    """An endpoint that breaks one promise: its deadline stays where it was."""

    def next_deadline_ns(self) -> int:
        return 5

    def handle_deadline(self, now_ns: int) -> tuple[()]:
        return ()


def test_the_check_can_fail() -> None:
    driver = Driver("silent")
    driver.endpoint = Late()  # type: ignore[assignment]  # it breaks the contract on purpose
    with pytest.raises(AssertionError, match="still due"):
        driver.act(Step("due", 10))
