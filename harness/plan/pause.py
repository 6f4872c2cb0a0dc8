"""How long the dumps of a plan take a program that does not listen and pauses after each packet.

Theory of operation.  Such a program sends everything at the speed of the cable and waits a fixed
time after each packet, whether the unit needs it or not.  With answers that come at once a dump
takes its own bytes and those of an answer to the header and to each packet (HSK-01), and nothing
else: that is the least that a program that listens can come to.
"""

from collections.abc import Sequence

from msgspec import Struct

from dryload.emulator.dump.outgoing import Outgoing, whole_sequence
from dryload.emulator.wire.constants import BYTE_NS
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import Handshake


class Amount(Struct, frozen=True, kw_only=True):
    """How much is sent."""

    dumps: int
    packets: int
    line_ns: int
    """What all messages take on the cable."""

    @property
    def answered_ns(self) -> int:
        """How long it takes where every answer comes at once."""
        return self.line_ns + (self.dumps + self.packets) * FIXED[Handshake].size * BYTE_NS

    def paused_ns(self, pause_ns: int) -> int:
        """Return how long it takes with a pause after each packet."""
        return self.line_ns + self.packets * pause_ns

    def pause_of(self, total_ns: int) -> int | None:
        """Return the pause of a program that takes so long; None where the cable takes longer."""
        if total_ns < self.line_ns or not self.packets:
            return None
        return (total_ns - self.line_ns) // self.packets


def amount_of(dumps: Sequence[Outgoing]) -> Amount:
    """Return how much some dumps are."""
    size = sum(len(message) for dump in dumps for message in whole_sequence(dump))
    return Amount(
        dumps=len(dumps),
        packets=sum(len(dump.packets) for dump in dumps),
        line_ns=size * BYTE_NS,
    )
