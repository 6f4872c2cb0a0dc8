"""What the replies of a dump have in common: numbers, device IDs, what came between them."""

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from typing import Final

from dryload.emulator.wire.constants import ALL_CALL, PACKET_NUMBERS
from dryload.harness.judge.dialogue.exchanges import ACK, NAK, WAIT, DumpExchange, Exchange, Reply
from dryload.harness.judge.dialogue.ledger import Ledger
from dryload.harness.judge.finding import Answerable, Verdict

_HABIT: Final = 3  # ACKs that show a custom (our choice)
_MANY: Final = 6  # ACKs that show that there is none
_SELDOM: Final = 4  # one in so many that fits its packet is chance
_MOST_OTHERS: Final = 256  # messages of other kinds that are looked at


def judge_numbers(talk: DumpExchange, ledger: Ledger) -> None:
    """Judge the numbers of ACKs and NAKs to packets, and what follows a jump."""
    packets = [each for each in talk.exchanges if each.place is not None]
    said = [(exchange, reply) for exchange in packets for reply in exchange.replies]
    acks = [(exchange, reply) for exchange, reply in said if reply.kind is ACK]
    habit = _habit(acks)
    for exchange, reply in acks:
        if not reply.fits:
            ledger.see(
                habit or "ACK with another number",
                reply.heard,
                exchange,
                due=exchange.number,
                number=reply.message.packet_number,
                out_of=None if habit else len(acks),
            )
    seen = {each.number for each in packets}
    for exchange, reply in said:
        sound = exchange.sendings[reply.sending].is_sound
        if reply.kind is NAK and not reply.fits and sound:
            number = reply.message.packet_number
            ledger.see(
                "NAK for an earlier packet" if number in seen else "NAK with another number",
                reply.heard,
                exchange,
                due=exchange.number,
                number=number,
                out_of=len(talk.replies),
            )
    for exchange in talk.exchanges:
        if exchange.jump:
            answer = exchange.last_reply
            did = f"said {answer.kind.name}" if answer else "said nothing"
            ledger.see("answer to a jump", exchange.sendings[0], exchange, did=did)


def _habit(acks: Sequence[tuple[Exchange, Reply]]) -> str:
    """Return what all ACKs have in common if their numbers follow a rule of their own."""
    replies = [(exchange.number, reply.message.packet_number) for exchange, reply in acks]
    ahead = {(said - number) % PACKET_NUMBERS for number, said in replies}
    always = {said for _, said in replies}
    if ahead == {1}:
        return "ACK names the next packet"
    if always == {0} or (len(always) == 1 and len(replies) >= _HABIT):
        return "ACK always alike"
    if len(ahead) == 1 and len(replies) >= _HABIT:
        return "ACK some packets further on"
    fitting = sum(number == said for number, said in replies)
    return "ACK by no rule" if len(replies) >= _MANY and _SELDOM * fitting <= len(replies) else ""


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
                "reply from another device",
                reply.heard,
                reply.exchange,
                own=own,
                device=reply.message.device_id,
                who=None if is_sure else Answerable.RIG,
                verdict=None if is_sure else Verdict.NOTED,
                out_of=len(talk.replies),
            )
    if len(counts) > 1 and min(counts.values()) > 1:
        devices = ", ".join(str(each) for each in sorted(counts))
        ledger.see("several device IDs", talk.replies[0].heard, devices=devices)


def judge_others(talk: DumpExchange, ledger: Ledger) -> None:
    """Record what a message in the middle of a WAIT led to (HSK-22)."""
    ends = [each.end_ns for each in talk.replies]
    for other in talk.others[:_MOST_OTHERS]:
        at = bisect_right(ends, other.start_ns)
        if at and talk.replies[at - 1].kind is WAIT:
            went_on = any(sending.start_ns >= other.end_ns for _, sending in talk.sent)
            then = "the dump went on afterwards" if went_on else "no packet followed"
            ledger.see("other message during WAIT", other, then=then)
