"""Messages as values: what they are called and that they are values."""

from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from dryload.emulator.wire.checksum import checksum
from dryload.emulator.wire.codec import encode
from dryload.emulator.wire.messages import (
    TITLES,
    DataPacket,
    DumpHeader,
    DumpRequest,
    Handshake,
    HandshakeKind,
    Message,
    title,
)
from tests import oracle
from tests.strategies import MESSAGES, data_packets, handshakes, messages
from tests.vectors.checksums import CHECKSUMS, ChecksumVector


def test_every_kind_of_message_has_a_title_of_its_own() -> None:
    assert list(TITLES) == list(get_args(Message))
    assert len(set(TITLES.values())) == len(TITLES)
    assert set(MESSAGES) == set(TITLES)


def test_handshakes_have_the_sub_ids_of_the_standard() -> None:  # M1 p. 36
    assert {kind.name: kind.value for kind in HandshakeKind} == oracle.HANDSHAKES


@given(handshakes)
def test_a_handshake_is_called_by_its_name(handshake: Handshake) -> None:
    assert title(handshake) == handshake.kind.name


def test_other_messages_are_called_as_the_standard_calls_them() -> None:
    assert title(DumpRequest(device_id=0, sample_number=0)) == "dump request"


@given(messages)
def test_messages_are_values(message: Message) -> None:
    assert structs.replace(message) == message
    assert hash(structs.replace(message)) == hash(message)
    with pytest.raises(AttributeError):
        message.device_id = 0  # type: ignore[misc]  # the test is that it refuses


def test_a_standard_header_has_one_channel() -> None:  # M1 p. 37
    header = DumpHeader(
        device_id=0,
        sample_number=0,
        bits=16,
        period_ns=1,
        length=0,
        loop_start=0,
        loop_end=0,
        loop_type=0x7F,
    )
    assert header.channels == 1


@pytest.mark.parametrize("vector", CHECKSUMS, ids=lambda vector: vector.name)
def test_checksums_are_the_typed_ones(vector: ChecksumVector) -> None:  # M1 p. 37
    packet = DataPacket(
        device_id=vector.device_id,
        packet_number=vector.number,
        data=vector.data + bytes(120 - len(vector.data)),
        checksum=0,
    )
    assert checksum(packet) == vector.checksum


@given(data_packets)
def test_the_checksum_agrees_with_the_oracle(packet: DataPacket) -> None:
    assert checksum(packet) == oracle.checksum(encode(packet))


@given(data_packets, st.integers(0, 119), st.integers(0, 6))
def test_the_checksum_shows_every_single_bit(packet: DataPacket, place: int, bit: int) -> None:
    data = bytearray(packet.data)
    data[place] ^= 1 << bit
    damaged = structs.replace(packet, data=bytes(data))

    assert checksum(damaged) == checksum(packet) ^ 1 << bit


@given(data_packets, st.integers(0, 118))
def test_the_checksum_is_blind_to_swapped_bytes(packet: DataPacket, place: int) -> None:
    # The published sum is a plain XOR (M1 p. 37), so this must stay invisible.
    data = bytearray(packet.data)
    data[place], data[place + 1] = data[place + 1], data[place]

    assert checksum(structs.replace(packet, data=bytes(data))) == checksum(packet)
