"""Whether two answers about the same bytes agree: diagnosis and judge, and `validate` in each form.

Theory of operation.  No diagnosis may say that nothing is wrong where the judge has a broken
finding.  And what `validate` says depends on the bytes and not on how they were kept: a capture is
written as JSON Lines, as a MIDI file and as hexadecimal text, its bytes to the unit alone also as
System Exclusive bytes and as a MIDI file that knows nothing of captures.  The plain forms are
written here and not by the project.  Times are whole microseconds, because a MIDI file has no
others; text and MIDI files do not say where a capture was taken, so none of the forms does.  Text
says nothing of a direction in which nothing passed, and a MIDI file not which of two things came
first that lie a microsecond apart: such captures are not written so.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from click.testing import CliRunner
from msgspec import field
from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.wire.constants import BYTE_NS
from dryload.harness.cli.options import command_of
from dryload.harness.cli.validate import validate
from dryload.harness.diagnose.diagnose import Answer, diagnose
from dryload.harness.files import capture_lines, capture_midi
from dryload.harness.files.recorded import Recorded, TakenAt, back_to_back
from tests import oracle
from tests.diagnosis.injector_kinds import Case
from tests.diagnosis.scoring import Sum

_APP: Final = command_of(validate)
_US: Final = 1_000
_SHOWN: Final = 40
_TICKS: Final = b"\x01\xe0"  # a quarter note; no time passes in these files
Form = Callable[[Recorded], bytes]


def in_microseconds(recorded: Recorded) -> Recorded:
    """Return a capture with rounded times that begins with its first byte."""
    passages = [
        each._replace(end_ns=-(-each.end_ns // _US) * _US) for each in recorded.capture.passages
    ]
    if not recorded.is_timed:  # then bytes stand back to back
        passages = back_to_back([(each.direction, each.data) for each in passages])
    starts = [each.end_ns - len(each.data) * BYTE_NS for each in passages]
    return replace(
        recorded,
        capture=Capture(passages),
        taken_at=TakenAt.UNKNOWN,
        start_ns=min(starts, default=0),
    )


def to_unit_alone(recorded: Recorded) -> Recorded:
    """Return what went to the unit, without times."""
    data = recorded.capture.bytes_of(Direction.TO_UNIT)
    passages = back_to_back([(Direction.TO_UNIT, raw) for _, raw in oracle.split(data)])
    spare = data[: oracle.split(data)[0][0]] if passages else data
    if spare:
        passages.insert(0, Passage(Direction.TO_UNIT, 0, spare))
    return Recorded(capture=Capture(passages), directions=(Direction.TO_UNIT,), is_timed=False)


def hex_text(recorded: Recorded) -> bytes:
    """Write a capture as somebody's notes: direction, seconds, bytes."""
    signs = {Direction.TO_UNIT: ">", Direction.FROM_UNIT: "<"}
    lines = []
    for each in recorded.capture.passages:
        time = f"{each.end_ns / 1e9:.6f} s " if recorded.is_timed else ""
        lines.append(f"{signs[each.direction]} {time}{each.data.hex(' ')}\n")
    return "".join(lines).encode()


def raw_bytes(recorded: Recorded) -> bytes:
    """Write what went to the unit as it is."""
    return recorded.capture.bytes_of(Direction.TO_UNIT)


def plain_hex(recorded: Recorded) -> bytes:
    """Write what went to the unit as a hexadecimal dump of 16 bytes a line."""
    data = raw_bytes(recorded)
    return "\n".join(data[at : at + 16].hex(" ") for at in range(0, len(data), 16)).encode()


def midi_events(recorded: Recorded) -> bytes:
    """Write what went to the unit as a MIDI file: F0 events, F7 events for all else (RP-001)."""
    data, events, at = raw_bytes(recorded), b"", 0
    while at < len(data):
        end = data.find(b"\xf7", at) + 1 or len(data)
        part = data[at:end]
        kind, body = (b"\xf0", part[1:]) if part[:1] == b"\xf0" else (b"\xf7", part)
        events += b"\x00" + kind + _quantity(len(body)) + body
        at = end
    track = events + b"\x00\xff\x2f\x00"
    head = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01" + _TICKS
    return head + b"MTrk" + len(track).to_bytes(4, "big") + track


def _quantity(value: int) -> bytes:
    """A number in groups of 7 bits, the high ones first, all but the last marked (RP-001)."""
    groups = [value & 0x7F]
    while value := value >> 7:
        groups.insert(0, value & 0x7F | 0x80)
    return bytes(groups)


CONVERSATION: Final[Mapping[str, Form]] = {
    "both.jsonl": capture_lines.build,
    "both.mid": capture_midi.build,
    "both.txt": hex_text,
}
"""Forms that hold both directions."""
ONE_WAY: Final[Mapping[str, Form]] = {
    "one.jsonl": capture_lines.build,
    "one.syx": raw_bytes,
    "one.mid": midi_events,
    "one.txt": plain_hex,
}
"""Forms that hold what went to the unit."""


def can_hold(form: Form, recorded: Recorded) -> bool:
    """Whether a form says all that a capture of both directions does."""
    passages = recorded.capture.passages
    if form is hex_text:
        return len({each.direction for each in passages}) == len(recorded.directions)
    if form is capture_midi.build and recorded.is_timed:
        return all(
            abs(other.end_ns - len(other.data) * BYTE_NS - one.end_ns) > 2 * _US
            for one, other in pairwise(passages)
        )
    return True


def said_of(recorded: Recorded, forms: Mapping[str, Form], folder: Path) -> dict[str, object]:
    """Return what `validate` says of a capture in each form: exit code and findings."""
    said: dict[str, object] = {}
    for name, form in forms.items():
        path = folder / name
        path.write_bytes(form(recorded))
        result = CliRunner().invoke(_APP, ["--json", str(path)])
        assert result.exception is None or isinstance(result.exception, SystemExit)
        files = json.loads(result.stdout)["files"]
        said[name] = (result.exit_code, sorted(_core(f) for f in files[0].get("findings", ())))
    return said


def _core(finding: Mapping[str, Any]) -> tuple[str, ...]:
    at = finding["at"]
    place = (at["packet"], at["packet_number"], at["byte"])
    return (finding["clause"], finding["verdict"], str(place), finding["message"])


class Agreement(Sum):
    """What many faulty captures came to."""

    runs: int = 0
    broken: int = 0
    """Captures in which the judge calls something broken."""
    nothing: int = 0
    """Those of which the diagnosis says that nothing is wrong."""
    compared: int = 0
    """Captures that were written in every form."""
    unlike: int = 0
    """Those of which `validate` does not say the same in every form."""
    clauses: Counter[str] = field(default_factory=Counter)
    """The broken clauses beside which nothing was wrong."""
    missed: list[str] = field(default_factory=list)

    def add(self, case: Case, *, in_every_form: bool = False) -> None:
        """Diagnose a case that has a fault; write it in every form as well if that is wanted."""
        if case.is_clean:
            return
        self.runs += 1
        found = diagnose(case.recorded, case.sources)
        where = f"{case.kind}, case {case.number}"
        if found.scene.verdicts.is_broken:
            self.broken += 1
            if found.answer is Answer.NOTHING_WRONG:
                self.nothing += 1
                broken = {
                    each.clause
                    for each in found.scene.verdicts.all_findings
                    if each.verdict == "broken"
                }
                self.clauses.update(broken)
                self._miss(f"nothing is wrong beside {', '.join(sorted(broken))}: {where}")
        if in_every_form:
            self.compared += 1
            with TemporaryDirectory() as folder:
                self._compare(case, Path(folder), where)

    def _compare(self, case: Case, folder: Path, where: str) -> None:
        whole = in_microseconds(case.recorded)
        answers = []
        if len(whole.directions) > 1:
            forms = {k: v for k, v in CONVERSATION.items() if can_hold(v, whole)}
            answers.append(said_of(whole, forms, folder))
        if Direction.TO_UNIT in whole.directions and raw_bytes(whole):
            answers.append(said_of(to_unit_alone(whole), ONE_WAY, folder))
        for said in answers:
            first, *others = said
            unlike = [name for name in others if said[name] != said[first]]
            if unlike:
                self.unlike += 1
                self._miss(f"{', '.join(unlike)} and {first} differ: {where}")
                break

    def _miss(self, text: str) -> None:
        self.missed.append(text)
        del self.missed[_SHOWN:]

    def lines(self) -> Iterator[str]:
        """Yield what is printed."""
        yield f"  {self.broken:,} of {self.runs:,} faulty captures have a broken finding"
        yield f'  {self.nothing:,} of them are told that "nothing is wrong"'
        yield f"  {self.compared:,} were written in every form; {self.unlike:,} differ"
        for clause, count in self.clauses.most_common(12):
            yield f"    {count:6,}  {clause}"
