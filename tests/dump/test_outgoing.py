"""From a sample to the messages of its dump and back (M1 pp. 37-39, CA-019 pp. 1-4)."""

from __future__ import annotations

from fractions import Fraction
from hashlib import sha256

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from dryload.emulator.dump.outgoing import (
    HeaderKind,
    Outgoing,
    outgoing,
    packets_of,
    rate_of,
    sample_from,
    whole_sequence,
)
from dryload.emulator.dump.sample import Loop, Sample
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    ExtendedHeader,
    ExtendedLoopPoints,
    LoopPoints,
    SampleName,
)
from tests import oracle
from tests.strategies import samples
from tests.vectors import dumps
from tests.vectors.periods import NEIGHBOURS_OF_44100, PERIODS


def silence(frames: int = 4, *, bits: int = 16, channels: int = 1, **more: object) -> Sample:
    words = np.zeros(frames * channels, np.int16 if bits <= 16 else np.int32)
    fields: dict[str, object] = {"rate": Fraction(44100), **more}
    return Sample(words=words, bits=bits, channels=channels, **fields)  # type: ignore[arg-type]  # by name


def read_back(dump: Outgoing) -> Sample:
    """Read a dump's messages as a receiver does."""
    header = decode(dump.header)
    assert isinstance(header, DumpHeader | ExtendedHeader)
    data = []
    for body in dump.packets:
        packet = decode(body)
        assert isinstance(packet, DataPacket)
        data.append(packet.data)
    more = []
    for body in dump.after:
        message = decode(body)
        assert isinstance(message, LoopPoints | ExtendedLoopPoints | SampleName)
        more.append(message)
    return sample_from(header, np.frombuffer(b"".join(data), np.uint8), more)


def plain(sample: Sample) -> dict[str, object]:
    """Return a sample's fields so that they can be compared."""
    fields = {f.name: getattr(sample, f.name) for f in structs.fields(sample)}
    return {**fields, "words": sample.words.tolist(), "dtype": sample.words.dtype}


# Whole dumps.


@pytest.mark.parametrize("vector", dumps.ALL, ids=lambda vector: vector.name)
def test_typed_dumps_come_out_to_the_byte(vector: dumps.DumpVector) -> None:
    sample = Sample(
        words=np.array(vector.words, np.int16 if vector.bits <= 16 else np.int32),
        bits=vector.bits,
        rate=Fraction(1_000_000_000, vector.period_ns),
        sustain=Loop(start=vector.loop_start, end=vector.loop_end, loop_type=vector.loop_type),
    )
    dump = outgoing(sample, number=vector.sample_number, device_id=vector.device_id)
    whole = b"".join(whole_sequence(dump))

    assert len(whole) == vector.size
    assert sha256(whole).hexdigest() == vector.sha256
    assert dump.fallback is None
    assert dump.after == ()


@given(samples(), st.integers(0, 16_383), st.integers(0, 127))
def test_a_dump_is_what_the_oracle_makes_of_the_sample(
    sample: Sample, number: int, device_id: int
) -> None:
    dump = outgoing(sample, number=number, device_id=device_id)

    assert dump.header + b"".join(dump.packets) == oracle.dump(
        device_id=device_id,
        sample_number=number,
        bits=sample.bits,
        period_ns=sample.period_ns,
        words=sample.words.tolist(),
        loop_start=sample.sustain.start,
        loop_end=sample.sustain.end,
        loop_type=sample.sustain.loop_type,
    )
    assert [*dump.packets] == [*packets_of(sample, device_id=device_id)]
    assert dump.device_id == device_id


@given(samples(extended=True), st.integers(0, 16_383))
def test_an_extended_dump_is_what_the_oracle_makes_of_the_sample(
    sample: Sample, number: int
) -> None:
    dump = outgoing(sample, number=number, device_id=3, header="extended")
    ticks = sample.rate * 2**28
    assert ticks.denominator == 1

    assert dump.header + b"".join(dump.packets) == oracle.dump(
        device_id=3,
        sample_number=number,
        bits=sample.bits,
        extended=True,
        channels=sample.channels,
        rate_integer=int(ticks) // 2**28,
        rate_fraction=int(ticks) % 2**28,
        words=sample.words.tolist(),
        loop_start=sample.sustain.start,
        loop_end=sample.sustain.end,
        loop_type=sample.sustain.loop_type,
    )


@given(samples())
def test_a_sample_comes_back_as_it_went(sample: Sample) -> None:
    assert plain(read_back(outgoing(sample, number=1, device_id=0))) == plain(sample)


@given(samples(extended=True))
def test_a_sample_comes_back_from_an_extended_dump(sample: Sample) -> None:
    dump = outgoing(sample, number=1, device_id=0, header="extended")

    assert plain(read_back(dump)) == plain(sample)


# Which header.


@pytest.mark.parametrize(
    ("sample", "why"),
    [
        (silence(channels=2), "2 channels need the extended header"),
        (silence(rate=Fraction(400)), "400 Hz needs the extended header: its period does not fit"),
        (silence(rate=Fraction(3 * 10**9)), "3e+09 Hz needs the extended header"),
        (silence(sustain=Loop(start=0, end=3, loop_type=0x40)), "a loop backward, one way needs"),
        (silence(sustain=Loop(start=0, end=3, loop_type=0x11)), "a loop of unknown type needs"),
        (silence(2_097_152), "2097152 words need the extended header"),
        (silence(sustain=Loop(start=0, end=2**21, loop_type=0)), "a loop beyond word 2,097,151"),
    ],
)
def test_what_the_standard_header_cannot_say_needs_the_extended_one(
    sample: Sample, why: str
) -> None:  # HDR-14
    dump = outgoing(sample, number=1, device_id=0)
    assert isinstance(decode(dump.header), ExtendedHeader)
    assert dump.fallback is None
    assert outgoing(sample, number=1, device_id=0, header="extended") == dump
    with pytest.raises(ValueError, match=why.replace("+", r"\+")):
        outgoing(sample, number=1, device_id=0, header="standard")


def test_the_standard_header_is_used_where_it_suffices() -> None:  # EXT-08
    sample = silence(2_097_151)
    standard = outgoing(sample, number=1, device_id=0)
    extended = outgoing(sample, number=1, device_id=0, header="extended")

    assert isinstance(decode(standard.header), DumpHeader)
    assert outgoing(sample, number=1, device_id=0, header="standard") == standard
    # The extended header can be said otherwise (EXT-09).
    assert isinstance(decode(extended.header), ExtendedHeader)
    assert extended.fallback == standard.header
    assert extended.packets == standard.packets


@pytest.mark.parametrize("header", ["standard", "extended", "auto"])
def test_what_fits_no_header_is_a_value_error(header: HeaderKind) -> None:
    for number, device_id in ((16_384, 0), (1, 128), (-1, 0)):
        with pytest.raises(ValueError, match=r"fit|127|header"):
            outgoing(silence(), number=number, device_id=device_id, header=header)


# Rates.


@pytest.mark.parametrize(("rate", "period_ns", "_"), PERIODS)
def test_a_period_is_the_nearest_nanosecond(rate: int, period_ns: int, _: str) -> None:  # HDR-05
    assert silence(rate=Fraction(rate)).period_ns == period_ns


@pytest.mark.parametrize(("period_ns", "rate"), NEIGHBOURS_OF_44100)
def test_a_standard_header_states_its_rate_exactly(period_ns: int, rate: float) -> None:
    header = decode(oracle.header(sample_number=1, bits=16, period_ns=period_ns, length=0))
    assert isinstance(header, DumpHeader)

    assert rate_of(header) == Fraction(1_000_000_000, period_ns)
    assert round(float(rate_of(header)), 2) == rate


def test_an_extended_header_states_its_rate_exactly() -> None:  # EXT-02, CA-019 p. 2
    header = decode(
        oracle.extended_header(
            sample_number=1, bits=16, rate_integer=4000, rate_fraction=2**27, length=0
        )
    )
    assert isinstance(header, ExtendedHeader)
    assert rate_of(header) == Fraction(8001, 2)


@pytest.mark.parametrize(
    ("rate", "stated"),
    [
        (Fraction(44100, 1) * 1000 / 1001, (44055, 253_418_088)),  # EXT-02
        (Fraction(1, 2**29 + 1), (0, 0)),
        (Fraction(2**28 - 1), (2**28 - 1, 0)),
        (Fraction(2**28), (2**28 - 1, 2**28 - 1)),
        (Fraction(10**12), (2**28 - 1, 2**28 - 1)),
    ],
)
def test_the_extended_header_states_the_nearest_rate_it_can(
    rate: Fraction, stated: tuple[int, int]
) -> None:
    dump = outgoing(silence(rate=rate), number=1, device_id=0, header="extended")
    header = decode(dump.header)
    assert isinstance(header, ExtendedHeader)

    assert (header.rate_hz, header.rate_fraction) == stated


def test_a_header_without_a_rate_counts_as_the_least_it_could_say() -> None:  # HDR-04
    standard = decode(oracle.header(sample_number=1, bits=16, period_ns=0, length=0))
    extended = decode(oracle.extended_header(sample_number=1, bits=16, rate_integer=0, length=0))
    assert isinstance(standard, DumpHeader)
    assert isinstance(extended, ExtendedHeader)

    assert rate_of(standard) == 10**9
    assert rate_of(extended) == Fraction(1, 2**28)


# Loops and name.


def test_loops_and_name_follow_the_packets() -> None:
    loops = (
        (1, Loop(start=0, end=2, loop_type=0x00)),
        (7, Loop(start=1, end=3, loop_type=0x7F)),
    )
    dump = outgoing(silence(loops=loops, name="gulls"), number=300, device_id=5)

    assert list(dump.after) == [
        oracle.loop_points(
            device_id=5, sample_number=300, loop_number=1, loop_start=0, loop_end=2, loop_type=0
        ),
        oracle.loop_points(
            device_id=5, sample_number=300, loop_number=7, loop_start=1, loop_end=3, loop_type=0x7F
        ),
        oracle.sample_name(device_id=5, sample_number=300, name=b"gulls"),
    ]
    assert whole_sequence(dump) == [dump.header, *dump.packets, *dump.after]


def test_loops_of_an_extended_dump_are_extended() -> None:  # EXT-07
    loops = ((1, Loop(start=0, end=2, loop_type=0x42)),)
    dump = outgoing(silence(channels=2, loops=loops), number=1, device_id=0)

    assert list(dump.after) == [
        oracle.loop_points(
            sample_number=1, loop_number=1, loop_start=0, loop_end=2, loop_type=0x42, extended=True
        )
    ]


def test_a_loop_that_only_the_extended_message_can_say_is_said_with_it() -> None:  # LOP-06
    loops = (
        (1, Loop(start=0, end=2, loop_type=0x01)),
        (2, Loop(start=0, end=2, loop_type=0x42)),
        (3, Loop(start=0, end=2**21, loop_type=0x01)),
    )
    dump = outgoing(silence(loops=loops), number=1, device_id=0)

    assert isinstance(decode(dump.header), DumpHeader)
    assert [type(decode(body)) for body in dump.after] == [
        LoopPoints,
        ExtendedLoopPoints,
        ExtendedLoopPoints,
    ]
    assert read_back(dump).loops == loops


def test_a_name_beyond_ascii_loses_its_other_letters() -> None:  # NAM-02
    dump = outgoing(silence(name="Möwen"), number=1, device_id=0)

    assert dump.after == (oracle.sample_name(sample_number=1, name=b"M?wen"),)


def test_a_name_that_is_too_long_is_a_value_error() -> None:  # NAM-02
    with pytest.raises(ValueError, match="127"):
        outgoing(silence(name="g" * 128), number=1, device_id=0)
