"""A capture as JSON Lines, without loss: a first line that says what it is, then a line a passage.

    {"schema": "dryload/capture/1", "start_ns": 0, "directions": ["to unit", "from unit"], ...}
    {"direction": "to unit", "end_ns": 6720000, "hex": "f07e000100..."}

`end_ns` is the time of the last byte; each byte came 320,000 ns after the one before (M1 p. 1).  It
is null if no time is known, and so is `start_ns`.  `taken_at` is where the capture was recorded:
line, host, unit or unknown.  A line is written whole or not at all: if the power fails, everything
before the last line still loads.  Unknown keys are ignored; another number at the end of the schema
means another form.
"""

import io
import json
import re
from collections.abc import Iterator, Sequence
from typing import Any, BinaryIO, Final, TypeVar

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import BOTH, LONGEST_ABOUT, Recorded, TakenAt, back_to_back

FAMILY: Final = "dryload/capture/"
SCHEMA: Final = f"{FAMILY}1"
_FARTHEST_NS: Final = 1 << 63  # nearly three centuries
_EXPECTED: Final = {
    "start_ns": "start_ns must be whole nanoseconds, or null.",
    "directions": 'directions are "to unit", "from unit" or both.',
    "direction": 'direction must be "to unit" or "from unit".',
    "end_ns": "end_ns must be whole nanoseconds, or null.",
    "hex": "hex must be bytes of two hexadecimal digits each.",
}
_Line = TypeVar("_Line")


class _FirstLine(Struct, kw_only=True):
    """The first line as it may be; what it must be is checked afterwards."""

    schema: Any = None
    start_ns: int | None = None
    directions: tuple[Direction, ...] = ()
    taken_at: Any = None
    about: Any = ""


class _PassageLine(Struct, kw_only=True):
    """Any other line."""

    direction: Direction | None = None
    end_ns: int | None = None
    hex: str = ""


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
    return _written(
        {
            "schema": SCHEMA,
            "start_ns": start_ns,
            "directions": [direction.value for direction in directions],
            "taken_at": str(taken_at),
            "about": about[:LONGEST_ABOUT],
        }
    )


def line(passage: Passage, *, is_timed: bool = True) -> bytes:
    """Return the line of one passage."""
    return _written(
        {
            "direction": passage.direction.value,
            "end_ns": passage.end_ns if is_timed else None,
            "hex": passage.data.hex(),
        }
    )


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
    """Return the capture in the text of `file`; a Problem names the line that can't be read."""
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
    says_where = b'"taken_at"' in content.partition(b"\n")[0]
    return replace(
        empty,
        capture=Capture(passages),
        # Where nothing has a time, older versions did not write it.
        taken_at=empty.taken_at if is_timed or says_where else TakenAt.UNKNOWN,
        is_timed=is_timed,
        start_ns=empty.start_ns if is_timed else 0,
        remarks=tuple(remarks),
    )


def taken_at_of(said: object, start_ns: int | None) -> TakenAt:
    """Return where a capture was taken that says `said` of it, None where it says nothing.

    `start_ns` is None where no times are known.  A capture of virtual time that does not say where
    it was taken is one of the line: older versions wrote no other.
    """
    if said is None:
        return TakenAt.LINE if start_ns == 0 else TakenAt.UNKNOWN
    return next((each for each in TakenAt if each == said), TakenAt.UNKNOWN)


def refuse_other_version(name: str, schema: str) -> None:
    """Raise the Problem of a capture in a form that this version does not know."""
    if schema != SCHEMA:
        raise Problem(
            f"{name} is a capture in the form {shown(schema)}, and this version of dryload knows "
            f"{SCHEMA}.",
            do="Use a newer version of dryload.",
        )


def _written(fields: dict[str, Any]) -> bytes:
    return json.dumps(fields).encode("ascii") + b"\n"


def _head(text: bytes, name: str) -> Recorded:
    """Return what the first line says, without any passages."""
    said = _decoded(text, _FirstLine, f"{name}, line 1")
    if said is None or not isinstance(said.schema, str) or not said.schema.startswith(FAMILY):
        raise Problem(
            f"{name}, line 1: this is not how a capture begins.", do=f"Expected {SCHEMA}."
        )
    refuse_other_version(name, said.schema)
    if not said.directions:
        raise _wrong(f"{name}, line 1", "directions")
    if abs(said.start_ns or 0) >= _FARTHEST_NS:
        raise _wrong(f"{name}, line 1", "start_ns")
    return Recorded(
        capture=Capture(),
        directions=tuple(direction for direction in BOTH if direction in said.directions),
        is_timed=said.start_ns is not None,
        start_ns=said.start_ns or 0,
        taken_at=taken_at_of(said.taken_at, said.start_ns),
        about=said.about if isinstance(said.about, str) else "",
    )


def _passages(
    lines: BinaryIO, name: str, remarks: list[str]
) -> Iterator[tuple[Direction, int | None, bytes]]:
    for number, text in enumerate(lines, start=2):
        if not text.strip():
            continue
        where = f"{name}, line {number:,}"
        said = _decoded(text, _PassageLine, where)
        if said is None and not text.endswith(b"\n"):
            remarks.append(
                f"the last line, {number:,}, is cut short: the capture ends where its writer "
                "was stopped"
            )
            return
        if said is None:
            raise Problem(f"{where}: this is not a line of a capture.")
        if said.direction is None:
            raise _wrong(where, "direction")
        if abs(said.end_ns or 0) >= _FARTHEST_NS:
            raise _wrong(where, "end_ns")
        try:
            data = bytes.fromhex(said.hex)
        except ValueError:
            data = b""
        if not data:
            raise _wrong(where, "hex")
        yield said.direction, said.end_ns, data


def _wrong(where: str, field: str) -> Problem:
    return Problem(f"{where}: {_EXPECTED[field]}")


def _decoded(text: bytes, kind: type[_Line], where: str) -> _Line | None:
    """Return what a line says, None where it is no JSON object; a Problem for a wrong value."""
    import msgspec

    try:
        return msgspec.json.decode(text, type=kind)
    except msgspec.ValidationError as problem:
        field = re.search(r"`\$\.(\w+)", str(problem))
        if field is None:
            return None
        raise _wrong(where, field[1]) from problem
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
