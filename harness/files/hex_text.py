"""Pasted text with bytes in hexadecimal: from a monitor, an e-mail, a hex dump or notes.

    > 12:04:31.250  F0 7E 00 03 01 00 F7     # to the unit, with the time of day
    < 0.037 s       F0 7E 00 7F 00 F7        # from the unit, with seconds
                    ...                      # without time and direction: continues the line above

A line may have a time, a direction and an offset before its bytes, in any combination.  Directions
are seen from the computer: ">", "->", "to unit", "out", "sent" and "tx" go to the unit, "<", "<-",
"from unit", "in", "received" and "rx" come from it; a direction alone on a line applies to the
lines below.  A time is that of the last byte of its line: seconds with a decimal point, a number
with its unit, or a time of day.  Whole numbers before all messages are milliseconds, or line
numbers if they count one by one.  Bytes may be written F0, F07E, F0:7E, 0xF0, $F0 or F0h, with or
without commas.  Text after #, ; or // is a comment, and the text column of a hex dump is ignored.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice, pairwise
from typing import Final

from emulator.dump.capture import Capture, Direction, Passage
from emulator.wire.constants import BYTE_NS
from harness.files.hex_words import (
    HexWord,
    Offsets,
    UnreadableText,
    count_at,
    counted_in,
    direction_at,
    number_of,
    plain_bytes,
    time_at,
    words,
)
from harness.files.kinds import HEX_FORMS
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.files.recorded import Recorded, back_to_back

LARGEST: Final = 64 << 20
"""Characters of the longest text that is read: the longest dump of the standard header fits."""
_MOST: Final = 500_000  # messages with a time or direction of their own: hours of talk
_DAY_NS: Final = 86_400_000_000_000
_HOW: Final = f"Bytes are written {HEX_FORMS}, with commas or without; a comment begins with #."
_REMARKS: Final = {
    0: "the whole numbers in front of the lines are passed over as line numbers",
    1_000_000: "the whole numbers in front of the lines are read as milliseconds",
}
_LINE: Final = re.compile(r"\S[^\n]*")
_FRONT: Final = 8  # words that may stand in front of bytes, and some more
_LONG_LINE: Final = 4_096  # characters; no hex dump prints letters beside so many
_SHOWN: Final = 24  # characters of a word that can't be read


@dataclass(slots=True)
class _HexLine:
    """One line and the lines that continue it."""

    direction: Direction | None
    at_ns: int | None
    data: bytearray
    at: int
    """Where in the text it begins."""

    @property
    def is_plain(self) -> bool:
        return self.direction is None and self.at_ns is None


def looks_like_hex(text: str, *, is_whole: bool = True) -> bool:
    """Return whether the first line of a text that has bytes has a status byte among them.

    With `is_whole` False the text is the beginning of one, and its last word may be cut.
    """
    if not is_whole:
        apart = max(text.rfind(sign) for sign in " \n\t,")
        word = text[apart + 1 :]
        is_long = apart < 0 or len(word) > _SHOWN  # bytes that stand together, cut anywhere
        text = text[: apart + 1] + (word[: len(word) // 2 * 2] if is_long else "")
    try:
        first = next((entry for entry in _entries(text) if entry.data), None)
    except UnreadableText:
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
        entries = _joined(_entries(text))
    except UnreadableText as trouble:
        line = _line_of(text, trouble.at)
        raise Problem(
            f"{name}, line {line:,}, column {trouble.column:,}: {trouble.what}", do=trouble.do
        ) from None
    if not entries:
        raise Problem(f"{name} contains no bytes.", do="Write bytes like this: F0 7E 00 7F 05 F7.")
    parts = [(each.direction or direction, bytes(each.data)) for each in entries]
    seen = {way for way, _ in parts}
    counted = counted_in(text)
    remarks = [] if counted is None else [_REMARKS[counted]]
    times = _times(entries, text, remarks)
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


def _entries(text: str) -> Iterator[_HexLine]:
    """Yield an entry for each line that has one; UnreadableText for what can't be read."""
    offsets, counted = Offsets(), counted_in(text)
    for match in _LINE.finditer(text):
        start = text.rfind("\n", 0, match.start()) + 1
        try:
            if (entry := _entry(text[start : match.end()], offsets, start, counted)) is not None:
                yield entry
        except UnreadableText as trouble:
            trouble.at = start
            raise


def _entry(line: str, offsets: Offsets, start: int, counted: int | None) -> _HexLine | None:
    entry = _HexLine(None, None, bytearray(), start)
    if counted is not None and (count := count_at(line)) is not None:
        entry.at_ns = count[0] * counted if counted else None
        line = " " * count[1] + line[count[1] :]
    if not (found := list(islice(words(line), _FRONT))):
        return None
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
    if at < len(found):
        entry.data += _bytes_from(line, offsets, at, found[at])
        offsets.count += len(entry.data)
    return entry


def _bytes_from(line: str, offsets: Offsets, at: int, first: HexWord) -> bytes:
    """Return the bytes of a line from a word on; in one step where it is long or plain."""
    if not offsets.is_at(first):
        data = plain_bytes(line[first.column - 1 :])
        return b"".join(map(_bytes, islice(words(line), at, None))) if data is None else data
    if len(line) > _LONG_LINE:
        data = plain_bytes(line[first.stop :])
        if data is None:
            raise UnreadableText(first.column, "this line is too long for one of a hex dump.", _HOW)
        return data
    return b"".join(map(_bytes, offsets.bytes_of(line, list(words(line))[at + 1 :])))


def _line_of(text: str, at: int) -> int:
    """Return the number of the line that begins at a character."""
    return text.count("\n", 0, at) + 1


def _bytes(word: HexWord) -> bytes:
    data = number_of(word.text)
    if data is None:
        text = word.text if len(word.text) <= _SHOWN else f"{word.text[:_SHOWN]}..."
        raise UnreadableText(word.column, f'"{shown(text)}" is no byte in hexadecimal.', _HOW)
    return data


def _joined(entries: Iterable[_HexLine]) -> list[_HexLine]:
    """Return the entries that have bytes, each with the lines that continue it."""
    joined: list[_HexLine] = []
    heading: _HexLine | None = None  # a direction, or a time as well, alone in its line
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
            if len(joined) > _MOST:
                trouble = UnreadableText(
                    1, f"more than {_MOST:,} messages have a line of their own."
                )
                trouble.at = entry.at
                raise trouble
    return [entry for entry in joined if entry.data]


def _times(entries: list[_HexLine], text: str, remarks: list[str]) -> list[int] | None:
    """Return the time of each entry, never decreasing; None if an entry has no time."""
    given = [entry.at_ns for entry in entries if entry.at_ns is not None]
    if len(given) < len(entries):
        if given:
            first = _line_of(text, next(each.at for each in entries if each.at_ns is None))
            remarks.append(f"line {first:,} has no time and others have: no time is used")
        return None
    times = given[:1]
    for entry, (before, now) in zip(entries[1:], pairwise(given), strict=True):
        step = now - before
        if step < -_DAY_NS // 2 and before < _DAY_NS:
            step += _DAY_NS  # midnight
        elif step < 0:
            line = _line_of(text, entry.at)
            remarks.append(f"line {line:,}: its time is earlier than that of the line before")
        times.append(times[-1] + max(step, 0))
    return times


def _messages(data: bytes) -> Iterator[bytes]:
    """Yield what ends with an F7, and the rest."""
    yield from (part + b"\xf7" for part in data.split(b"\xf7")[:-1])
    if rest := data.rpartition(b"\xf7")[2]:
        yield rest
