"""Bytes to messages and back, against typed vectors and the independent oracle.

Layouts: M1 pp. 36-40, CA-019 pp. 1-4.
"""

from collections.abc import Callable
from hashlib import sha256

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from dryload.emulator.wire.codec import Foreign, Malformed, decode, encode, handshake, kind_of
from dryload.emulator.wire.layout import FIXED, LAYOUTS, SUB_IDS
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    ExtendedLoopPoints,
    ExtendedLoopPointsRequest,
    Handshake,
    HandshakeKind,
    IdentityReply,
    IdentityRequest,
    LoopPoints,
    LoopPointsRequest,
    Message,
    SampleName,
    SampleNameRequest,
)
from tests import oracle
from tests.strategies import MESSAGES, data_packets, handshakes, messages
from tests.vectors import dumps, fields
from tests.vectors.checksums import CHECKSUMS, ChecksumVector

KIND_OF_VECTOR: dict[str, type[Message]] = {
    "header": DumpHeader,
    "handshake": Handshake,
    "dump_request": DumpRequest,
    "loop_points": LoopPoints,
    "loop_points_request": LoopPointsRequest,
    "identity_request": IdentityRequest,
    "identity_reply": IdentityReply,
    "extended_header": ExtendedHeader,
    "extended_loop_points": ExtendedLoopPoints,
    "extended_loop_points_request": ExtendedLoopPointsRequest,
    "sample_name": SampleName,
    "sample_name_request": SampleNameRequest,
}
OURS = {"rate_integer": "rate_hz", "tag": "language", "family": "family_code"}
"""Names of fields that differ between the vectors and the project."""
THEIRS = {ours: theirs for theirs, ours in OURS.items()}


def from_vector(vector: fields.FieldVector) -> Message:
    values = {OURS.get(name, name): value for name, value in vector.fields.items()}
    if vector.message == "handshake":
        values["kind"] = HandshakeKind[str(values["kind"])]
    kind: Callable[..., Message] = KIND_OF_VECTOR[vector.message]
    return kind(**values)


def by_oracle(message: Message) -> bytes:
    """Return a message's bytes as the oracle writes them."""
    values = {THEIRS.get(n, n): getattr(message, n) for n in message.__struct_fields__}
    if isinstance(message, DataPacket):
        right = oracle.packet(
            device_id=message.device_id, number=message.packet_number, data=message.data
        )
        return right[:-2] + bytes([message.checksum]) + right[-1:]
    if isinstance(message, Handshake):
        values["kind"] = message.kind.name
    if isinstance(message, ExtendedLoopPoints | ExtendedLoopPointsRequest):
        values["extended"] = True
    name = next(n for n, kind in KIND_OF_VECTOR.items() if kind is type(message))
    write: Callable[..., bytes] = getattr(
        oracle, name.replace("extended_loop", "loop"), oracle.header
    )
    return write(**values)


# What is right.


@pytest.mark.parametrize("vector", fields.ALL, ids=lambda vector: vector.name)
def test_typed_messages_are_read_and_written(vector: fields.FieldVector) -> None:
    message = from_vector(vector)

    assert decode(vector.data) == message
    assert encode(message) == vector.data


@pytest.mark.parametrize("vector", CHECKSUMS, ids=lambda vector: vector.name)
def test_typed_packets_are_read_and_written(vector: ChecksumVector) -> None:  # M1 pp. 37, 39
    data = vector.data + bytes(120 - len(vector.data))
    body = oracle.packet(device_id=vector.device_id, number=vector.number, data=vector.data)
    message = DataPacket(
        device_id=vector.device_id,
        packet_number=vector.number,
        data=data,
        checksum=vector.checksum,
    )

    assert decode(body) == message
    assert encode(message) == body


@pytest.mark.parametrize("vector", dumps.ALL, ids=lambda vector: vector.name)
def test_the_headers_of_typed_dumps_are_written(vector: dumps.DumpVector) -> None:
    header = DumpHeader(**{name: getattr(vector, name) for name in DumpHeader.__struct_fields__})
    packets = oracle.packets(device_id=vector.device_id, bits=vector.bits, words=vector.words)
    whole = encode(header) + b"".join(packets)

    assert len(whole) == vector.size
    assert {at: whole[at : at + len(data)] for at, data in vector.quoted.items()} == vector.quoted
    # The digest is of the whole, so a header with one wrong bit would show.
    assert sha256(whole).hexdigest() == vector.sha256


@given(messages)
def test_any_message_is_written_as_the_oracle_writes_it(message: Message) -> None:
    assert encode(message) == by_oracle(message)


@given(messages)
def test_what_was_written_is_read_again(message: Message) -> None:
    assert decode(encode(message)) == message
    assert kind_of(encode(message)) is type(message)


@given(data_packets)
def test_the_short_way_for_packets_reads_what_the_layout_says(packet: DataPacket) -> None:
    body = encode(packet)
    read = LAYOUTS[DataPacket].parse(body)

    assert decode(body) == DataPacket(
        device_id=read.device_id,
        packet_number=read.packet_number,
        data=read.data,
        checksum=read.checksum,
    )


@given(handshakes)
def test_the_short_way_for_handshakes_writes_what_the_layout_says(message: Handshake) -> None:
    short = handshake(
        message.kind, device_id=message.device_id, packet_number=message.packet_number
    )
    assert short == encode(message)


# What is not.

anything = st.binary(max_size=140)
dressed = st.builds(
    lambda ids, rest, end: b"\xf0\x7e\x00" + bytes(ids) + rest + end,
    st.sampled_from(list(SUB_IDS)),
    st.binary(max_size=40),
    st.sampled_from([b"\xf7", b""]),
)


@st.composite
def nearly(draw: st.DrawFn) -> bytes:
    """Return a message with one byte changed, lost or added."""
    body = bytearray(encode(draw(messages)))
    place = draw(st.integers(0, len(body) - 1))
    match draw(st.sampled_from(["change", "lose", "add"])):
        case "change":
            body[place] = draw(st.integers(0, 255))
        case "lose":
            del body[place]
        case _:
            body.insert(place, draw(st.integers(0, 255)))
    return bytes(body)


@settings(max_examples=500, deadline=None)
@given(anything | dressed | nearly())
def test_no_bytes_raise_and_a_message_is_always_exactly_its_bytes(body: bytes) -> None:
    found = decode(body)

    if isinstance(found, Foreign):
        assert kind_of(body) is None
        assert found.body == body
    elif isinstance(found, Malformed):
        assert found.kind is kind_of(body)
        assert found.body == body
    else:
        assert encode(found) == body


@pytest.mark.parametrize("kind", FIXED)
@given(data=st.data())
def test_a_wrong_length_is_malformed_and_says_the_right_one(
    kind: type[Message], data: st.DataObject
) -> None:  # FRM-05
    body = encode(data.draw(MESSAGES[kind]))
    short, long = body[:-2] + b"\xf7", body[:-1] + b"\x00\xf7"

    for wrong in (short, long):
        announced = kind_of(wrong)
        if announced is kind:
            size = fields.LENGTHS.get(kind.__name__, (len(body),))[0]
            assert decode(wrong) == Malformed(kind=kind, body=wrong, expected_length=size)
        else:
            assert announced is None  # the sub-ID itself was cut off


@given(messages)
def test_without_its_f7_a_message_is_malformed(message: Message) -> None:  # FRM-01
    for wrong in (encode(message)[:-1], encode(message)[:-1] + b"\x00"):
        found = decode(wrong)
        assert isinstance(found, Malformed)
        assert found.kind is type(message)


@given(messages, st.data())
def test_a_byte_above_7f_inside_is_malformed(message: Message, data: st.DataObject) -> None:
    body = bytearray(encode(message))
    first = 5 if body[3] in (5, 6) else 4
    place = data.draw(st.sampled_from([2, *range(first, len(body) - 1)]))
    body[place] |= 0x80

    found = decode(bytes(body))

    assert isinstance(found, Malformed)
    assert found.kind is type(message)


@pytest.mark.parametrize(
    "written",
    [
        "",
        "F0",
        "F0 7E 00",
        "F0 F7",
        "F0 7E 00 F7",  # no sub-ID
        "F0 7E 00 05 F7",  # an extension without saying which
        "F0 7E 00 04 00 F7",  # time code, no message of a sample dump (M1 table VIIa)
        "F0 7E 00 05 08 00 F7",  # a sub-ID nobody has given out
        "F0 7E 00 06 03 F7",
        "F0 7F 00 01 00 F7",  # real time family (M1 p. 35)
        "F0 7D 01 02 03 F7",  # non-commercial use (M1 p. 34)
        "90 40 40",
        "F1 7E 00 7F 05 F7",
    ],
)
def test_what_is_no_message_of_the_standard_is_foreign(written: str) -> None:
    body = bytes.fromhex(written)

    assert decode(body) == Foreign(body=body)


@pytest.mark.parametrize("length", [6, 127])
def test_the_short_ways_are_taken_by_what_they_are_meant_for_only(length: int) -> None:
    foreign = b"\xf0\x7e\x00\x09" + bytes(length - 5) + b"\xf7"
    assert decode(foreign) == Foreign(body=foreign)
    name = oracle.sample_name(sample_number=1, name=bytes(117))  # 127 bytes too

    assert len(name) == 127
    assert isinstance(decode(name), SampleName)


def test_a_handshake_without_its_packet_number_is_malformed() -> None:  # HSK-01
    body = bytes.fromhex("F0 7E 00 7F F7")

    assert decode(body) == Malformed(kind=Handshake, body=body, expected_length=6)


@pytest.mark.parametrize(
    "written",
    [
        "F0 7E 00 05 03 01 00 00 07 4B 69 F7",  # 7 letters announced, 2 there (NAM-01)
        "F0 7E 00 05 03 01 00 00 01 4B 69 F7",  # one letter too many
        "F0 7E 00 05 03 01 00 05 07 4B 69 F7",  # the language tag runs over the end
        "F0 7E 00 05 03 F7",
        "F0 7E 00 06 02 7D 01 02 03 04 00 00 01 F7",  # IDN-01: 14 bytes
        "F0 7E 00 06 02 7D 01 02 03 04 00 00 01 02 03 F7",  # 16 bytes
        "F0 7E 00 06 02 00 7F 7F 01 02 03 04 00 00 01 F7",  # a long maker, 16 bytes
    ],
)
def test_names_and_identities_whose_lengths_do_not_add_up_are_malformed(written: str) -> None:
    body = bytes.fromhex(written)
    kind = SampleName if body[3] == 5 else IdentityReply

    assert decode(body) == Malformed(kind=kind, body=body, expected_length=None)


# What a caller asks for and cannot have.

ACK = Handshake(device_id=0, kind=HandshakeKind.ACK, packet_number=5)
REPLY = IdentityReply(
    device_id=0, maker=b"\x7d", family_code=0, member=0, revision=b"\x00\x00\x00\x00"
)
NAME = SampleName(device_id=0, sample_number=0, language=b"", name=b"gulls")
PACKET = DataPacket(device_id=0, packet_number=0, data=bytes(120), checksum=0)


@pytest.mark.parametrize(
    "message",
    [
        structs.replace(ACK, device_id=128),
        structs.replace(ACK, device_id=256),
        structs.replace(ACK, device_id=-1),
        structs.replace(ACK, packet_number=128),
        DumpRequest(device_id=0, sample_number=16_384),
        DumpRequest(device_id=0, sample_number=-1),
        structs.replace(PACKET, data=bytes(119)),
        structs.replace(PACKET, data=bytes(121)),
        structs.replace(PACKET, data=bytes(119) + b"\x80"),
        structs.replace(PACKET, checksum=0x80),
        structs.replace(NAME, name=bytes(128)),
        structs.replace(NAME, name=bytes(256)),
        structs.replace(NAME, name=b"\xe9"),
        structs.replace(REPLY, maker=b""),
        structs.replace(REPLY, maker=b"\x00"),
        structs.replace(REPLY, maker=b"\x00\x01"),
        structs.replace(REPLY, maker=b"\x01\x02\x03"),
        structs.replace(REPLY, revision=b"\x00"),
    ],
    ids=str,
)
def test_a_field_that_does_not_fit_is_a_value_error_that_names_the_message(
    message: Message,
) -> None:
    with pytest.raises(ValueError, match=r"fit|has no bytes|above 127"):
        encode(message)
