"""What the receiving side of a dump did wrong: answers late, missing, wrong or too many."""

from bisect import bisect_left
from itertools import pairwise
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import HEADER_LIMIT_NS, PACKET_LIMIT_NS
from dryload.emulator.wire.prose import counted, duration
from dryload.emulator.wire.splitter import PieceKind
from dryload.harness.judge.dialogue.exchanges import (
    ACK,
    CANCEL,
    EOF,
    NAK,
    WAIT,
    DumpExchange,
    Exchange,
    Reply,
)
from dryload.harness.judge.dialogue.ledger import Ledger
from dryload.harness.judge.dialogue.naming import judge_device_ids, judge_numbers, judge_others
from dryload.harness.judge.dialogue.silence import Silences
from dryload.harness.judge.timed_messages import TimedMessage

_STRIKES: Final = 3  # HSK-17, M1 p. 44 (File Dump)
_GAP_NS: Final = 20_000_000  # pauses inside a message that are worth a word


def judge_answering(talk: DumpExchange, ledger: Ledger, last_heard_ns: int) -> list[str]:
    """Add findings on the receiving side; return what could not be known.

    `last_heard_ns` is when the receiver said its last word in the whole capture.
    """
    silences = Silences(talk, ledger, last_heard_ns)
    judge = _AnsweringJudge(talk, ledger, silences)
    for exchange in talk.exchanges:
        judge.exchange(exchange)
    judge_numbers(talk, ledger)
    judge_device_ids(talk, ledger)
    judge_others(talk, ledger)
    silences.tell()
    return silences.unknown


class _AnsweringJudge:
    """Judges the replies of one dump, exchange by exchange."""

    def __init__(self, talk: DumpExchange, ledger: Ledger, silences: Silences) -> None:
        self._talk = talk
        self._sight = ledger.sight
        self._ledger = ledger
        self._silences = silences
        self._packets = max(talk.packets, 1)
        self._cancel_ns = next((each.end_ns for each in talk.replies if each.kind is CANCEL), None)
        self._ends_of_eof = sorted(
            heard.end_ns for heard, message in talk.handshakes if message.kind is EOF
        )

    def exchange(self, exchange: Exchange) -> None:
        """Judge what was said to one message, each time it was sent."""
        by_sending: dict[int, list[Reply]] = {}
        for reply in exchange.replies:
            by_sending.setdefault(reply.sending, []).append(reply)
            self._reply(exchange, exchange.sendings[reply.sending], reply)
        for at, sending in enumerate(exchange.sendings):
            mine = by_sending.get(at, [])
            if mine:
                self._time(exchange, sending, mine[0])
                self._count(exchange, mine)
            else:
                self._silences.add(exchange, at, sending)
        self._strikes(exchange)

    # What one reply says of the message that it answers.

    def _reply(self, exchange: Exchange, sending: TimedMessage, reply: Reply) -> None:
        if reply.kind in (ACK, NAK) and self._is_after_cancel(sending):
            self._ledger.see("answer after CANCEL", reply.heard, exchange, reply=reply.kind.name)
        elif reply.kind is ACK:
            self._ack(exchange, sending, reply)
        elif reply.kind is NAK:
            self._nak(exchange, sending, reply)
        elif reply.kind is EOF:
            self._ledger.see("receiver sent EOF", reply.heard, exchange)
        elif reply.kind is WAIT:
            self._ledger.see("asked to wait", reply.heard, exchange)
        else:
            is_unit = self._talk.direction is Direction.TO_UNIT
            look = "Look at its panel: is there memory, does it take this width?" if is_unit else ""
            self._ledger.see("cancelled", reply.heard, exchange, look=look)

    def _is_after_cancel(self, sending: TimedMessage) -> bool:
        cancel_ns = self._cancel_ns
        return cancel_ns is not None and self._sight.surely_began_after(sending, cancel_ns)

    def _ack(self, exchange: Exchange, sending: TimedMessage, reply: Reply) -> None:
        if exchange.place is None or sending.is_sound:
            return
        if sending.is_whole_packet:
            self._ledger.see("wrong checksum acknowledged", reply.heard, exchange)
            self._ledger.see("wrong checksum not rejected", reply.heard, exchange)
        elif sending.piece.kind is PieceKind.CUT:
            self._ledger.see("torn packet acknowledged", reply.heard, exchange)
        else:
            length = len(sending.body)
            self._ledger.see("wrong length acknowledged", reply.heard, exchange, length=length)

    def _nak(self, exchange: Exchange, sending: TimedMessage, reply: Reply) -> None:
        if exchange.place is None:
            self._ledger.see("header answered with NAK", reply.heard, exchange)
            return
        if not reply.fits or not sending.is_sound:
            return  # the number is judged with all of them; what is damaged is rejected rightly
        if exchange.jump:
            return  # HSK-16
        out_of = self._packets
        if exchange.accepted_ns is not None and exchange.accepted_ns < reply.end_ns:
            kind = "repeat rejected"
        elif sending.piece.realtime:
            kind = "rejected for a real-time byte"
            out_of = sum(bool(each.piece.realtime) for _, each in self._talk.sent)
        elif sending.gaps_ns >= _GAP_NS and self._sight.is_timed:
            kind = "rejected for a pause"
            out_of = sum(each.gaps_ns >= _GAP_NS for _, each in self._talk.sent)
        else:
            kind = "right packet rejected"
        self._ledger.see(kind, reply.heard, exchange, out_of=out_of)

    # When a reply came, and how many.

    def _time(self, exchange: Exchange, sending: TimedMessage, reply: Reply) -> None:
        if not self._sight.is_timed or sending.message is None:
            return  # what has no end of its own is noticed when something else begins
        taken_ns = reply.end_ns - sending.end_ns
        is_header = exchange.place is None
        limit_ns = HEADER_LIMIT_NS if is_header else PACKET_LIMIT_NS
        if taken_ns - self._sight.tolerance_ns > limit_ns:
            self._ledger.see(
                "header answered late" if is_header else "packet answered late",
                reply.heard,
                exchange,
                reply=reply.kind.name,
                taken=duration(taken_ns),
                out_of=None if is_header else self._packets,
            )

    def _count(self, exchange: Exchange, replies: list[Reply]) -> None:
        for one, other in pairwise(each for each in replies if each.kind is not CANCEL):
            if one.kind is WAIT or other.kind in (WAIT, EOF) or one.kind is EOF:
                continue
            apart_ns = other.end_ns - one.end_ns
            twice = one.kind is other.kind and (
                apart_ns <= PACKET_LIMIT_NS + self._sight.tolerance_ns or not self._sight.is_timed
            )
            pair = f"{one.kind.name} and {other.kind.name}"
            if self._is_answer_to_eof(one, other):
                self._ledger.see("EOF answered", other.heard, reply=other.kind.name)
            elif twice or one.message.device_id != other.message.device_id:
                self._ledger.see("answered by two", other.heard, exchange, pair=pair)
            else:
                self._ledger.see(
                    "answered twice", other.heard, exchange, pair=pair, out_of=self._packets
                )

    def _is_answer_to_eof(self, one: Reply, other: Reply) -> bool:
        at = bisect_left(self._ends_of_eof, one.end_ns)
        return at < len(self._ends_of_eof) and self._ends_of_eof[at] <= other.end_ns

    def _strikes(self, exchange: Exchange) -> None:
        kinds = [each.kind for each in exchange.replies if each.kind is not WAIT]
        strikes = next((at for at, kind in enumerate(kinds) if kind is not NAK), len(kinds))
        if exchange.place is None or strikes + (CANCEL in kinds) < _STRIKES:
            return
        cancelled = strikes < len(kinds) and kinds[strikes] is CANCEL
        self._ledger.see(
            "failed again and again",
            exchange.replies[-1].heard,
            exchange,
            times=counted(strikes + cancelled, "time"),
            then=", then it was cancelled" if cancelled else "",
            found="CANCEL" if cancelled else "NAK each time",
        )
