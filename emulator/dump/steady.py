"""What endpoints say of themselves while one packet of a dump is like the next.

Theory of operation.  In the middle of a dump nothing is left to decide for long stretches: a packet
is taken and answered, the answer is taken, the next packet goes out.  Whoever drives both ends may
then move many packets at once, if both ends say so: the sender which packets will follow one
another as long as each is answered in a certain way, the receiver that it will answer them in that
way, and the sender that it will take those answers as it took the last.  Each end speaks for itself
alone, from its own table and its own state, and an end with another habit does not speak up at all.
"""

from collections.abc import Sequence
from typing import NamedTuple

from dryload.emulator.dump.events import Event
from dryload.emulator.wire.messages import Handshake


class SteadyAnswers(NamedTuple):
    """How the next packets will be answered: each by one message, its number one higher each time.

    An endpoint that answers like this sends nothing else meanwhile and reports nothing.
    """

    packets: int
    """To how many packets, at least one."""
    first: Handshake
    """The answer to the first of them."""
    after_ns: int
    """How long after the last byte of a packet its answer is ready to be sent."""
    within_ns: int | None
    """How long after the last byte of a packet that of the next has to be there; None: for ever."""


class SteadySender:
    """An endpoint one of whose packets is on the wire; each such endpoint gives its own answers."""

    def steady_packets(self, limit: int, now_ns: int) -> Sequence[bytes]:
        """Return the packet on the wire and up to `limit` that will follow, () where that is open.

        What it returns holds as long as `is_answered_steadily` of all the answers that come.
        """
        raise NotImplementedError  # each kind of end has its own

    def is_answered_steadily(self, answers: SteadyAnswers, taken_ns: int) -> bool:
        """Whether each of these answers, `taken_ns` after its packet left, calls for the next."""
        raise NotImplementedError  # each kind of end has its own

    def skip_sent(
        self, count: int, now_ns: int, *, period_ns: int, taken_ns: int
    ) -> Sequence[Event]:
        """Be as after so many more answers, the last at `now_ns`; return what it reports."""
        raise NotImplementedError  # each kind of end has its own


class SteadyReceiver:
    """An endpoint to which packets are on their way; each such endpoint gives its own answers."""

    def steady_answers(self, packets: Sequence[bytes]) -> SteadyAnswers | None:
        """Return how the first of these will be answered, None where that is open."""
        raise NotImplementedError  # each kind of end has its own

    def skip_taken(self, packets: Sequence[bytes], last_ns: int) -> None:
        """Be as after having taken and answered all of these, the last at `last_ns`."""
        raise NotImplementedError  # each kind of end has its own
