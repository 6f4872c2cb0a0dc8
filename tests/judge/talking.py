"""Conversations made byte by byte with the plain codec, for the judge of both directions."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.harness.files.recorded import Recorded
from dryload.harness.judge.dialogue.judge import Verdicts, judge_capture
from dryload.harness.judge.finding import Finding, Verdict
from tests import oracle

TO, FROM = Direction.TO_UNIT, Direction.FROM_UNIT
BYTE_NS = 320_000  # M1 p. 1
MS = 1_000_000
SECOND = 1000 * MS
PERIOD = 22_676  # 44,100 Hz, M1 p. 37


def words(count: int, bits: int = 16) -> list[int]:
    """Words over the whole range, no two packets alike."""
    return [(1021 * at) % (1 << bits) - (1 << (bits - 1)) for at in range(count)]


def packets(count: int, device_id: int = 0) -> list[bytes]:
    """That many full packets of 16 bits."""
    return oracle.packets(device_id=device_id, bits=16, words=words(40 * count))


def header(count: int, **fields: int) -> bytes:
    """The header of so many full packets of 16 bits."""
    made = {"sample_number": 1, "bits": 16, "period_ns": PERIOD, "length": 40 * count, **fields}
    return oracle.header(**made)


def say(kind: str, number: int = 0, device_id: int = 0) -> bytes:
    """A handshake."""
    return oracle.handshake(kind=kind, packet_number=number % 128, device_id=device_id)


class Tape:
    """A recording in the making: each message begins some time after the one before it ended."""

    def __init__(self) -> None:
        self.passages: list[Passage] = []
        self.now_ns = 0
        self.marked_ns: int | None = None

    def add(self, direction: Direction, data: bytes, after_ms: float = 0) -> Tape:
        """Record a message `after_ms` behind the last one, of whichever direction."""
        self.now_ns += round(after_ms * MS) + len(data) * BYTE_NS
        self.passages.append(Passage(direction, self.now_ns, data))
        return self

    def to(self, data: bytes, after_ms: float = 0) -> Tape:
        """Record something that goes to the unit."""
        return self.add(TO, data, after_ms)

    def back(self, data: bytes, after_ms: float = 2) -> Tape:
        """Record something that comes from the unit."""
        return self.add(FROM, data, after_ms)

    def mark(self) -> Tape:
        """Remember when the last message ended: there the finding is expected."""
        self.marked_ns = self.passages[-1].end_ns
        return self

    def beside(self, direction: Direction, data: bytes, start_ns: int) -> Tape:
        """Record something that begins at an instant of its own."""
        self.passages.append(Passage(direction, start_ns + len(data) * BYTE_NS, data))
        return self

    def recorded(self, *directions: Direction, **known: int | bool) -> Recorded:
        """Return the recording, in the order of arrival; of both directions unless one is named."""
        passages = sorted(self.passages, key=lambda each: each.end_ns)
        chosen = directions or tuple(Direction)
        kept = [each for each in passages if each.direction in chosen]
        made = Recorded(capture=Capture(kept), directions=chosen)
        return Recorded(
            capture=made.capture,
            directions=chosen,
            is_timed=bool(known.get("is_timed", True)),
            rounded_ns=int(known.get("rounded_ns", 0)),
            start_ns=int(known.get("start_ns", 0)),
        )

    def judged(self) -> Verdicts:
        """Return what the judge says."""
        return judge_capture(self.recorded())


Step = Callable[[Tape, int, bytes], None]


def dump(count: int = 8, steps: dict[int, Step] | None = None, *, tail: bool = True) -> Tape:
    """A closed loop of `count` packets in which some packets go as `steps` say, by their place.

    -1 stands for the header.  With `tail` the unit is asked who it is, two seconds later, so that
    the capture goes on.
    """
    tape = Tape()
    ways = steps or {}
    ways.get(-1, usual)(tape, -1, header(count))
    for place, packet in enumerate(packets(count)):
        ways.get(place, usual)(tape, place, packet)
    return end(tape) if tail else tape


def end(tape: Tape) -> Tape:
    """Let three seconds pass, in which nothing comes, and have an identity asked for and told."""
    tape.to(oracle.identity_request(), after_ms=3000)
    reply = oracle.identity_reply(device_id=0, maker=b"\x7d", family=1, member=1, revision=bytes(4))
    return tape.back(reply)


def usual(tape: Tape, place: int, packet: bytes) -> None:
    """Send it and have it acknowledged."""
    tape.to(packet)
    tape.back(say("ACK", max(place, 0)))


def every(step: Step, count: int = 8) -> dict[int, Step]:
    """The same for all packets."""
    return dict.fromkeys(range(count), step)


def flipped(packet: bytes, at: int = 42, bit: int = 1) -> bytes:
    """One bit turned over."""
    return packet[:at] + bytes([packet[at] ^ bit]) + packet[at + 1 :]


def of_clause(verdicts: Verdicts, clause: str) -> list[Finding]:
    """All findings of one clause."""
    return [each for each in verdicts.all_findings if each.clause == clause]


def accusations(verdicts: Verdicts) -> list[tuple[str, str, str]]:
    """What is more than noted: clause, verdict, who."""
    return [
        (each.clause, str(each.verdict), str(each.answerable))
        for each in verdicts.all_findings
        if each.verdict is not Verdict.NOTED
    ]


def clauses(findings: Sequence[Finding]) -> set[str]:
    """Their clauses."""
    return {each.clause for each in findings}
