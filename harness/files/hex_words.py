"""The words of a line of hexadecimal text: times, directions, offsets, bytes."""

import re
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import pairwise
from typing import Final, NamedTuple

from emulator.dump.capture import Direction

_WORD: Final = re.compile(r"(#|;|//)|->|<-|[<>→←/]|[^\s,;#{}()\[\]<>→←/]+")
_NUMBER: Final = re.compile(r"(?:0x|\$)?([0-9a-f]+)h?", re.IGNORECASE)
_COMMENT: Final = re.compile(r"#|;|//|(?<!\S)\|")
_APART: Final = str.maketrans(",{}()[]", "       ")
_MARKS: Final = re.compile(r"(?<!\S)(?:0x|\$)(?=[0-9a-f])|(?<=[0-9a-f])h(?!\S)", re.IGNORECASE)
_COUNT: Final = re.compile(
    r"[ \t\[(]*(\d{1,12})[\])]?[ \t,]+"
    r"((?:[<>→←]|->|<-|(?:to|from)(?: unit)?|out|in|sent|received|tx|rx):?[ \t]*)?(?:0x|\$)?"
    r"[89a-f][0-9a-f]",
    re.IGNORECASE,
)
_START: Final = re.compile(r"^[^\n#;]*?(?<![0-9a-z])(?:0x|\$)?f0", re.IGNORECASE | re.MULTILINE)
_MS: Final = 1_000_000
_JOINED: Final = re.compile(r"[0-9a-f]{2}(?:[:-][0-9a-f]{2})+", re.IGNORECASE)
_CLOCK: Final = re.compile(r"(?:(\d{1,3}):)?([0-5]?\d):([0-5]\d)(\.\d{1,12})?:?", re.ASCII)
_AMOUNT: Final = re.compile(r"(\d{1,12}(?:\.\d{1,12})?)(ns|us|µs|μs|ms|s)?:?", re.ASCII)
_UNITS: Final = {"ns": 1, "us": 10**3, "µs": 10**3, "μs": 10**3, "ms": 10**6, "s": 10**9}
_DIRECTIONS: Final = {
    **dict.fromkeys((">", "->", "→", "to", "out", "sent", "tx"), Direction.TO_UNIT),
    **dict.fromkeys(("<", "<-", "←", "from", "in", "received", "rx"), Direction.FROM_UNIT),
}
_OFFSET: Final = re.compile(r"(?:0x)?([0-9a-f]{2,16})h?:", re.IGNORECASE)
_BARE_OFFSET: Final = re.compile(r"[0-9a-f]{6,16}", re.IGNORECASE)
_LETTERS: Final = re.compile(r"(?<!\S)\|")  # bytes in letters, as hex dumps frame them
_GAP: Final = re.compile(r"\s{2,}")
_PAIR: Final = re.compile(r"[0-9a-f]{2}", re.IGNORECASE)


class UnreadableText(Exception):  # noqa: N818  # it becomes a Problem as soon as line and file are known
    """What can't be read, where, and what to do."""

    def __init__(self, column: int, what: str, do: str = "") -> None:
        super().__init__(what)
        self.at = 0
        """Where in the text its line begins."""
        self.column = column
        self.what = what
        self.do = do


class HexWord(NamedTuple):
    """A word of a line; columns count from 1."""

    column: int
    text: str

    @property
    def stop(self) -> int:
        """The index of the character after it."""
        return self.column - 1 + len(self.text)


def words(line: str) -> Iterator[HexWord]:
    """Yield the words of a line up to a comment or to the text column of a hex dump."""
    letters = _LETTERS.search(line)
    for match in _WORD.finditer(line, 0, letters.start() if letters else len(line)):
        if match.group(1):
            return
        yield HexWord(match.start() + 1, match.group())


def plain_bytes(text: str) -> bytes | None:
    """Return the bytes of a text of two digits each in one step; None if it is not that plain.

    The result is the same as that of `number_of` for each word.
    """
    if comment := _COMMENT.search(text):
        text = text[: comment.start()]
    text = _MARKS.sub("", text.translate(_APART))
    try:
        return bytes.fromhex(text)
    except ValueError:
        return None


def count_at(line: str) -> tuple[int, int] | None:
    """Return the whole number in front of a line's first status byte, and where it ends."""
    match = _COUNT.match(line)
    return None if match is None else (int(match.group(1)), match.end(1))


def counted_in(text: str) -> int | None:
    """Return the unit, in ns, of the whole numbers in front of every message of a text.

    0 for line numbers, which count only lines.  None if there are no such numbers, or if they may
    be bytes: two digits each, and no direction after them.
    """
    found = []
    for start in _START.finditer(text):
        match = _COUNT.match(text, start.start())
        if match is None:
            return None
        found.append((match.group(1), match.group(2)))
    counts = [int(digits) for digits, _ in found]
    may_be_bytes = all(len(digits) == 2 and way is None for digits, way in found)
    is_offset = bool(found) and len(found[0][0]) > 5 and counts[0] == 0
    if may_be_bytes or is_offset or sorted(counts) != counts:
        return None
    is_one_by_one = all(after - before == 1 for before, after in pairwise(counts))
    return 0 if is_one_by_one and len(counts) > 1 else _MS


def number_of(text: str) -> bytes | None:
    """Return the bytes of a word, None if it is something else."""
    if _JOINED.fullmatch(text):
        return bytes.fromhex(re.sub("[:-]", "", text))
    match = _NUMBER.fullmatch(text)
    if match is None or (len(match.group(1)) > 2 and len(match.group(1)) % 2):
        return None
    return bytes.fromhex(match.group(1).zfill(2))


def time_at(found: Sequence[HexWord], at: int) -> tuple[int, int] | None:
    """Return the time in ns that begins at a word, and the index after it; None for no time."""
    text = found[at].text
    after = found[at + 1].text if at + 1 < len(found) else ""
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


def direction_at(found: Sequence[HexWord], at: int) -> tuple[Direction, int] | None:
    """Return the direction that begins at a word, and the index after it; None for none."""
    direction = _DIRECTIONS.get(found[at].text.lower().removesuffix(":"))
    if direction is None:
        return None
    follows = found[at + 1].text.lower().removesuffix(":") if at + 1 < len(found) else ""
    return direction, at + 2 if follows == "unit" else at + 1


class Offsets:
    """The offsets of the lines of a hex dump; they must agree with the bytes read so far."""

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Start again: a message with a time or direction has offsets of its own."""
        self.count = 0
        """Bytes since the first offset, or an offset of 0."""
        self._base: int | None = None  # what the first offset said
        self._is_bare = False  # offsets have no colon, and every line begins with one

    def is_at(self, first: HexWord) -> bool:
        """Whether the first word of a line is an offset; UnreadableText if bytes are missing."""
        if first.text == "*":
            raise UnreadableText(
                first.column,
                "lines that repeat have been left out here.",
                "Make the hex dump again with all lines in it.",
            )
        if match := _OFFSET.fullmatch(first.text):
            self._check(first, {int(match.group(1), 16)})
            return True
        if not self._is_bare_offset(first):
            return False
        self._is_bare = True
        self._check(first, _readings(first.text))
        return True

    def bytes_of(self, line: str, found: Sequence[HexWord]) -> Sequence[HexWord]:
        """Return the words after the offset of a line that are bytes."""
        bytes_alone = without_text(line, found)
        for word in bytes_alone if self._is_bare else ():
            if not _PAIR.fullmatch(word.text):
                raise UnreadableText(
                    word.column,
                    "behind an offset, single bytes of two digits are expected.",
                    "Make the hex dump again with single bytes.",
                )
        return bytes_alone

    def _is_bare_offset(self, word: HexWord) -> bool:
        if not _BARE_OFFSET.fullmatch(word.text):
            return False
        return self._is_bare or (self.count == 0 and int(word.text, 16) == 0)

    def _check(self, word: HexWord, readings: set[int]) -> None:
        if self._base is None or readings == {0}:
            self._base, self.count = min(readings), 0
        elif self._base + self.count not in readings:
            raise UnreadableText(
                word.column,
                f"the offset says {word.text.rstrip(':')}, and by the bytes read so far it is "
                f"{self._base + self.count:X}: some are missing, or come twice.",
            )


def _readings(text: str) -> set[int]:
    """Return what an offset may mean: programs count in hexadecimal, decimal or octal."""
    found = {int(text, 16)}
    if text.isdecimal():
        found.add(int(text))
        if not set(text) & {"8", "9"}:
            found.add(int(text, 8))
    return found


def without_text(line: str, found: Sequence[HexWord]) -> Sequence[HexWord]:
    """Return the bytes of a line of a hex dump without the text column."""
    size = 0
    for index, word in enumerate(found):
        size += len(number_of(word.text) or b"")
        gap = _GAP.match(line, word.stop)
        if gap is None:
            continue
        rest = found[index + 1 :]
        if len(rest) > 1 and all(_PAIR.fullmatch(each.text) for each in rest):
            continue  # two halves of bytes with a gap in the middle
        widths = (len(line[start:].rstrip("\r")) for start in (gap.end(), word.stop + 2))
        if size in widths or any(number_of(each.text) is None for each in rest):
            return found[: index + 1]
    return found
