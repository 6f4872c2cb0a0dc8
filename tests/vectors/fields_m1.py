"""Messages of the MIDI 1.0 Detailed Specification, byte by byte, one comment a field.

All numbers go least significant 7-bit group first: value = first + 128 * second + 16384 * third ...
(M1 p. 37).
"""

from __future__ import annotations

from tests.vectors.field_vector import FieldVector, from_hex

HEADER_NO_LOOP = FieldVector(
    name="header: ID 0, sample 1, 16 bit, 22676 ns, 5 words, no loop",
    message="header",
    fields={
        "device_id": 0,
        "sample_number": 1,
        "bits": 16,
        "period_ns": 22676,
        "length": 5,
        "loop_start": 0,
        "loop_end": 0,
        "loop_type": 0x7F,
    },
    data=from_hex(
        "F0 7E",  # system exclusive, universal non-real-time (M1 p. 35)
        "00",  # device ID 0
        "01",  # sub-ID: dump header
        "01 00",  # sample number 1
        "10",  # 16 significant bits
        "14 31 01",  # period 22676 ns = 0x14 + 128 * 0x31 + 16384
        "05 00 00",  # length 5 words
        "00 00 00",  # sustain loop start 0
        "00 00 00",  # sustain loop end 0
        "7F",  # loop type: off
        "F7",  # end of exclusive
    ),
    source="layout M1 p. 37; bytes computed independently",
)

HEADER_LONGEST = FieldVector(
    name="header: ID 5, sample 300, 12 bit, 45351 ns, longest length, loop to and fro",
    message="header",
    fields={
        "device_id": 5,
        "sample_number": 300,
        "bits": 12,
        "period_ns": 45351,
        "length": 2097151,
        "loop_start": 1000,
        "loop_end": 1999,
        "loop_type": 0x01,
    },
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "05",  # device ID 5
        "01",  # sub-ID: dump header
        "2C 02",  # sample number 300 = 0x2C + 128 * 2
        "0C",  # 12 significant bits
        "27 62 02",  # period 45351 ns = 0x27 + 128 * 0x62 + 16384 * 2
        "7F 7F 7F",  # length 2097151 words, the most 21 bits hold
        "68 07 00",  # sustain loop start 1000 = 0x68 + 128 * 7
        "4F 0F 00",  # sustain loop end 1999 = 0x4F + 128 * 15
        "01",  # loop type: backward/forward
        "F7",  # end of exclusive
    ),
    source="layout M1 p. 37; bytes computed independently",
)

DUMP_REQUEST = FieldVector(
    name="dump request: sample 300",
    message="dump_request",
    fields={"device_id": 0, "sample_number": 300},
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "00",  # device ID 0
        "03",  # sub-ID: dump request
        "2C 02",  # sample number 300
        "F7",  # end of exclusive
    ),
    source="layout M1 p. 37; bytes computed independently",
)


def _handshake(kind: str, sub_id: str) -> FieldVector:
    return FieldVector(
        name=f"{kind} for packet 5",
        message="handshake",
        fields={"device_id": 0, "kind": kind, "packet_number": 5},
        data=from_hex(
            "F0 7E",  # universal non-real-time
            "00",  # device ID 0
            sub_id,  # sub-ID: which handshake
            "05",  # packet number 5
            "F7",  # end of exclusive
        ),
        source="M1 p. 36",
    )


ACK = _handshake("ACK", "7F")
NAK = _handshake("NAK", "7E")
CANCEL = _handshake("CANCEL", "7D")
WAIT = _handshake("WAIT", "7C")
EOF = _handshake("EOF", "7B")

LOOP_POINTS = FieldVector(
    name="loop 2 of sample 1, 1000-1999 forward",
    message="loop_points",
    fields={
        "device_id": 0,
        "sample_number": 1,
        "loop_number": 2,
        "loop_type": 0x00,
        "loop_start": 1000,
        "loop_end": 1999,
    },
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "00",  # device ID 0
        "05 01",  # sub-IDs: loop point transmission
        "01 00",  # sample number 1
        "02 00",  # loop number 2
        "00",  # loop type: forward only
        "68 07 00",  # start 1000
        "4F 0F 00",  # end 1999
        "F7",  # end of exclusive
    ),
    source="layout M1 p. 38; bytes computed independently",
)

DELETE_ALL_LOOPS = FieldVector(
    name="delete all loops of sample 129",
    message="loop_points",
    fields={
        "device_id": 0x10,
        "sample_number": 129,
        "loop_number": 16383,
        "loop_type": 0x7F,
        "loop_start": 0,
        "loop_end": 0,
    },
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "10",  # device ID 16
        "05 01",  # sub-IDs: loop point transmission
        "01 01",  # sample number 129
        "7F 7F",  # loop number 16383: delete all
        "7F",  # loop type: off (not looked at)
        "00 00 00",  # start (not looked at)
        "00 00 00",  # end (not looked at)
        "F7",  # end of exclusive
    ),
    source="layout and 7F 7F: M1 p. 38",
)

ALL_LOOPS_REQUEST = FieldVector(
    name="request all loops of sample 1",
    message="loop_points_request",
    fields={"device_id": 0, "sample_number": 1, "loop_number": 16383},
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "00",  # device ID 0
        "05 02",  # sub-IDs: loop points request
        "01 00",  # sample number 1
        "7F 7F",  # loop number 16383: all
        "F7",  # end of exclusive
    ),
    source="layout and 7F 7F: M1 p. 38",
)

IDENTITY_REQUEST = FieldVector(
    name="identity request to all",
    message="identity_request",
    fields={"device_id": 0x7F},
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "7F",  # device ID: every device
        "06 01",  # sub-IDs: identity request
        "F7",  # end of exclusive
    ),
    source="M1 p. 40",
)

IDENTITY_REPLY = FieldVector(
    name="identity reply with a one-byte maker ID",
    message="identity_reply",
    fields={
        "device_id": 5,
        "maker": b"\x7d",
        "family": 257,
        "member": 515,
        "revision": b"\x00\x00\x01\x02",
    },
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "05",  # device ID 5
        "06 02",  # sub-IDs: identity reply
        "7D",  # maker ID: the non-commercial one (M1 p. 34)
        "01 02",  # family 257 = 1 + 128 * 2
        "03 04",  # member 515 = 3 + 128 * 4
        "00 00 01 02",  # revision, in a private format
        "F7",  # end of exclusive
    ),
    source="layout M1 p. 40; bytes computed independently",
)

IDENTITY_REPLY_LONG = FieldVector(
    name="identity reply with a three-byte maker ID",
    message="identity_reply",
    fields={
        "device_id": 5,
        "maker": b"\x00\x7f\x7f",
        "family": 257,
        "member": 515,
        "revision": b"\x00\x00\x01\x02",
    },
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "05",  # device ID 5
        "06 02",  # sub-IDs: identity reply
        "00 7F 7F",  # maker ID of 3 bytes; these two are invented
        "01 02",  # family 257
        "03 04",  # member 515
        "00 00 01 02",  # revision, in a private format
        "F7",  # end of exclusive
    ),
    source="layout M1 p. 40; bytes computed independently",
)

ALL = (
    HEADER_NO_LOOP,
    HEADER_LONGEST,
    DUMP_REQUEST,
    ACK,
    NAK,
    CANCEL,
    WAIT,
    EOF,
    LOOP_POINTS,
    DELETE_ALL_LOOPS,
    ALL_LOOPS_REQUEST,
    IDENTITY_REQUEST,
    IDENTITY_REPLY,
    IDENTITY_REPLY_LONG,
)
