"""What a file is by its first bytes, so that a wrong one is named and not only refused."""

import re
from dataclasses import dataclass
from typing import Final

HEAD_BYTES: Final = 4096
"""How much of a file's beginning `kind_of` wants to see."""

AUDIO_ADVICE: Final = "dryload encode makes a dump of it."
_PACKED_ADVICE: Final = "Unpack it first."


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of file: what to call it, and what somebody who wanted a dump should do with it."""

    name: str
    advice: str = ""


DUMP: Final = Kind(name="a sample dump")
MIDI_FILE: Final = Kind(name="a Standard MIDI File")
HEX_FORMS: Final = "F0 7E, F07E, F0:7E, 0xF0, $F0 or F0h"
"""How bytes may be written in text."""
TEXT: Final = Kind(
    name="a text file",
    advice="A dump file holds bytes and no text. validate, explain, diagnose and replay read "
    f"pasted bytes, written {HEX_FORMS}.",
)
_UTF16_TEXT: Final = Kind(name="a text file in UTF-16", advice="Save it as UTF-8.")
HEX_TEXT: Final = Kind(
    name="a text file of hexadecimal numbers",
    advice="A dump file holds the bytes themselves: turn the text into bytes first.",
)

# Each sign stands at its offset; the more telling ones come first.
_SIGNS: Final[tuple[tuple[int, bytes, Kind], ...]] = (
    (0, b"MThd", MIDI_FILE),
    (0, b"\xff\xd8\xff", Kind(name="a JPEG picture")),
    (0, b"\x89PNG\r\n\x1a\n", Kind(name="a PNG picture")),
    (0, b"GIF8", Kind(name="a GIF picture")),
    (0, b"II*\0", Kind(name="a TIFF picture")),
    (0, b"MM\0*", Kind(name="a TIFF picture")),
    (8, b"WEBP", Kind(name="a WebP picture")),
    (8, b"WAVE", Kind(name="a WAV sound", advice=AUDIO_ADVICE)),
    (8, b"AIFF", Kind(name="an AIFF sound", advice=AUDIO_ADVICE)),
    (8, b"AIFC", Kind(name="an AIFF sound", advice=AUDIO_ADVICE)),
    (0, b"fLaC", Kind(name="a FLAC sound", advice=AUDIO_ADVICE)),
    (0, b"OggS", Kind(name="an Ogg sound", advice=AUDIO_ADVICE)),
    (0, b"ID3", Kind(name="an MP3 sound", advice=AUDIO_ADVICE)),
    (0, b"caff", Kind(name="a CAF sound", advice=AUDIO_ADVICE)),
    (4, b"ftyp", Kind(name="an MPEG-4 film or sound")),
    (8, b"RMID", Kind(name="a MIDI file inside a RIFF file", advice="Save it as a .mid file.")),
    (0, b"PK\x03\x04", Kind(name="a ZIP archive", advice=_PACKED_ADVICE)),
    (0, b"PK\x05\x06", Kind(name="an empty ZIP archive")),
    (0, b"\x1f\x8b", Kind(name="a gzip archive", advice=_PACKED_ADVICE)),
    (0, b"BZh", Kind(name="a bzip2 archive", advice=_PACKED_ADVICE)),
    (0, b"\xfd7zXZ\0", Kind(name="an xz archive", advice=_PACKED_ADVICE)),
    (0, b"7z\xbc\xaf\x27\x1c", Kind(name="a 7z archive", advice=_PACKED_ADVICE)),
    (0, b"Rar!", Kind(name="a RAR archive", advice=_PACKED_ADVICE)),
    (257, b"ustar", Kind(name="a tar archive", advice=_PACKED_ADVICE)),
    (0, b"%PDF", Kind(name="a PDF document")),
    (0, b"\x7fELF", Kind(name="a program")),
    (0, b"MZ", Kind(name="a program")),
    (0, b"SQLite format 3\0", Kind(name="a database")),
)
_HEX: Final = re.compile(rb"\s*(?:0x|\$)?f0[\s,]*(?:0x|\$)?[0-7][0-9a-f]\b", re.IGNORECASE)
_UTF16: Final = re.compile(
    rb"\xff\xfe(?:[\t\r\n -~]\0){2}|\xfe\xff(?:\0[\t\r\n -~]){2}"  # byte order marks, then letters
)
_CONTROL: Final = re.compile(rb"[\0-\x08\x0e-\x1a\x1c-\x1f\x7f]")


def kind_of(head: bytes) -> Kind | None:
    """Return what a file that begins with `head` is, None where nothing tells.

    A sample dump has no sign of its own here: it is looked for, not recognised by its beginning.
    """
    for offset, sign, kind in _SIGNS:
        if head.startswith(sign, offset):
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
