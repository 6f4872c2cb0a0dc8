"""Pasted text with bytes in hexadecimal: from a monitor, a mail, a hex dump, somebody's notes.

    > 12:04:31.250  F0 7E 00 03 01 00 F7     # to the unit, with the time of day
    < 0.037 s       F0 7E 00 7F 00 F7        # from the unit, with seconds
                    ...                      # a line without time and direction goes on

A line may have a time, a direction and an offset in front of its bytes, each or none of them.
Directions are seen from the computer: ">", "->", "to unit", "out", "sent" and "tx" go to the unit,
"<", "<-", "from unit", "in", "received" and "rx" come from it; a direction alone in its line holds
for the lines below.  A time is that of the last byte of its line: seconds with a point, a number
with its unit, or a time of day.  Bytes may be written F0, 0xF0, $F0, F0h, F07E..., with commas or
without.  What follows #, ; or // is a comment, and what hex dumps print beside the bytes is passed
over.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Capture, Direction, Passage
from emulator.wire.constants import BYTE_NS
from harness.files.hex_words import Offsets, Trouble, Word, direction_at, number_of, time_at, words
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.files.recorded import Recorded, back_to_back

LARGEST: Final = 16 << 20
"""Characters of the longest text that is read."""
_DAY_NS: Final = 86_400_000_000_000
_HOW: Final = "Bytes are written like F0 7E; a comment begins with #."
_SHOWN: Final = 24  # characters of a word that can't be read


@dataclass(slots=True)
class _Entry:
    """What one line says, and the lines that go on with it."""

    direction: Direction | None
    at_ns: int | None
    data: bytearray
    line: int

    @property
    def is_plain(self) -> bool:
        return self.direction is None and self.at_ns is None


def looks_like_hex(text: str, *, is_whole: bool = True) -> bool:
    """Return whether the first line of a text that has bytes has a status byte among them.

    With `is_whole` False the text is the beginning of one, and its last word may be cut.
    """
    if not is_whole:
        apart = max(text.rfind(sign) for sign in " \n\t,")
        text = text[:apart] if apart > 0 else text[: len(text) // 2 * 2]
    try:
        first = next((entry for entry in _entries(text.split("\n")) if entry.data), None)
    except Trouble:
        return False
    return first is not None and any(byte >= 0x80 for byte in first.data)


def read(text: str, file: str, *, direction: Direction = Direction.TO_UNIT) -> Recorded:
    """Return the capture that a text holds; `direction` is for lines that do not say theirs.

    A Problem names line and column of what can't be read.
    """
    name = shown(file)
    if len(text) > LARGEST:
        raise Problem(f"{name} is too large: more than {LARGEST >> 20} million characters.")
    try:
        entries = _joined(_entries(text.split("\n")))
    except Trouble as trouble:
        raise Problem(
            f"{name}, line {trouble.line:,}, column {trouble.column:,}: {trouble.what}",
            do=trouble.do,
        ) from None
    if not entries:
        raise Problem(f"{name} has no bytes in it.", do="Write bytes like this: F0 7E 00 7F 05 F7.")
    parts = [(each.direction or direction, bytes(each.data)) for each in entries]
    seen = {way for way, _ in parts}
    remarks: list[str] = []
    times = _times(entries, remarks)
    if times is None:
        passages = back_to_back([(way, one) for way, data in parts for one in _messages(data)])
    else:
        passages = [Passage(way, ns, data) for (way, data), ns in zip(parts, times, strict=True)]
    return Recorded(
        capture=Capture(passages),
        directions=tuple(each for each in Direction if each in seen),
        is_timed=times is not None,
        start_ns=0 if times is None else times[0] - len(parts[0][1]) * BYTE_NS,
        remarks=tuple(remarks),
    )


def _entries(lines: Iterable[str]) -> Iterator[_Entry]:
    """Yield an entry for each line that has one; Trouble for what can't be read."""
    offsets = Offsets()
    for number, line in enumerate(lines, start=1):
        try:
            if (entry := _entry(line, offsets, number)) is not None:
                yield entry
        except Trouble as trouble:
            trouble.line = number
            raise


def _entry(line: str, offsets: Offsets, number: int) -> _Entry | None:
    if not (found := words(line)):
        return None
    entry = _Entry(None, None, bytearray(), number)
    at = 0
    while at < len(found):
        if entry.at_ns is None and (time := time_at(found, at)) is not None:
            entry.at_ns, at = time
        elif entry.direction is None and (way := direction_at(found, at)) is not None:
            entry.direction, at = way
        else:
            break
    if not entry.is_plain:
        offsets.restart()
    for word in offsets.bytes_of(line, found[at:]):
        entry.data += _bytes(word)
    offsets.count += len(entry.data)
    return entry


def _bytes(word: Word) -> bytes:
    data = number_of(word.text)
    if data is None:
        text = word.text if len(word.text) <= _SHOWN else f"{word.text[:_SHOWN]}..."
        raise Trouble(word.column, f'"{shown(text)}" is no byte in hexadecimal.', _HOW)
    return data


def _joined(entries: Iterable[_Entry]) -> list[_Entry]:
    """Return entries that have bytes, each with the lines that go on with it."""
    joined: list[_Entry] = []
    heading: _Entry | None = None  # a direction, or a time as well, alone in its line
    for entry in entries:
        if not entry.data:
            if not entry.is_plain:
                heading = entry
                joined.append(entry)
        elif entry.is_plain and joined:
            joined[-1].data += entry.data
        else:
            if entry.direction is None and heading is not None:
                entry.direction = heading.direction
            joined.append(entry)
    return [entry for entry in joined if entry.data]


def _times(entries: list[_Entry], remarks: list[str]) -> list[int] | None:
    """Return the instant of each entry, never going back; None where not every one has a time."""
    given = [entry.at_ns for entry in entries if entry.at_ns is not None]
    if len(given) < len(entries):
        if given:
            first = next(entry.line for entry in entries if entry.at_ns is None)
            remarks.append(f"line {first:,} has no time and others have: no time is used")
        return None
    times = given[:1]
    for entry, (before, now) in zip(entries[1:], pairwise(given), strict=True):
        step = now - before
        if step < -_DAY_NS // 2 and before < _DAY_NS:
            step += _DAY_NS  # midnight
        elif step < 0:
            remarks.append(f"line {entry.line:,}: its time is earlier than that of the line before")
        times.append(times[-1] + max(step, 0))
    return times


def _messages(data: bytes) -> Iterator[bytes]:
    """Yield what ends with an F7, and the rest."""
    yield from (part + b"\xf7" for part in data.split(b"\xf7")[:-1])
    if rest := data.rpartition(b"\xf7")[2]:
        yield rest
