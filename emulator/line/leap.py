"""Many packets at once, while nothing disturbs and both ends are steady.

Theory of operation.  With a packet on the wire and nothing else on its way, both ends are asked
what they would do next (`emulator.dump.steady`).  Where they agree on a run of packets and answers,
all that the driver would do is arithmetic: a packet begins when the answer to the one before has
arrived, it is there when it has left, its answer begins when the receiver is ready with it, and so
every packet of the run has the times of the one before, one period later.  After a leap the line is
as if every instant had come by itself: another packet is on the wire and nothing else on its way.
The event loop of the driver is the truth, and goes on from there.
"""

from collections.abc import Sequence
from functools import partial
from itertools import repeat
from typing import Final, NamedTuple

from dryload.emulator.dump.capture import Direction, Passage
from dryload.emulator.dump.events import Event
from dryload.emulator.dump.steady import SteadyReceiver, SteadySender
from dryload.emulator.wire.codec import handshakes
from dryload.emulator.wire.constants import BYTE_NS

_LEAST: Final = 4  # packets: fewer are not worth asking for
_MOST: Final = 1 << 12  # packets: more gain nothing
# As Passage._make, and without a step in between.
_passage: Final = partial(tuple.__new__, Passage)
_NOTHING: Final = Passage(Direction.TO_UNIT, 0, b"")


class Leap(NamedTuple):
    """What came to pass in a leap."""

    by_ns: int
    """How much later all is."""
    now_ns: int
    """When the last answer arrived."""
    on_wire: bytes
    """The packet that is on the wire now."""
    events: Sequence[Event]
    """What the sender reports."""
    passages: list[Passage]


def leap(
    sender: SteadySender,
    receiver: SteadyReceiver,
    direction: Direction,
    left_ns: int,
    *,
    on_wire: bytes,
    until_ns: int,
) -> Leap | None:
    """Move both ends on as far as they are steady, not beyond `until_ns`; None for nowhere.

    `on_wire` is the packet that leaves in `direction` at `left_ns`.
    """
    packet_ns = len(on_wire) * BYTE_NS
    now_ns = left_ns - packet_ns  # when it began, and the answer to the one before had arrived
    limit = min((until_ns - now_ns) // packet_ns, _MOST)
    if limit < _LEAST:
        return None
    packets = sender.steady_packets(limit, now_ns)
    if len(packets) <= _LEAST or packets[0] != on_wire:
        return None
    answers = receiver.steady_answers(packets)
    if answers is None:
        return None
    said = handshakes(answers.first.kind, answers.first.device_id)
    reply_ns = len(said[0]) * BYTE_NS
    taken_ns = answers.after_ns + reply_ns
    period_ns = taken_ns + packet_ns
    # The one that is on the wire afterwards has to be as right as those that were taken.
    count = min(answers.packets - 1, (until_ns - now_ns) // period_ns)
    if count < _LEAST or (answers.within_ns is not None and period_ns > answers.within_ns):
        return None
    if not sender.is_answered_steadily(answers, taken_ns):
        return None
    by_ns = count * period_ns
    taken = packets[:count]
    receiver.skip_taken(taken, left_ns + by_ns - period_ns)
    events = sender.skip_sent(count, now_ns + by_ns, period_ns=period_ns, taken_ns=taken_ns)
    first = answers.first.packet_number
    replies = (said * (1 + (first + count) // len(said)))[first : first + count]
    back = Direction.FROM_UNIT if direction is Direction.TO_UNIT else Direction.TO_UNIT
    passages = [_NOTHING] * (2 * count)
    arrive_ns = range(left_ns, left_ns + by_ns, period_ns)
    answered_ns = range(left_ns + taken_ns, left_ns + taken_ns + by_ns, period_ns)
    passages[::2] = map(_passage, zip(repeat(direction), arrive_ns, taken, strict=False))
    passages[1::2] = map(_passage, zip(repeat(back), answered_ns, replies, strict=False))
    return Leap(by_ns, now_ns + by_ns, packets[count], events, passages)
