"""One frozen value a message of the standard.

Fields carry the names that `emulator.wire.layout` gives them and hold whatever the bytes of the
message can say: a header that announces 40 significant bits is still a header, and judging it is
the judge's work.
"""

from enum import IntEnum

from msgspec import Struct


class HandshakeKind(IntEnum):
    """The five generic handshakes, by their sub-ID (M1 p. 36)."""

    __hash__ = int.__hash__  # members of an Enum hash by name otherwise, in slow steps

    EOF = 0x7B
    WAIT = 0x7C
    CANCEL = 0x7D
    NAK = 0x7E
    ACK = 0x7F


class Handshake(Struct, frozen=True, kw_only=True):
    """ACK, NAK, CANCEL, WAIT or EOF, 6 bytes (HSK-01)."""

    device_id: int
    kind: HandshakeKind
    packet_number: int


class DumpHeader(Struct, frozen=True, kw_only=True):
    """Dump header, 21 bytes: period in ns, length and loop points in words (M1 p. 37)."""

    device_id: int
    sample_number: int
    bits: int
    period_ns: int
    length: int
    loop_start: int
    loop_end: int
    loop_type: int

    @property
    def channels(self) -> int:
        """Always 1: only the extended header knows more."""
        return 1


class ExtendedHeader(Struct, frozen=True, kw_only=True):
    """Extended header, 34 bytes: rate in Hz + fraction / 2**28, length in frames (CA-019 p. 2)."""

    device_id: int
    sample_number: int
    bits: int
    rate_hz: int
    rate_fraction: int
    length: int
    loop_start: int
    loop_end: int
    loop_type: int
    channels: int


class DataPacket(Struct, frozen=True, kw_only=True):
    """Data packet, 127 bytes, 120 of them `data` (PKT-01)."""

    device_id: int
    packet_number: int
    data: bytes
    checksum: int


class DumpRequest(Struct, frozen=True, kw_only=True):
    """Dump request, 7 bytes (REQ-01)."""

    device_id: int
    sample_number: int


class LoopPoints(Struct, frozen=True, kw_only=True):
    """Loop point transmission, 17 bytes; loop 0 is the header's sustain loop (LOP-01, LOP-02)."""

    device_id: int
    sample_number: int
    loop_number: int
    loop_type: int
    loop_start: int
    loop_end: int


class LoopPointsRequest(Struct, frozen=True, kw_only=True):
    """Loop points request, 10 bytes; loop number 16383 asks for all (LOP-04)."""

    device_id: int
    sample_number: int
    loop_number: int


class ExtendedLoopPoints(Struct, frozen=True, kw_only=True):
    """Extended loop point transmission, 21 bytes (EXT-07)."""

    device_id: int
    sample_number: int
    loop_number: int
    loop_type: int
    loop_start: int
    loop_end: int


class ExtendedLoopPointsRequest(Struct, frozen=True, kw_only=True):
    """Extended loop points request, 10 bytes (EXT-07)."""

    device_id: int
    sample_number: int
    loop_number: int


class SampleName(Struct, frozen=True, kw_only=True):
    """Sample name transmission, 10 + tag + name bytes (NAM-01); an empty tag means English."""

    device_id: int
    sample_number: int
    language: bytes
    name: bytes


class SampleNameRequest(Struct, frozen=True, kw_only=True):
    """Sample name request, 8 bytes (CA-019 p. 4)."""

    device_id: int
    sample_number: int


class IdentityRequest(Struct, frozen=True, kw_only=True):
    """Identity request, 6 bytes (IDN-01)."""

    device_id: int


class IdentityReply(Struct, frozen=True, kw_only=True):
    """Identity reply, 15 bytes, or 17 with a maker ID of three bytes (IDN-01, IDN-02)."""

    device_id: int
    maker: bytes
    family_code: int
    member: int
    revision: bytes


Header = DumpHeader | ExtendedHeader
Message = (
    Handshake
    | DumpHeader
    | ExtendedHeader
    | DataPacket
    | DumpRequest
    | LoopPoints
    | LoopPointsRequest
    | ExtendedLoopPoints
    | ExtendedLoopPointsRequest
    | SampleName
    | SampleNameRequest
    | IdentityRequest
    | IdentityReply
)

TITLES: dict[type[Message], str] = {
    Handshake: "handshake",
    DumpHeader: "dump header",
    ExtendedHeader: "extended dump header",
    DataPacket: "data packet",
    DumpRequest: "dump request",
    LoopPoints: "loop point transmission",
    LoopPointsRequest: "loop points request",
    ExtendedLoopPoints: "extended loop point transmission",
    ExtendedLoopPointsRequest: "extended loop points request",
    SampleName: "sample name transmission",
    SampleNameRequest: "sample name request",
    IdentityRequest: "identity request",
    IdentityReply: "identity reply",
}


def title(message: Message) -> str:
    """Return the standard's name for a message: "ACK", "dump header"."""
    return message.kind.name if isinstance(message, Handshake) else TITLES[type(message)]
