"""How the headers of two samples differ, field by field, beside their words."""

from collections.abc import Iterator
from fractions import Fraction
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.sample import Loop, Sample
from dryload.emulator.wire.constants import EXTENDED_LOOP_TYPES, LOOP_TYPES
from dryload.harness.judge.finding import Verdict
from dryload.harness.judge.headers import NO_LOOP_TYPES

_NS: Final = 1_000_000_000
_ABSENT: Final = "none"
WIDTH: Final = "significant bits"


class FieldDifference(Struct, frozen=True, kw_only=True):
    """One field that two headers, or the messages that follow them, state differently."""

    field: str
    a: str
    b: str
    clause: str
    counts: bool = True
    """Whether it makes the samples different; else it is only worth knowing."""
    remark: str = ""
    verdict: Verdict | None = None
    """What it is worth where that does not follow from whether it counts."""

    def excused(self, remark: str) -> "FieldDifference":
        """Return it as one that does not count."""
        return replace(self, counts=False, remark=remark)


def stated(
    field: str, a: str, b: str, clause: str, remark: str = "", *, counts: bool = True
) -> Iterator[FieldDifference]:
    """Yield the difference of one field if it is stated differently."""
    if a != b:
        yield FieldDifference(field=field, a=a, b=b, clause=clause, remark=remark, counts=counts)


def compare_fields(a: Sample, b: Sample) -> tuple[FieldDifference, ...]:
    """Return the fields in which two samples differ, exactly; what does not matter is marked.

    The length is not among them: it is the words that tell.
    """
    return tuple(_fields(a, b))


def _fields(a: Sample, b: Sample) -> Iterator[FieldDifference]:
    yield from stated(WIDTH, f"{a.bits:,}", f"{b.bits:,}", "HDR-03")
    yield from stated("channels", f"{a.channels:,}", f"{b.channels:,}", "EXT-05")
    if a.rate != b.rate:
        yield _rate(a.rate, b.rate)
    loops_a, loops_b = ({0: each.sustain, **dict(each.loops)} for each in (a, b))
    for number in sorted(loops_a.keys() | loops_b.keys()):
        one, other = loops_a.get(number), loops_b.get(number)
        if one != other:
            yield _loop(f"loop {number}" if number else "loop", one, other)
    yield from stated("name", a.name or _ABSENT, b.name or _ABSENT, "NAM-02")


def _rate(a: Fraction, b: Fraction) -> FieldDifference:
    # A standard header rounds the period to a whole ns (HDR-05), and one rounded up
    # lies up to 1 ns from one that was rounded down.
    rounding = abs(_NS / a - _NS / b) <= 1
    return FieldDifference(
        field="sample rate",
        a=_hz(a),
        b=_hz(b),
        clause="HDR-05",
        counts=not rounding,
        remark="one rate, rounded to whole nanoseconds down and up" if rounding else "",
    )


def _hz(rate: Fraction) -> str:
    return f"{int(rate):,} Hz" if rate.denominator == 1 else f"{float(rate):,.3f} Hz"


def _loop(field: str, a: Loop | None, b: Loop | None) -> FieldDifference:
    silent = a is not None and b is not None and a.loop_type == b.loop_type in NO_LOOP_TYPES
    return FieldDifference(
        field=field,
        a=loop_text(a, with_points=silent),
        b=loop_text(b, with_points=silent),
        clause="HDR-08" if field == "loop" else "LOP-02",
        counts=not silent,
        remark="it is turned off in both, so that the points do not matter" if silent else "",
    )


def loop_text(loop: Loop | None, *, with_points: bool = False) -> str:
    """Return a loop in words: "forward, 10 to 90"; points of none only `with_points`."""
    if loop is None:
        return _ABSENT
    kind = LOOP_TYPES.get(loop.loop_type) or EXTENDED_LOOP_TYPES.get(loop.loop_type)
    kind = kind or f"type {loop.loop_type:02X}"
    if loop.loop_type in NO_LOOP_TYPES and not with_points:
        return kind
    return f"{kind}, {loop.start:,} to {loop.end:,}"
