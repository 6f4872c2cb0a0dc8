"""What the receiving side of a dump did wrong: answers late, missing, wrong or too many."""

from bisect import bisect_left
from itertools import pairwise
from typing import Final

from emulator.wire.constants import HEADER_LIMIT_NS, PACKET_LIMIT_NS
from emulator.wire.messages import HandshakeKind
from emulator.wire.prose import counted
from harness.judge.dialogue.exchanges import DumpExchange, Exchange, Reply
from harness.judge.dialogue.heard import TimePrecision
from harness.judge.dialogue.ledger import Ledger, in_words
from harness.judge.dialogue.naming import judge_device_ids, judge_numbers, judge_others
from harness.judge.dialogue.replies import Replies
from harness.judge.dialogue.silence import Silences
from harness.judge.timed_messages import TimedMessage

_NAK, _WAIT, _CANCEL, _EOF = (
    HandshakeKind.NAK,
    HandshakeKind.WAIT,
    HandshakeKind.CANCEL,
    HandshakeKind.EOF,
)
_STRIKES: Final = 3  # HSK-17, M1 p. 44 (File Dump)


def judge_answering(
    talk: DumpExchange, sight: TimePrecision, ledger: Ledger, last_heard_ns: int | None
) -> list[str]:
    """Add findings on the receiving side; return what could not be known.

    `last_heard_ns` is when the receiver said its last word in the whole capture.
    """
    silences = Silences(talk, sight, ledger, last_heard_ns or 0)
    judge = _Answers(talk, sight, ledger, silences)
    for exchange in talk.exchanges:
        judge.exchange(exchange)
    judge_numbers(talk, ledger)
    judge_device_ids(talk, ledger)
    judge_others(talk, ledger)
    silences.tell()
    return silences.unknown


class _Answers:
    def __init__(
        self, talk: DumpExchange, sight: TimePrecision, ledger: Ledger, silences: Silences
    ) -> None:
        self._talk = talk
        self._sight = sight
        self._ledger = ledger
        self._who = talk.receiver
        self._packets = max(talk.packets, 1)
        self._replies = Replies(talk, sight, ledger)
        self._silences = silences
        self._ends_of_eof = sorted(
            heard.end_ns for heard, message in talk.handshakes if message.kind is _EOF
        )

    def exchange(self, exchange: Exchange) -> None:
        """Judge what was said to one message, each time it was sent."""
        by_sending: dict[int, list[Reply]] = {}
        for reply in exchange.replies:
            by_sending.setdefault(reply.sending, []).append(reply)
            self._replies.judge(exchange, exchange.sendings[reply.sending], reply)
        for at, sending in enumerate(exchange.sendings):
            mine = by_sending.get(at, [])
            if mine:
                self._time(exchange, sending, mine[0])
                self._count(exchange, mine)
            else:
                self._silences.add(exchange, at, sending)
        self._strikes(exchange)

    def _time(self, exchange: Exchange, sending: TimedMessage, reply: Reply) -> None:
        if not self._sight.is_timed or sending.message is None:
            return  # what has no end of its own is noticed when something else begins
        taken_ns = reply.end_ns - sending.end_ns
        is_header = exchange.place is None
        limit_ns = HEADER_LIMIT_NS if is_header else PACKET_LIMIT_NS
        if taken_ns - self._sight.tolerance_ns <= limit_ns:
            return
        self._ledger.see(
            "TIM-02" if is_header else "TIM-04",
            "it was answered too late",
            who=self._who,
            heard=reply.heard,
            exchange=exchange,
            expected="ACK, WAIT or CANCEL within 2 s"
            if is_header
            else "ACK, NAK, WAIT or CANCEL within 20 ms",
            found=f"{reply.kind.name} after {in_words(taken_ns)}",
            do="A receiver that needs longer sends WAIT first.",
            out_of=None if is_header else self._packets,
        )

    def _count(self, exchange: Exchange, replies: list[Reply]) -> None:
        for one, other in pairwise(each for each in replies if each.kind is not _CANCEL):
            if one.kind is _WAIT or other.kind in (_WAIT, _EOF) or one.kind is _EOF:
                continue
            apart_ns = other.end_ns - one.end_ns
            twice = one.kind is other.kind and (
                apart_ns <= PACKET_LIMIT_NS + self._sight.tolerance_ns or not self._sight.is_timed
            )
            if self._is_answer_to_eof(one, other):
                self._ledger.see(
                    "HSK-18",
                    f"{self._talk.receiver_name} answered EOF",
                    who=self._who,
                    heard=other.heard,
                    expected="silence",
                    found=other.kind.name,
                )
            elif twice or one.message.device_id != other.message.device_id:
                self._ledger.see(
                    "DEV-05",
                    "it was answered twice: two units listen, or something doubles messages",
                    who=self._who,
                    heard=other.heard,
                    exchange=exchange,
                    expected="one answer",
                    found=f"{one.kind.name} and {other.kind.name}",
                    do="Give each unit an ID of its own, or unplug one of them.",
                )
            else:
                self._ledger.see(
                    "HSK-14",
                    "it was answered more than once",
                    who=self._who,
                    heard=other.heard,
                    exchange=exchange,
                    expected="one answer",
                    found=f"{one.kind.name} and {other.kind.name}",
                    out_of=self._packets,
                )

    def _is_answer_to_eof(self, one: Reply, other: Reply) -> bool:
        at = bisect_left(self._ends_of_eof, one.end_ns)
        return at < len(self._ends_of_eof) and self._ends_of_eof[at] <= other.end_ns

    def _strikes(self, exchange: Exchange) -> None:
        kinds = [each.kind for each in exchange.replies if each.kind is not _WAIT]
        strikes = next((at for at, kind in enumerate(kinds) if kind is not _NAK), len(kinds))
        if exchange.place is None or strikes + (_CANCEL in kinds) < _STRIKES:
            return
        cancelled = strikes < len(kinds) and kinds[strikes] is _CANCEL
        self._ledger.see(
            "HSK-17",
            f"it failed {counted(strikes + cancelled, 'time')} running"
            + (", then it was cancelled" if cancelled else ""),
            who=self._who,
            heard=exchange.replies[-1].heard,
            exchange=exchange,
            found="CANCEL" if cancelled else "NAK each time",
        )
