"""What a sender learns of a unit while it sends a dump: numbers, times and answers given twice.

Theory of operation.  The number in an ACK names a packet at best: the standard leaves the one in
the answer to a header open (HSK-04), numbers wrap, and some units number their answers by a rule of
their own or by none (common practice).  So a number is believed once it has been seen to say
something: the packet's own number from the first packet that was answered with it, any other
distance from it after three answers in a row.

How long an answer is waited for is learnt from how long the others took, and whether a unit says
everything twice from what comes beside the answers.
"""

from typing import Final

from dryload.emulator.dump.events import NUMBERS_ALWAYS, NUMBERS_BY, NUMBERS_FREELY, TWICE
from dryload.emulator.wire.constants import BYTE_NS, PACKET_NUMBERS
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import Handshake

_MASK: Final = PACKET_NUMBERS - 1
_EARLIEST_NS: Final[int] = FIXED[Handshake].size * BYTE_NS - 500_000
"""A reply takes 1.92 ms of the line; 1 % of a packet is how wrong its end may be reckoned (TIM-06).
"""
_NEAR_NS: Final = 5_000_000  # that two answers of one unit may differ in time (our choice)
_PROVED: Final = 3  # answers in a row at one distance from the numbers of their packets
_SHOWN: Final = 2  # messages in a row that were answered twice


class Numbering:
    """By which rule a unit numbers its ACKs."""

    __slots__ = ("_always", "_strange", "is_free", "knows", "last", "offset", "proof")

    def __init__(self) -> None:
        self.last = 0
        """The number in the last answer."""
        self.offset = 0
        """How far ahead of its packet's that was."""
        self.proof = 0
        """How many answers in a row were at that distance."""
        self.is_free = False
        """Whether one of them had another number than its packet."""
        self.knows = False
        """Whether the number says which packet is answered."""
        self._strange = 0  # answers with another number than their packet's
        self._always = 0  # answers in a row that had the number of the one before them

    def of(self, packet_number: int) -> int:
        """Return the number that the answer to a packet bears, by the last distance."""
        return (packet_number + self.offset) & _MASK

    def learn(self, packet_number: int) -> None:
        """Learn from the last answer, which was for this packet."""
        offset = (self.last - packet_number) & _MASK
        if offset == self.offset:
            self.proof += 1
            if self.knows:  # nearly every answer of a dump
                return
        else:
            self._always = self._always + 1 if (offset + 1) & _MASK == self.offset else 0
            self.offset = offset
            self.proof = 1
        if offset:
            self.is_free = True
            self._strange += 1
        self.knows = self.proof >= _PROVED or not self.is_free

    def skip(self, packet_number: int, count: int) -> None:
        """Be as after so many more answers at the same distance, the last to this packet."""
        self.last = self.of(packet_number)
        self.proof += count

    @property
    def habit(self) -> str:
        """What is out of the ordinary, as the detail of an event; "" for nothing."""
        if not self.is_free:
            return ""
        if self.knows and self.offset:
            ahead = self.offset if self.offset < PACKET_NUMBERS // 2 else self.offset - 128
            return f"{NUMBERS_BY} {ahead:+d}"
        if self._always >= _PROVED:
            return f"{NUMBERS_ALWAYS} {self.last}"
        return NUMBERS_FREELY if not self.knows and self._strange >= _PROVED else ""


class AnswerTimes:
    """How long a unit takes to answer."""

    __slots__ = ("_packet_ns", "is_quick", "longest_ns", "usual_ns")

    def __init__(self, packet_ns: int) -> None:
        """`packet_ns` is within what time a packet has to be answered (TIM-03)."""
        self._packet_ns: Final = packet_ns
        self.longest_ns = 0
        """What it took for a packet at most."""
        self.usual_ns = 0
        """The same, and until a packet was answered what it took for the header."""
        self.is_quick = False
        """Whether answers come before we reckon that a message has left: a port may be quicker than
        the line."""

    def learn_header(self, taken_ns: int) -> None:
        """Learn from the answer to the header."""
        self.usual_ns = taken_ns
        self.is_quick = taken_ns < _EARLIEST_NS

    def learn(self, taken_ns: int) -> None:
        """Learn from the answer to a packet."""
        if taken_ns > self.longest_ns:  # noqa: PLR1730  # every packet comes by here
            self.longest_ns = taken_ns
        self.usual_ns = self.longest_ns

    def may_be(self, taken_ns: int) -> bool:
        """Whether this unit may well have taken so long to answer a packet."""
        if self.longest_ns or not self.usual_ns:
            return taken_ns <= max(self._packet_ns, 2 * self.longest_ns)
        # Only the header's time is known: just as long is no chance.
        header_ns = self.usual_ns
        near = abs(taken_ns - header_ns) <= header_ns // 16 + _NEAR_NS
        return near or taken_ns <= self._packet_ns


class SecondAnswers:
    """Whether a unit says its ACKs twice."""

    __slots__ = ("_count", "in_a_row", "one_came")

    def __init__(self) -> None:
        self.one_came = False
        """Whether one more ACK came since the last answer."""
        self.in_a_row = 0
        """How many messages in a row were answered twice."""
        self._count = 0

    def learn(self, *, came_early: bool) -> bool:
        """Learn with the next answer; return whether one more is to be expected by now.

        `came_early` is whether an ACK came while the message was on its way.
        """
        if self.one_came or came_early:
            self.one_came = False
            self._count += 1
            self.in_a_row += 1
        else:
            self.in_a_row = 0
        return self.in_a_row >= _SHOWN

    def habit(self, packets: int) -> str:
        """Return what was learnt in so many packets, as the detail of an event; "" for nothing."""
        return TWICE if self._count >= _SHOWN and 2 * self._count >= packets else ""
