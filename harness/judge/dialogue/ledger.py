"""The findings of a conversation: their places follow from messages and exchanges."""

from dataclasses import replace

from emulator.dump.capture import Direction
from emulator.wire.constants import PACKET_NUMBERS
from harness.judge.dialogue.exchanges import Exchange
from harness.judge.dialogue.heard import TimePrecision
from harness.judge.finding import Answerable, Findings, Place, Verdict
from harness.judge.plain import lasting
from harness.judge.timed_messages import TimedMessage


class Ledger(Findings):
    """The findings of one dump of a conversation, or of what stands beside dumps."""

    def __init__(self, sight: TimePrecision, direction: Direction | None = None) -> None:
        super().__init__()
        self._sight = sight
        self._direction = direction

    def see(
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

        With `out_of`, how often it could have happened, what happened rarely is the rig's fault.
        """
        at = self.place(heard, exchange)
        self.add(
            clause_id,
            f"{what}.",
            where=_where(exchange),
            at=at if time_ns is None else replace(at, time_ns=time_ns),
            expected=expected,
            found=found,
            do=do,
            verdict=verdict,
            who=who,
            out_of=out_of,
        )

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


def _where(exchange: Exchange | None) -> str:
    if exchange is None:
        return ""
    return "Header: " if exchange.place is None else f"Packet {exchange.place:,}: "


def in_words(ns: int) -> str:
    """Return a time in plain words."""
    return lasting(max(ns, 0) / 1_000_000_000)
