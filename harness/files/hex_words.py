"""The words of a line of hexadecimal text: times, directions, offsets, bytes."""

import re
from collections.abc import Sequence
from fractions import Fraction
from typing import Final, NamedTuple

from emulator.dump.capture import Direction

_WORD: Final = re.compile(r"(#|;|//)|->|<-|[<>→←/]|[^\s,;#{}()\[\]<>→←/]+")
_NUMBER: Final = re.compile(r"(?:0x|\$)?([0-9a-f]+)h?", re.IGNORECASE)
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


class Trouble(Exception):  # noqa: N818  # it becomes a Problem as soon as line and file are known
    """What can't be read, where, and what to do."""

    def __init__(self, column: int, what: str, do: str = "") -> None:
        super().__init__(what)
        self.line = 0
        self.column = column
        self.what = what
        self.do = do


class Word(NamedTuple):
    """A word of a line; columns count from 1."""

    column: int
    text: str

    @property
    def stop(self) -> int:
        """The index of the character behind it."""
        return self.column - 1 + len(self.text)


def words(line: str) -> list[Word]:
    """Return the words of a line up to a comment or to the text column of a hex dump."""
    found = []
    for match in _WORD.finditer(_LETTERS.split(line, maxsplit=1)[0]):
        if match.group(1):
            break
        found.append(Word(match.start() + 1, match.group()))
    return found


def number_of(text: str) -> bytes | None:
    """Return the bytes of a word, None if it is something else."""
    if _JOINED.fullmatch(text):
        return bytes.fromhex(re.sub("[:-]", "", text))
    match = _NUMBER.fullmatch(text)
    if match is None or (len(match.group(1)) > 2 and len(match.group(1)) % 2):
        return None
    return bytes.fromhex(match.group(1).zfill(2))


def time_at(found: Sequence[Word], at: int) -> tuple[int, int] | None:
    """Return the time in ns that begins at a word, and the word behind it; None for no time."""
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


def direction_at(found: Sequence[Word], at: int) -> tuple[Direction, int] | None:
    """Return the direction that begins at a word, and the word behind it; None for none."""
    direction = _DIRECTIONS.get(found[at].text.lower().removesuffix(":"))
    if direction is None:
        return None
    follows = found[at + 1].text.lower().removesuffix(":") if at + 1 < len(found) else ""
    return direction, at + 2 if follows == "unit" else at + 1


class Offsets:
    """What hex dumps count in front of each line; it has to agree with the bytes read so far."""

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Begin anew: a message with a time or direction has offsets of its own."""
        self.count = 0
        """Bytes since the first offset, or an offset of 0."""
        self._base: int | None = None  # what the first offset said
        self._is_bare = False  # offsets have no colon, and every line begins with one

    def bytes_of(self, line: str, found: Sequence[Word]) -> Sequence[Word]:
        """Return the words of a line that are bytes; Trouble where a hex dump has a hole."""
        if not found:
            return ()
        first, rest = found[0], found[1:]
        if first.text == "*":
            raise Trouble(
                first.column,
                "lines that repeat have been left out here.",
                "Make the hex dump again with all lines in it.",
            )
        if match := _OFFSET.fullmatch(first.text):
            self._check(first, {int(match.group(1), 16)})
            return _without_text(line, rest)
        if not self._is_bare_offset(first):
            return found
        self._is_bare = True
        self._check(first, _readings(first.text))
        rest = _without_text(line, rest)
        for word in rest:
            if not _PAIR.fullmatch(word.text):
                raise Trouble(
                    word.column,
                    "behind an offset, single bytes of two digits are expected.",
                    "Make the hex dump again with single bytes.",
                )
        return rest

    def _is_bare_offset(self, word: Word) -> bool:
        if not _BARE_OFFSET.fullmatch(word.text):
            return False
        return self._is_bare or (self.count == 0 and int(word.text, 16) == 0)

    def _check(self, word: Word, readings: set[int]) -> None:
        if self._base is None or readings == {0}:
            self._base, self.count = min(readings), 0
        elif self._base + self.count not in readings:
            raise Trouble(
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


def _without_text(line: str, found: Sequence[Word]) -> Sequence[Word]:
    """Return the bytes of a hex dump's line without the text that may stand beside them."""
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
