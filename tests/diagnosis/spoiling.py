"""Recordings in which bytes are spoiled on the way, and what is said of them."""

from __future__ import annotations

from collections.abc import Callable

from msgspec.structs import replace

from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import DumpHeader
from dryload.harness.diagnose.diagnose import CaptureDiagnosis, diagnose
from dryload.harness.diagnose.scene import Source
from dryload.harness.files.recorded import Recorded, TakenAt
from tests.judge.talking import (
    Step,
    Tape,
    end,
    header,
    packets,
    say,
)

Change = Callable[[bytes], bytes]


def at_line(tape: Tape) -> Recorded:
    return replace(tape.recorded(), taken_at=TakenAt.LINE)


def at_host(tape: Tape) -> Recorded:
    return replace(tape.recorded(), taken_at=TakenAt.HOST)


def first_of(recorded: Recorded, *sources: Source) -> tuple[str, int | None]:
    """The cause named first, and its packet."""
    cause = diagnose(recorded, sources).first
    assert cause is not None, "nothing was named"
    at = cause.at
    return cause.name, None if at is None else at.packet


def names(found: CaptureDiagnosis) -> set[str]:
    """All that is named, remarks included."""
    return {each.name for each in (*found.causes, *found.remarks)}


def named(recorded: Recorded, *sources: Source) -> set[str]:
    return names(diagnose(recorded, sources))


def remarks(recorded: Recorded) -> set[str]:
    return {each.name for each in diagnose(recorded).remarks}


def hit(change: Change, answer: str = "NAK") -> Step:
    """Let a packet arrive changed and be answered, then sound and acknowledged."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(change(packet))
        if answer:
            tape.back(say(answer, place))
        tape.to(packet, after_ms=2 if answer else 25)
        tape.back(say("ACK", place))

    return step


def arriving(change: Change, answer: str) -> Step:
    """Let a packet arrive changed and be answered."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(change(packet))
        tape.back(say(answer, place))

    return step


def rejected(tape: Tape, place: int, packet: bytes) -> None:
    """Send it twice, and have it rejected the first time."""
    tape.to(packet).back(say("NAK", place))
    tape.to(packet, after_ms=2).back(say("ACK", place))


def without(at: int, count: int = 1) -> Change:
    return lambda packet: packet[:at] + packet[at + count :]


def with_more(at: int, more: bytes) -> Change:
    return lambda packet: packet[:at] + more + packet[at:]


def open_loop(change: Callable[[int, bytes], bytes], count: int = 8) -> Tape:
    """A dump that nobody answers, each packet changed by its place."""
    tape = Tape().to(header(count))
    for place, packet in enumerate(packets(count)):
        tape.to(change(place, packet), after_ms=20.5)
    return end(tape)


def source(count: int = 8) -> Source:
    made = decode(header(count))
    assert isinstance(made, DumpHeader)
    return Source(name="thunder", header=made, packets=tuple(packets(count)))
