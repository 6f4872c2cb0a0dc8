"""Which packet it is that came, and which message a reply answers.

Theory of operation.  Numbers wrap at 128, the reply to the header and the reply to packet 0 both
say 0, and a damaged packet may bear any number.  So a packet is placed by what is due and by what
was rejected before it, and a reply by its time first and its number second.
"""

from typing import Final

from dryload.emulator.wire.constants import PACKET_NUMBERS
from dryload.emulator.wire.messages import Handshake
from dryload.harness.judge.dialogue.exchanges import (
    ACK,
    CANCEL,
    EOF,
    NAK,
    DumpExchange,
    Exchange,
    Reply,
)
from dryload.harness.judge.dialogue.heard import TimePrecision
from dryload.harness.judge.timed_messages import TimedMessage

_LOOK_BACK: Final = 8  # exchanges that a late reply may be behind
_HALF: Final = PACKET_NUMBERS // 2


def place_packet(talk: DumpExchange, heard: TimedMessage) -> None:
    """Add a packet, whole or damaged, to the exchange that it belongs to."""
    talk.add_sending(_exchange_for(talk, heard), heard)


def _exchange_for(talk: DumpExchange, heard: TimedMessage) -> Exchange:
    last = talk.exchanges[-1] if talk.exchanges else None
    place = -1 if last is None or last.place is None else last.place
    due, number = talk.due_number, heard.packet_number
    if last is None:  # no header: the numbers say what they say
        return Exchange(place=0, number=number or 0)
    is_packet = last.place is not None
    if is_packet and _is_again(last, heard, number, due):
        return last
    if number is None or number == due or not heard.is_sound:
        return Exchange(place=place + 1, number=due)
    if (earlier := _earlier(talk, heard, number)) is not None:
        return earlier
    if not heard.is_whole_packet:
        return Exchange(place=place + 1, number=due)
    jump = (number - due) % PACKET_NUMBERS
    if jump >= _HALF:  # backwards: no place of its own
        jump = 0
    return Exchange(place=place + 1 + jump, number=number, jump=jump)


def _is_again(last: Exchange, heard: TimedMessage, number: int | None, due: int) -> bool:
    """Whether a packet is the last one once more."""
    reply = last.last_reply
    rejected = reply is not None and reply.kind is NAK
    if not heard.is_sound:  # its number may be damaged as well
        accepted = reply is not None and reply.kind is ACK and reply.fits
        return (number == last.number and not accepted) or (rejected and number != due)
    # What is sent again is the same; other words under its number are the next packet's.
    is_other = last.came_sound and heard.body not in last.bodies
    return number == last.number and (rejected or not is_other)


def _earlier(talk: DumpExchange, heard: TimedMessage, number: int) -> Exchange | None:
    """Return an earlier packet that is sent again out of order, if it is one."""
    for exchange in talk.exchanges[: -_HALF - 1 : -1]:
        if exchange.place is not None and exchange.number == number:
            same = heard.body in exchange.bodies
            damaged = not exchange.came_sound
            wanted = any(
                reply.kind is NAK and reply.message.packet_number == number
                for reply in talk.replies[-_LOOK_BACK:]
            )
            return exchange if same or damaged or wanted else None
    return None


def place_reply(
    talk: DumpExchange, heard: TimedMessage, message: Handshake, sight: TimePrecision, exact: bool
) -> None:
    """Add a handshake of the receiver to the exchange that it answers."""
    exchange = _answered(talk, heard, message, sight, exact)
    sending = _sending(exchange, heard, sight, exact)
    fits = exchange.place is None or message.packet_number in exchange.numbers
    reply = Reply(
        heard=heard,
        message=message,
        exchange=exchange,
        fits=fits,
        binds=talk.is_ours(message.device_id),
        late=exchange is not talk.exchanges[-1],
        sending=sending,
    )
    talk.add_reply(reply)


def _answered(
    talk: DumpExchange, heard: TimedMessage, message: Handshake, sight: TimePrecision, exact: bool
) -> Exchange:
    known = [
        each
        for each in talk.exchanges[-_LOOK_BACK - 1 :]
        if not exact or sight.maybe_before(each.sendings[0].end_ns, heard.start_ns)
    ] or [talk.exchanges[0]]
    latest = known[-1]
    if latest.place is None or message.packet_number in latest.numbers:
        return latest
    if message.kind in (CANCEL, EOF):
        return latest  # their number says nothing certain
    for earlier in known[-2::-1]:
        if earlier.place is not None and message.packet_number in earlier.numbers:
            # Answered already, it is rather a wrong number for the latest than one answer too many.
            if earlier.place == 0 and not earlier.replies and not talk.exchanges[0].replies:
                return talk.exchanges[0]  # answers keep their order, and it is the header's turn
            if not earlier.is_answered or latest.is_answered:
                return earlier
            break
    before = known[-2] if len(known) > 1 else latest
    is_late_header = before.place is None and not before.replies
    ack = message.kind is ACK
    return before if is_late_header and ack and not latest.replies else latest


def _sending(exchange: Exchange, heard: TimedMessage, sight: TimePrecision, exact: bool) -> int:
    """Return which sending was the last that the reply can answer."""
    limit_ns = heard.start_ns if exact else heard.end_ns
    for at in range(len(exchange.sendings) - 1, 0, -1):
        if sight.maybe_before(exchange.sendings[at].end_ns, limit_ns):
            return at
    return 0
