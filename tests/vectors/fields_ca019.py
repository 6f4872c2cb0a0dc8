"""Messages of the Sample Dump extensions, byte by byte, one comment a field.

All numbers go least significant 7-bit group first: value = first + 128 * second + 16384 * third ...
(CA-019 pp. 1-4).
"""

from __future__ import annotations

from tests.vectors.field_vector import FieldVector, from_hex

EXTENDED_HEADER_STEREO = FieldVector(
    name="extended header: sample 1, 16 bit, 44100 Hz, 3000000 frames, looped, stereo",
    message="extended_header",
    fields={
        "device_id": 0,
        "sample_number": 1,
        "bits": 16,
        "rate_integer": 44100,
        "rate_fraction": 0,
        "length": 3000000,
        "loop_start": 0,
        "loop_end": 2999999,
        "loop_type": 0x00,
        "channels": 2,
    },
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "00",  # device ID 0
        "05 05",  # sub-IDs: extended dump header
        "01 00",  # sample number 1
        "10",  # 16 significant bits
        "44 58 02 00",  # rate, whole hertz: 44100 = 0x44 + 128 * 0x58 + 16384 * 2
        "00 00 00 00",  # rate, fraction: 0
        "40 0D 37 01 00",  # length 3000000 = 0x40 + 128 * 13 + 16384 * 55 + 2097152
        "00 00 00 00 00",  # loop start 0
        "3F 0D 37 01 00",  # loop end 2999999, the last one played (CA-019 p. 2)
        "00",  # loop type: forward
        "02",  # 2 channels
        "F7",  # end of exclusive
    ),
    source="layout CA-019 pp. 1-3; bytes computed independently",
)

EXTENDED_HEADER_PULLED_DOWN = FieldVector(
    name="extended header: 44100 / 1.001 Hz, 24 bit, mono, no loop",
    message="extended_header",
    fields={
        "device_id": 0,
        "sample_number": 1,
        "bits": 24,
        "rate_integer": 44055,
        "rate_fraction": 253418088,
        "length": 30,
        "loop_start": 0,
        "loop_end": 0,
        "loop_type": 0x7F,
        "channels": 1,
    },
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "00",  # device ID 0
        "05 05",  # sub-IDs: extended dump header
        "01 00",  # sample number 1
        "18",  # 24 significant bits
        "17 58 02 00",  # rate, whole hertz: 44055
        "68 34 6B 78",  # rate, fraction: 253418088 / 2**28 = 0.944055...
        "1E 00 00 00 00",  # length 30
        "00 00 00 00 00",  # loop start 0
        "00 00 00 00 00",  # loop end 0
        "7F",  # loop type: forward one-shot, no loop
        "01",  # 1 channel
        "F7",  # end of exclusive
    ),
    source="layout CA-019 pp. 1-3; bytes computed independently",
)

EXTENDED_HEADER_ALL_CALL = FieldVector(
    name="extended header: all-call, sample 5, 8 bit, 4000.5 Hz, 2**30 words, type 03, 2 channels",
    message="extended_header",
    fields={
        "device_id": 0x7F,
        "sample_number": 5,
        "bits": 8,
        "rate_integer": 4000,
        "rate_fraction": 134217728,
        "length": 1073741824,
        "loop_start": 1024,
        "loop_end": 1048576,
        "loop_type": 0x03,
        "channels": 2,
    },
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "7F",  # device ID: every device (M1 p. 35)
        "05 05",  # sub-IDs: extended dump header
        "05 00",  # sample number 5
        "08",  # 8 significant bits
        "20 1F 00 00",  # rate, whole hertz: 4000 = 0x20 + 128 * 31
        "00 00 00 40",  # rate, fraction: 2**27 units of 2**-28 Hz, half a hertz
        "00 00 00 00 04",  # length 2**30 = 4 * 2**28
        "00 08 00 00 00",  # loop start 1024 = 8 * 128
        "00 00 40 00 00",  # loop end 1048576 = 64 * 16384
        "03",  # loop type: forward to and fro, with release
        "02",  # 2 channels
        "F7",  # end of exclusive
    ),
    source="layout CA-019 pp. 1-3; bytes as in the unit test of the open-source library midi-msg",
)

EXTENDED_LOOP_POINTS = FieldVector(
    name="extended loop 2 of sample 1, 3000000-3999999, type 02",
    message="extended_loop_points",
    fields={
        "device_id": 0,
        "sample_number": 1,
        "loop_number": 2,
        "loop_type": 0x02,
        "loop_start": 3000000,
        "loop_end": 3999999,
    },
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "00",  # device ID 0
        "05 06",  # sub-IDs: extended loop point transmission
        "01 00",  # sample number 1
        "02 00",  # loop number 2
        "02",  # loop type: forward with release
        "40 0D 37 01 00",  # start 3000000
        "7F 11 74 01 00",  # end 3999999 = 0x7F + 128 * 17 + 16384 * 116 + 2097152
        "F7",  # end of exclusive
    ),
    source="layout CA-019 p. 3 (byte order by analogy); bytes computed independently",
)

EXTENDED_LOOP_POINTS_REQUEST = FieldVector(
    name="extended loop request: loop 2 of sample 1",
    message="extended_loop_points_request",
    fields={"device_id": 0, "sample_number": 1, "loop_number": 2},
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "00",  # device ID 0
        "05 07",  # sub-IDs: extended loop points request
        "01 00",  # sample number 1
        "02 00",  # loop number 2
        "F7",  # end of exclusive
    ),
    source="layout CA-019 p. 3; bytes computed independently",
)

SAMPLE_NAME = FieldVector(
    name='name "Kick 01" for sample 1',
    message="sample_name",
    fields={"device_id": 0, "sample_number": 1, "tag": b"", "name": b"Kick 01"},
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "00",  # device ID 0
        "05 03",  # sub-IDs: sample name transmission
        "01 00",  # sample number 1, least significant first as everywhere in M1
        "00",  # language tag of 0 bytes: English, ASCII
        "07",  # name of 7 bytes
        "4B 69 63 6B 20 30 31",  # K i c k space 0 1
        "F7",  # end of exclusive
    ),
    source="layout CA-019 p. 4; sample number LSB first as M1 p. 37; bytes computed independently",
)

SAMPLE_NAME_REQUEST = FieldVector(
    name="name request: sample 300",
    message="sample_name_request",
    fields={"device_id": 0, "sample_number": 300},
    data=from_hex(
        "F0 7E",  # universal non-real-time
        "00",  # device ID 0
        "05 04",  # sub-IDs: sample name request
        "2C 02",  # sample number 300, least significant first as everywhere in M1
        "F7",  # end of exclusive
    ),
    source="layout CA-019 p. 4; sample number LSB first as M1 p. 37; bytes computed independently",
)

ALL = (
    EXTENDED_HEADER_STEREO,
    EXTENDED_HEADER_PULLED_DOWN,
    EXTENDED_HEADER_ALL_CALL,
    EXTENDED_LOOP_POINTS,
    EXTENDED_LOOP_POINTS_REQUEST,
    SAMPLE_NAME,
    SAMPLE_NAME_REQUEST,
)
