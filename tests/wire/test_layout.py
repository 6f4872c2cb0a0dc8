"""The table of offsets: its sizes, its names, its clauses, and construct's own reading of it.

Published layouts: M1 pp. 36-40, CA-019 pp. 1-4.
"""

from typing import get_args

import pytest
from construct import ConstError, Container, StreamError
from hypothesis import given

from dryload.emulator.wire.clauses import clauses
from dryload.emulator.wire.codec import decode, encode
from dryload.emulator.wire.layout import FIXED, LAYOUTS, SUB_IDS, VARIABLE, note_of
from dryload.emulator.wire.messages import Handshake, IdentityReply, Message, SampleName
from tests.strategies import MESSAGES, messages
from tests.vectors.fields import LENGTHS

NAMES = {
    "Handshake": "handshake",
    "DumpHeader": "header",
    "ExtendedHeader": "extended_header",
    "DataPacket": "packet",
    "DumpRequest": "dump_request",
    "LoopPoints": "loop_points",
    "LoopPointsRequest": "loop_points_request",
    "ExtendedLoopPoints": "extended_loop_points",
    "ExtendedLoopPointsRequest": "extended_loop_points_request",
    "SampleNameRequest": "sample_name_request",
    "IdentityRequest": "identity_request",
}
"""A message of fixed size to its name among the typed vectors."""
KINDS = get_args(Message)


def name_of(kind: type[Message]) -> str:
    return kind.__name__


def test_every_message_has_a_layout_and_is_fixed_or_variable() -> None:
    assert set(LAYOUTS) == set(KINDS)
    assert set(FIXED) == set(KINDS) - set(VARIABLE)
    assert set(VARIABLE) == {SampleName, IdentityReply}
    assert set(NAMES) == {kind.__name__ for kind in FIXED}


@pytest.mark.parametrize("kind", FIXED, ids=name_of)
def test_sizes_are_the_typed_ones(kind: type[Message]) -> None:
    assert FIXED[kind].size == LENGTHS[NAMES[kind.__name__]][0] == LAYOUTS[kind].sizeof()


@pytest.mark.parametrize("kind", FIXED, ids=name_of)
def test_spans_follow_one_another_from_f0_to_f7(kind: type[Message]) -> None:
    spans = FIXED[kind].spans

    assert spans[0].start == 0
    assert [span.stop for span in spans[:-1]] == [span.start for span in spans[1:]]
    assert spans[-1].stop == FIXED[kind].size
    assert [spans[0].name, spans[-1].name] == ["start", "end"]


@pytest.mark.parametrize("kind", KINDS, ids=name_of)
def test_fields_of_a_message_are_fields_of_its_layout(kind: type[Message]) -> None:
    names = [field.name for field in LAYOUTS[kind].subcons]
    frame = {"start", "family", "sub_id", "sub_id_2", "end", "maker_first"}

    assert len(set(names)) == len(names)
    assert set(names) - frame == set(kind.__struct_fields__)


@pytest.mark.parametrize("kind", KINDS, ids=name_of)
def test_every_field_names_a_clause_that_exists_and_says_something(kind: type[Message]) -> None:
    for field in LAYOUTS[kind].subcons:
        clause, meaning = note_of(field)
        assert clause in clauses(), field.name
        assert len(meaning) > 5, field.name


def test_a_span_is_found_by_name() -> None:
    assert FIXED[Handshake].span("packet_number") == slice(4, 5)  # M1 p. 36
    with pytest.raises(KeyError, match="nothing"):
        FIXED[Handshake].span("nothing")


def test_sub_ids_are_the_published_ones() -> None:
    # M1 pp. 35-40, CA-019 pp. 2-4: first or both sub-IDs, typed.
    typed = {
        "Handshake": {"7B", "7C", "7D", "7E", "7F"},
        "DumpHeader": {"01"},
        "DataPacket": {"02"},
        "DumpRequest": {"03"},
        "LoopPoints": {"05 01"},
        "LoopPointsRequest": {"05 02"},
        "SampleName": {"05 03"},
        "SampleNameRequest": {"05 04"},
        "ExtendedHeader": {"05 05"},
        "ExtendedLoopPoints": {"05 06"},
        "ExtendedLoopPointsRequest": {"05 07"},
        "IdentityRequest": {"06 01"},
        "IdentityReply": {"06 02"},
    }
    found: dict[str, set[str]] = {}
    for ids, kind in SUB_IDS.items():
        found.setdefault(kind.__name__, set()).add(bytes(ids).hex(" ").upper())

    assert found == typed


@given(messages)
def test_sub_ids_announce_what_the_layout_writes(message: Message) -> None:
    body = encode(message)
    ids = tuple(body[3:5])

    assert (SUB_IDS.get(ids[:1]) or SUB_IDS[ids]) is type(message)


@given(messages)
def test_construct_reads_what_decode_reads(message: Message) -> None:
    body = encode(message)
    read: Container = LAYOUTS[type(message)].parse(body)
    found = decode(body)

    assert found == message
    for name in message.__struct_fields__:
        assert read[name] == getattr(found, name), name


@pytest.mark.parametrize("kind", FIXED, ids=name_of)
def test_construct_refuses_what_decode_calls_malformed(kind: type[Message]) -> None:
    body = bytes([0xF0, 0x7E, *[0] * (FIXED[kind].size - 3), 0xF7])
    for ids, announced in SUB_IDS.items():
        if announced is kind:
            body = body[:3] + bytes(ids) + body[3 + len(ids) :]
    LAYOUTS[kind].parse(body)

    with pytest.raises(StreamError):
        LAYOUTS[kind].parse(body[:-1])
    with pytest.raises(ConstError):
        LAYOUTS[kind].parse(b"\xf1" + body[1:])
    with pytest.raises(ConstError):
        LAYOUTS[kind].parse(body[:-1] + b"\x00")


def test_generators_reach_every_layout() -> None:
    assert set(MESSAGES) == set(LAYOUTS)
