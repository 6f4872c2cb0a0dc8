"""Four whole dumps, each a header (M1 p. 37) and its packets (M1 pp. 37, 39), by length and digest.

The digests are SHA-256 over header and packets one after another, computed independently. Word `i`
is `(factor * i mod modulus) + offset`, so that the words need not be typed.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct


class DumpVector(Struct, frozen=True, kw_only=True):
    """Header fields, the rule of the words, size and digest; `quoted` maps offsets to bytes."""

    name: str
    device_id: int
    sample_number: int
    bits: int
    period_ns: int
    length: int
    factor: int
    modulus: int
    offset: int
    loop_start: int
    loop_end: int
    loop_type: int
    size: int
    sha256: str
    quoted: Mapping[int, bytes]

    @property
    def words(self) -> list[int]:
        """The signed sample words."""
        return [self.factor * i % self.modulus + self.offset for i in range(self.length)]


V1 = DumpVector(
    name="V1: 16 bit, two packets, the second almost empty",
    device_id=0x00,
    sample_number=1,
    bits=16,
    period_ns=22676,  # 44,100 Hz
    length=41,  # one word more than a packet holds
    factor=1021,
    modulus=65536,
    offset=-32768,
    loop_start=0,
    loop_end=0,
    loop_type=0x7F,
    size=275,  # 21 + 2 * 127
    sha256="5f8aa431252df62b1a6c7b09e7dfd5f39349db504ff74fe8dc8f1d12bd883fd8",
    quoted={
        146: b"\x4f",  # checksum of packet 0: 21 + 125
        148: bytes.fromhex("F0 7E 00 02 01 4F 62 00") + bytes(117),  # packet 1 up to its checksum
        273: bytes.fromhex("50 F7"),  # its checksum and its end
    },
)

V2 = DumpVector(
    name="V2: 14 bit in two bytes, one packet exactly full",
    device_id=0x00,
    sample_number=2,
    bits=14,
    period_ns=22676,  # 44,100 Hz
    length=60,
    factor=257,
    modulus=16384,
    offset=-8192,
    loop_start=0,
    loop_end=0,
    loop_type=0x7F,
    size=148,  # 21 + 127
    sha256="0849b90f8fc21753912393c5ab2e84e4a8148804575bbcc83fec5788ce898d4a",
    quoted={146: b"\x7c"},  # checksum of packet 0
)

V3 = DumpVector(
    name="V3: 21 bit in three bytes, one packet exactly full",
    device_id=0x00,
    sample_number=3,
    bits=21,
    period_ns=20833,  # 48,000 Hz
    length=40,
    factor=65537,
    modulus=2097152,
    offset=-1048576,
    loop_start=0,
    loop_end=0,
    loop_type=0x7F,
    size=148,  # 21 + 127
    sha256="db912b2478bea9ecc6f7c8e8fdcadd6eb46a87f78e7f4939421b40bdaaecf17f",
    quoted={146: b"\x7c"},  # checksum of packet 0
)

V4 = DumpVector(
    name="V4: 12 bit, ID 10h, two-byte sample number, forward loop",
    device_id=0x10,
    sample_number=300,
    bits=12,
    period_ns=45351,  # 22,050 Hz
    length=61,  # one word more than a packet holds
    factor=33,
    modulus=4096,
    offset=-2048,
    loop_start=10,
    loop_end=50,
    loop_type=0x00,
    size=275,  # 21 + 2 * 127
    sha256="91491453a3ee373bf5a36efa3848be005126d8b6d3f3437b316584991efe6f0a",
    quoted={
        148: bytes.fromhex("F0 7E 10 02 01 3D 70") + bytes(118),  # packet 1 up to its checksum
        273: bytes.fromhex("20 F7"),  # its checksum and its end
    },
)

ALL = (V1, V2, V3, V4)
