"""What got no answer, and what that tells."""

from typing import Final

from dryload.emulator.wire.constants import HEADER_LIMIT_NS, PACKET_LIMIT_NS
from dryload.emulator.wire.prose import counted
from dryload.harness.judge.dialogue.exchanges import CANCEL, DumpExchange, Exchange
from dryload.harness.judge.dialogue.ledger import Ledger
from dryload.harness.judge.timed_messages import TimedMessage

_ANSWER_NS: Final = 2_000_000  # an ACK lasts 1.92 ms


class Silences:
    """Gathers the messages of one dump that got no answer."""

    def __init__(self, talk: DumpExchange, ledger: Ledger, last_heard_ns: int) -> None:
        self._talk = talk
        self._sight = ledger.sight
        self._ledger = ledger
        self._last_heard_ns = last_heard_ns
        self._answers_packets = any(
            each.replies for each in talk.exchanges if each.place is not None
        )
        said = [each.message for each in talk.replies] + [each for _, each in talk.handshakes]
        self._is_cancelled = any(each.kind is CANCEL for each in said)
        self._silent: list[tuple[Exchange, TimedMessage]] = []
        self._bad_silent = 0
        self.unknown: list[str] = []

    def add(self, exchange: Exchange, at: int, sending: TimedMessage) -> None:
        """Take a sending that got no answer, the `at`th of its exchange."""
        if not self._talk.replies or self._is_cancelled:
            return  # nobody answers at all, or nobody had to any more
        limit_ns = HEADER_LIMIT_NS if exchange.place is None else PACKET_LIMIT_NS
        end_ns = sending.end_ns
        if at + 1 < len(exchange.sendings):
            follower = exchange.sendings[at + 1]
            if follower.start_ns - end_ns < _ANSWER_NS:
                return  # a copy of it followed at once
        if self._sight.last_ns - end_ns <= limit_ns + _ANSWER_NS:
            self._say_unknown(exchange)
        elif not self._sight.is_timed or exchange.jump:
            return
        elif sending.is_sound:
            self._silent.append((exchange, sending))
        else:
            self._bad_silent += sending.is_whole_packet

    def _say_unknown(self, exchange: Exchange) -> None:
        if exchange is self._talk.exchanges[-1] and self._sight.last_ns <= self._talk.last_ns:
            what = "the header" if exchange.place is None else f"packet {exchange.place:,}"
            self.unknown.append(
                f"The capture ends with {what}, so whether it was answered is not known."
            )

    def tell(self) -> None:
        """Tell what got no answer, each according to how much else did."""
        planned = self._talk.planned
        last = self._talk.exchanges[-1]
        is_last_alone = all(each is last for each, _ in self._silent)
        for exchange, sending in self._silent:
            if exchange.place is None:
                if self._answers_packets and not exchange.is_answered:
                    self._ledger.see("header unanswered", sending, exchange)
            elif self._has_fallen_silent(sending, is_last_alone=is_last_alone):
                self._ledger.see("fell silent", sending, exchange)
                break
            elif planned is not None and exchange.place + 1 == planned:
                if not exchange.replies and sending is exchange.sendings[-1]:
                    self._ledger.see("last packet unanswered", sending, exchange)
            else:
                packets = max(self._talk.packets, 1)
                self._ledger.see("packet unanswered", sending, exchange, out_of=packets)
        if self._bad_silent > 1 and self._answers_packets:
            silent = counted(self._bad_silent, "packet")
            self._ledger.see("wrong checksums unanswered", packets=silent)

    def _has_fallen_silent(self, sending: TimedMessage, *, is_last_alone: bool) -> bool:
        """Whether a receiver that had answered packets never said anything again."""
        planned = self._talk.planned
        if is_last_alone and planned is not None and self._talk.packets >= planned:
            return False  # that is the habit of some units (HSK-13)
        return self._answers_packets and self._last_heard_ns < sending.end_ns
