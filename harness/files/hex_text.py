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

Theory of operation.  A word is a match in the whole text, so it knows its place for a message about
it.  The words at the beginning of a line are tried as times, directions and an offset; what follows
is bytes, converted in one step where it is plain, because a line may hold a whole dump.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from itertools import islice, pairwise
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.wire.constants import BYTE_NS
from dryload.harness.files.kinds import HEX_FORMS
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import Recorded, back_to_back

LARGEST: Final = 64 << 20
"""Characters of the longest text that is read: the longest dump of the standard header fits."""
_MOST: Final = 500_000  # messages with a time or direction of their own: hours of talk
_DAY_NS: Final = 86_400_000_000_000
_MS: Final = 1_000_000
_HOW: Final = f"Bytes are written {HEX_FORMS}, with commas or without; a comment begins with #."
_REMARKS: Final = {
    0: "the whole numbers at the beginning of the lines are ignored as line numbers",
    _MS: "the whole numbers at the beginning of the lines are read as milliseconds",
}
_FRONT: Final = 8  # words that may stand in front of bytes, and some more
_LONG_LINE: Final = 4_096  # characters; no hex dump prints letters beside so many
_SHOWN: Final = 24  # characters of a word that can't be read

_LINE: Final = re.compile(r"[^\n]*\S[^\n]*")
_WORD: Final = re.compile(r"(#|;|//)|->|<-|[<>→←/]|[^\s,;#{}()\[\]<>→←/]+")
_LETTERS: Final = re.compile(r"(?<!\S)\|")  # bytes in letters, as hex dumps frame them
_COMMENT: Final = re.compile(r"#|;|//|(?<!\S)\|")
_APART: Final = str.maketrans(",{}()[]", "       ")
_MARKS: Final = re.compile(r"(?<!\S)(?:0x|\$)(?=[0-9a-f])|(?<=[0-9a-f])h(?!\S)", re.IGNORECASE)
_NUMBER: Final = re.compile(r"(?:0x|\$)?([0-9a-f]+)h?", re.IGNORECASE)
_JOINED: Final = re.compile(r"[0-9a-f]{2}(?:[:-][0-9a-f]{2})+", re.IGNORECASE)
_COUNT: Final = re.compile(
    r"[ \t\[(]*(\d{1,12})[\])]?[ \t,]+"
    r"((?:[<>→←]|->|<-|(?:to|from)(?: unit)?|out|in|sent|received|tx|rx):?[ \t]*)?(?:0x|\$)?"
    r"[89a-f][0-9a-f]",
    re.IGNORECASE,
)
"""A whole number in front of a line's first status byte, and a direction between them."""
_MESSAGE: Final = re.compile(r"^[^\n#;]*?(?<![0-9a-z])(?:0x|\$)?f0", re.IGNORECASE | re.MULTILINE)
_CLOCK: Final = re.compile(r"(?:(\d{1,3}):)?([0-5]?\d):([0-5]\d)(\.\d{1,12})?:?", re.ASCII)
_AMOUNT: Final = re.compile(r"(\d{1,12}(?:\.\d{1,12})?)(ns|us|µs|μs|ms|s)?:?", re.ASCII)
_UNITS: Final = {"ns": 1, "us": 10**3, "µs": 10**3, "μs": 10**3, "ms": 10**6, "s": 10**9}
_DIRECTIONS: Final = {
    **dict.fromkeys((">", "->", "→", "to", "out", "sent", "tx"), Direction.TO_UNIT),
    **dict.fromkeys(("<", "<-", "←", "from", "in", "received", "rx"), Direction.FROM_UNIT),
}
_OFFSET: Final = re.compile(r"(?:0x)?([0-9a-f]{2,16})h?:", re.IGNORECASE)
_BARE_OFFSET: Final = re.compile(r"[0-9a-f]{6,16}", re.IGNORECASE)
_GAP: Final = re.compile(r"\s{2,}")
_ENDED: Final = re.compile(rb"[^\xf7]*\xf7|[^\xf7]+")  # up to an F7, or the rest
_PAIR: Final = re.compile(r"[0-9a-f]{2}", re.IGNORECASE)

_Word = re.Match[str]


class _UnreadableText(Exception):  # noqa: N818  # it becomes a Problem as soon as the file is known
    """What can't be read, at which character of the text, and what to do."""

    def __init__(self, at: int, what: str, do: str = "") -> None:
        super().__init__(what)
        self.at, self.what, self.do = at, what, do


class _HexLine(Struct):
    """One line and the lines that continue it."""

    at: int
    """Where in the text it begins."""
    direction: Direction | None = None
    at_ns: int | None = None
    data: bytearray = bytearray()

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
        first = next((line for line in _lines(text, _counted_in(text)) if line.data), None)
    except _UnreadableText:
        return False
    return first is not None and any(byte >= 0x80 for byte in first.data)


def read(text: str, file: str, *, direction: Direction = Direction.TO_UNIT) -> Recorded:
    """Return the capture that a text holds; `direction` is for lines that do not say theirs.

    A Problem names line and column of what can't be read.
    """
    name = shown(file)
    if len(text) > LARGEST:
        raise Problem(f"{name} is too large: more than {LARGEST >> 20} million characters.")
    counted = _counted_in(text)
    try:
        lines = _joined(_lines(text, counted))
    except _UnreadableText as trouble:
        column = trouble.at - text.rfind("\n", 0, trouble.at)
        raise Problem(
            f"{name}, line {_line_of(text, trouble.at):,}, column {column:,}: {trouble.what}",
            do=trouble.do,
        ) from None
    if not lines:
        raise Problem(f"{name} contains no bytes.", do="Write bytes like this: F0 7E 00 7F 05 F7.")
    parts = [(line.direction or direction, bytes(line.data)) for line in lines]
    seen = {way for way, _ in parts}
    remarks = [] if counted is None else [_REMARKS[counted]]
    times = _times(lines, text, remarks)
    if times is None:
        passages = back_to_back([(way, one) for way, data in parts for one in _ENDED.findall(data)])
    else:
        passages = [Passage(way, ns, data) for (way, data), ns in zip(parts, times, strict=True)]
    return Recorded(
        capture=Capture(passages),
        directions=tuple(each for each in Direction if each in seen),
        is_timed=times is not None,
        start_ns=0 if times is None else times[0] - len(parts[0][1]) * BYTE_NS,
        remarks=tuple(remarks),
    )


def number_of(text: str) -> bytes | None:
    """Return the bytes of a word, None if it is something else."""
    if _JOINED.fullmatch(text):
        return bytes.fromhex(re.sub("[:-]", "", text))
    match = _NUMBER.fullmatch(text)
    if match is None or (len(match[1]) > 2 and len(match[1]) % 2):
        return None
    return bytes.fromhex(match[1].zfill(2))


def _lines(text: str, counted: int | None) -> Iterator[_HexLine]:
    """Yield each line that is not empty; _UnreadableText for what can't be read."""
    offsets = _Offsets(text)
    for row in _LINE.finditer(text):
        line, start = _HexLine(row.start()), row.start()
        if counted is not None and (count := _COUNT.match(text, start, row.end())) is not None:
            line.at_ns = int(count[1]) * counted if counted else None
            start = count.end(1)
        if not (found := list(islice(_words(text, start, row.end()), _FRONT))):
            continue
        at = 0
        while at < len(found):
            if line.at_ns is None and (time := _time_at(found, at)) is not None:
                line.at_ns, at = time
            elif line.direction is None and (way := _direction_at(found, at)) is not None:
                line.direction, at = way
            else:
                break
        if not line.is_plain:
            offsets.restart()
        if at < len(found):
            line.data += _bytes_from(text, found[at], row.end(), offsets)
            offsets.count += len(line.data)
        yield line


def _words(text: str, start: int, stop: int) -> Iterator[_Word]:
    """Yield the words of a line up to a comment or to the text column of a hex dump."""
    letters = _LETTERS.search(text, start, stop)
    for word in _WORD.finditer(text, start, letters.start() if letters else stop):
        if word[1]:
            return
        yield word


def _counted_in(text: str) -> int | None:
    """Return the unit, in ns, of the whole numbers in front of every message of a text.

    0 for line numbers, which count only lines.  None if there are no such numbers, or if they may
    be bytes: two digits each, and no direction after them.
    """
    found: list[_Word] = []
    for start in _MESSAGE.finditer(text):
        match = _COUNT.match(text, start.start())
        if match is None:
            return None
        found.append(match)
    counts = [int(each[1]) for each in found]
    may_be_bytes = all(len(each[1]) == 2 and each[2] is None for each in found)
    is_offset = bool(found) and len(found[0][1]) > 5 and counts[0] == 0
    if may_be_bytes or is_offset or sorted(counts) != counts:
        return None
    is_one_by_one = all(after - before == 1 for before, after in pairwise(counts))
    return 0 if is_one_by_one and len(counts) > 1 else _MS


def _time_at(found: Sequence[_Word], at: int) -> tuple[int, int] | None:
    """Return the time in ns that begins at a word, and the index after it; None for no time."""
    text = found[at][0]
    after = found[at + 1][0] if at + 1 < len(found) else ""
    if match := _CLOCK.fullmatch(text):
        hours, minutes, seconds, part = match.groups()
        # Bytes joined by colons look the same; a time has a fraction, or bytes of another form.
        if part or (hours and after and not _JOINED.fullmatch(after)):
            whole = int(hours or 0) * 3_600 + int(minutes) * 60 + int(seconds)
            return round((whole + Fraction(part or 0)) * 10**9), at + 1
    if match := _AMOUNT.fullmatch(text):
        amount, unit = match.groups()
        if unit is None and after.removesuffix(":") in _UNITS:
            return round(Fraction(amount) * _UNITS[after.removesuffix(":")]), at + 2
        if unit or "." in amount:
            return round(Fraction(amount) * _UNITS[unit or "s"]), at + 1
    return None


def _direction_at(found: Sequence[_Word], at: int) -> tuple[Direction, int] | None:
    """Return the direction that begins at a word, and the index after it; None for none."""
    said = [word[0].lower().removesuffix(":") for word in found[at : at + 2]]
    direction = _DIRECTIONS.get(said[0])
    return None if direction is None else (direction, at + 1 + (said[1:] == ["unit"]))


def _bytes_from(text: str, first: _Word, stop: int, offsets: "_Offsets") -> bytes:
    """Return the bytes of a line from a word on; in one step where it is long or plain."""
    has_offset = offsets.is_at(first)
    start = first.end() if has_offset else first.start()
    if not has_offset or stop - start > _LONG_LINE:
        data = _plain_bytes(text[start:stop])
        if data is not None:
            return data
    if not has_offset:
        return b"".join(map(_bytes_of, _words(text, start, stop)))
    if stop - start > _LONG_LINE:
        raise _UnreadableText(first.start(), "this line is too long for one of a hex dump.", _HOW)
    return b"".join(map(_bytes_of, offsets.bytes_of(list(_words(text, start, stop)), stop)))


def _plain_bytes(text: str) -> bytes | None:
    """Return the bytes of a text of two digits each in one step; None if it is not that plain.

    The result is the same as that of `number_of` for each word.
    """
    if comment := _COMMENT.search(text):
        text = text[: comment.start()]
    try:
        return bytes.fromhex(_MARKS.sub("", text.translate(_APART)))
    except ValueError:
        return None


def _bytes_of(word: _Word) -> bytes:
    data = number_of(word[0])
    if data is None:
        text = word[0] if len(word[0]) <= _SHOWN else f"{word[0][:_SHOWN]}..."
        raise _UnreadableText(word.start(), f'"{shown(text)}" is not a byte in hexadecimal.', _HOW)
    return data


class _Offsets:
    """The offsets of the lines of a hex dump; they must agree with the bytes read so far."""

    def __init__(self, text: str) -> None:
        self._text: Final = text
        self.restart()

    def restart(self) -> None:
        """Start again: a message with a time or direction has offsets of its own."""
        self.count = 0
        """Bytes since the first offset, or an offset of 0."""
        self._base: int | None = None  # what the first offset said
        self._is_bare = False  # offsets have no colon, and every line begins with one

    def is_at(self, first: _Word) -> bool:
        """Whether the first word of a line is an offset; _UnreadableText if bytes are missing."""
        if first[0] == "*":
            raise _UnreadableText(
                first.start(),
                "lines that repeat have been left out here.",
                "Make the hex dump again with all lines in it.",
            )
        if match := _OFFSET.fullmatch(first[0]):
            self._check(first, {int(match[1], 16)})
            return True
        if not _BARE_OFFSET.fullmatch(first[0]):
            return False
        self._is_bare = self._is_bare or (self.count == 0 and int(first[0], 16) == 0)
        if self._is_bare:
            self._check(first, _readings(first[0]))
        return self._is_bare

    def bytes_of(self, found: Sequence[_Word], stop: int) -> Sequence[_Word]:
        """Return the words of a line that are bytes: those before its text column."""
        found = self._without_text(found, stop)
        for word in found if self._is_bare else ():
            if not _PAIR.fullmatch(word[0]):
                raise _UnreadableText(
                    word.start(),
                    "after an offset, single bytes of two digits are expected.",
                    "Make the hex dump again with single bytes.",
                )
        return found

    def _check(self, word: _Word, readings: set[int]) -> None:
        if self._base is None or readings == {0}:
            self._base, self.count = min(readings), 0
        elif self._base + self.count not in readings:
            raise _UnreadableText(
                word.start(),
                f"the offset says {word[0].rstrip(':')}, but by the bytes read so far it should be "
                f"{self._base + self.count:X}: some are missing, or come twice.",
            )

    def _without_text(self, found: Sequence[_Word], stop: int) -> Sequence[_Word]:
        size = 0
        for index, word in enumerate(found):
            size += len(number_of(word[0]) or b"")
            gap = _GAP.match(self._text, word.end(), stop)
            if gap is None:
                continue
            rest = found[index + 1 :]
            if len(rest) > 1 and all(_PAIR.fullmatch(each[0]) for each in rest):
                continue  # two halves of bytes with a gap in the middle
            column = self._text[word.end() : stop].rstrip("\r")
            widths = (len(column) - (gap.end() - word.end()), len(column) - 2)
            if size in widths or any(number_of(each[0]) is None for each in rest):
                return found[: index + 1]
        return found


def _readings(text: str) -> set[int]:
    """Return what an offset may mean: programs count in hexadecimal, decimal or octal."""
    found = {int(text, 16)}
    if text.isdecimal():
        found.add(int(text))
        if not set(text) & {"8", "9"}:
            found.add(int(text, 8))
    return found


def _line_of(text: str, at: int) -> int:
    """Return the number of the line that has a character."""
    return text.count("\n", 0, at) + 1


def _joined(lines: Iterable[_HexLine]) -> list[_HexLine]:
    """Return the lines that have bytes, each with those that continue it."""
    joined: list[_HexLine] = []
    heading: _HexLine | None = None  # a direction, or a time as well, alone in its line
    for line in lines:
        if not line.data:
            if not line.is_plain:
                heading = line
                joined.append(line)
        elif line.is_plain and joined:
            joined[-1].data += line.data
        else:
            if line.direction is None and heading is not None:
                line.direction = heading.direction
            joined.append(line)
            if len(joined) > _MOST:
                raise _UnreadableText(
                    line.at, f"more than {_MOST:,} messages have a line of their own."
                )
    return [line for line in joined if line.data]


def _times(lines: Sequence[_HexLine], text: str, remarks: list[str]) -> list[int] | None:
    """Return the time of each line, never decreasing; None if a line has no time."""
    given = [line.at_ns for line in lines if line.at_ns is not None]
    if len(given) < len(lines):
        if given:
            first = _line_of(text, next(each.at for each in lines if each.at_ns is None))
            remarks.append(f"line {first:,} has no time and others have: no time is used")
        return None
    times = given[:1]
    for line, (before, now) in zip(lines[1:], pairwise(given), strict=True):
        step = now - before
        if step < -_DAY_NS // 2 and before < _DAY_NS:
            step += _DAY_NS  # midnight
        elif step < 0:
            number = _line_of(text, line.at)
            remarks.append(f"line {number:,}: its time is earlier than that of the line before")
        times.append(times[-1] + max(step, 0))
    return times
