"""Generators for the property tests: messages, samples, streams of pieces.

Samples that make sense, dumps and damage are in `dryload.strategies`, for everybody.

What a message's fields may be follows the published layouts (M1 pp. 36-40, CA-019 pp. 1-4), typed
here once more and not read from the project, so that a wrong width there is noticed.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from typing import Final

from hypothesis import strategies as st
from msgspec import Struct
from msgspec.structs import replace

from dryload import strategies as public
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
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


def groups(count: int) -> st.SearchStrategy[int]:
    """Return numbers that `count` groups of 7 bits hold, the ends more often than by chance."""
    top = 128**count - 1
    return st.integers(0, top) | st.sampled_from([0, 1, 127 % (top + 1), top - 1, top])


def data_bytes(least: int, most: int) -> st.SearchStrategy[bytes]:
    """Return that many bytes 00 to 7F."""
    return st.binary(min_size=least, max_size=most).map(lambda raw: bytes(b & 0x7F for b in raw))


_BYTE: Final = groups(1)
_NUMBER: Final = groups(2)
_LOOP_3: Final = {"loop_start": groups(3), "loop_end": groups(3), "loop_type": _BYTE}
_LOOP_5: Final = {"loop_start": groups(5), "loop_end": groups(5), "loop_type": _BYTE}
_OF_SAMPLE: Final = {"device_id": _BYTE, "sample_number": _NUMBER}
_OF_LOOP: Final = {**_OF_SAMPLE, "loop_number": _NUMBER}
_MAKERS: Final = st.integers(1, 127).map(lambda one: bytes([one])) | data_bytes(2, 2).map(
    lambda rest: b"\x00" + rest
)

handshakes: Final = st.builds(
    Handshake, device_id=_BYTE, kind=st.sampled_from(HandshakeKind), packet_number=_BYTE
)
dump_headers: Final = st.builds(
    DumpHeader, **_OF_SAMPLE, bits=_BYTE, period_ns=groups(3), length=groups(3), **_LOOP_3
)
extended_headers: Final = st.builds(
    ExtendedHeader,
    **_OF_SAMPLE,
    bits=_BYTE,
    rate_hz=groups(4),
    rate_fraction=groups(4),
    length=groups(5),
    channels=_BYTE,
    **_LOOP_5,
)
data_packets: Final = st.builds(
    DataPacket, device_id=_BYTE, packet_number=_BYTE, data=data_bytes(120, 120), checksum=_BYTE
)
MESSAGES: Final[dict[type[Message], st.SearchStrategy[Message]]] = {
    Handshake: handshakes,
    DumpHeader: dump_headers,
    ExtendedHeader: extended_headers,
    DataPacket: data_packets,
    DumpRequest: st.builds(DumpRequest, **_OF_SAMPLE),
    LoopPoints: st.builds(LoopPoints, **_OF_LOOP, **_LOOP_3),
    LoopPointsRequest: st.builds(LoopPointsRequest, **_OF_LOOP),
    ExtendedLoopPoints: st.builds(ExtendedLoopPoints, **_OF_LOOP, **_LOOP_5),
    ExtendedLoopPointsRequest: st.builds(ExtendedLoopPointsRequest, **_OF_LOOP),
    SampleName: st.builds(
        SampleName, **_OF_SAMPLE, language=data_bytes(0, 127), name=data_bytes(0, 127)
    ),
    SampleNameRequest: st.builds(SampleNameRequest, **_OF_SAMPLE),
    IdentityRequest: st.builds(IdentityRequest, device_id=_BYTE),
    IdentityReply: st.builds(
        IdentityReply,
        device_id=_BYTE,
        maker=_MAKERS,
        family_code=groups(2),
        member=groups(2),
        revision=data_bytes(4, 4),
    ),
}
"""Any message of each kind: whatever its bytes can say, sensible or not."""

messages: Final[st.SearchStrategy[Message]] = st.sampled_from(list(MESSAGES)).flatmap(
    lambda kind: MESSAGES[kind]
)


def samples(*, most_frames: int = 130, extended: bool = False) -> st.SearchStrategy[Sample]:
    """Return samples with whatever a standard header can say of them, sensible or not.

    With `extended` they may need the extended header.
    """
    loop_types = (0x00, 0x01, 0x02, 0x40, 0x7E, 0x7F) if extended else (0x00, 0x01, 0x7F)
    loops = st.builds(
        Loop,
        start=st.integers(0, 2**20),
        end=st.integers(0, 2**20),
        loop_type=st.sampled_from(loop_types),
    )
    ticks = st.integers(2**28, 2**50).map(lambda each: Fraction(each, 2**28))
    periods = st.integers(1, 2**21 - 1).map(lambda each: Fraction(1_000_000_000, each))
    plain = public.samples(
        bits=st.integers(8, 28),
        rate=ticks if extended else periods,
        channels=st.integers(1, 3) if extended else st.just(1),
        loop=loops | st.just(NO_LOOP),
        least_frames=0,
        most_frames=most_frames,
    )
    numbered = st.dictionaries(st.integers(1, 16_382), loops, max_size=3)
    return st.builds(
        lambda sample, more: replace(sample, loops=tuple(sorted(more.items()))), plain, numbered
    )


# Streams.

_STATUS: Final = st.integers(0x80, 0xF7)
_REALTIME: Final = st.integers(0xF8, 0xFF)


class Chunked(Struct, frozen=True):
    """A stream and one way in which a port may deliver it."""

    data: bytes
    chunks: tuple[bytes, ...]


def _sprinkled(body: bytes, realtime: list[tuple[int, int]]) -> bytes:
    raw = bytearray(body)
    for place, byte in realtime:
        raw.insert(place % (len(raw) + 1), byte)
    return bytes(raw)


_sprinkles: Final = st.lists(st.tuples(st.integers(0, 200), _REALTIME), max_size=3)
_short: Final = st.builds(
    lambda status, data: bytes([status]) + data, st.integers(0x80, 0xEF), data_bytes(0, 4)
)
_common: Final = st.builds(
    lambda status, data: bytes([status]) + data, st.integers(0xF1, 0xF7), data_bytes(0, 3)
)
_exclusive: Final = st.builds(
    lambda starts, data, end: b"\xf0" * starts + data + end,
    st.integers(1, 3),
    data_bytes(0, 12),
    st.sampled_from([b"\xf7", b"\xf7", b"", b"\xf7\xf7", b"\xf4", b"\xfe"]),
)
_scraps: Final = st.one_of(
    _exclusive,
    _short,
    _common,
    data_bytes(1, 4),
    _REALTIME.map(lambda byte: bytes([byte])),
    _STATUS.map(lambda byte: bytes([byte])),
    st.binary(max_size=6),
)
stream_parts: Final[st.SearchStrategy[bytes]] = st.builds(_sprinkled, _scraps, _sprinkles)
streams: Final[st.SearchStrategy[bytes]] = st.lists(stream_parts, max_size=12).map(b"".join)
"""Streams of whole, torn and stray things, real-time bytes anywhere."""


@st.composite
def chunked_streams(draw: st.DrawFn) -> Chunked:
    """Return a stream cut at random places, empty chunks among them."""
    data = draw(streams)
    cuts = sorted(draw(st.lists(st.integers(0, len(data)), max_size=8)))
    edges = [0, *cuts, len(data)]
    chunks = tuple(data[a:b] for a, b in pairwise(edges))
    return Chunked(data, chunks)
