"""What the replies of a dump have in common: numbers, device IDs, what came between them."""

from bisect import bisect_right
from collections import Counter
from typing import Final

from emulator.wire.constants import ALL_CALL, PACKET_NUMBERS
from emulator.wire.messages import HandshakeKind
from harness.judge.dialogue.exchanges import DumpExchange, Exchange, Reply
from harness.judge.dialogue.ledger import Ledger
from harness.judge.finding import Answerable, Verdict

_ACK, _NAK, _WAIT = HandshakeKind.ACK, HandshakeKind.NAK, HandshakeKind.WAIT
_MOST_OTHERS: Final = 256  # messages of other kinds that are looked at


def judge_numbers(talk: DumpExchange, ledger: Ledger) -> None:
    """Judge the numbers of ACKs and NAKs to packets, and what follows a jump."""
    acks = [
        (exchange, reply)
        for exchange in talk.exchanges
        if exchange.place is not None
        for reply in exchange.replies
        if reply.kind is _ACK
    ]
    wrong = [(exchange, reply) for exchange, reply in acks if not reply.fits]
    habit = _habit(acks)
    for exchange, reply in wrong:
        number = reply.message.packet_number
        ledger.see(
            "HSK-02",
            habit or "an ACK came with the number of another packet",
            who=talk.receiver,
            heard=reply.heard,
            exchange=exchange,
            expected=f"number {exchange.number}",
            found=f"number {number}",
            verdict=Verdict.BENT if habit else None,
            out_of=None if habit else len(acks),
        )
    seen = {each.number for each in talk.exchanges if each.place is not None}
    for exchange in talk.exchanges:
        for reply in exchange.replies if exchange.place is not None else ():
            sound = exchange.sendings[reply.sending].is_sound
            if reply.kind is _NAK and not reply.fits and sound:
                earlier = reply.message.packet_number in seen
                ledger.see(
                    "HSK-08" if earlier else "HSK-03",
                    "a NAK came with the number of another packet",
                    who=talk.receiver,
                    heard=reply.heard,
                    exchange=exchange,
                    expected=f"number {exchange.number}",
                    found=f"number {reply.message.packet_number}",
                    verdict=Verdict.NOTED if earlier else None,
                    out_of=len(talk.replies),
                )
        if exchange.jump:
            answer = exchange.last_reply
            ledger.see(
                "HSK-16",
                f"another number came than was due, and {talk.receiver_name} "
                + (f"said {answer.kind.name}" if answer else "said nothing"),
                who=talk.receiver,
                heard=exchange.sendings[0],
                exchange=exchange,
            )


def _habit(acks: list[tuple[Exchange, Reply]]) -> str:
    """Return what all ACKs have in common if their numbers follow a rule of their own."""
    replies = [(exchange.number, reply.message.packet_number) for exchange, reply in acks]
    if all(said == (number + 1) % PACKET_NUMBERS for number, said in replies):
        return "every ACK names the packet that is expected next"
    if all(said == 0 for _, said in replies):
        return "every ACK says 0"
    return ""


def judge_device_ids(talk: DumpExchange, ledger: Ledger) -> None:
    """Judge whose device IDs the replies carry."""
    own = talk.device_id
    counts = Counter(reply.message.device_id for reply in talk.replies)
    if own is not None and own != ALL_CALL:
        strange = [each for each in talk.replies if each.message.device_id not in (own, ALL_CALL)]
        # A reply has no checksum: a single one may have been changed on the way.
        is_sure = len(strange) > 1 or len(talk.replies) == 1
        for reply in strange:
            ledger.see(
                "DEV-03",
                f"the dump is for device {own} and a reply to it came from another",
                who=talk.receiver if is_sure else Answerable.RIG,
                heard=reply.heard,
                verdict=None if is_sure else Verdict.NOTED,
                expected=f"device ID {own}",
                found=f"device ID {reply.message.device_id}",
                out_of=len(talk.replies),
            )
    if len(counts) > 1 and min(counts.values()) > 1:
        ledger.see(
            "DEV-05",
            "replies came with different device IDs",
            who=talk.receiver,
            heard=talk.replies[0].heard,
            found=", ".join(str(each) for each in sorted(counts)),
        )


def judge_others(talk: DumpExchange, ledger: Ledger) -> None:
    """Record what a message in the middle of a WAIT led to (HSK-22)."""
    ends = [each.end_ns for each in talk.replies]
    for other in talk.others[:_MOST_OTHERS]:
        at = bisect_right(ends, other.start_ns)
        if not at or talk.replies[at - 1].kind is not _WAIT:
            continue
        went_on = any(sending.start_ns >= other.end_ns for _, sending in talk.sent)
        ledger.see(
            "HSK-22",
            f"{talk.receiver_name} sent something else during WAIT, and "
            + ("the dump went on afterwards" if went_on else "no packet followed"),
            who=Answerable.SENDER if talk.receiver is Answerable.UNIT else Answerable.UNIT,
            heard=other,
        )
