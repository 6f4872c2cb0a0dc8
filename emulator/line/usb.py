"""MIDI over USB: a stream of bytes as events of four bytes, and back.

Theory of operation (USB Device Class Definition for MIDI Devices 1.0, section 4).  An event is the
cable number and the code index number, four bits each, and three bytes, unused ones 00 (USB-02).
The code index says how many of the three count and what they are part of.  A System Exclusive
message goes three bytes at a time, and its last event says how many were left (USB-01).  A
real-time byte has an event of its own at once (USB-03), so it overtakes up to two bytes that wait
for their event to be full.

What is no whole message goes byte by byte as code index F, which the class keeps for streams that
are not parsed: the rest of a message that another cut short, data bytes without a status, F4 and
F5.  Events name their status each, so running status does not survive.
"""

from collections.abc import Iterable
from typing import Final

from dryload.emulator.wire.constants import END, FIRST_REALTIME, START

GOES_ON: Final = 0x4
"""Three bytes of a System Exclusive message that goes on."""
SINGLE: Final = 0x5
"""One byte: the end of a System Exclusive message alone, or a system common message of one byte."""
RAW: Final = 0xF
"""One byte that is not parsed, real-time bytes above all."""

_SIZES: Final = (0, 0, 2, 3, 3, 1, 2, 3, 3, 3, 3, 3, 2, 2, 3, 1)
"""Bytes that count, by code index; 0 and 1 are reserved."""
_COMMON: Final = {0xF1: 2, 0xF2: 3, 0xF3: 2}
"""Bytes of system common messages that have data; their code index is the same number."""
_TUNE_REQUEST: Final = 0xF6
_EVENT_BYTES: Final = 4


def code_index(event: bytes) -> int:
    """Return the code index number of an event."""
    return event[0] & 0x0F


class Packer:
    """Makes events on cable 0 of a stream that comes in any chunks."""

    def __init__(self) -> None:
        self._held = bytearray()  # of an event that is not full
        self._size = 0  # of the short message that is held, 0 where none is
        self._is_exclusive = False
        self._running: int | None = None
        self._out: list[bytes] = []

    def feed(self, data: bytes) -> list[bytes]:
        """Return the events that `data` completes."""
        self._out = []
        for byte in data:
            if byte >= FIRST_REALTIME:
                self._emit(RAW, bytes([byte]))
            elif byte < 0x80:
                self._take_data(byte)
            else:
                self._take_status(byte)
        return self._out

    def _take_status(self, status: int) -> None:
        if status == END and self._is_exclusive:
            self._is_exclusive = False
            self._held.append(END)
            self._emit_held(GOES_ON + len(self._held))
            return
        self._spill()
        self._is_exclusive = status == START
        self._running = status if status < START else None
        size = _short_size(status)
        if status == START or size > 1:
            self._held.append(status)
            self._size = size
        else:
            self._emit(SINGLE if status in (END, _TUNE_REQUEST) else RAW, bytes([status]))

    def _take_data(self, byte: int) -> None:
        if not self._is_exclusive and not self._held:
            if self._running is None:
                self._emit(RAW, bytes([byte]))
                return
            self._held.append(self._running)
            self._size = _short_size(self._running)
        self._held.append(byte)
        if self._is_exclusive and len(self._held) == 3:
            self._emit_held(GOES_ON)
        elif len(self._held) == self._size:
            status = self._held[0]
            self._emit_held(status >> 4 if status < START else self._size)

    def _spill(self) -> None:
        """Send on byte by byte what will not be whole any more."""
        for byte in self._held:
            self._emit(RAW, bytes([byte]))
        self._held.clear()
        self._size = 0

    def _emit_held(self, index: int) -> None:
        self._emit(index, bytes(self._held))
        self._held.clear()
        self._size = 0

    def _emit(self, index: int, data: bytes) -> None:
        self._out.append(bytes([index]) + data.ljust(3, b"\0"))


def unpack(events: Iterable[bytes]) -> bytes:
    """Return the bytes that events carry; ValueError where one has not four bytes.

    Reserved code indexes carry none.
    """
    out = bytearray()
    for event in events:
        if len(event) != _EVENT_BYTES:
            raise ValueError(f"a USB-MIDI event has {_EVENT_BYTES} bytes, not {len(event)}")
        out += event[1 : 1 + _SIZES[code_index(event)]]
    return bytes(out)


def _short_size(status: int) -> int:
    """Return the bytes of a channel or system common message, 1 for what has no data bytes."""
    return _SIZES[status >> 4] if status < START else _COMMON.get(status, 1)
