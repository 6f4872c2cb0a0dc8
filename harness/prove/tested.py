"""A unit whose memory is tested: test samples to it and back, and what it takes at all.

Theory of operation.  A unit says little of its memory.  Whether it has room shows in its answer to
a header, which is then cancelled; some notice only when they are full, and for these the answer
means nothing.  Which numbers it has shows in the same way.  Where a new sample replaces an old one
only when it is whole, there is never room for it in a full memory; so a few places are left free
(`spare`), and the old one is first replaced by one word there.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import (
    Outgoing,
    extended_header,
    outgoing,
    standard_header,
)
from dryload.emulator.dump.sample import Sample
from dryload.emulator.dump.sender import SenderEnd
from dryload.emulator.wire.codec import encode
from dryload.emulator.wire.constants import MAX_21_BIT, MAX_BITS
from dryload.emulator.wire.messages import Header
from dryload.emulator.wire.sizes import packets_for, words_per_packet
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.fetch import Fetched
from dryload.harness.jobs.line import Line
from dryload.harness.jobs.transfer import Replay, damaged_in
from dryload.harness.prove.passes import FIRST, GLANCE, LONGEST, SHORTEST, Paces, Part, StepPace
from dryload.harness.prove.words import (
    USUAL_WIDTH,
    Values,
    code,
    sample_of,
    silence,
    values_of,
)

_WIDTHS: Final = (USUAL_WIDTH, 12, 14, 8)
"""In which a first packet is tried, one after the other; a unit that refuses one may take another
(HDR-03).  Only words as wide as the unit keeps them test all of its memory."""
LAST_NUMBER: Final = 255
"""Sample numbers are tried up to this one; our choice."""
_REFUSED_IN_A_ROW: Final = 16  # numbers behind one that was taken: there are no more
_EXTENDED: Final = 1 << 26  # words: more than anything has
_SOON_NS: Final = 300_000_000
_SLOW_NS: Final = 30_000_000_000
"""So long a unit may take to answer a request, if it has not answered one sooner; our choice."""
_SETTLES_NS: Final = 3_000_000_000  # before a unit is asked once more that sent something else
_OLD: Final = "what was there before"
_TRIES: Final = 3  # of one sample that did not get through
_SURELY: Final = 1 / 20
"""Of the words of a sample: fewer are by chance as they were written, if it is another one."""
_NAME: Final = "test sample"


class NotProvable(Exception):  # noqa: N818  # what a unit is, not what went wrong in the program
    """Why nothing can be proved of this unit, in plain words without a full stop.

    `is_rig` where it is the port, or nobody there; `is_other` where what was read
    need not be what was written, so that it says nothing of the memory.
    """

    def __init__(self, why: str, *, is_rig: bool = False, is_other: bool = False) -> None:
        super().__init__(why)
        self.why, self.is_rig, self.is_other = why, is_rig, is_other


class Wrote(Struct, frozen=True, kw_only=True):
    """What came of writing one sample."""

    whole: bool
    refused: bool = False
    """Whether the unit cancelled: at the header, or when it was full."""
    words: int = 0
    """How many it had acknowledged."""
    step: int = 0
    """Words of a packet."""
    why: str = ""
    is_repeated: bool = False
    """Whether packets came damaged, and again."""

    @property
    def fitting(self) -> tuple[int, ...]:
        """How many words may fit, the likeliest first: memory ends at a round number."""
        least, most = self.words, self.words + self.step - 1
        if not least:
            return ()
        round_by = 1
        while most // (2 * round_by) * 2 * round_by >= least:
            round_by *= 2
        return most // round_by * round_by, least


class TestedUnit:
    """Writes test samples to a unit and reads them; learns its pace, its width and its numbers.

    `bits` is what the unit keeps by its manual, where that is fewer than its headers say.
    """

    __test__ = False  # no class of tests

    def __init__(
        self,
        replay: Replay,
        line: Line,
        *,
        device_id: int,
        last_number: int = LAST_NUMBER,
        bits: int | None = None,
    ) -> None:
        self.line: Final = line
        self.paces: Final = Paces(write=StepPace(), read=StepPace(), look=StepPace())
        self.width = self.kept = USUAL_WIDTH
        self.keeps_old: bool | None = None
        """Whether a sample is replaced only when the new one is whole; None: that is not known."""
        self.spare = 0
        """Words that stay free for that."""
        self.damaged = 0
        """Packets that a checksum showed to be damaged, and samples that came in pieces."""
        self._replay: Final = replay
        self._device_id: Final = device_id
        self._last: Final = last_number
        self._bits: Final = bits
        self.longest = LONGEST
        """Words of the longest sample that it takes, as far as that is known."""
        self._held: dict[int, tuple[Values, Values | None]] = {}  # and what was there before
        self._fewest = 1  # packets
        self._numbers: list[int] = []
        self._is_announced = False

    @property
    def port_failed(self) -> bool:
        """Whether the port has failed; nothing can be done any more."""
        return self._replay.failed is not None

    def get_to_know(self) -> None:
        """Find the numbers and the width; NotProvable where the unit can't be tested at all.

        What the unit holds is lost, and its memory is free afterwards.
        """
        self._numbers.clear()  # of an earlier run
        for self._fewest, width in (*((1, width) for width in _WIDTHS), (GLANCE, USUAL_WIDTH)):
            for number in range(self._last + 1):
                wrote = self._send_packet(number, width)
                if wrote.whole:
                    self._numbers.append(number)
                    self._learn_width(number, width)
                    self._clear(number + 1)
                    return
                if not wrote.refused:
                    self.check_port()
                    raise NotProvable(wrote.why, is_rig=True)
        raise NotProvable(
            f"the unit refused a sample of a few packets under all numbers up to {self._last}: "
            "its memory may not be initialised since modules were fitted"
        )

    def _send_packet(self, number: int, width: int, *, packets: int | None = None) -> Wrote:
        """Send the code, as few packets of it as the unit takes or so many."""
        values = code(0, (packets or self._fewest) * words_per_packet(width), width)
        return self._send(number, sample_of(values, width, width))

    def _learn_width(self, number: int, width: int) -> None:
        """Find the widest words that the unit keeps, by the headers of what it sends back."""
        stated = self._stated(number)
        if width == stated:
            for wider in range(MAX_BITS, stated, -1):
                if self._send_packet(number, wider).whole:
                    stated = self._stated(number)
                    break
        self.width = self.kept = stated
        if self._bits is not None:
            self.kept = min(self._bits, stated)

    def _stated(self, number: int) -> int:
        back = self._fetch(number)
        if back.header is None:  # it may be slow to answer
            self._replay.be_patient(_SLOW_NS)
            back = self._fetch(number)
        if back.sample is None:
            self.check_port()
            raise NotProvable(
                "the unit took a sample and did not send it back, so it can't be compared "
                f"({back.unread}). If it never sends samples back, test "
                "the memory by ear: dryload prove --tone FILE"
            )
        return back.sample.bits

    @property
    def numbers(self) -> tuple[int, ...]:
        """The sample numbers that there are for test samples."""
        return tuple(self._numbers)

    def number(self, place: int) -> int | None:
        """Return the sample number of a place in the row of test samples; None: there is none."""
        return self._numbers[place] if place < len(self._numbers) else None

    def _clear(self, first: int) -> None:
        """Announce and cancel a sample under every number: what was there gives its memory back.

        The numbers that the unit takes are then known.
        """
        refused = 0
        for number in range(first, self._last + 1):
            if self._offer(number, self._fewest * words_per_packet(self.width)):
                self._numbers.append(number)
                refused = 0
            elif (refused := refused + 1) == _REFUSED_IN_A_ROW:
                break

    def take_up(self, numbers: Sequence[int]) -> None:
        """Go on with the sample numbers of an earlier run."""
        self._numbers = list(numbers)

    def narrow(self) -> int:
        """Take words of 14 bits from here on, if the unit does (WRD-02); return the width before.

        A packet then holds half as many again as one of 16 bits.
        """
        before, width = self.width, 14
        described = replace(silence(self.width), bits=width)
        if self.kept > width and self._offer(self._numbers[-1], 1, described):
            self.width = self.kept = width
        return before

    def widen(self, width: int) -> None:
        """Take words of another width that the unit keeps whole."""
        self.width = self.kept = width

    def room(self, number: int) -> int | None:
        """Return how many words there is room for under a number; None: its answers do not tell.

        What was there may be gone.
        """
        least, most = 0, MAX_21_BIT
        if self._offer(number, most):
            least, most = most, _EXTENDED
            if self._offer(number, most) is not False:
                return None
        while most - least > 1:
            middle = (least + most) // 2
            taken = self._offer(number, middle)
            if taken is None:
                return None
            least, most = (middle, most) if taken else (least, middle)
        return least

    def more_room(self, number: int) -> int:
        """Return how many words there is room for in other places, where samples fill the first."""
        spare = 4 * self.spare if self.keeps_old else 0  # what stays free is left alone
        if not self._offer(number, spare + SHORTEST):
            return 0
        return max((self.room(number) or 0) - spare, 0)

    def measure(self, capacity: int | None) -> int | None:
        """Learn how long transfers take, and how old samples are replaced; return the room again.

        It is more where old samples had been in the way.
        """
        number = self._numbers[0]
        other = self.number(1)
        # There are four, so that one that goes beside the old one ends where the first one was.
        for _ in range(2):
            self._send_packet(number, self.width)
        beside = None if capacity is None or other is None else self.room(other)
        self.spare = 2 * words_per_packet(self.width)
        if beside is not None:
            # Where the old one goes first, its place is there as well.
            self.keeps_old = self._offer(number, beside + 1) is False
        if beside is not None and capacity is not None and other is not None:
            step = words_per_packet(self.width)
            packets = GLANCE + self._fewest
            self._send_packet(other, self.width, packets=packets)
            taken = beside - (self.room(number) or 0)
            self._offer(other, 1)
            if taken > 0:  # a sample may take a whole block
                self.spare = max(self.spare, 2 * (taken - (packets - 1) * step))
            else:  # it said how long a sample may be, and nothing of how much memory there is
                self.longest, capacity, self.keeps_old = capacity, None, None
        for _ in range(2):  # before the second one somebody may have to confirm the first
            began_ns = self.line.now_ns
            self._send_packet(number, self.width)
        self.paces.write.learn(1, self.line.now_ns - began_ns)
        if self.keeps_old is not False:
            self.paces.freeing_ns = self.line.now_ns - began_ns
            held = [each for each in self._numbers[1:] if self._holds_something(each)]
            for each in 2 * held:  # the second time there is room in front
                self.silence(each)
            for _ in held[:1] * 2:
                self._send_packet(number, self.width)
            if held and self.keeps_old:
                capacity = self.room(number)
                for _ in range(2):  # that the next one finds the unit as every later one does
                    self._send_packet(number, self.width)
        if self.keeps_old:
            capacity = None if capacity is None else max(capacity - self.spare, 0)
        began_ns = self.line.now_ns
        self._fetch(number)
        self.paces.read.learn(1, self.line.now_ns - began_ns)
        self.check_port()
        return capacity

    def has_spare(self, number: int, words: int) -> bool:
        """Whether so many new words leave what has to stay free; also where that can't be told."""
        if not self.keeps_old:
            return True
        self._is_announced = True
        return self._offer(number, words + self.spare) is not False

    def write(self, number: int, values: Values, *, is_new: bool = False) -> Wrote:
        """Write values under a number, a few times if need be."""
        sample = sample_of(values, self.kept, self.width)
        self._held[number] = values, self._held.get(number, (None,))[0]
        # Where it was offered before, somebody may have confirmed the last sample for that already.
        is_announced, self._is_announced = self._is_announced, False
        wrote, gives_back = Wrote(whole=False), bool(self.keeps_old) and not is_new
        for _ in range(_TRIES):
            if gives_back:
                self._send(number, silence(self.width))
            began_ns = self.line.now_ns
            wrote = self._send(number, sample)
            if wrote.whole and not wrote.is_repeated and not is_announced:
                self.paces.write.learn(
                    packets_for(len(values), self.width), self.line.now_ns - began_ns
                )
            # A word of silence may lie in the way; the next one lies elsewhere.
            if wrote.whole or (wrote.refused and not gives_back) or self.port_failed:
                break
        return wrote

    def values(self, part: Part) -> Values | None:
        """Return the values of a test sample, all that came of them; None for nothing."""
        began_ns, damaged = self.line.now_ns, self.damaged
        found = self._of(part, lambda: self._fetch(part.number))
        if found is not None and damaged == self.damaged:
            packets = packets_for(part.words, self.width)
            self.paces.read.learn(packets, self.line.now_ns - began_ns)
        return found

    def look(self, part: Part) -> Values | None:
        """Return the first values of a test sample; None for nothing."""
        began_ns = self.line.now_ns
        found = self._of(part, lambda: self._glanced(part.number, packets=GLANCE), is_look=True)
        if found is not None:
            packets = min(packets_for(part.words, self.width), GLANCE)
            self.paces.look.learn(packets, self.line.now_ns - began_ns)
        return found

    def _of(
        self, part: Part, ask: Callable[[], Fetched | None], *, is_look: bool = False
    ) -> Values | None:
        """Ask for a test sample, and once more where something else came than was written.

        NotProvable where that is another sample: of the words of this one it says nothing.  Words
        that were there before may be all that a bad memory has; or a look came too early for them.
        """
        for is_second in (False, True):
            seen = ask()
            if seen is None or seen.header is None or seen.sample is None:
                return None
            if is_look and seen.torn:
                return None
            values = values_of(seen.sample, self.kept)[: part.words]
            what = self._other(part, seen.header, values)
            if is_second and is_look and (what == _OLD or seen.header.length < part.words):
                return None
            if not what or (is_second and what == _OLD):
                return values
            if not is_second:
                self.line.advance(_SETTLES_NS)
        what = f"asked for test sample {part.number}, the unit sent {what}"
        raise NotProvable(what, is_other=True)

    def _other(self, part: Part, header: Header, values: Values) -> str:
        """Return which other sample came; "" where it is the one that was asked for."""

        def is_of(known: Values | None, least: float = 1) -> bool:
            if known is None or not 0 < len(values) <= len(known):
                return False
            return float((values == known[: len(values)]).mean()) >= least

        written, before = self._held.get(part.number, (None, None))
        is_whole = header.length >= part.words
        if written is None or (is_of(written, _SURELY) and is_whole):
            return ""  # words say where they belong, whatever number the header has
        if header.sample_number != part.number:
            return f"sample {header.sample_number}"
        if is_of(before):
            return _OLD
        if not is_whole or header.length > part.words + FIRST:  # no unit fills up so far
            return (
                f"one of {header.length:,} words, and not of {part.words:,}: if it takes more than "
                "it has room for, say with --words N how much that is"
            )
        others = [number for number, (held, _) in self._held.items() if is_of(held)]
        is_other = any(len(self._held[each][0]) == header.length for each in others)
        return f"test sample {others[0]}" if is_other and header.length != part.words else ""

    def _glanced(
        self, number: int, *, packets: int, answer_ns: int | None = None
    ) -> Fetched | None:
        dump = self._dump(number, silence(self.width))
        seen = self._replay.glance(dump, packets=packets, answer_ns=answer_ns)
        self._forget()
        return seen

    def _holds_something(self, number: int) -> bool:
        """Whether a number answers a request soon."""
        seen = self._glanced(number, packets=1, answer_ns=_SOON_NS)
        return seen is not None and seen.header is not None

    def silence(self, number: int) -> bool:
        """Put one word of silence in the place of a test sample."""
        return self._send(number, silence(self.width)).whole

    def give_back(self, number: int) -> None:
        """Take a test sample away; silence stays where the unit keeps old ones."""
        for words in (1, GLANCE * words_per_packet(self.width)):  # it may take no short samples
            if self._send(number, silence(self.width, words)).whole:
                if not self.keeps_old:
                    with suppress(NotProvable):  # the port has failed
                        self._offer(number, words)
                return

    def break_off(self) -> None:
        """End a dump that was left unfinished: meanwhile a unit may answer no request."""
        self._replay.break_off(self._device_id)

    def _send(self, number: int, sample: Sample) -> Wrote:
        sent = self._replay.send(self._dump(number, sample))
        self._forget()
        damaged = damaged_in(sent.events)
        self.damaged += damaged
        step = words_per_packet(sample.bits)
        return Wrote(
            whole=sent.is_whole,
            refused=sent.ending.end is SenderEnd.CANCELLED,
            words=max(sent.sent - 1, 0) * step,
            step=step,
            why=sent.reason,
            is_repeated=damaged > 0,
        )

    def _fetch(self, number: int) -> Fetched:
        back = self._replay.fetch(self._dump(number, silence(self.width)))
        self._forget()
        self.damaged += back.damaged + back.torn
        return back

    def _offer(self, number: int, words: int, described: Sample | None = None) -> bool | None:
        """Whether the unit takes a header of so many words; None: it does not answer."""
        described = described or silence(self.width)
        make = extended_header if words > MAX_21_BIT else standard_header
        header = _with_length(make(described, number=number, device_id=self._device_id), words)
        taken = self._replay.offer(
            Dump(
                file=_NAME,
                index=0,
                header=header,
                outgoing=Outgoing(header=encode(header), packets=()),
                sample=described,
            )
        )
        self._forget()
        self.check_port()
        return taken

    def _dump(self, number: int, sample: Sample) -> Dump:
        return Dump(
            file=_NAME,
            index=0,
            header=standard_header(sample, number=number, device_id=self._device_id),
            outgoing=outgoing(sample, number=number, device_id=self._device_id),
            sample=sample,
        )

    def _forget(self) -> None:
        """Let go of what passed: a proof has millions of words."""
        self.line.capture.passages.clear()

    def check_port(self) -> None:
        """Raise NotProvable where the port has failed."""
        if self._replay.failed is not None:
            raise NotProvable(
                f"the port failed: {self._replay.failed.what.rstrip('.')}", is_rig=True
            )


def _with_length(header: Header, words: int) -> Header:
    return replace(header, length=words)
