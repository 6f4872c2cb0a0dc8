"""The encoders on trial are what their labels say; the oracle and the typed vectors decide."""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterator, Set
from itertools import product
from pathlib import Path

import hypothesis
import numpy as np
import pytest
from hypothesis import strategies as st
from msgspec import structs

from dryload.emulator.wire.clauses import clauses
from tests import oracle
from tests.trial.encoders import ALL, BROKEN, RIGHT, UNNAMED
from tests.trial.plain import Extended, Plain
from tests.trial.subject import (
    DECLINES,
    DECLINES_TYPE,
    Given,
    Subject,
    as_bytes,
    call,
    given,
    said,
    spread,
    takes,
)
from tests.vectors import dumps, fields, fields_ca019, periods, words


def named(subject: Subject) -> str:
    return subject.name


# The reference.


@pytest.mark.parametrize("vector", dumps.ALL, ids=lambda vector: vector.name)
def test_reference_writes_the_typed_dumps(vector: dumps.DumpVector) -> None:
    asked = given(
        vector.words,
        bits=vector.bits,
        rate=1e9 / vector.period_ns,
        number=vector.sample_number,
        device_id=vector.device_id,
        loop=(vector.loop_start, vector.loop_end, vector.loop_type),
    )
    data = as_bytes(call(Plain().encode, asked))
    assert len(data) == vector.size
    assert hashlib.sha256(data).hexdigest() == vector.sha256


def test_reference_writes_the_typed_words() -> None:
    for bits, value, printed in words.WORDS:
        data = as_bytes(call(Plain().encode, given([value], bits=bits)))
        typed = bytes.fromhex(printed)
        assert data[26 : 26 + len(typed)] == typed, (bits, value)  # 21 of the header, 5 in front


def test_reference_writes_the_typed_periods() -> None:
    for rate, _, printed in periods.PERIODS:
        data = as_bytes(call(Plain().encode, given([0], rate=float(rate))))
        assert data[7:10] == bytes.fromhex(printed), rate


def test_reference_writes_the_typed_packet_counts() -> None:
    for case in words.PACKET_COUNTS:
        asked = given(np.zeros(case.words, np.int32), bits=case.bits)
        data = as_bytes(call(Plain().encode, asked))
        assert len(data) == 21 + 127 * case.packets, case
        assert data[-127 + 4] == case.last_number, case


def test_extended_header_is_the_typed_one() -> None:
    vector = fields_ca019.EXTENDED_HEADER_PULLED_DOWN
    asked = given([0] * 30, bits=24, rate=44100 / 1.001, number=1)
    assert as_bytes(call(Extended().encode, asked))[:34] == vector.data


def test_name_is_the_typed_one() -> None:
    typed = [
        vector
        for vector in fields.ALL
        if vector.message == "sample_name" and not vector.fields.get("tag")
    ]
    assert typed
    for vector in typed:
        number, device_id = vector.fields["sample_number"], vector.fields["device_id"]
        name = vector.fields["name"]
        assert isinstance(number, int)
        assert isinstance(device_id, int)
        assert isinstance(name, bytes)
        asked = given([], number=number, device_id=device_id, name=name.decode("ascii"))
        assert as_bytes(call(Plain().encode, asked))[21:] == vector.data


@hypothesis.given(st.data())
def test_reference_writes_what_the_oracle_writes(data: st.DataObject) -> None:
    bits = data.draw(st.integers(8, 28))
    half = 1 << (bits - 1)
    sample = data.draw(st.lists(st.integers(-half, half - 1), max_size=130))
    period = data.draw(st.integers(1000, 2**21 - 1))
    device_id, number = data.draw(st.integers(0, 127)), data.draw(st.integers(0, 16383))
    kind = data.draw(st.sampled_from([0x00, 0x01, 0x7F])) if sample else 0x7F
    end = data.draw(st.integers(0, max(len(sample) - 1, 0)))
    start = data.draw(st.integers(0, end))
    asked = given(
        sample,
        bits=bits,
        rate=1e9 / period,
        number=number,
        device_id=device_id,
        loop=(start, end, kind),
    )
    assert as_bytes(call(Plain().encode, asked)) == oracle.dump(
        device_id=device_id,
        sample_number=number,
        bits=bits,
        period_ns=period,
        words=sample,
        loop_start=start,
        loop_end=end,
        loop_type=kind,
    )


@pytest.mark.parametrize(
    "asked",
    [
        given([0], bits=7),
        given([0], bits=29),
        given([128], bits=8),
        given([0], number=16384),
        given([0], device_id=128),
        given([0], rate=0.0),
        given([0], rate=400.0),  # 2,500,000 ns do not fit 21 bits
        given([0], rate=4e9),  # less than half a nanosecond
        given([0], loop=(0, 1, 0x00)),
        given([0], loop=(0, 0, 0x02)),
        given([0], name="é"),
        given([0], name="x" * 128),
        given([0], name="a\nb"),
        given(np.zeros(2**21, np.int8)),
        given(np.zeros((2, 2), np.int32)),
    ],
)
def test_reference_declines_what_the_standard_cannot_say(asked: Given) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - whose words they are does not matter
        call(Plain().encode, asked)


# Wrong ones.


@pytest.mark.parametrize("subject", BROKEN + UNNAMED, ids=named)
def test_defect_shows_with_the_smallest_input_and_the_reference_has_none(subject: Subject) -> None:
    assert subject.shown(subject.make())
    assert not subject.shown(subject.reference())


SEVERAL_WORDS = [
    subject
    for subject in BROKEN + UNNAMED
    if subject.words > 1 and len(subject.shows) == 1 and not subject.shows[0].loop
]


@pytest.mark.parametrize("subject", SEVERAL_WORDS, ids=named)
def test_defect_hides_with_one_word_fewer(subject: Subject) -> None:
    smallest = subject.shows[0]
    fewer = [structs.replace(smallest, words=smallest.words[:-1])]
    assert said(subject.make(), fewer) == said(subject.reference(), fewer)


# Right ones.


def everyday() -> Iterator[Given]:
    """Calls of all kinds that the reference encodes."""
    for bits, length in product((8, 12, 14, 15, 16, 21, 22, 24, 28), (1, 2, 30, 40, 41, 60, 61)):
        yield given(spread(length, bits), bits=bits)
    yield given(spread(129 * 40 - 3))
    yield given([])
    yield given([-32768, 32767, 0, -1])
    yield given(np.zeros(81, np.int32))
    yield given(spread(20)[::-2])
    yield given(np.array([-3, 5], np.int64))
    yield given(np.array([-3, 5], np.int16))
    for rate in (8000.0, 11025.0, 25600.0, 44100 / 1.001, 48000.0, 96000.0, 192000.0, 500.5):
        yield given([1, 2], rate=rate)
    for number in (1, 127, 128, 300, 16383):
        yield given([1, 2], number=number, device_id=number % 128, name="music box")
    for kind in (0x00, 0x01, 0x7F):
        yield given(spread(50), loop=(10, 49, kind))
    yield given([1], name="x" * 127)


def messages_of(data: bytes) -> list[bytes]:
    """Whole messages without real-time bytes; nothing but messages may be there."""
    plain = oracle.strip_realtime(data)
    found = [raw for _, raw in oracle.split(plain)]
    assert b"".join(found) == plain
    assert all(raw[-1] == 0xF7 for raw in found)
    return found


def check_right(data: bytes, asked: Given, accepted: Set[str]) -> None:
    """The dump says what was asked for, as the oracle reads it; `accepted` as `takes` gives it."""
    found = messages_of(data)
    dump = [raw for raw in found if raw[3] in (0x01, 0x02) or raw[3:5] == b"\x05\x05"]
    assert found[: len(dump)] == dump, "something stands in front of the last packet"
    read = oracle.read_dump(b"".join(dump))
    assert read.words == in_range(asked)
    assert (read.bits, read.channels) == (asked.bits, 1)
    if "number" in accepted:
        assert read.sample_number == asked.number
    if "device_id" in accepted:
        assert read.device_id == asked.device_id
    else:
        assert read.device_id in (0x00, 0x7F)
    if "rate" in accepted:
        check_rate(read, asked.rate)
    loop = asked.loop if "loop" in accepted else None
    if loop and loop[2] != 0x7F:
        assert (read.loop_start, read.loop_end, read.loop_type) == loop
    else:
        assert read.loop_type == 0x7F
    for raw in found[len(dump) :]:
        check_after(raw, read, asked if "name" in accepted else structs.replace(asked, name=""))
    names = [raw for raw in found if raw[3:5] == b"\x05\x03"]
    assert bool(names) == bool("name" in accepted and asked.name)


def in_range(asked: Given) -> list[int]:
    """The words; floating point ones rounded, too large ones held at full scale (WRD-10)."""
    half = 1 << (asked.bits - 1)
    whole = [round(word) for word in asked.words.tolist()]
    return [min(max(word, -half), half - 1) for word in whole]


def check_rate(read: oracle.ReadDump, rate: float) -> None:
    if read.period_ns is not None:
        assert abs(read.period_ns - 1e9 / rate) < 1  # M1 p. 37: the unit is the nanosecond
    else:
        assert read.rate_integer is not None
        assert read.rate_fraction is not None
        carried = read.rate_integer * 2**28 + read.rate_fraction  # CA-019 p. 2
        assert abs(carried - rate * 2**28) <= 0.5


def check_after(raw: bytes, read: oracle.ReadDump, asked: Given) -> None:
    """What follows the last packet: a name, a loop 0 like the header's, or an EOF."""
    swapped = (asked.number >> 7) | (asked.number & 0x7F) << 7  # CA-019's examples
    allowed = [
        oracle.sample_name(
            device_id=read.device_id, sample_number=number, name=asked.name.encode("ascii")
        )
        for number in (asked.number, swapped)
        if asked.name
    ]
    allowed.append(oracle.handshake(device_id=read.device_id, kind="EOF"))  # M1 p. 45
    allowed.append(
        oracle.loop_points(
            device_id=read.device_id,
            sample_number=read.sample_number,
            loop_number=0,  # M1 p. 38: loop 0 is the header's
            loop_type=read.loop_type,
            loop_start=read.loop_start,
            loop_end=read.loop_end,
        )
    )
    assert raw in allowed


@pytest.mark.parametrize("subject", RIGHT, ids=named)
def test_right_one_encodes_its_oddity_as_the_oracle_reads_it(subject: Subject) -> None:
    encode, asked = subject.make(), subject.shows[0]
    check_right(as_bytes(call(encode, asked)), asked, takes(encode))


@pytest.mark.parametrize("subject", RIGHT, ids=named)
def test_right_one_encodes_everyday_calls_or_declines(subject: Subject) -> None:
    encode, declined, calls = subject.make(), 0, 0
    for asked in everyday():
        if asked.bits != 16 and "bits" not in takes(encode):
            continue
        calls += 1
        try:
            data = as_bytes(call(encode, asked))
        except DECLINES_TYPE as error:
            if asked.words.dtype == np.int32 and not isinstance(error, DECLINES):
                raise  # a crash
            declined += 1
            continue
        check_right(data, asked, takes(encode))
    assert declined < calls / 2


NOT_IN_THE_DUMP = (
    *("slow: 20 ms for every call", "dumps kept and handed out again for equal calls"),
    "tells on standard output and standard error what it does",
    "all settings in one ** parameter, words by place only",
)


@pytest.mark.parametrize(
    "subject", [subject for subject in RIGHT if subject.name not in NOT_IN_THE_DUMP], ids=named
)
def test_right_one_is_odd(subject: Subject) -> None:
    asked, encode, reference = subject.shows[0], subject.make(), Plain().encode
    if takes(encode) != takes(reference) or subject.declines:
        return
    try:
        plain = call(reference, asked)
    except DECLINES_TYPE:
        return
    result = call(encode, asked)
    assert type(result) is not type(plain) or result != plain


@pytest.mark.parametrize("subject", RIGHT, ids=named)
def test_right_one_declines_what_it_says(subject: Subject) -> None:
    for asked in subject.declines:
        with pytest.raises(DECLINES_TYPE):
            call(subject.make(), asked)


@pytest.mark.parametrize("subject", BROKEN, ids=named)
def test_the_check_of_right_ones_refuses_broken_ones(subject: Subject) -> None:
    encode = subject.make()
    data = [as_bytes(call(encode, asked)) for asked in subject.shows][-1]
    with pytest.raises((AssertionError, ValueError)):
        check_right(data, subject.shows[-1], takes(encode))


# The labels.


def test_names_are_unlike_and_clauses_are_in_the_register() -> None:
    assert len({subject.name for subject in ALL}) == len(ALL)
    register = clauses()
    for subject in BROKEN:
        assert subject.clauses, subject.name
        for clause_id in subject.clauses:
            evidence = {str(kind.value) for kind in register[clause_id].judged}
            assert evidence & {"file", "source"}, f"{subject.name}: {clause_id}"
    for subject in (*UNNAMED, *RIGHT):
        assert bool(subject.about) == (subject in UNNAMED)
        assert set(subject.clauses) <= set(register), subject.name


def test_encoders_import_nothing_from_the_project() -> None:
    files = ("subject.py", "plain.py", "encoders.py", "broken.py", "unnamed.py", "right.py")
    for source in (Path(__file__).with_name(name) for name in files):
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                assert name.split(".")[0] not in {"dryload", "emulator", "harness"}, source
