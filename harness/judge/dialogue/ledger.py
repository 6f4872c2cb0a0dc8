"""Where the parts of the judge put what they see: one finding a clause, with count and place."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.clauses import clause
from emulator.wire.constants import PACKET_NUMBERS
from harness.judge.dialogue.exchanges import Exchange
from harness.judge.dialogue.heard import TimePrecision
from harness.judge.finding import Answerable, Finding, Place, Verdict
from harness.judge.notes import VERDICTS
from harness.judge.plain import lasting
from harness.judge.timed_messages import TimedMessage

_RARE: Final = 4
"""One in so many, or fewer, is rather the line than a habit (our choice)."""
_RIG_DO: Final = (
    "It is rare here, so a message was rather delayed, altered or lost on the way: try a "
    "shorter cable, another interface, or fewer devices in the chain."
)


@dataclass(slots=True)
class _Entry:
    finding: Finding
    where: str
    out_of: int | None
    count: int = 1


class Ledger:
    """The findings of one dump, or of what stands beside dumps; equal ones are told once."""

    def __init__(self, sight: TimePrecision, direction: Direction | None = None) -> None:
        self._sight = sight
        self._direction = direction
        self._entries: dict[tuple[str, str, Answerable], _Entry] = {}

    def add(
        self,
        clause_id: str,
        what: str,
        *,
        who: Answerable,
        heard: TimedMessage | None = None,
        exchange: Exchange | None = None,
        time_ns: int | None = None,
        expected: str = "",
        found: str = "",
        do: str = "",
        verdict: Verdict | None = None,
        out_of: int | None = None,
    ) -> None:
        """Add what was seen: `what` follows the place, "Packet 3: ", and ends without a full stop.

        Its verdict follows from the clause's level unless one is given.  With `out_of`, how often
        it could have happened, what happened rarely is held against the rig.
        """
        entry = self._entries.get((clause_id, what, who))
        if entry is not None:
            entry.count += 1
            return
        finding = Finding(
            clause=clause_id,
            verdict=verdict or VERDICTS[clause(clause_id).level],
            message=what,
            answerable=who,
            at=replace(self.place(heard, exchange), time_ns=time_ns)
            if time_ns is not None
            else self.place(heard, exchange),
            expected=expected,
            found=found,
            do=do,
        )
        self._entries[clause_id, what, who] = _Entry(finding, _where(exchange), out_of)

    def place(self, heard: TimedMessage | None, exchange: Exchange | None = None) -> Place:
        """Return where something is: bytes count in the stream of the dump's own direction.

        A reply has only its time, and its byte in its own stream where no time is known.
        """
        packet = None if exchange is None else exchange.place
        return Place(
            byte=None if heard is None or not self._has_byte(heard) else heard.piece.offset,
            packet=packet,
            packet_number=None
            if packet is None or exchange is None
            else exchange.number % PACKET_NUMBERS,
            time_ns=heard.end_ns if heard is not None and self._sight.is_timed else None,
        )

    def _has_byte(self, heard: TimedMessage) -> bool:
        return heard.direction is self._direction or not self._sight.is_timed

    def findings(self) -> Iterator[Finding]:
        """Yield what was added, each with its number."""
        for entry in self._entries.values():
            times = "" if entry.count == 1 else f", {entry.count:,} times in all"
            text = f"{entry.where}{entry.finding.message}{times}."
            finding = replace(entry.finding, message=text[0].upper() + text[1:])
            if _is_rare(entry):
                finding = replace(
                    finding, verdict=Verdict.RIG, answerable=Answerable.RIG, do=_RIG_DO
                )
            yield finding


def _where(exchange: Exchange | None) -> str:
    if exchange is None:
        return ""
    return "Header: " if exchange.place is None else f"Packet {exchange.place:,}: "


def in_words(ns: int) -> str:
    """Return a time in plain words."""
    return lasting(max(ns, 0) / 1_000_000_000)


def _is_rare(entry: _Entry) -> bool:
    if entry.out_of is None or entry.finding.verdict is Verdict.NOTED:
        return False
    return is_rare(entry.count, entry.out_of)


def is_rare(count: int, out_of: int) -> bool:
    """Whether something happened so rarely that it is rather the line than a habit."""
    return count * _RARE <= out_of
