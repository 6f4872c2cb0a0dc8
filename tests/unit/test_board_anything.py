"""Whatever comes in at any time: nothing raises, the memory adds up, and a good dump goes in."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec import Struct

from dryload.emulator.dump.sender import SenderEnd
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile, profile_names
from tests import oracle
from tests.line.players import Player
from tests.strategies import streams
from tests.unit.desk import Desk, noise, sample_of

SOUND = [name for name in profile_names() if not load_profile(name).input.drop_every_byte]
SEVEN = st.integers(0, 127)
FEW = st.integers(0, 5)
POINT = st.sampled_from([0, 1, 30, 2**21 - 1])
DEVICE = st.sampled_from([0, 0, 0, 0, 127, 5])


def _packet(device_id: int, number: int, fill: int, spoilt: int) -> bytes:
    whole = oracle.packet(device_id=device_id, number=number, data=bytes([fill]) * 120)
    return whole[:125] + bytes([whole[125] ^ spoilt]) + whole[126:]


SENSIBLE = st.one_of(
    st.builds(
        oracle.header,
        device_id=DEVICE,
        sample_number=FEW,
        bits=st.sampled_from([8, 12, 16, 24, 3]),
        period_ns=st.sampled_from([0, 1, 22676]),
        length=st.sampled_from([0, 1, 40, 100, 2**21 - 1]),
        loop_start=POINT,
        loop_end=POINT,
        loop_type=st.sampled_from([0, 1, 5, 127]),
    ),
    st.builds(
        oracle.extended_header,
        device_id=DEVICE,
        sample_number=FEW,
        bits=st.sampled_from([16, 24, 28]),
        rate_integer=st.sampled_from([0, 44100, 2**28 - 1]),
        rate_fraction=st.sampled_from([0, 2**28 - 1]),
        length=st.sampled_from([0, 1, 40, 100, 2**35 - 1]),
        loop_end=st.sampled_from([0, 2**35 - 1]),
        loop_type=SEVEN,
        channels=st.sampled_from([0, 1, 2, 127]),
    ),
    st.builds(_packet, DEVICE, FEW, SEVEN, st.sampled_from([0, 0, 0, 1])),
    st.builds(_packet, DEVICE, FEW, SEVEN, st.sampled_from([0, 0, 0, 1])),
    st.builds(
        oracle.handshake,
        device_id=DEVICE,
        kind=st.sampled_from(["ACK", "NAK", "WAIT", "CANCEL", "EOF"]),
        packet_number=FEW,
    ),
    st.builds(oracle.dump_request, device_id=DEVICE, sample_number=FEW),
    st.builds(
        oracle.loop_points,
        device_id=DEVICE,
        extended=st.booleans(),
        sample_number=FEW,
        loop_number=st.sampled_from([0, 1, 2, 16_383]),
        loop_type=SEVEN,
        loop_start=POINT,
        loop_end=POINT,
    ),
    st.builds(
        oracle.loop_points_request,
        device_id=DEVICE,
        extended=st.booleans(),
        sample_number=FEW,
        loop_number=st.sampled_from([0, 1, 16_383]),
    ),
    st.builds(oracle.sample_name, device_id=DEVICE, sample_number=FEW, name=st.just(b"x" * 127)),
    st.builds(oracle.sample_name_request, device_id=DEVICE, sample_number=FEW),
    st.builds(oracle.identity_request, device_id=DEVICE),
)
DATA = st.one_of(SENSIBLE, SENSIBLE, SENSIBLE, streams, st.binary(max_size=300))
GAPS = st.sampled_from([0, 0, 2_000_000, 10_000_000, 2_500_000_000]) | st.integers(0, 10**10)


class Press(Struct, frozen=True, dict=True):
    """Something a person does at the front panel."""

    button: str

    def on(self, unit: RackUnit, now_ns: int) -> None:
        panel = unit.panel
        if self.button == "confirm":
            unit.confirm(now_ns)
        elif self.button == "delete":
            panel.delete(1, now_ns)
        elif self.button == "banks":
            panel.fit_banks([1] if panel.profile.memory.places == 1 else [1, 2], now_ns)
        else:
            getattr(panel, self.button)(now_ns)


PRESSES = st.builds(
    Press, st.sampled_from(["confirm", "delete", "banks", "initialise", "power_off", "power_on"])
)
STEPS = st.lists(st.tuples(GAPS, DATA | DATA | DATA | PRESSES), max_size=14)
FEWER = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def check_memory(unit: RackUnit) -> None:
    """Every word belongs to one hole or one holding, and no sample is longer than its holding."""
    memory = unit.memory
    stretches = memory.stretches()
    places = [0]
    for stretch in stretches:
        assert stretch.region.start == places[-1]
        places.append(stretch.region.end)
    assert places[-1] == memory.capacity
    held = sum(slot.holding.words for slot in unit.slots.used())
    assert memory.used >= held
    assert unit.is_receiving or memory.used == held
    for slot in unit.slots.used():
        assert slot.sample is not None
        assert len(slot.sample.words) <= slot.holding.words


def is_message(message: bytes) -> bool:
    """Whether it is one whole exclusive message, or one real-time byte."""
    if len(message) == 1:
        return message[0] >= 0xF8
    return message[0] == 0xF0 and message[-1] == 0xF7 and message[1:-1].isascii()


@pytest.mark.parametrize("name", profile_names())
@given(steps=STEPS, late=st.integers(0, 3_000_000_000))
@FEWER
def test_nothing_raises_at_any_time(
    name: str, steps: list[tuple[int, bytes | Press]], late: int
) -> None:
    """The unit by itself, asked late or not at all, as a real port might."""
    unit = RackUnit(load_profile(name))
    echoes = unit.profile.habits.echo
    now_ns = 0
    for gap_ns, what in steps:
        now_ns += gap_ns
        if isinstance(what, Press):
            what.on(unit, now_ns)
        else:
            unit.receive_bytes(what, now_ns)
        check_memory(unit)
        deadline_ns = unit.next_deadline_ns()
        if deadline_ns is not None and deadline_ns <= now_ns + late:
            now_ns = max(now_ns, deadline_ns)
            unit.handle_deadline(now_ns)
        for _ in range(20):
            if not (message := unit.bytes_to_send()):
                break
            assert echoes or is_message(message)
            unit.message_left(now_ns)
    check_memory(unit)


@pytest.mark.parametrize("name", SOUND)
@given(steps=STEPS)
@FEWER
def test_afterwards_a_good_dump_goes_in(name: str, steps: list[tuple[int, bytes | Press]]) -> None:
    profile = load_profile(name)
    desk = Desk(profile)
    at_ns, host = 0, Player()
    for gap_ns, what in steps:
        at_ns += gap_ns
        if isinstance(what, Press):
            desk.line.at(at_ns, partial(what.on, desk.unit))
        elif what:
            host.add(at_ns, what)
    desk.line.connect(host)
    desk.line.run(lambda: host.is_over, until_ns=at_ns + 10**12)
    desk.line.advance(max(at_ns - desk.now_ns, 0) + 20_000_000_000)
    check_memory(desk.unit)
    assert not desk.unit.is_sending
    # whoever pressed buttons at random leaves the unit on and with its memory laid out
    desk.unit.panel.power_on(desk.now_ns)
    desk.unit.panel.initialise(desk.now_ns)
    bits = profile.words.accepts[0]
    words = noise(3 * oracle.words_per_packet(bits), bits)
    number = profile.slots.first_number + 2
    sender = desk.send(sample_of(words, bits=bits), number, device_id=profile.unit.device_id)
    assert sender.end is SenderEnd.SENT
    assert desk.words_in(3) == words
    check_memory(desk.unit)


@given(steps=st.lists(st.tuples(GAPS, DATA), max_size=14))
@FEWER
def test_a_unit_of_the_usual_kind_needs_nobody_to_press_anything(
    steps: list[tuple[int, bytes]],
) -> None:
    desk = Desk()
    at_ns, host = 0, Player()
    for gap_ns, data in steps:
        at_ns += gap_ns
        if data:
            host.add(at_ns, data)
    desk.line.connect(host)
    desk.line.run(lambda: host.is_over)
    desk.line.advance(20_000_000_000)
    words = noise(100)
    assert desk.send(sample_of(words), 2).end is SenderEnd.SENT
    assert desk.words_in(3) == words
    check_memory(desk.unit)
