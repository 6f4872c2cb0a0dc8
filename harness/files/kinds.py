"""What a file is by its first bytes, so that a wrong one is named and not only refused."""

import re
from typing import Final

from msgspec import Struct

HEAD_BYTES: Final = 4096
"""How many bytes of a file's beginning `kind_of` needs."""

AUDIO_ADVICE: Final = "dryload encode makes a dump from it."
_PACKED_ADVICE: Final = "Unpack it first."


class FileKind(Struct, frozen=True, kw_only=True):
    """A kind of file: its name, and advice for a user who needs a dump."""

    name: str
    advice: str = ""
    was_dump: bool = False
    """Whether it is what is left of a dump."""


DUMP: Final = FileKind(name="a sample dump")
MIDI_FILE: Final = FileKind(name="a Standard MIDI File")
HEX_FORMS: Final = "F0 7E, F07E, F0:7E, 0xF0, $F0 or F0h"
"""How bytes may be written in text."""
TEXT: Final = FileKind(
    name="a text file",
    advice="A dump file holds bytes, not text. validate, explain, diagnose and replay read "
    f"pasted bytes, written {HEX_FORMS}.",
)
_UTF16_TEXT: Final = FileKind(name="a text file in UTF-16", advice="Save it as UTF-8.")
HEX_TEXT: Final = FileKind(
    name="a text file of hexadecimal numbers",
    advice="A dump file holds the bytes themselves: turn the text into bytes first.",
)

_AGAIN: Final = "Get the original once more and copy it as a file of bytes, never as text."
_DUMP_BEGINS: Final = rb"~[\x00-\x7f][\x01-\x03\x05]"  # 7E, a device ID, a message of a dump
_DUMPS_AS_TEXT: Final = (
    (
        re.compile(rb"\xc3\xb0" + _DUMP_BEGINS),
        FileKind(
            name="text made of a dump (UTF-8: each byte above 7F became two, F0 is C3 B0)",
            advice=f"{_AGAIN} Or undo it: iconv -f UTF-8 -t LATIN1 FILE > NEW.syx",
            was_dump=True,
        ),
    ),
    (
        re.compile(rb"\xef\xbb\xbf\xc3\xb0" + _DUMP_BEGINS),
        FileKind(
            name="text made of a dump (UTF-8 with a mark in front: each byte above 7F became two)",
            advice=_AGAIN,
            was_dump=True,
        ),
    ),
    (
        re.compile(rb"(?:\xef\xbb\xbf)?\xef\xbf\xbd" + _DUMP_BEGINS),
        FileKind(
            name="text made of a dump (each byte above 7F was replaced by EF BF BD and is lost)",
            advice=_AGAIN,
            was_dump=True,
        ),
    ),
    (
        re.compile(
            rb"(?:\xff\xfe)?\xf0\0~\0[\0-\x7f]\0[\x01-\x03\x05]\0(?:[\0-\x7f]\0){12}"
            rb"|(?:\xfe\xff)?\0\xf0\0~\0[\0-\x7f]\0[\x01-\x03\x05](?:\0[\0-\x7f]){12}"
        ),
        FileKind(
            name="text made of a dump (UTF-16: each byte became two)", advice=_AGAIN, was_dump=True
        ),
    ),
)
"""How the beginning of a dump looks after somebody saved or copied it as text."""

# Each sign stands at its offset; the more telling ones come first.
_SIGNS: Final[tuple[tuple[int, bytes, FileKind], ...]] = (
    (0, b"MThd", MIDI_FILE),
    (0, b"\xff\xd8\xff", FileKind(name="a JPEG picture")),
    (0, b"\x89PNG\r\n\x1a\n", FileKind(name="a PNG picture")),
    (0, b"GIF8", FileKind(name="a GIF picture")),
    (0, b"II*\0", FileKind(name="a TIFF picture")),
    (0, b"MM\0*", FileKind(name="a TIFF picture")),
    (8, b"WEBP", FileKind(name="a WebP picture")),
    (8, b"WAVE", FileKind(name="a WAV sound", advice=AUDIO_ADVICE)),
    (8, b"AIFF", FileKind(name="an AIFF sound", advice=AUDIO_ADVICE)),
    (8, b"AIFC", FileKind(name="an AIFF sound", advice=AUDIO_ADVICE)),
    (0, b"fLaC", FileKind(name="a FLAC sound", advice=AUDIO_ADVICE)),
    (0, b"OggS", FileKind(name="an Ogg sound", advice=AUDIO_ADVICE)),
    (0, b"ID3", FileKind(name="an MP3 sound", advice=AUDIO_ADVICE)),
    (0, b"caff", FileKind(name="a CAF sound", advice=AUDIO_ADVICE)),
    (4, b"ftyp", FileKind(name="an MPEG-4 film or sound")),
    (8, b"RMID", FileKind(name="a MIDI file inside a RIFF file", advice="Save it as a .mid file.")),
    (0, b"PK\x03\x04", FileKind(name="a ZIP archive", advice=_PACKED_ADVICE)),
    (0, b"PK\x05\x06", FileKind(name="an empty ZIP archive")),
    (0, b"\x1f\x8b", FileKind(name="a gzip archive", advice=_PACKED_ADVICE)),
    (0, b"BZh", FileKind(name="a bzip2 archive", advice=_PACKED_ADVICE)),
    (0, b"\xfd7zXZ\0", FileKind(name="an xz archive", advice=_PACKED_ADVICE)),
    (0, b"7z\xbc\xaf\x27\x1c", FileKind(name="a 7z archive", advice=_PACKED_ADVICE)),
    (0, b"Rar!", FileKind(name="a RAR archive", advice=_PACKED_ADVICE)),
    (257, b"ustar", FileKind(name="a tar archive", advice=_PACKED_ADVICE)),
    (0, b"%PDF", FileKind(name="a PDF document")),
    (0, b"\x7fELF", FileKind(name="a program")),
    (0, b"MZ", FileKind(name="a program")),
    (0, b"SQLite format 3\0", FileKind(name="a database")),
)
_HEX: Final = re.compile(rb"\s*(?:0x|\$)?f0[\s,]*(?:0x|\$)?[0-7][0-9a-f]\b", re.IGNORECASE)
_UTF16: Final = re.compile(
    rb"\xff\xfe(?:[\t\r\n -~]\0){2}|\xfe\xff(?:\0[\t\r\n -~]){2}"  # byte order marks, then letters
)
_CONTROL: Final = re.compile(rb"[\0-\x08\x0e-\x1a\x1c-\x1f\x7f]")


def kind_of(head: bytes) -> FileKind | None:
    """Return the kind of a file that begins with `head`, None if it is unknown.

    Sample dumps are not recognised here: they are searched for in the whole file.
    """
    for offset, sign, kind in _SIGNS:
        if head.startswith(sign, offset):
            return kind
    for begins, kind in _DUMPS_AS_TEXT:
        if begins.match(head):
            return kind
    if _UTF16.match(head):
        return _UTF16_TEXT
    if _HEX.match(head):
        return HEX_TEXT
    return TEXT if _is_text(head) else None


def _is_text(head: bytes) -> bool:
    if not head or _CONTROL.search(head):
        return False
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as problem:
        # A character of several bytes may have been cut in two where the head ends.
        return len(head) >= HEAD_BYTES and problem.start > len(head) - 4
    return True
