"""What one reply says of the message that it answers."""

from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.messages import HandshakeKind
from emulator.wire.splitter import PieceKind
from harness.judge.dialogue.exchanges import (
    DumpExchange,
    Exchange,
    Reply,
)
from harness.judge.dialogue.heard import TimePrecision
from harness.judge.dialogue.ledger import Ledger
from harness.judge.finding import Verdict
from harness.judge.timed_messages import TimedMessage

_ACK, _NAK, _WAIT, _EOF = (
    HandshakeKind.ACK,
    HandshakeKind.NAK,
    HandshakeKind.WAIT,
    HandshakeKind.EOF,
)
_GAP_NS: Final = 20_000_000  # pauses inside a message that are worth a word


class Replies:
    """Judges the replies of one dump one by one."""

    def __init__(self, talk: DumpExchange, sight: TimePrecision, ledger: Ledger) -> None:
        self._talk = talk
        self._sight = sight
        self._ledger = ledger
        self._who = talk.receiver
        self._packets = max(talk.packets, 1)
        self._cancel_ns = next(
            (each.end_ns for each in talk.replies if each.kind is HandshakeKind.CANCEL), None
        )

    def judge(self, exchange: Exchange, sending: TimedMessage, reply: Reply) -> None:
        """Judge a reply to `sending`, one of the times that a message was sent."""
        if reply.kind in (_ACK, _NAK) and self._is_after_cancel(sending):
            self._ledger.see(
                "HSK-20",
                f"{self._talk.receiver_name} answered a packet after its own CANCEL",
                who=self._who,
                heard=reply.heard,
                exchange=exchange,
                expected="silence until a new header comes",
                found=reply.kind.name,
            )
        elif reply.kind is _ACK:
            self._ack(exchange, sending, reply)
        elif reply.kind is _NAK:
            self._nak(exchange, sending, reply)
        elif reply.kind is _EOF:
            self._ledger.see(
                "HSK-18",
                f"{self._talk.receiver_name} sent EOF, which a receiver has no use for",
                who=self._who,
                heard=reply.heard,
                exchange=exchange,
                expected="ACK, NAK, WAIT or CANCEL",
                found="EOF",
            )
        elif reply.kind is _WAIT:
            self._ledger.see(
                "HSK-09",
                f"{self._talk.receiver_name} asked to wait (WAIT)",
                who=self._who,
                heard=reply.heard,
                exchange=exchange,
                verdict=Verdict.NOTED,
            )
        else:
            self._ledger.see(
                "HSK-12",
                f"{self._talk.receiver_name} cancelled the dump",
                who=self._who,
                heard=reply.heard,
                exchange=exchange,
                found="CANCEL",
                verdict=Verdict.NOTED,
                do="Look at its panel: is there memory, does it take this width?"
                if self._talk.direction is Direction.TO_UNIT
                else "",
            )

    def _is_after_cancel(self, sending: TimedMessage) -> bool:
        cancel_ns = self._cancel_ns
        return cancel_ns is not None and self._sight.surely_began_after(sending, cancel_ns)

    def _ack(self, exchange: Exchange, sending: TimedMessage, reply: Reply) -> None:
        if exchange.place is None or sending.is_sound:
            return
        if sending.is_whole_packet:
            do = "The unit does not look at checksums: read every dump back and compare."
            for clause, what in (
                ("HSK-05", "it was acknowledged although its checksum is wrong"),
                ("HSK-06", "its checksum is wrong and it was not rejected"),
            ):
                self._ledger.see(
                    clause,
                    what,
                    who=self._who,
                    heard=reply.heard,
                    exchange=exchange,
                    expected="NAK",
                    found="ACK",
                    do=do,
                )
        elif sending.piece.kind is PieceKind.CUT:
            self._ledger.see(
                "FRM-04",
                "it was cut short and acknowledged all the same",
                who=self._who,
                heard=reply.heard,
                exchange=exchange,
                expected="NAK or silence",
                found="ACK",
            )
        else:
            self._ledger.see(
                "FRM-05",
                f"it has {len(sending.body)} bytes and was acknowledged all the same",
                who=self._who,
                heard=reply.heard,
                exchange=exchange,
                expected="NAK or silence",
                found="ACK",
                verdict=Verdict.NOTED,
            )

    def _nak(self, exchange: Exchange, sending: TimedMessage, reply: Reply) -> None:
        name = self._talk.receiver_name
        if exchange.place is None:
            self._ledger.see(
                "TIM-02",
                f"{name} answered the header with NAK (open in the standard)",
                who=self._who,
                heard=reply.heard,
                exchange=exchange,
                expected="ACK, WAIT or CANCEL",
                found="NAK",
                verdict=Verdict.NOTED,
            )
            return
        if not reply.fits or not sending.is_sound:
            return  # the number is judged with all of them; what is damaged is rejected rightly
        if exchange.jump:
            return  # HSK-16
        if exchange.accepted_ns is not None and exchange.accepted_ns < reply.end_ns:
            clause, what = "HSK-15", "it came again and was rejected, having been acknowledged"
            out_of: int | None = self._packets
        elif sending.piece.realtime:
            clause, what = "FRM-03", "it was rejected, and real-time bytes are all it has inside"
            out_of = sum(bool(each.piece.realtime) for _, each in self._talk.sent)
        elif sending.gaps_ns >= _GAP_NS and self._sight.is_timed:
            clause, what = "TIM-08", "it was rejected, and there is nothing but a pause inside it"
            out_of = sum(each.gaps_ns >= _GAP_NS for _, each in self._talk.sent)
        else:
            clause, what = "HSK-06", "it was rejected although it is right as recorded"
            out_of = self._packets
        self._ledger.see(
            clause,
            what,
            who=self._who,
            heard=reply.heard,
            exchange=exchange,
            verdict=Verdict.BENT,
            out_of=out_of,
            expected="ACK",
            found="NAK",
            do="Either it was altered behind the place of the recording, or the receiver errs.",
        )
