"""Streams that break one clause each, built by the plain codec of the tests; with each its source.

Every case is a clean dump with one thing done to it.  Nothing here comes from the project.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

from tests import oracle

CASES: Final[dict[str, list[bytes]]] = {}
"""By clause: streams in which a judge must find it."""

NOISE: Final = tuple((7919 * i * i + 104_729 * i) % 65_535 - 32_767 for i in range(400))
SINE: Final = tuple(round(12_000 * math.sin(i / 9)) for i in range(400))


def dump(
    words: Sequence[int] = NOISE[:90], *, bits: int = 16, extended: bool = False, **fields: int
) -> bytes:
    """Return a clean dump: sample 1 for device 3 at 44,100 Hz, no loop, unless said otherwise."""
    rate = {"rate_integer": 44_100} if extended else {"period_ns": 22_676}
    given = {"device_id": 3, "sample_number": 1, **rate, **fields}
    return oracle.dump(bits=bits, words=words, extended=extended, **given)


CLEAN: Final = dump()
HEADER, PACKETS = CLEAN[:21], [CLEAN[at : at + 127] for at in range(21, len(CLEAN), 127)]
STEREO: Final = dump(NOISE[:180], extended=True, channels=2)


def header(**fields: int) -> bytes:
    """Return the header of the clean dump with other fields."""
    given = {"sample_number": 1, "bits": 16, "period_ns": 22_676, "length": 90, **fields}
    return oracle.header(device_id=given.pop("device_id", 3), **given)


def extended(**fields: int) -> bytes:
    """Return the header of the clean stereo dump with other fields."""
    given = {"sample_number": 1, "bits": 16, "rate_integer": 44_100, "length": 90, **fields}
    given.setdefault("channels", 2)
    return oracle.extended_header(device_id=3, **given)


def with_header(changed: bytes) -> bytes:
    """Return the clean dump behind another header."""
    return changed + b"".join(PACKETS)


def with_stereo_header(changed: bytes) -> bytes:
    """Return the clean stereo dump behind another header."""
    return changed + STEREO[34:]


def packets(data: Sequence[bytes], *, device_id: int = 3) -> bytes:
    """Return packets of these data bytes, numbered from 0 (M1 p. 39)."""
    return b"".join(
        oracle.packet(device_id=device_id, number=index % 128, data=one)
        for index, one in enumerate(data)
    )


def repacked(words: Sequence[int], bits: int, width: int, per_packet: int) -> bytes:
    """Return packets in which a word of `bits` takes `width` bytes, `per_packet` to a packet."""
    spare = 7 * width - bits
    top = 1 << (bits - 1)
    packed = [oracle.n7_high_first((word + top) << max(spare, 0) >> max(-spare, 0), width)
              for word in words]  # fmt: skip
    step = range(0, len(packed), per_packet)
    return packets([b"".join(packed[at : at + per_packet]) for at in step])


def spoiled(index: int, offset: int, value: int, *, mend: bool = False) -> bytes:
    """Return the clean dump with one byte of one packet changed; `mend` corrects the checksum."""
    raw = bytearray(PACKETS[index])
    raw[offset] = value
    if mend:
        raw[125] = oracle.checksum(bytes(raw))
    return HEADER + b"".join(PACKETS[:index]) + bytes(raw) + b"".join(PACKETS[index + 1 :])


def summed(way: int) -> bytes:
    """Return the clean dump with wrong checksums: exclusive-or from offset `way` on."""
    made = b""
    for raw in PACKETS:
        total = 0
        for value in raw[way:125]:
            total ^= value
        made += raw[:125] + bytes([total & 0x7F, 0xF7])
    return HEADER + made


def case(clause: str, *streams: bytes) -> None:
    """Register streams that break a clause."""
    CASES.setdefault(clause, []).extend(streams)


# Framing, M1 pp. 29, 30, 35 and A-2.
case("FRM-01", CLEAN[:-1], HEADER[:-1] + CLEAN[21:], HEADER + PACKETS[0][:50] + b"".join(PACKETS))
case(
    "FRM-02",
    HEADER[:12] + b"\x90\x40\x40" + b"".join(PACKETS),
    HEADER + PACKETS[0] + PACKETS[1][:60] + b"\x90\x40\x40" + PACKETS[1][60:] + PACKETS[2],
    HEADER + b"\xf0\x11\x22\x90\x40\x40" + CLEAN[21:],
)
case("FRM-05", HEADER[:-3] + b"\xf7" + CLEAN[21:], CLEAN + b"\xf0\x7e\x03\x7f\xf7")
case("FRM-06", b"\xf0\x7f" + CLEAN[2:], HEADER + PACKETS[0] + b"\xf0\x7f" + PACKETS[1][2:])
case("FRM-07", CLEAN + bytes(9), HEADER + PACKETS[0] + bytes(30) + b"".join(PACKETS[1:]),
     CLEAN + b"\xf7")  # fmt: skip
case("FRM-08", *(CLEAN + bytes([value]) for value in (0xF4, 0xF5, 0xF9, 0xFD)),
     CLEAN[:60] + b"\xf9" + CLEAN[60:])  # fmt: skip
case("FRM-10", CLEAN + b"\x40\x40", HEADER + PACKETS[0] + b"\x40" + b"".join(PACKETS[1:]))
case("FRM-12", CLEAN[:60] + b"\xff" + CLEAN[60:], HEADER + b"\xff" + CLEAN[21:])

# Addressing, M1 pp. 35 and 39.
case(
    "DEV-03",
    spoiled(1, 2, 9, mend=True),
    CLEAN + oracle.sample_name(device_id=4, sample_number=1, name=b"Gulls"),
)
case(
    "DEV-04",
    with_header(header(device_id=5)),
    HEADER + b"".join(raw[:125] + bytes([raw[125] ^ 0x09, 0xF7]) for raw in PACKETS),
)

# The header, M1 p. 37.
case("HDR-01", CLEAN[21:] + HEADER, HEADER + CLEAN)
case("HDR-03", with_header(header(bits=7)), with_header(header(bits=29)))
case("HDR-04", with_header(header(period_ns=0)), with_stereo_header(extended(rate_integer=0)))
case("HDR-06", with_header(header(length=30)), with_header(header(length=0)),
     header(length=800) + oracle.dump(bits=16, device_id=3, sample_number=1, period_ns=22676,
                                      words=NOISE[:379])[21:],
     header(length=2 * 390) + dump(NOISE[:390])[21:])  # fmt: skip
case("HDR-07", with_header(header(length=30)), with_header(header(length=80)))
case("HDR-08", with_header(header(loop_type=2)), with_header(header(loop_type=0x7E)))
case(
    "HDR-09",
    with_header(header(loop_type=0, loop_start=50, loop_end=20)),
    with_header(header(loop_type=1, loop_start=10, loop_end=90)),
    with_header(header(loop_type=1, loop_start=10, loop_end=5000)),
)
case("HDR-10", with_header(header(loop_type=0)), with_stereo_header(extended(loop_type=0x40)))
case("HDR-11", with_header(header(period_ns=44_100)), with_header(header(period_ns=23)),
     with_stereo_header(extended(rate_integer=70_000)))  # fmt: skip
case(
    "HDR-12",
    with_header(header(period_ns=oracle.from_n7_high_first(oracle.n7(22_676, 3)))),
    header(length=oracle.from_n7_high_first(oracle.n7(390, 3))) + dump(NOISE[:390])[21:],
    with_header(header(loop_type=0, loop_start=0, loop_end=80 << 14)),
)


LAP: Final = dump((NOISE * 13)[:5_120])[21:]
"""Packets numbered from 0 to 127."""


def long_dump(words: int, *, length: int | None = None) -> bytes:
    """Return a dump of very many words, whatever its header says; the same 5,120 over and over."""
    full, rest = divmod(words, 40)
    last = oracle.words_to_bytes(NOISE[:rest], 16)
    end = oracle.packet(device_id=3, number=full % 128, data=last) if rest else b""
    made = (LAP * (full // 128 + 1))[: 127 * full] + end
    return header(length=words if length is None else length) + made


TOO_LONG: Final = 2**21 + 5000  # words, more than 21 bits can say (M1 p. 37)
case("HDR-13", long_dump(TOO_LONG, length=TOO_LONG - 2**21))
case("HDR-14", long_dump(TOO_LONG, length=TOO_LONG - 2**21))
case("HDR-15", with_header(header(length=0)), header(length=0) + packets([b""]))

# Packets, M1 pp. 37 and 39.
case("PKT-01", HEADER + PACKETS[0] + PACKETS[1][:80] + PACKETS[1][81:] + PACKETS[2],
     HEADER + PACKETS[0] + PACKETS[1][:80] + b"\x00" + PACKETS[1][80:] + PACKETS[2],
     HEADER + b"".join(PACKETS[:2]) + PACKETS[2][:35] + b"\xf7")  # fmt: skip
case("PKT-02", spoiled(0, 4, 1, mend=True),
     HEADER + b"".join(oracle.packet(device_id=3, number=index + 1, data=raw[5:125])
                       for index, raw in enumerate(PACKETS)))  # fmt: skip
case("PKT-03", spoiled(1, 4, 9, mend=True), HEADER + PACKETS[0] + b"".join(PACKETS),
     HEADER + PACKETS[1] + PACKETS[0] + PACKETS[2])  # fmt: skip
case("PKT-05", spoiled(1, 125, PACKETS[1][125] ^ 1), *(summed(way) for way in (0, 2, 3, 4, 5)))
case("PKT-06", spoiled(1, 60, 0x90), spoiled(1, 60, 0xF0), spoiled(1, 60, 0xF7),
     spoiled(1, 125, 0x80))  # fmt: skip
case("PKT-07", spoiled(1, 4, 0x80), spoiled(2, 4, 0x82))
case("PKT-08", spoiled(2, 124, 1, mend=True),
     HEADER + b"".join(PACKETS[:2]) + oracle.packet(
         device_id=3, number=2, data=PACKETS[2][5:35] + b"\x40\x00\x00" * 30))  # fmt: skip
case("PKT-09", with_header(header(length=80)))
case(
    "PKT-10",
    HEADER + PACKETS[0] + PACKETS[2],
    HEADER + b"".join(PACKETS[:2]),
    HEADER + b"".join(PACKETS[1:]),
    HEADER,
    long_dump(890, length=890 + 128 * 40),
)
case("PKT-12", HEADER + PACKETS[0] + oracle.dump_request(device_id=3, sample_number=2)
     + b"".join(PACKETS[1:]), HEADER + b"\xf0\x11\x22\xf7" + CLEAN[21:])  # fmt: skip
case("PKT-14", CLEAN[21:], b"".join(PACKETS[1:]))

# Words, M1 p. 39; only the counts and the unused bits can prove anything.
case("WRD-01", header(length=400) + repacked(NOISE, 16, 2, 60))
case("WRD-02", header(length=400) + repacked(NOISE, 16, 3, 32))
case("WRD-03", header(bits=14, length=400) + repacked([w // 4 for w in NOISE], 14, 3, 40))
case("WRD-04", header(length=400) + packets([
    b"".join(oracle.word_to_bytes(word, 16)[::-1] for word in SINE[at : at + 40])
    for at in range(0, 400, 40)]))  # fmt: skip
case("WRD-05", spoiled(1, 7, 1, mend=True), with_header(header(bits=15)))
case("WRD-06", header(bits=12, length=400) + packets([
    b"".join(oracle.n7_high_first(word // 16 + 2048, 2) for word in SINE[at : at + 60])
    for at in range(0, 400, 60)]))  # fmt: skip
case("WRD-07", dump([(word & 0xFFFF) - 32_768 for word in SINE]))
case("WRD-08", dump([*SINE[:100], *[-32_768] * 200, *SINE[:100]]))
case("WRD-09", dump([word // 16 * 16 for word in SINE]))
case("WRD-10", dump([*SINE[:100], 32_767, -32_768, *SINE[:100]]))
case("WRD-11", dump([*SINE, *SINE], extended=True, channels=2))

# Handshakes and requests in a file, M1 pp. 36, 37 and 45.
case("HSK-18", HEADER + PACKETS[0] + oracle.handshake(device_id=3, kind="EOF")
     + b"".join(PACKETS[1:]))  # fmt: skip
case("HSK-19", *(HEADER + oracle.handshake(device_id=3, kind=kind) + CLEAN[21:]
                 for kind in ("ACK", "NAK", "WAIT", "CANCEL")))  # fmt: skip
case("REQ-01", CLEAN + b"\xf0\x7e\x03\x03\x01\xf7", CLEAN + b"\xf0\x7e\x03\x03\x01\x00\x00\xf7")

# Loops, M1 p. 38.
LOOP: Final = oracle.loop_points(device_id=3, sample_number=1, loop_number=1, loop_type=0,
                                 loop_start=5, loop_end=80)  # fmt: skip
case("LOP-01", CLEAN + LOOP[:-2] + b"\xf7", CLEAN + b"\xf0\x7e\x03\x05\x02\x01\x00\x01\xf7")


def loop(*, long: bool = False, **fields: int) -> bytes:
    """Return the clean dump and a loop point transmission with these fields."""
    given = {"sample_number": 1, "loop_number": 1, **fields}
    return CLEAN + oracle.loop_points(device_id=3, extended=long, **given)


case(
    "LOP-06",
    loop(loop_type=3, loop_start=5, loop_end=80),
    loop(loop_type=0, loop_start=81, loop_end=80),
    loop(loop_type=0, loop_start=5, loop_end=90),
    loop(loop_type=4, loop_start=5, loop_end=80, long=True),
)

# Extensions, CA-019 pp. 1-4.
LONG_LOOP: Final = oracle.loop_points(device_id=3, sample_number=1, loop_number=1, loop_type=0x42,
                                      loop_start=5, loop_end=80, extended=True)  # fmt: skip
case("EXT-01", with_stereo_header(STEREO[:32] + b"\xf7"))
case("EXT-02", with_stereo_header(extended(
    rate_integer=oracle.from_n7_high_first(oracle.n7(44_100, 4)))),
    with_stereo_header(extended(rate_integer=0, rate_fraction=44_100)))  # fmt: skip
case("EXT-03", extended(channels=1, length=oracle.from_n7_high_first(oracle.n7(390, 5)))
     + dump(NOISE[:390])[21:],
     with_stereo_header(extended(loop_type=0, loop_end=80 << 28)))  # fmt: skip
case("EXT-04", with_stereo_header(extended(loop_type=0x04)))
case("EXT-05", with_stereo_header(extended(channels=0)))
case("EXT-06", with_stereo_header(extended(length=180)), with_stereo_header(extended(length=40)))
case("EXT-07", CLEAN + LONG_LOOP[:-2] + b"\xf7",
     CLEAN + b"\xf0\x7e\x03\x05\x07\x01\x00\x01\xf7")  # fmt: skip
case("EXT-08", dump(extended=True))
NAME: Final = oracle.sample_name(device_id=3, sample_number=1, name=b"Ship's bell")
case("NAM-01", CLEAN + NAME[:8] + b"\x0c" + NAME[9:], CLEAN + NAME[:-3] + b"\xf7")
case("NAM-02", CLEAN + NAME.replace(b"bell", b"b\x07ll"))


def controls() -> Iterator[bytes]:
    """Yield streams with nothing wrong and nothing odd in them."""
    yield CLEAN
    yield STEREO
    yield CLEAN + CLEAN + STEREO
    for bits in range(8, 29):
        top = 2 ** (bits - 1) - 1
        scaled = [(7919**3 * i * i + 104_729**2 * i) % (2 * top - 1) - top for i in range(400)]
        for length in (1, oracle.words_per_packet(bits), oracle.words_per_packet(bits) + 1, 400):
            yield dump(scaled[:length], bits=bits)
    yield dump(NOISE, loop_type=0, loop_start=0, loop_end=399)
    yield dump(NOISE, loop_type=1, loop_start=20, loop_end=40)
    yield dump(SINE)
    yield dump([word for word in SINE for _ in range(2)], extended=True, channels=2)
    yield dump([0] * 400)
    yield dump(NOISE * 14)
    yield CLEAN + LOOP + LONG_LOOP + NAME + oracle.handshake(device_id=3, kind="EOF")
    yield oracle.dump_request(sample_number=1) + CLEAN
    yield CLEAN[:2] + b"\xf8" + CLEAN[2:30] + b"\xfe" + CLEAN[30:148] + b"\xf8\xf8" + CLEAN[148:]
    yield header(length=0)
