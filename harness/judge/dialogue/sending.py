"""What the sending side of a dump did wrong: waiting, going on, sending again."""

from bisect import bisect_left, bisect_right
from itertools import pairwise
from typing import Final

from emulator.wire.constants import BYTE_NS, HEADER_LIMIT_NS, PACKET_BYTES, PACKET_LIMIT_NS
from emulator.wire.messages import ExtendedHeader, HandshakeKind
from harness.judge.dialogue.exchanges import (
    DumpExchange,
    Exchange,
    Reply,
)
from harness.judge.dialogue.heard import TimePrecision
from harness.judge.dialogue.ledger import Ledger, in_words
from harness.judge.finding import Answerable, Verdict
from harness.judge.timed_messages import TimedMessage

_ACK, _NAK, _WAIT, _CANCEL, _EOF = (
    HandshakeKind.ACK,
    HandshakeKind.NAK,
    HandshakeKind.WAIT,
    HandshakeKind.CANCEL,
    HandshakeKind.EOF,
)
_HEADER_NS: Final = HEADER_LIMIT_NS - HEADER_LIMIT_NS // 100  # judged at 1.98 s, TIM-01
_PACKET_NS: Final = PACKET_BYTES * BYTE_NS
_WINDOW: Final = 16  # replies before a message that can have to do with it
_SOON_NS: Final = 100_000_000  # TIM-07


def judge_sending(talk: DumpExchange, sight: TimePrecision, ledger: Ledger) -> None:
    """Add findings on what the sending side did at each of its steps."""
    judge = _Steps(talk, sight, ledger)
    for (exchange, sending), (next_exchange, next_sending) in pairwise(talk.sent):
        judge.step(exchange, sending, next_exchange, next_sending)
    for exchange in talk.exchanges:
        _judge_sendings(talk, exchange, ledger)
    _judge_handshakes(talk, sight, ledger)


class _Steps:
    """Judges each message of the sending side by what it had heard before it began."""

    def __init__(self, talk: DumpExchange, sight: TimePrecision, ledger: Ledger) -> None:
        self._talk = talk
        self._sight = sight
        self._ledger = ledger
        self._ends = [reply.end_ns for reply in talk.replies]
        self._others_ns = sorted(other.end_ns for other in talk.others)
        self._packets = max(talk.packets, 1)
        self._cancel_ns = next(
            (each.end_ns for each in talk.replies if each.kind is _CANCEL and each.binds), None
        )

    def step(
        self, before: Exchange, sent: TimedMessage, exchange: Exchange, heard: TimedMessage
    ) -> None:
        """Judge one message, `heard`, by what came since the one before it, `sent`."""
        tolerance_ns = self._sight.tolerance_ns
        if exchange.place is None:
            return  # a header again begins anew
        start_ns = heard.start_ns
        sure = self._window(
            bisect_left(self._ends, start_ns - tolerance_ns)
            if tolerance_ns
            else bisect_right(self._ends, start_ns)
        )
        latest_ns = self._sight.latest_start_ns(heard) + tolerance_ns
        known = self._window(bisect_right(self._ends, latest_ns))
        if self._after_cancel(exchange, heard) or self._during_wait(sure, known, exchange, heard):
            return
        if exchange is before:
            self._again(before, sent, heard, sure)
        elif exchange.sendings[0] is heard:
            self._next((before, sent), (exchange, heard), sure, known)

    def _window(self, stop: int) -> list[Reply]:
        """Return the last replies before `stop`: no more are ever looked at."""
        return self._talk.replies[max(stop - _WINDOW, 0) : stop]

    def _after_cancel(self, exchange: Exchange, heard: TimedMessage) -> bool:
        if self._cancel_ns is None or not self._sight.surely_began_after(heard, self._cancel_ns):
            return False
        self._ledger.see(
            "HSK-11",
            f"{self._talk.sender_name} went on after CANCEL",
            who=self._talk.sender,
            heard=heard,
            exchange=exchange,
            expected="nothing more of the dump",
            found="a data packet",
            do="Make the sender stop at CANCEL: the receiver takes nothing more.",
        )
        return True

    def _during_wait(
        self, sure: list[Reply], known: list[Reply], exchange: Exchange, heard: TimedMessage
    ) -> bool:
        last = next((reply for reply in reversed(sure) if reply.binds), None)
        if last is None or last.kind is not _WAIT or known[-1] is not last:
            return False
        latest_ns = self._sight.latest_start_ns(heard) + self._sight.tolerance_ns
        at = bisect_left(self._others_ns, last.end_ns)
        if at < len(self._others_ns) and self._others_ns[at] <= latest_ns:
            return False  # any message ends a WAIT (HSK-09)
        self._ledger.see(
            "HSK-09",
            f"{self._talk.sender_name} went on although it had been asked to wait",
            who=self._talk.sender,
            heard=heard,
            exchange=exchange,
            expected="nothing until the receiver sends ACK, NAK or CANCEL",
            found=f"a data packet {in_words(heard.start_ns - last.end_ns)} after WAIT"
            if self._sight.is_timed
            else "a data packet after WAIT",
            do="WAIT has no limit: make the sender wait without one.",
        )
        return True

    def _again(
        self, before: Exchange, sent: TimedMessage, heard: TimedMessage, sure: list[Reply]
    ) -> None:
        """Judge a packet that is sent once more."""
        if before.is_rejected:
            return
        accepted = any(
            reply.kind is _ACK and reply.binds and reply.fits and reply.exchange is before
            for reply in sure
        )
        if not self._talk.replies:
            return  # nobody answers: the clause does not speak of it
        pause_ns = self._sight.pause_ns(sent, heard)
        if accepted:
            what, verdict = "sent again although it had been acknowledged", None
        elif self._sight.is_timed and pause_ns < PACKET_LIMIT_NS:
            what, verdict = "sent again before it could be answered", None
        else:
            what, verdict = "sent again, as no answer to it is to be seen", Verdict.NOTED
        self._ledger.see(
            "PKT-11",
            what,
            who=Answerable.RIG if verdict is not None else self._talk.sender,
            heard=heard,
            exchange=before,
            expected="the same packet again only after NAK",
            found="no NAK",
            verdict=verdict,
            out_of=self._packets,
        )

    def _next(
        self,
        one: tuple[Exchange, TimedMessage],
        other: tuple[Exchange, TimedMessage],
        sure: list[Reply],
        known: list[Reply],
    ) -> None:
        """Judge the first sending of another packet."""
        (before, sent), (exchange, heard) = one, other
        heard_of = [reply for reply in known if reply.exchange is before]
        # One who did not wait for the limit has heard something.
        prompt = self._sight.is_timed and self._sight.pause_ns(sent, heard) < PACKET_LIMIT_NS
        if self._against_nak(before, exchange, heard, heard_of if prompt else sure):
            return
        accepted = next((reply for reply in heard_of if reply.kind is _ACK), None)
        if accepted is not None:
            self._late(accepted, exchange, heard)
            return
        if not self._sight.is_timed:
            return
        # Something may have put the pauses into the message after it had left the sender.
        pause_ns = self._sight.pause_ns(sent, heard) + sent.gaps_ns
        if before.place is None:
            self._after_header(before, exchange, heard, heard_of, pause_ns)
        elif pause_ns < PACKET_LIMIT_NS:
            self._too_early(before, sent, exchange, heard, pause_ns)

    def _against_nak(
        self,
        before: Exchange,
        exchange: Exchange,
        heard: TimedMessage,
        sure: list[Reply],
    ) -> bool:
        """Judge whether a packet was passed over although the receiver wanted it again."""
        mine = [reply for reply in sure if reply.exchange is before]
        last = mine[-1] if mine else None
        if before.place is None or last is None or last.kind is not _NAK:
            return False
        # The number that the sender knows, not one that was altered on the way.
        if last.message.packet_number != before.number or not last.binds:
            return False
        free_ns = self._sight.latest_start_ns(heard) - last.end_ns + self._sight.tolerance_ns
        lost = self._sight.is_timed and free_ns >= _PACKET_NS  # sent again, and lost on the way
        waited = any(reply.kind is _WAIT for reply in before.replies)
        self._ledger.see(
            "HSK-10" if waited else "HSK-07",
            "this packet came although the one before it had been rejected",
            who=Answerable.RIG if lost else self._talk.sender,
            heard=heard,
            exchange=exchange,
            expected=f"packet {before.place:,} again",
            found=f"packet {exchange.place or 0:,}",
            verdict=Verdict.RIG if lost else None,
            do="There was time for it between the two, so it may have been lost on the way."
            if lost
            else "Make the sender repeat what is answered with NAK.",
        )
        return True

    def _late(self, accepted: Reply, exchange: Exchange, heard: TimedMessage) -> None:
        idle_ns = heard.start_ns - accepted.end_ns
        if self._sight.is_timed and idle_ns - self._sight.tolerance_ns > _SOON_NS:
            self._ledger.see(
                "TIM-07",
                f"{self._talk.sender_name} took its time after the ACK",
                who=self._talk.sender,
                heard=heard,
                exchange=exchange,
                expected="the next packet within 100 ms",
                found=in_words(idle_ns),
            )

    def _after_header(
        self,
        before: Exchange,
        exchange: Exchange,
        heard: TimedMessage,
        heard_of: list[Reply],
        pause_ns: int,
    ) -> None:
        rejected = any(reply.kind is _NAK for reply in heard_of)
        if pause_ns < _HEADER_NS:
            self._ledger.see(
                "PKT-13" if rejected else "TIM-01",
                "the packets began although the header had been rejected"
                if rejected
                else "the packets began too soon after a header that was not yet answered",
                who=self._talk.sender,
                heard=heard,
                exchange=exchange,
                expected="an ACK, or two seconds without an answer",
                found=in_words(pause_ns - self._sight.tolerance_ns),
                do="Make the sender wait for two seconds from the end of its header.",
            )
        elif isinstance(self._talk.header, ExtendedHeader) and not before.replies:
            self._ledger.see(
                "EXT-09",
                "nobody answered the extended header and the packets followed all the same",
                who=self._talk.sender,
                heard=heard,
                exchange=exchange,
                expected="the standard header",
                found="packets",
                do="Send the standard header: the unit may not know the extended one.",
            )

    def _too_early(
        self,
        before: Exchange,
        sent: TimedMessage,
        exchange: Exchange,
        heard: TimedMessage,
        pause_ns: int,
    ) -> None:
        """Judge a packet that began before the one before it had its time to be answered."""
        due_ns = sent.end_ns + PACKET_LIMIT_NS + self._sight.tolerance_ns
        in_time = any(reply.binds and reply.end_ns <= due_ns for reply in before.replies)
        mistaken = any(
            reply.kind is _ACK
            and reply.exchange is not before
            and sent.start_ns < reply.end_ns <= heard.start_ns
            for reply in self._talk.replies[
                bisect_left(self._ends, sent.start_ns) : bisect_right(self._ends, heard.start_ns)
            ]
        )
        if in_time:
            clause, what = "TIM-05", "it began although an answer was still in time"
        elif mistaken:
            clause, what = "TIM-10", "it began after an ACK that belongs to an earlier packet"
        else:
            clause, what = "TIM-03", "it began too soon after a packet that was not answered"
        self._ledger.see(
            clause,
            what,
            who=self._talk.sender,
            heard=heard,
            exchange=exchange,
            expected="an answer, or 20 ms without one, counted from the end on the line",
            found=in_words(pause_ns - self._sight.tolerance_ns),
            do="Make the sender count from the moment the last byte has left the line.",
            out_of=self._packets,
        )


def _judge_sendings(talk: DumpExchange, exchange: Exchange, ledger: Ledger) -> None:
    """Judge whether a message that was sent again was the same."""
    if len(exchange.sendings) == 1:
        return
    sound = [each for each in exchange.sendings if each.is_sound]
    if exchange.place is not None:
        for one, other in pairwise(sound):
            if one.body != other.body:
                ledger.see(
                    "PKT-04",
                    "it was sent again with other bytes",
                    who=talk.sender,
                    heard=other,
                    exchange=exchange,
                    expected="the very same bytes",
                    found="other bytes, with a checksum that is right",
                    do="Make the sender repeat the packet as it was.",
                )
    for each in exchange.sendings if sound else ():
        if not each.is_sound:
            whole = each.is_whole_packet
            clause = "FRM-05" if exchange.place is None else "PKT-05" if whole else "PKT-01"
            ledger.see(
                clause,
                "it came damaged, and right when it was sent again",
                who=Answerable.RIG,
                heard=each,
                exchange=exchange,
                expected="the same bytes every time",
                found="a wrong checksum" if whole else f"{len(each.body)} bytes",
                verdict=Verdict.RIG,
                do="Something alters messages on the way: try a shorter cable, another "
                "interface, or fewer devices in the chain.",
            )


def _judge_handshakes(talk: DumpExchange, sight: TimePrecision, ledger: Ledger) -> None:
    """Judge the handshakes of the sending side."""
    ends = [reply.end_ns for reply in talk.replies]
    for heard, message in talk.handshakes:
        if message.kind is _EOF:
            if sight.surely_began_after(talk.sent[-1][1], heard.end_ns):
                ledger.see(
                    "HSK-18",
                    f"{talk.sender_name} sent EOF before its last packet",
                    who=talk.sender,
                    heard=heard,
                    expected="EOF after the last packet, or none",
                    found="EOF",
                )
        elif message.kind is _CANCEL:
            before = bisect_right(ends, heard.start_ns)
            last = talk.replies[before - 1] if before else None
            if last is not None and last.kind is _NAK and not last.fits and last.binds:
                ledger.see(
                    "HSK-08",
                    f"{talk.sender_name} broke the dump off at a NAK for another packet",
                    who=talk.sender,
                    heard=heard,
                    expected="the next packet, or the one named",
                    found="CANCEL",
                )
        else:
            ledger.see(
                "HSK-19",
                f"{talk.sender_name} sent {message.kind.name}, which comes from a receiver",
                who=talk.sender,
                heard=heard,
                expected="CANCEL or EOF at most",
                found=message.kind.name,
            )
