"""The findings of a conversation: their places follow from messages and exchanges."""

from msgspec.structs import replace

from dryload.emulator.wire.constants import PACKET_NUMBERS
from dryload.harness.judge.dialogue.exchanges import DumpExchange, Exchange
from dryload.harness.judge.dialogue.heard import TimePrecision
from dryload.harness.judge.finding import Answerable, Findings, Place, Verdict
from dryload.harness.judge.timed_messages import TimedMessage


class Ledger(Findings):
    """The findings of one dump of a conversation, or of what stands beside dumps."""

    def __init__(self, sight: TimePrecision, talk: DumpExchange | None = None) -> None:
        if talk is None:
            super().__init__()
        else:
            super().__init__(
                {"sender": talk.sender_name, "receiver": talk.receiver_name},
                {"sender": talk.sender, "receiver": talk.receiver},
            )
        self.sight = sight
        self._direction = None if talk is None else talk.direction

    def see(
        self,
        kind: str,
        heard: TimedMessage | None = None,
        exchange: Exchange | None = None,
        *,
        time_ns: int | None = None,
        clause: str = "",
        who: Answerable | None = None,
        verdict: Verdict | None = None,
        out_of: int | None = None,
        **names: object,
    ) -> None:
        """Add a finding at a message; what is said of an exchange begins with "Packet 3: "."""
        at = self.place(heard, exchange)
        self.tell(
            kind,
            at if time_ns is None else replace(at, time_ns=time_ns),
            where=_where(exchange),
            clause=clause,
            who=who,
            verdict=verdict,
            out_of=out_of,
            names=names,
        )

    def place(self, heard: TimedMessage | None, exchange: Exchange | None = None) -> Place:
        """Return where something is: bytes count in the stream of the dump's own direction.

        A reply has only its time, and its byte in its own stream where no time is known.
        """
        is_timed = self.sight.is_timed
        has_byte = heard is not None and (heard.direction is self._direction or not is_timed)
        packet = None if exchange is None else exchange.place
        number = exchange.number % PACKET_NUMBERS if exchange and packet is not None else None
        return Place(
            byte=heard.piece.offset if heard is not None and has_byte else None,
            packet=packet,
            packet_number=number,
            time_ns=heard.end_ns if heard is not None and is_timed else None,
        )


def _where(exchange: Exchange | None) -> str:
    if exchange is None:
        return ""
    return "Header: " if exchange.place is None else f"Packet {exchange.place:,}: "
