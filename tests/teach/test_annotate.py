"""Explanations of single messages: no byte left out, and values as typed from the standard.

Layouts M1 pp. 36-40 and CA-019 pp. 1-4; words and checksum M1 p. 39.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.wire.clauses import clauses
from dryload.emulator.wire.codec import encode
from dryload.emulator.wire.layout import LAYOUTS
from dryload.emulator.wire.messages import Message
from dryload.harness.teach.fields import label_of
from tests import oracle
from tests.strategies import MESSAGES, messages, streams
from tests.teach.lines import annotate, explain_all
from tests.vectors import fields_ca019, fields_m1
from tests.vectors.field_vector import FieldVector

torn = st.builds(
    lambda message, cut, end: encode(message)[:cut] + end,
    messages,
    st.integers(1, 140),
    st.sampled_from([b"", b"\xf7", b"\x00\x00\xf7", b"\x90\x40\x40"]),
)
anything = st.one_of(
    messages.map(encode), torn, streams, st.lists(messages.map(encode), max_size=3).map(b"".join)
)


def values(data: bytes, bits: int | None = None) -> dict[str, str]:
    """Return what each field says, with what is wrong behind a slash."""
    return {
        line.field: line.value + (f" / {line.problem}" if line.problem else "")
        for line in annotate(data, bits=bits)
    }


# No byte left out.


@settings(max_examples=300, deadline=None)
@given(anything, st.booleans(), st.none() | st.integers(8, 28))
def test_every_byte_stands_in_exactly_one_line(data: bytes, every: bool, bits: int | None) -> None:
    found: dict[int, int] = {}
    for explained in explain_all(data, bits=bits, every=every):
        inside = {line.byte for line in explained.lines if line.field == "real time"}
        for line in explained.lines:
            place = line.byte
            for byte in bytes.fromhex(line.bytes):
                while line.field != "real time" and place in inside:
                    place += 1
                assert place not in found
                found[place] = byte
                place += 1
    assert bytes(found[place] for place in sorted(found)) == data
    assert sorted(found) == list(range(len(data)))


@settings(max_examples=300, deadline=None)
@given(anything)
def test_every_line_says_something_and_names_a_clause(data: bytes) -> None:
    lines = annotate(data)
    assert [line.byte for line in lines] == sorted(line.byte for line in lines)
    for line in lines:
        assert line.field
        assert line.value
        assert line.clause in clauses()
        assert not line.value.endswith(".")


@given(messages)
def test_a_whole_message_has_no_problem_as_a_whole(message: Message) -> None:
    (explained,) = explain_all(encode(message))

    assert explained.problems == ()
    assert (explained.byte, explained.size) == (0, len(encode(message)))


def test_the_fields_of_a_message_have_labels_of_their_own() -> None:
    assert len(MESSAGES) == len(LAYOUTS) == 13
    for layout in LAYOUTS.values():
        labels = [label_of(field.name) for field in layout.subcons]
        assert len(set(labels)) == len(labels)


# What the fields say.


def test_a_header() -> None:  # M1 p. 37
    assert values(fields_m1.HEADER_LONGEST.data) == {
        "begin": "System Exclusive begins",
        "family": "Universal Non-Real-Time",
        "device ID": "5",
        "sub-ID": "dump header",
        "sample number": "300",
        "significant bits": "12: a word takes 2 bytes, a packet holds 60 words",
        "sample period": "45,351 ns, that is 22,050.23 Hz",
        # 2,097,151 words / 60 a packet; times 45,351 ns.
        "length": "2,097,151 words in 34,953 packets, 1 min 35.1 s of sound",
        "loop start": "word 1,000",
        "loop end": "word 1,999, which is played too",
        "loop type": "backward and forward",
        "end": "System Exclusive ends",
    }


def test_an_extended_header() -> None:  # CA-019 pp. 1-3
    said = values(fields_ca019.EXTENDED_HEADER_PULLED_DOWN.data)
    assert said["sub-ID"] == "extension of the sample dump"
    assert said["second sub-ID"] == "extended dump header"
    assert said["sample rate"] == "44,055 Hz"
    assert said["fraction of it"] == "253,418,088 / 2**28: 44,055.94 Hz in all"
    assert said["length"] == "30 frames"
    assert said["loop type"] == "forward, no loop"
    assert said["channels"] == "1: mono, 30 words in all"

    stereo = values(fields_ca019.EXTENDED_HEADER_STEREO.data)
    assert stereo["fraction of it"] == "none: 44,100 Hz"
    assert stereo["channels"] == "2: stereo, left and right in turn, 6,000,000 words in all"
    many = oracle.extended_header(
        sample_number=1, bits=8, rate_integer=1, length=1, channels=5, loop_type=0x43
    )
    assert values(many)["channels"] == "5: one word of each in turn, 5 words in all"
    assert values(many)["loop type"] == "backward, to and fro, then the rest after key-up"


@pytest.mark.parametrize(
    ("fields", "field", "said"),
    [
        ({"bits": 7}, "significant bits", "7 / the standard allows 8 to 28"),
        ({"bits": 29}, "length", "41 words"),
        ({"period_ns": 0}, "sample period", "0 ns / that is not a rate"),
        ({"period_ns": 0}, "length", "41 words in 2 packets"),
        ({"loop_type": 5}, "loop type", "undefined / it must be 00, 01 or 7F"),
        ({"loop_start": 9, "loop_end": 8}, "loop end", "word 8 / it is before the loop start"),
        ({"loop_end": 41}, "loop end", "word 41 / the sample ends with word 40"),
        ({"loop_end": 40}, "loop end", "word 40, which is played too"),
        ({"device_id": 127}, "device ID", "127: every device"),
    ],
)
def test_what_is_wrong_with_a_field_stands_beside_it(
    fields: dict[str, int], field: str, said: str
) -> None:
    given_ = {"sample_number": 1, "bits": 16, "period_ns": 22676, "length": 41, **fields}
    assert values(oracle.header(**given_))[field] == said


def test_wrong_fields_of_an_extended_header() -> None:
    body = oracle.extended_header(
        sample_number=1, bits=16, rate_integer=0, length=1, channels=0, loop_type=0x11
    )
    said = values(body)
    assert said["fraction of it"] == "none / 0 Hz is not a rate"
    assert said["channels"] == "0 / the standard allows 1 to 127"
    assert said["loop type"] == "undefined / it must be one of ten from 00 to 7F"


@pytest.mark.parametrize("vector", fields_m1.ALL[3:8], ids=lambda vector: vector.name)
def test_handshakes(vector: FieldVector) -> None:  # M1 p. 36
    (explained,) = explain_all(vector.data)

    assert explained.title == vector.fields["kind"]
    assert values(vector.data)["packet number"] == "5"
    assert values(vector.data)["handshake"].startswith(f"{vector.fields['kind']}: ")


def test_loops_names_and_identity() -> None:
    assert values(fields_m1.DELETE_ALL_LOOPS.data)["loop number"] == "16,383: all loops"
    assert values(fields_m1.LOOP_POINTS.data)["loop number"] == "2"
    zero = oracle.loop_points_request(sample_number=1, loop_number=0)
    assert values(zero)["loop number"] == "0: the sustain loop of the header"
    name = values(fields_ca019.SAMPLE_NAME.data)
    assert name["name"] == '"Kick 01", 7 letters'
    assert name["language tag"] == "none: English"
    foreign = oracle.sample_name(sample_number=1, tag=b"de", name=b"\x01?")
    assert values(foreign)["language tag"] == '"de", 2 letters'
    assert values(foreign)["name"] == '"??", 2 letters / not all of it is plain letters'
    assert values(oracle.sample_name(sample_number=1, name=b""))["name"] == "none"
    reply = values(fields_m1.IDENTITY_REPLY.data)
    assert reply["sub-ID"] == "general information"
    assert reply["maker ID"] == "7D: not for sale, for study and rehearsal"
    assert (reply["unit family"], reply["family member"]) == ("257", "515")
    assert reply["revision"] == "0 0 1 2"
    assert values(fields_m1.IDENTITY_REPLY_LONG.data)["maker ID"] == "00 7F 7F: 3 bytes"


# Everything else.


@pytest.mark.parametrize(
    ("written", "title", "field", "said"),
    [
        ("90 40 40", "note on, channel 1", "short message", "note on, channel 1"),
        ("EF 00 40", "pitch bend, channel 16", "short message", "pitch bend, channel 16"),
        ("F2 00 40", "song position", "short message", "song position"),
        ("F6", "tune request", "short message", "tune request"),
        (
            "F5",
            "undefined status byte",
            "short message",
            "undefined status byte / must not be sent",
        ),
        (
            "F7",
            "F7 without a message",
            "short message",
            "F7 without a message / no message was open",
        ),
        ("FE", "real-time byte", "real time", "active sensing: belongs to no message"),
        (
            "FD",
            "real-time byte",
            "real time",
            "undefined: belongs to no message / must not be sent",
        ),
        (
            "05",
            "stray data bytes",
            "stray bytes",
            "1 data byte outside any message / a unit ignores them",
        ),
        (
            "F0 7D 01 02 F7",
            "another System Exclusive message",
            "family",
            "non-commercial, for study",
        ),
        (
            "F0 7E 00 09 F7",
            "another System Exclusive message",
            "family",
            "Universal Non-Real-Time, but not a sample dump message",
        ),
        ("F0 00 01 F7", "another System Exclusive message", "family", "a maker's own"),
        ("F0 F7", "another System Exclusive message", "begin", "System Exclusive begins"),
    ],
)
def test_what_is_no_message_of_a_sample_dump(
    written: str, title: str, field: str, said: str
) -> None:
    (explained,) = explain_all(bytes.fromhex(written))

    assert explained.title == title
    assert values(bytes.fromhex(written))[field] == said


def test_running_status_is_named() -> None:  # M1 p. A-2
    found = list(explain_all(bytes.fromhex("90 40 40 41 41")))
    assert found[1].title == "channel message without its status byte"
    assert found[1].lines[0].clause == "FRM-10"


def test_realtime_inside_a_message_is_shown_where_it_stands() -> None:  # FRM-03
    lines = annotate(bytes.fromhex("F0 7E 00 03 2C F8 02 F7"))

    assert [(line.field, line.byte) for line in lines][3:] == [
        ("sub-ID", 3),
        ("sample number", 4),
        ("real time", 5),
        ("end", 7),
    ]
    assert values(bytes.fromhex("F0 7E 00 03 2C F8 02 F7"))["sample number"] == "300"
