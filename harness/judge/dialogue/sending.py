"""What the sending side of a dump did wrong: waiting, going on, sending again."""

from bisect import bisect_left, bisect_right
from itertools import pairwise
from typing import Final

from dryload.emulator.wire.constants import BYTE_NS, HEADER_LIMIT_NS, PACKET_BYTES, PACKET_LIMIT_NS
from dryload.emulator.wire.messages import ExtendedHeader
from dryload.emulator.wire.prose import duration
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
from dryload.harness.judge.timed_messages import TimedMessage

_HEADER_NS: Final = HEADER_LIMIT_NS - HEADER_LIMIT_NS // 100  # judged at 1.98 s, TIM-01
_PACKET_NS: Final = PACKET_BYTES * BYTE_NS
_WINDOW: Final = 16  # replies before a message that can have to do with it
_SOON_NS: Final = 100_000_000  # TIM-07


def judge_sending(talk: DumpExchange, ledger: Ledger) -> None:
    """Add findings on what the sending side did at each of its steps."""
    judge = _Steps(talk, ledger)
    for (before, sent), (exchange, heard) in pairwise(talk.sent):
        judge.step(before, sent, exchange, heard)
    for exchange in talk.exchanges:
        _judge_sendings(exchange, ledger)
    _judge_handshakes(talk, ledger)


class _Steps:
    """Judges each message of the sending side by what it had heard before it began."""

    def __init__(self, talk: DumpExchange, ledger: Ledger) -> None:
        self._talk = talk
        self._sight = ledger.sight
        self._ledger = ledger
        self._ends = [reply.end_ns for reply in talk.replies]
        self._others_ns = sorted(other.end_ns for other in talk.others)
        self._places = [heard.place for _, heard in talk.sent]
        self._packets = max(talk.packets, 1)
        self._cancel_ns = next(
            (each.end_ns for each in talk.replies if each.kind is CANCEL and each.binds), None
        )

    def step(
        self, before: Exchange, sent: TimedMessage, exchange: Exchange, heard: TimedMessage
    ) -> None:
        """Judge one message, `heard`, by what came since the one before it, `sent`."""
        if exchange.place is None:
            return  # a header again begins anew
        tolerance_ns = self._sight.tolerance_ns
        sure = self._window(
            bisect_left(self._ends, heard.start_ns - tolerance_ns)
            if tolerance_ns
            else bisect_right(self._ends, heard.start_ns)
        )
        latest_ns = self._sight.latest_start_ns(heard) + tolerance_ns
        known = self._window(bisect_right(self._ends, latest_ns))
        if self._cancel_ns is not None and self._sight.surely_began_after(heard, self._cancel_ns):
            self._ledger.see("went on after CANCEL", heard, exchange)
        elif (wait := self._waiting(sure, heard, latest_ns)) is not None:
            waited = f"{duration(heard.start_ns - wait.end_ns)} " if self._sight.is_timed else ""
            self._ledger.see("went on during WAIT", heard, exchange, after=waited)
        elif exchange is before:
            self._again(before, sent, heard, sure)
        elif exchange.sendings[0] is heard:
            self._next((before, sent), (exchange, heard), sure, known)

    def _window(self, stop: int) -> list[Reply]:
        """Return the last replies before `stop`: no more are ever looked at."""
        return self._talk.replies[max(stop - _WINDOW, 0) : stop]

    def _waiting(self, sure: list[Reply], heard: TimedMessage, latest_ns: int) -> Reply | None:
        """Return the WAIT that is in force; any message ends one (HSK-09).

        What a port delivered while a message was on the line may have been there before it.
        """
        last = next((reply for reply in reversed(sure) if reply.binds), None)
        if last is None or last.kind is not WAIT:
            return None
        if self._sight.is_from_port:
            latest_ns = max(latest_ns, heard.end_ns + self._sight.tolerance_ns)
        if self._talk.replies[bisect_right(self._ends, latest_ns) - 1] is not last:
            return None
        at = bisect_left(self._others_ns, last.end_ns)
        is_over = at < len(self._others_ns) and self._others_ns[at] <= latest_ns
        return None if is_over else last

    def _again(
        self, before: Exchange, sent: TimedMessage, heard: TimedMessage, sure: list[Reply]
    ) -> None:
        """Judge a packet that is sent once more."""
        if before.is_rejected or not self._talk.replies:
            return  # where nobody answers the clause does not speak of it
        accepted = any(
            reply.kind is ACK and reply.binds and reply.fits and reply.exchange is before
            for reply in sure
        )
        if accepted:
            kind = "sent again though acknowledged"
        elif self._sight.is_timed and self._sight.pause_ns(sent, heard) < PACKET_LIMIT_NS:
            kind = "sent again too soon"
        else:
            kind = "sent again unanswered"
        self._ledger.see(kind, heard, before, out_of=self._packets)

    def _next(
        self,
        one: tuple[Exchange, TimedMessage],
        other: tuple[Exchange, TimedMessage],
        sure: list[Reply],
        known: list[Reply],
    ) -> None:
        """Judge the first sending of another packet."""
        (before, sent), (exchange, heard) = one, other
        is_timed = self._sight.is_timed
        heard_of = [reply for reply in known if reply.exchange is before]
        # One who did not wait for the limit has heard something.
        prompt = is_timed and self._sight.pause_ns(sent, heard) < PACKET_LIMIT_NS
        if self._against_nak(before, exchange, heard, heard_of if prompt else sure):
            return
        accepted = next((reply for reply in heard_of if reply.kind is ACK), None)
        if not is_timed:
            return
        if accepted is not None:
            idle_ns = heard.start_ns - accepted.end_ns
            if idle_ns - self._sight.tolerance_ns > _SOON_NS:
                self._ledger.see("slow after an ACK", heard, exchange, idle=duration(idle_ns))
            return
        # Something may have put the pauses into the message after it had left the sender.
        pause_ns = self._sight.pause_ns(sent, heard) + sent.gaps_ns
        pause = duration(pause_ns - self._sight.tolerance_ns)
        if before.place is not None:
            if pause_ns < PACKET_LIMIT_NS and not self._was_sent_late(sent, pause_ns):
                kind = self._too_early(before, sent, heard)
                self._ledger.see(kind, heard, exchange, pause=pause, out_of=self._packets)
        elif pause_ns < _HEADER_NS:
            rejected = any(reply.kind is NAK for reply in heard_of)
            kind = (
                "packets after a rejected header"
                if rejected
                else "packets too soon after the header"
            )
            self._ledger.see(kind, heard, exchange, pause=pause)
        elif isinstance(self._talk.header, ExtendedHeader) and not before.replies:
            self._ledger.see("extended header unanswered", heard, exchange)

    def _against_nak(
        self, before: Exchange, exchange: Exchange, heard: TimedMessage, sure: list[Reply]
    ) -> bool:
        """Judge whether a packet was passed over although the receiver wanted it again."""
        mine = [reply for reply in sure if reply.exchange is before]
        last = mine[-1] if mine else None
        if before.place is None or last is None or last.kind is not NAK:
            return False
        # The number that the sender knows, not one that was altered on the way.
        if last.message.packet_number != before.number or not last.binds:
            return False
        free_ns = self._sight.latest_start_ns(heard) - last.end_ns + self._sight.tolerance_ns
        lost = self._sight.is_timed and free_ns >= _PACKET_NS  # sent again, and lost on the way
        waited = any(reply.kind is WAIT for reply in before.replies)
        self._ledger.see(
            "repeated packet lost" if lost else "passed over a NAK",
            heard,
            exchange,
            clause="HSK-10" if waited else "HSK-07",
            due=before.place,
            place=exchange.place or 0,
        )
        return True

    def _was_sent_late(self, sent: TimedMessage, pause_ns: int) -> bool:
        """Whether a port may have delivered one packet late, so that the next seems too early.

        Then the pause in front of it is longer by as much as the one behind it is shorter.
        """
        at = bisect_left(self._places, sent.place)
        if not self._sight.is_from_port or at == 0:
            return False
        earlier_ns = self._sight.pause_ns(self._talk.sent[at - 1][1], sent)
        return earlier_ns - PACKET_LIMIT_NS >= PACKET_LIMIT_NS - pause_ns

    def _too_early(self, before: Exchange, sent: TimedMessage, heard: TimedMessage) -> str:
        """Name what it is that a packet began before the one before it could be answered."""
        due_ns = sent.end_ns + PACKET_LIMIT_NS + self._sight.tolerance_ns
        if any(reply.binds and reply.end_ns <= due_ns for reply in before.replies):
            return "packet before the answer"
        first = bisect_left(self._ends, sent.start_ns)
        mistaken = any(
            reply.kind is ACK
            and reply.exchange is not before
            and sent.start_ns < reply.end_ns <= heard.start_ns
            for reply in self._talk.replies[first : bisect_right(self._ends, heard.start_ns)]
        )
        return "late ACK taken for another" if mistaken else "packet too soon"


def _judge_sendings(exchange: Exchange, ledger: Ledger) -> None:
    """Judge whether a message that was sent again was the same."""
    if len(exchange.sendings) == 1:
        return
    sound = [each for each in exchange.sendings if each.is_sound]
    for one, other in pairwise(sound) if exchange.place is not None else ():
        if one.body != other.body:
            ledger.see("sent again otherwise", other, exchange)
    for each in exchange.sendings if sound else ():
        if not each.is_sound:
            whole = each.is_whole_packet
            ledger.see(
                "damaged once",
                each,
                exchange,
                clause="FRM-05" if exchange.place is None else "PKT-05" if whole else "PKT-01",
                found="a wrong checksum" if whole else f"{len(each.body)} bytes",
            )


def _judge_handshakes(talk: DumpExchange, ledger: Ledger) -> None:
    """Judge the handshakes of the sending side."""
    ends = [reply.end_ns for reply in talk.replies]
    for heard, message in talk.handshakes:
        if message.kind is EOF:
            if ledger.sight.surely_began_after(talk.sent[-1][1], heard.end_ns):
                ledger.see("EOF too early", heard)
        elif message.kind is CANCEL:
            before = bisect_right(ends, heard.start_ns)
            last = talk.replies[before - 1] if before else None
            if last is not None and last.kind is NAK and not last.fits and last.binds:
                ledger.see("stopped at a NAK for another packet", heard)
        else:
            ledger.see("sender sent a reply", heard, reply=message.kind.name)
