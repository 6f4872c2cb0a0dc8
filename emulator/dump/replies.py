"""The reply matcher: which message does a reply answer?

Theory of operation.  A reply names a message by a number at best, and `habits` says whether this
unit's numbers name any.  Where they say nothing, time tells: a unit answers each message once, in
the order in which they came, and none before its last byte has left the line (TIM-05).  So the
answer is what comes after that, unless something that was sent before may still be answered.

Three things blur this, and each has its rule.  A port may be quicker than the line that we reckon
with, so that answers come early: that shows at the header, or when a packet went out twice and only
early answers came.  A unit may say everything twice: the second ACK comes while the next packet is
on its way, or it is owed.  And each copy of a packet that went out more than once has an answer of
its own (HSK-14): where neither numbers nor the time that this unit usually takes tell whose answer
came, nothing is sent until all copies can have been answered.

An answer is waited for twice as long as this unit has been seen to take, and never less than the
sender's own limit.  What can't be told is not taken for an answer: then the packet goes out again,
which the number in it makes harmless (HSK-15).
"""

from collections.abc import Iterator
from enum import auto
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.events import TAKES
from dryload.emulator.dump.habits import AnswerTimes, Numbering, SecondAnswers
from dryload.emulator.dump.machine import Member
from dryload.emulator.wire.constants import HEADER_LIMIT_NS, PACKET_LIMIT_NS, PACKET_NUMBERS

_MASK: Final = PACKET_NUMBERS - 1
_SHOWN: Final = 2  # packets in a row that were answered


class Limits(Struct, frozen=True, kw_only=True):
    """How long a sender waits for a reply, from the end of its message on the wire."""

    header_ns: int = HEADER_LIMIT_NS  # TIM-01
    packet_ns: int = PACKET_LIMIT_NS  # TIM-03
    again_ns: int = 500_000_000
    """With `after_silence` "again": how long a unit that answered before is waited for; less than
    the two seconds after which a receiver may give a dump up (our choice)."""


class Match(Member):
    """What a reply is."""

    ANSWER = auto()  # to the message in question
    EARLY = auto()  # no message that is still on its way can have been answered; it is remembered
    LATE = auto()  # one more answer to a message before
    OTHER = auto()  # its number answers nothing; if nothing else comes, it was the answer
    UNSETTLED = auto()  # an answer, but more answers to copies of the same message may follow
    BEFORE = auto()  # ends a WAIT and answers a message before
    RESUMES = auto()  # ends a WAIT, and nothing had been sent


class Meaning(Member):
    """What it means that a limit has passed."""

    ANSWERED = auto()  # what was remembered was the answer
    REJECTED = auto()  # the same, and it was a no
    WAIT_ON = auto()  # this unit may take longer: see `limit_ns`
    DOUBTFUL = auto()  # what was remembered may have been an answer to a message before
    LOST = auto()  # a unit that owes an answer gave none
    SILENT = auto()  # no answer can be expected


_ANSWER: Final = Match.ANSWER


class ReplyMatcher:
    """Judges the replies of one unit while one dump is sent to it.

    `called_for` is how many packets the header calls for; `patient` is whether a unit that has
    answered before is waited for longer than the standard asks; `strict` is whether no number but
    the packet's own will do.
    """

    __slots__ = (
        "_before",
        "_before_came_twice",
        "_called_for",
        "_doubted",
        "_early",
        "_first_left_ns",
        "_header_number",
        "_held_ahead",
        "_held_early",
        "_held_ns",
        "_hint",
        "_in_a_row",
        "_left_ns",
        "_limits",
        "_numbering",
        "_owed",
        "_patient",
        "_pending",
        "_settles",
        "_strict",
        "_times",
        "_twice",
        "copies",
        "is_open",
        "is_out",
        "is_overdue",
        "limit_ns",
        "number",
        "packet",
    )

    def __init__(
        self, limits: Limits, *, called_for: int, patient: bool, strict: bool = False
    ) -> None:
        self._limits: Final = limits
        self._called_for: Final = called_for
        self._patient: Final = patient
        self._strict: Final = strict
        # the unit
        self.is_open = True
        """Whether it is taken for an open-loop unit: nothing answered yet, or silence."""
        self._in_a_row = 0  # packets answered
        self._numbering: Final = Numbering()
        self._times: Final = AnswerTimes(limits.packet_ns)
        self._twice: Final = SecondAnswers()
        # the message in question
        self.packet: int | None = None
        """The data packet, counted from 0; None for the header."""
        self.number = 0
        """The number that it bears."""
        self.copies = 0
        """How often it has been sent."""
        self._pending = 0  # copies that have not been answered
        self._first_left_ns = 0  # when the first of those left
        self._doubted = False  # it went out again because nothing else came than what came early
        # its last copy
        self.is_out = False
        """Whether the driver has taken it."""
        self.is_overdue = False
        """Whether its answer is waited for longer than the standard asks."""
        self.limit_ns: int | None = None
        """Until when its answer is waited for, None where there is no limit now."""
        self._left_ns: int | None = None  # when it left, None while it is on its way
        self._early = False  # something came while it was on its way
        self._hint: Meaning | None = None  # of what came with a number that doesn't fit
        self._settles = False  # answered, but other copies may still be
        self._held_ns: int | None = None  # when the unit asked to wait, None where it goes on
        self._held_early = False  # that was while it was on its way
        # what was sent before it
        self._before: int | None = None  # the number of the packet before
        self._before_came_twice = False
        self._owed = 0  # answers to it that may still come
        self._header_number: int | None = None  # in the answer to the header
        self._held_ahead: int | None = None  # the distance of the number that ended the last WAIT

    # what the sender does

    def send(self, packet: int | None, number: int) -> None:
        """Turn to the next message, the header where `packet` is None."""
        self._before = None if self.packet is None else self.number
        self._before_came_twice = self.copies > 1
        self.packet = packet
        self.number = number
        self.copies = self._pending = 0
        self._doubted = False
        self.send_again()

    def send_again(self) -> None:
        """Send the message in question once more."""
        self.copies += 1
        self._pending += 1
        self.limit_ns = self._left_ns = self._hint = self._held_ns = None
        self.is_out = self._early = self._settles = self.is_overdue = False

    def left(self, now_ns: int) -> None:
        """Take note that the message in question has left the line: its limit begins (TIM-05)."""
        self._left_ns = now_ns
        if self._pending == 1:
            self._first_left_ns = now_ns
        if self._held_ns is not None:
            return
        if self._settles:
            self._settle(now_ns)
        elif self._early and self._times.is_quick:
            self.limit_ns = now_ns
        else:
            limits = self._limits
            self.limit_ns = now_ns + (limits.header_ns if self.packet is None else limits.packet_ns)

    # what the unit says

    def ack(self, number: int, now_ns: int) -> Match:
        """Judge an ACK."""
        if self._held_ns is not None:
            return self._ends_wait(number, self._held_ns)
        numbering = self._numbering
        if numbering.knows and self.is_out and number == (self.number + numbering.offset) & _MASK:
            numbering.last = number
            return _ANSWER
        return self._unlikely_ack(number, now_ns)

    def nak(self, number: int) -> Match:
        """Judge a NAK."""
        if not self.is_out:
            return Match.LATE
        if self.packet is None or number == self.number:
            return _ANSWER
        if self._left_ns is None or self._owed or self._settles or number == self._before:
            return Match.LATE
        if self._numbering.proof == 0 or (self._numbering.is_free and not self._numbering.knows):
            return _ANSWER
        self._hint = Meaning.REJECTED
        return Match.OTHER

    def hold(self, now_ns: int) -> None:
        """Take note of a WAIT."""
        self.limit_ns = None
        self._held_ns = now_ns
        self._held_early = self.is_out and self._left_ns is None

    def count_anew(self, now_ns: int) -> None:
        """Begin the limit again: what came was not, or not only, the answer."""
        if self._settles:
            self._settle(now_ns)
        else:
            self._left_ns = now_ns
            self.limit_ns = now_ns + self._limits.packet_ns

    def answered(self, now_ns: int) -> None:
        """Learn from the answer to the message in question."""
        left_ns, limit_ns = self._left_ns, self.limit_ns
        self.limit_ns = None
        if self.packet is None:
            self.is_open = False
            if self.is_out and self._held_ns is None:
                self._times.learn_header(0 if left_ns is None else now_ns - left_ns)
            return
        self._in_a_row += 1
        if self.is_open:
            self.is_open = self._in_a_row < _SHOWN
        if not self.is_out:
            return
        if left_ns is not None:
            taken_ns = (now_ns if self._held_ns is None else self._held_ns) - left_ns
            if self._pending > 1:
                taken_ns = self._learn_from_copies(taken_ns)
            # Beyond a limit that nobody noticed, it was we who were away: that tells no time.
            if limit_ns is None or now_ns <= limit_ns:
                self._times.learn(taken_ns)
        twice = self._twice
        if twice.one_came or self._early or twice.in_a_row:
            is_owed = twice.learn(came_early=self._early and not self._times.is_quick)
            if is_owed and not self._numbering.knows:
                self._owed = 1
        self._numbering.learn(self.number)

    def is_steady(self, number: int, taken_ns: int) -> bool:
        """Whether an ACK with this number, so long after the message left, answers it as a matter
        of course: it says all that there is to know, and nothing of this unit is learnt from it."""
        twice, numbering = self._twice, self._numbering
        return (
            self.packet is not None
            and self.is_out
            and not self.is_open
            and self._left_ns is None
            and self._held_ns is None
            and self._hint is None
            and self.copies == self._pending == 1
            and not (self._before_came_twice or self._doubted or self._early or self._settles)
            and not (self._owed or twice.one_came or twice.in_a_row)
            and numbering.knows
            and number == numbering.of(self.number)
            and 0 < taken_ns <= min(self._times.longest_ns, self._limits.packet_ns)
        )

    def skip(
        self, count: int, number: int, last_number: int, *, left_ns: int, taken_ns: int
    ) -> None:
        """Be as after so many more steady answers; the next message, which bears `number`, is out.

        The last that was answered bore `last_number`, left at `left_ns` and was answered `taken_ns`
        later.
        """
        assert self.packet is not None
        self.packet += count
        self.number, self._before = number, last_number
        self._in_a_row += count
        self._first_left_ns = left_ns
        self._numbering.skip(last_number, count)
        self._times.learn(taken_ns)

    def rejected(self, now_ns: int) -> None:
        """Take note of a NAK that was taken for the message in question."""
        left_ns = now_ns if self._left_ns is None else self._left_ns
        self._pending = 0 if self._times.may_be(now_ns - left_ns) else max(self._pending - 1, 0)

    def overdue(self, now_ns: int) -> Meaning:
        """Say what it means that the limit has passed; with WAIT_ON there is another one."""
        if self._settles:
            return Meaning.ANSWERED
        if self._hint is not None:
            return self._hint
        if self._early and self._times.is_quick:
            return Meaning.ANSWERED
        if not self._is_owed_an_answer:
            return Meaning.SILENT
        left_ns = now_ns if self._left_ns is None else self._left_ns
        own_ns = self._limits.packet_ns if self._early else self._limits.again_ns
        limit_ns = left_ns + max(own_ns, 2 * self._times.usual_ns)
        if now_ns < limit_ns:
            self.limit_ns = limit_ns
            self.is_overdue = True
            return Meaning.WAIT_ON
        self._owed = self._twice.in_a_row = 0  # perhaps we were wrong, and so nothing came
        self._held_ahead = None
        self._doubted = self._twice.one_came = self._early
        return Meaning.DOUBTFUL if self._early else Meaning.LOST

    def went_on(self) -> None:
        """Take note that the sender goes on without an answer: open loop."""
        self.is_open, self._in_a_row = True, 0
        self._held_ahead = None
        # The answer may still come; but where one was owed before, it may have been just that.
        self._owed = int(self.packet is not None and not self._owed)

    @property
    def is_last_called_for(self) -> bool:
        """Whether the header calls for no packet after the one in question."""
        return self.packet == self._called_for - 1

    @property
    def has_shown(self) -> bool:
        """Whether the unit has answered packets in a row until now."""
        return self._in_a_row >= _SHOWN

    @property
    def last_number(self) -> int:
        """The number in the last answer."""
        return self._numbering.last

    def habits(self) -> Iterator[str]:
        """Yield what was learnt of the unit that is out of the ordinary, as details of events."""
        if habit := self._numbering.habit:
            yield habit
        if habit := self._twice.habit(self.packet or 0):
            yield habit
        if self._times.longest_ns > self._limits.packet_ns:
            yield f"{TAKES} {self._times.longest_ns}"

    # judging

    def _unlikely_ack(self, number: int, now_ns: int) -> Match:
        if self._settles:
            self._doubted = False  # not all of it came early
            return Match.LATE
        if not self.is_out:
            return self._one_more()
        if self.packet is None:
            self._header_number = number
            return _ANSWER
        if self._strict and number != self.number:
            return Match.LATE if number == self._before else Match.OTHER
        if self._numbering.knows:
            return self._other_number(number)
        return self._by_time(number, now_ns)

    def _one_more(self) -> Match:
        """Take an ACK for one more to a message before: a copy's, or this unit says it twice."""
        twice, was_owed = self._twice, self._owed
        self._owed = max(was_owed - 1, 0)
        twice.one_came = twice.one_came or not was_owed or twice.in_a_row > 0
        return Match.LATE

    def _other_number(self, number: int) -> Match:
        """Judge an ACK whose number is not what this unit's rule calls for."""
        on_its_way = self._left_ns is None and not self._times.is_quick
        is_before = self._before is not None and number == self._numbering.of(self._before)
        # One answer with its packet's number may have been chance, above all with 0.
        may_be_twice = self._twice.in_a_row > 0 and not self._twice.one_came
        is_sure = self._numbering.proof > 1 or self._owed > 0 or may_be_twice
        if on_its_way or (is_before and is_sure):
            return self._one_more()
        self._hint = Meaning.ANSWERED
        self._numbering.last = number
        return Match.OTHER

    def _by_time(self, number: int, now_ns: int) -> Match:
        """Judge an ACK by when it came: its number says nothing, or nothing yet."""
        fits = number == self.number and not self._numbering.is_free
        left_ns = self._left_ns
        if left_ns is None and not (
            fits and (self._times.is_quick or number != self._header_number)
        ):
            return self._came_early(number, now_ns)
        if left_ns is not None and self._owed and not fits:
            return self._one_more()
        self._numbering.last = number
        if fits or self._pending == 1 or left_ns is None or self._times.may_be(now_ns - left_ns):
            return _ANSWER
        return self._unsettled(now_ns)

    def _came_early(self, number: int, now_ns: int) -> Match:
        """Judge an ACK that came while the message in question was on its way."""
        if self._owed:
            return self._one_more()
        self._numbering.last = number
        if self._pending > 1 and not self._times.is_quick:  # an answer to a copy that went before
            self._early = True
            return self._unsettled(now_ns)
        self._twice.one_came = self._twice.one_came or self._early
        self._early = True
        return Match.EARLY

    def _unsettled(self, now_ns: int) -> Match:
        self._settles = True
        self._times.usual_ns = self._times.longest_ns = now_ns - self._first_left_ns
        return Match.UNSETTLED

    def _ends_wait(self, number: int, held_ns: int) -> Match:
        """Judge an ACK that ends a WAIT; nothing else would, so any number will do.

        But a copy of the packet before, be it of the line's making, has its own WAIT and ACK.  It
        shows by the number, of a unit that counts one ahead as well; where the numbers have said
        nothing yet and we made the copy, by the WAIT: none comes for a message that has not left.
        """
        numbering = self._numbering
        numbering.last = number
        if not self.is_out:
            self._held_ns = None
            return Match.RESUMES
        if self.packet is None:
            self._header_number = number
            return _ANSWER
        if self._settles:
            self._doubted, self._held_ns = False, None
            return Match.UNSETTLED
        if self._answers_before(number):
            self._held_ns, self._before_came_twice = None, False  # it has had its second answer
            return Match.BEFORE
        if number:  # some say 0 whatever the packet
            ahead = (number - self.number) & _MASK
            self._held_ahead = ahead if ahead <= 1 else None
        taken_ns = held_ns - (self._left_ns or held_ns)
        fits = number == self.number and not numbering.is_free
        if fits or self._pending == 1 or self._times.may_be(taken_ns):
            return _ANSWER
        self._held_ns = None
        return self._unsettled(held_ns)

    def _answers_before(self, number: int) -> bool:
        before, numbering = self._before, self._numbering
        if before is None:
            return False
        if numbering.is_free and numbering.knows:
            return number == numbering.of(before)
        if self._owed and (numbering.is_free or number == before):
            self._owed -= 1
            return True
        if self._held_ahead is not None:
            return number == (before + self._held_ahead) & _MASK
        return self._before_came_twice and (number == before or self._held_early)

    def _settle(self, now_ns: int) -> None:
        """Wait until the last copy can have been answered as late as the first one was."""
        if self._left_ns is not None:
            takes_ns = self._times.longest_ns + self._times.longest_ns // 8
            self.limit_ns = max(self._left_ns + takes_ns, now_ns) + self._limits.packet_ns

    def _learn_from_copies(self, taken_ns: int) -> int:
        """Return how long the unit took to answer a packet that went out more than once."""
        times = self._times
        if self._settles:
            times.is_quick = times.is_quick or (self._doubted and self._early)
            return times.longest_ns
        if times.may_be(taken_ns):
            return taken_ns
        is_twice = self._twice.one_came or self._twice.in_a_row > 0
        self._owed = 2 * self._pending - 1 if is_twice else self._pending - 1
        return taken_ns + (self._left_ns or 0) - self._first_left_ns

    @property
    def _is_owed_an_answer(self) -> bool:
        """Whether the unit answers, and is told something that it has not had (STA-02)."""
        packet = self.packet
        if not self._patient or packet is None:
            return False
        return packet < self._called_for and not self.is_open
