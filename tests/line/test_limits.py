"""A sender's time limits count from the end of the wire, not from the call (TIM-05; M1 p. 39)."""

from __future__ import annotations

from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.dump.sender import Sender
from tests import oracle
from tests.edits import delay_message
from tests.line.players import BYTE_NS, TO, Player, bytewise
from tests.line.test_simulate import ACK, HEADER, LONG, SIX, line_of
from tests.vectors import timeline


def test_a_sender_that_hears_nothing_leaves_20_ms_from_end_to_start() -> None:
    # TIM-01, TIM-03, TIM-05 (M1 p. 39): 2 s after the header, 20 ms after each packet
    sender, unit = Sender(Outgoing(header=HEADER, packets=[LONG] * 3)), Player()
    line = line_of(sender, unit)
    sender.start(0)
    assert line.run(lambda: sender.end is not None)
    starts = [at_ns - BYTE_NS for at_ns, byte in bytewise(line.capture, TO) if byte == 0xF0]
    ends = [at_ns for at_ns, byte in bytewise(line.capture, TO) if byte == 0xF7]
    gaps = [start - end for start, end in zip(starts[1:], ends, strict=False)]
    assert gaps == [timeline.HEADER_WAIT_NS, timeline.PACKET_WAIT_NS, timeline.PACKET_WAIT_NS]
    assert line.now_ns == ends[-1] + timeline.PACKET_WAIT_NS


def test_an_answer_15_ms_after_a_packet_is_waited_for() -> None:
    # TIM-05: whoever starts the limit when the packet is handed over begins the next one too early
    header_ns, packet_ns = len(HEADER) * BYTE_NS, len(LONG) * BYTE_NS
    first_left = header_ns + SIX + packet_ns
    sender = Sender(Outgoing(header=HEADER, packets=[LONG, oracle.packet(number=1, data=b"")]))
    unit = Player((header_ns, ACK), (first_left + 15_000_000, ACK))
    line = line_of(sender, unit)
    sender.start(0)
    line.run(lambda: sender.end is not None)
    starts = [at_ns - BYTE_NS for at_ns, byte in bytewise(line.capture, TO) if byte == 0xF0]
    assert starts == [0, header_ns + SIX, first_left + 15_000_000 + SIX]


def test_a_sender_does_not_know_that_its_message_was_held_up() -> None:
    # it believes that the wire was free; the limit runs from what it knows
    sender, unit = Sender(Outgoing(header=HEADER, packets=[LONG])), Player()
    line = line_of(sender, unit, [delay_message(direction=TO, message=0, by_ns=5_000_000)])
    sender.start(0)
    line.run(lambda: sender.packet == 0)
    packet = next(p for p in line.capture.passages if len(p.data) == 127)
    assert packet.end_ns == len(HEADER) * BYTE_NS + 2_000_000_000 + 127 * BYTE_NS
