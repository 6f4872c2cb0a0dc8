"""A capture as JSON Lines, without loss: a first line that says what it is, then a line a passage.

    {"schema": "dryload/capture/1", "start_ns": 0, "directions": ["to unit", "from unit"], ...}
    {"direction": "to unit", "end_ns": 6720000, "hex": "f07e000100..."}

`end_ns` is when the last of the bytes was there; each came 320,000 ns after the one before (M1
p. 1).  It is null where no time is known, and `start_ns` with it.  `taken_at` is where it was
recorded: line, host, unit or unknown.  A line is whole or not there: when the power fails while one
is written, everything before it still loads.  Keys that are not known are passed over, and another
number behind the last / of the schema means another form.
"""

import io
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, BinaryIO, Final

from emulator.dump.capture import Capture, Direction, Passage
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.files.recorded import BOTH, LONGEST_ABOUT, Recorded, TakenAt, back_to_back

FAMILY: Final = "dryload/capture/"
SCHEMA: Final = f"{FAMILY}1"
_NAMES: Final = {direction.value: direction for direction in Direction}
_FARTHEST_NS: Final = 1 << 63  # nearly three centuries


def is_lines(head: bytes) -> bool:
    """Return whether a file that begins with `head` is a capture in this form, of any version."""
    return head.startswith(b"{") and b'"schema"' in head and FAMILY.encode() in head


def head(
    *,
    directions: Sequence[Direction] = BOTH,
    start_ns: int | None = 0,
    about: str = "",
    taken_at: TakenAt = TakenAt.UNKNOWN,
) -> bytes:
    """Return the first line; `start_ns` None says that no times are known."""
    fields = {
        "schema": SCHEMA,
        "start_ns": start_ns,
        "directions": [direction.value for direction in directions],
        "taken_at": str(taken_at),
        "about": about[:LONGEST_ABOUT],
    }
    return _line(fields)


def line(passage: Passage, *, is_timed: bool = True) -> bytes:
    """Return the line of one passage."""
    fields = {
        "direction": passage.direction.value,
        "end_ns": passage.end_ns if is_timed else None,
        "hex": passage.data.hex(),
    }
    return _line(fields)


def build(recorded: Recorded) -> bytes:
    """Return a whole capture as text."""
    timed = recorded.is_timed
    first = head(
        directions=recorded.directions,
        start_ns=recorded.start_ns if timed else None,
        about=recorded.about,
        taken_at=recorded.taken_at,
    )
    passages = recorded.capture.passages
    return first + b"".join(line(each, is_timed=timed) for each in passages if each.data)


def read(content: bytes, file: str) -> Recorded:
    """Return the capture in the text of `file`; a Problem that names the line it can't read."""
    lines = io.BytesIO(content)  # shares the bytes: a list of lines would take as many again
    name = shown(file)
    empty = _head(lines.readline(), name)
    remarks: list[str] = []
    found = list(_passages(lines, name, remarks))
    timeless = sum(end_ns is None for _, end_ns, _ in found)
    if timeless and timeless < len(found):
        remarks.append("some passages have a time and some have none: no time is used")
    is_timed = empty.is_timed and not timeless
    if is_timed:
        passages = [Passage(way, end_ns or 0, data) for way, end_ns, data in found]
    else:
        passages = back_to_back([(way, data) for way, _, data in found])
    return replace(
        empty,
        capture=Capture(passages),
        is_timed=is_timed,
        start_ns=empty.start_ns if is_timed else 0,
        remarks=tuple(remarks),
    )


def _line(fields: dict[str, Any]) -> bytes:
    return json.dumps(fields).encode("ascii") + b"\n"


def _head(text: bytes, name: str) -> Recorded:
    """Return what the first line says, without any passages."""
    fields = _object(text) or {}
    schema = fields.get("schema")
    if not isinstance(schema, str) or not schema.startswith(FAMILY):
        raise Problem(f"{name}, line 1: no capture begins like this.", do=f"Expected {SCHEMA}.")
    if schema != SCHEMA:
        raise Problem(
            f"{name} is a capture in the form {shown(schema)}, and this version of dryload knows "
            f"{SCHEMA}.",
            do="Use a newer version of dryload.",
        )
    start_ns, names = fields.get("start_ns"), fields.get("directions")
    about = fields.get("about", "")
    if not (start_ns is None or _is_instant(start_ns)):
        raise Problem(f"{name}, line 1: start_ns is to be whole nanoseconds, or null.")
    if not isinstance(names, list) or not names or not all(_is_direction(each) for each in names):
        raise Problem(f'{name}, line 1: directions are "to unit", "from unit" or both.')
    return Recorded(
        capture=Capture(),
        directions=tuple(direction for direction in BOTH if direction.value in names),
        is_timed=start_ns is not None,
        start_ns=start_ns or 0,
        taken_at=taken_at_of(fields, start_ns),
        about=about if isinstance(about, str) else "",
    )


def taken_at_of(fields: Mapping[str, object], start_ns: int | None) -> TakenAt:
    """Return where a capture was taken that says of itself what is in `fields`.

    `start_ns` is None where no times are known.  A capture of virtual time that does not say where
    is one of the line: older versions kept no other.
    """
    if "taken_at" not in fields:
        return TakenAt.LINE if start_ns == 0 else TakenAt.UNKNOWN
    said = fields["taken_at"]
    return next((each for each in TakenAt if each == said), TakenAt.UNKNOWN)


def _passages(
    lines: BinaryIO, name: str, remarks: list[str]
) -> Iterator[tuple[Direction, int | None, bytes]]:
    for number, text in enumerate(lines, start=2):
        if not text.strip():
            continue
        fields = _object(text)
        if fields is None and not text.endswith(b"\n"):
            remarks.append(
                f"the last line, {number:,}, is cut short: the capture ends where its writer "
                "was stopped"
            )
            return
        if fields is None:
            raise Problem(f"{name}, line {number:,}: this is no line of a capture.")
        yield _passage(fields, f"{name}, line {number:,}")


def _passage(fields: dict[str, Any], where: str) -> tuple[Direction, int | None, bytes]:
    way, end_ns, digits = (fields.get(key) for key in ("direction", "end_ns", "hex"))
    if not _is_direction(way):
        raise Problem(f'{where}: direction is to be "to unit" or "from unit".')
    if not (end_ns is None or _is_instant(end_ns)):
        raise Problem(f"{where}: end_ns is to be whole nanoseconds, or null.")
    try:
        data = bytes.fromhex(digits) if isinstance(digits, str) else b""
    except ValueError:
        data = b""
    if not data:
        raise Problem(f"{where}: hex is to be bytes of two hexadecimal digits each.")
    return _NAMES[str(way)], end_ns, data


def _object(text: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _is_direction(value: object) -> bool:
    return isinstance(value, str) and value in _NAMES


def _is_instant(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) < _FARTHEST_NS
