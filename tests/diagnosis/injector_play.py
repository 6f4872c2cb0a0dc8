"""The second injector's script language: a conversation, step by step, on a tape with two tracks.

Theory of operation.  A `Play` knows a dump and how its sender and unit behave.  Each step writes
one message or one usual exchange, as it left the host and as it arrived, with exact times.  A fault
is a short script of such steps that puts the unusual one between.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from random import Random
from typing import Final

from msgspec import Struct

from dryload.emulator.wire.messages import DumpHeader
from dryload.harness.diagnose.scene import Source
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_tape import Arrival, Tape

MS: Final = 1_000_000
SECOND: Final = 1000 * MS
HEADER_NS: Final = 2 * SECOND  # M1 p. 39
PACKET_NS: Final = 20 * MS  # M1 p. 39
AGAIN_NS: Final = 500 * MS  # a sender that sends again what nobody answered


class Dump(Struct):
    """A dump as it is sent."""

    device: int
    sample: int
    bits: int
    period: int
    words: tuple[int, ...]
    data: bytes
    """The words as bytes, without filler."""
    loop: tuple[int, int, int]
    header: bytes = b""
    packets: list[bytes] = []

    def remake(self) -> Dump:
        """Make header and packets from the rest."""
        length = len(self.words)
        self.header = b.header(
            self.device, self.sample, self.bits, self.period, length=length, loop=self.loop
        )
        self.packets = b.packets(self.device, self.data)
        return self

    @property
    def count(self) -> int:
        """How many packets are sent."""
        return len(self.packets)

    @property
    def per_packet(self) -> int:
        """60, 40 or 30 words (M1 p. 39)."""
        return b.DATA_BYTES // b.bytes_a_word(self.bits)

    def source(self) -> Source:
        """Return what was to be sent."""
        start, end, kind = self.loop
        made = DumpHeader(
            device_id=self.device,
            sample_number=self.sample,
            bits=self.bits,
            period_ns=self.period,
            length=len(self.words),
            loop_start=start,
            loop_end=end,
            loop_type=kind,
        )
        return Source(name="source", header=made, packets=tuple(self.packets))


class NotTogetherError(Exception):
    """Two scripts that no one conversation can follow."""


class Play(Struct):
    """A conversation in the making."""

    rng: Random
    """Decides the conversation, and where a fault strikes."""
    chance: Random
    """Decides the details of a fault."""
    dump: Dump
    tape: Tape
    answers_ns: int
    """How long the unit takes to begin an answer to a packet."""
    header_ns: int
    """The same for the header."""
    thinks_ns: int
    """How long the sender takes from an answer to its next message."""
    goes_on: bool
    """Whether the sender goes on where no answer comes, or sends it again."""
    numbers: str
    """How the unit numbers its answers to packets: "own", "next" or "zero"."""
    header_number: int
    waits: bool
    """Whether the unit says WAIT before each ACK."""
    unit: int
    """Device ID that the unit answers with."""
    sources: tuple[Source, ...] = ()
    then: list[Callable[[Play], object]] = []
    """Scripts that go on where another one would do the rest with nothing wrong."""
    done: int | None = None
    """How many packets were through when a script took over from another one."""
    goes_with: bool = True
    """Whether that script went on from there."""
    ends: bool = False
    """Whether the last packet came to its turn, so that there is something to read back."""

    def new_sound(self, words: Sequence[int]) -> None:
        """Take other words for the sound, which the source has, too, if it is given."""
        self.dump.words = tuple(words)
        self.dump.data = b.pack(words, self.dump.bits)
        self.dump.remake()
        self.sources = (self.dump.source(),) if self.sources else ()

    # one message

    def send_header(self, arrives: Arrival | None = None, after_ns: int | None = None) -> None:
        """Send the header."""
        if self.done is not None:
            raise NotTogetherError
        self.tape.to(self.dump.header, self._thought(after_ns), arrives)

    def send(
        self,
        place: int,
        arrives: Arrival | None = None,
        after_ns: int | None = None,
        raw: bytes | None = None,
    ) -> bytes:
        """Send a packet by its place; return it as it went out."""
        data = self.dump.packets[place] if raw is None else raw
        return self.tape.to(data, self._thought(after_ns), arrives)

    def say(self, kind: str, number: int, after_ns: int | None = None) -> None:
        """Have the unit say something."""
        if kind == "ACK":
            number = {"own": number, "next": number + 1, "zero": 0}[self.numbers]
        wait_ns = self.answers_ns if after_ns is None else after_ns
        self.tape.come(b.handshake(self.unit, kind, number), wait_ns)

    def host_says(self, kind: str, number: int, after_ns: int = 2 * MS) -> None:
        """Have the sender say something."""
        self.tape.to(b.handshake(self.dump.device, kind, number), after_ns)

    def silence(self, lasts_ns: int) -> None:
        """Let time pass."""
        self.tape.now_ns += lasts_ns

    def _thought(self, after_ns: int | None) -> int:
        return self.thinks_ns if after_ns is None else after_ns

    # usual exchanges

    def a_place(self) -> int:
        """Throw a packet."""
        return self.rng.randrange(self.done or 0, self.dump.count)

    def inner(self) -> int:
        """Throw a packet that is not the last."""
        first = self.done or 0
        return self.rng.randrange(first, max(self.dump.count - 1, first + 1))

    def middle(self) -> int:
        """Throw a packet that is neither the first nor the last."""
        first = max(self.done or 0, 1)
        return self.rng.randrange(first, max(self.dump.count - 1, first + 1))

    def open(self) -> None:
        """Send the header and have it acknowledged."""
        self.send_header()
        self.accept_header()

    def accept_header(self) -> None:
        """Have the unit say ACK to the header, with any number (M1 p. 44)."""
        if self.waits:
            self.say("WAIT", self.header_number)
            self.silence(self.rng.randrange(30, 900) * MS)
        message = b.handshake(self.unit, "ACK", self.header_number)
        self.tape.come(message, self.header_ns)

    def good(self, place: int, after_ns: int | None = None) -> None:
        """Send a packet and have it acknowledged."""
        self.send(place, after_ns=after_ns)
        self.accept(place)

    def accept(self, place: int) -> None:
        """Have the unit say ACK to a packet, after a WAIT if that is its way."""
        if self.waits:
            self.say("WAIT", place)
            self.silence(self.rng.randrange(30, 400) * MS)
        self.say("ACK", place)

    def through(self, places: Iterable[int]) -> None:
        """Send packets one after another, each acknowledged."""
        for place in places:
            self.good(place)

    def until(self, place: int) -> None:
        """Do everything before a packet."""
        if self.done is None:
            self.open()
        self.through(range(self._taken_over(place), place))

    def rest(self, place: int) -> None:
        """Do everything from a packet on, or have the next script do it."""
        if not self.then:
            self.through(range(place, self.dump.count))
            self.ends = True
        elif place < self.dump.count:
            self.done, self.goes_with = place, False
            self.then.pop(0)(self)
            if not self.goes_with:
                raise NotTogetherError

    def whole(self) -> None:
        """Send everything, with nothing wrong."""
        if self.done is None:
            self.open()
        self.rest(self._taken_over(self.dump.count))

    def _taken_over(self, place: int) -> int:
        """Return how many packets are through; who takes over begins there, and only once."""
        if self.done is None:
            return 0
        if self.done > place or self.goes_with:
            raise NotTogetherError
        self.goes_with = True
        return self.done

    # silence and its consequences

    def unanswered(self, places: Iterable[int]) -> None:
        """Send packets in open loop (M1 p. 39)."""
        for place in places:
            self.send(place, after_ns=self.limit_ns())

    def limit_ns(self) -> int:
        """How long a sender in open loop lets pass: 20 ms or a little more."""
        return PACKET_NS + self.rng.randrange(0, 40) * MS // 10

    def open_loop(self, arrives: Arrival | None = None) -> None:
        """Send everything to nobody: 2 s after the header, 20 ms after each packet (M1 p. 39)."""
        self.send_header(arrives)
        self.silence(HEADER_NS)
        self.unanswered(range(self.dump.count))

    def again(self, place: int) -> None:
        """Have the sender notice the silence and send a packet once more, answered this time."""
        self.send(place, after_ns=AGAIN_NS)
        self.accept(place)

    def after_silence(self, place: int) -> None:
        """Go on after a packet that got no answer, though the unit has nothing of it."""
        if self.goes_on and place + 1 < self.dump.count:
            self.silence(self.limit_ns() - self.thinks_ns)
            self.rest(place + 1)
        else:
            self.again(place)
            self.rest(place + 1)

    def give_up(self, place: int, *, arrives: Arrival | None = None) -> None:
        """Have nobody answer a packet any more: sent three times, then CANCEL; or all the rest."""
        if self.goes_on:
            for each in range(place, self.dump.count):
                self.send(each, arrives, after_ns=self.limit_ns() if each > place else None)
            self.silence(PACKET_NS)
        else:
            self.send(place, arrives)
            for _ in range(2):
                self.send(place, arrives, after_ns=AGAIN_NS)
            self.host_says("CANCEL", place, AGAIN_NS)

    def lives(self) -> None:
        """Have the host ask who is there, later, and the unit say so: the capture goes on."""
        self.tape.to(b.identity_request(), 3 * SECOND)
        self.tape.come(b.identity_reply(self.unit), 3 * MS)

    # reading back

    def read_back(self, header: bytes, packets: Sequence[bytes], sample: int | None = None) -> None:
        """Have the sample asked for and sent by the unit, with nothing wrong on the way."""
        if self.done is not None and not self.ends:
            raise NotTogetherError
        dump = self.dump
        wanted = dump.sample if sample is None else sample
        self.tape.to(b.request(dump.device, wanted), 300 * MS)
        self.tape.come(header, 8 * MS)
        self.host_says("ACK", 0)
        for place, each in enumerate(packets):
            self.tape.come(each, 2 * MS)
            self.host_says("ACK", place)

    def read_back_words(self, words: Sequence[int], bits: int | None = None) -> None:
        """Have the unit send words as what it keeps."""
        dump = self.dump
        width = dump.bits if bits is None else bits
        head = b.header(
            self.unit, dump.sample, width, dump.period, length=len(words), loop=dump.loop
        )
        self.read_back(head, b.packets(self.unit, b.pack(words, width)))
