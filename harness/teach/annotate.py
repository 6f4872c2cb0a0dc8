"""Every byte of a message: what it is, what it says, and which clause says so.

Theory of operation.  The layouts (`emulator.wire.layout`) are walked field by field along the bytes that
are there, so a message that is torn is explained as far as it goes.  Real-time bytes belong to no
message (FRM-03): fields are found without them, and each is shown where it stands.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from construct import Construct, Peek, Prefixed, Renamed, SizeofError

from emulator.wire.codec import kind_of
from emulator.wire.layout import LAYOUTS, is_number, note_of
from emulator.wire.messages import (
    TITLES,
    DataPacket,
    DumpHeader,
    ExtendedHeader,
    Handshake,
    HandshakeKind,
    Message,
)
from emulator.wire.sevenbit import from_groups
from emulator.wire.splitter import Piece, PieceKind, split
from harness.teach.fields import LABELS, Said, say
from harness.teach.others import realtime_line, strange_lines
from harness.teach.line import Line
from harness.teach.packet import Words, data_lines, said_checksum

EXCLUSIVE: Final = (PieceKind.EXCLUSIVE, PieceKind.CUT)
