"""What a dump holds: the one reading of its packets that everything else goes by.

Theory of operation.  A file may hold packets twice, in another order, with wrong numbers, or lack
some.  Which planned packet each of them is, `numbers.align` says, once; of several that have one
place the first with a right checksum counts.  The words are those of the packets that are there, in
the order of their places, and filler after the last word is cut off.  Torn packets hold nothing.
`validate`, `decode`, `diff`, `replay` and `explain` all start from here, so that they agree.
"""

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from typing import Final

import numpy as np
from msgspec import Struct

from dryload.emulator.dump.outgoing import sample_from_words
from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.checksum import checksum
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import DataPacket, Header
from dryload.emulator.wire.packets import NUMBER
from dryload.emulator.wire.words import Words
from dryload.harness.files.scan import Stream
from dryload.harness.files.sections import OddPiece, Section, sections
from dryload.harness.judge.additions import Added, Additions
from dryload.harness.judge.numbers import align
from dryload.harness.judge.order import Alignment, Observed, OrderFault, Places, undisturbed
from dryload.harness.judge.plan import DumpPlan, plan_of
from dryload.harness.judge.reading import SMALL, Reading, read_packets, read_together
from dryload.harness.judge.wrecks import Wreck, gather

_MOST_WAITING: Final = 512  # small dumps that are read together
_SEVERAL: Final = 4  # for fewer it is not worth it


class DumpContents(Struct, frozen=True, kw_only=True, eq=False, dict=True):
    """One dump of a stream, or what stands before the first one, as it is read."""

    section: Section
    plan: DumpPlan | None
    """What the header calls for; None where it is missing, damaged or states no legal width."""
    wrecks: list[Wreck]
    """Packets that were torn."""
    odd: list[OddPiece]
    """Whatever else is no whole packet."""
    alignment: Alignment
    reading: Reading
    added: tuple[Added, ...] = ()
    """Loop points and names that belong to it, wherever they stand."""
    others: tuple[Added, ...] = ()
    """Those behind its header that are of samples which have no dump in the stream."""

    @property
    def header(self) -> Header | None:
        """What the header says; None where it is damaged or missing."""
        return self.section.header

    @property
    def words(self) -> Words | None:
        """The words that are there, in order; None where the header doesn't say how to read them,
        or where they were not kept."""
        return self.reading.words

    @property
    def places(self) -> Places | None:
        """The planned packet of each packet whose words are in `words`; None for 0, 1, 2 ..."""
        alignment = self.alignment
        if alignment.stored is None or alignment.places is None:
            return None
        return alignment.places[alignment.stored]

    @property
    def found(self) -> int:
        """Planned packets that are there whole, repeats not counted."""
        stored = self.alignment.stored
        return self.section.packets if stored is None else len(stored)

    @property
    def missing(self) -> int:
        """Planned packets that are not there."""
        return 0 if self.plan is None else self.plan.packets - self.found

    @property
    def repeated(self) -> int:
        """Packets that stand for a place that another one has."""
        places = self.alignment.places
        return 0 if places is None else len(places) - len(np.unique(places))

    @property
    def surplus(self) -> int:
        """Different packets behind the last one that is called for."""
        return self.section.packets - self.repeated - self.found if self.plan is not None else 0

    @property
    def wrong_checksums(self) -> int:
        """Packets with a wrong checksum whose words are in `words` all the same."""
        failing, stored = self.reading.failing, self.alignment.stored
        return len(failing if stored is None else np.intersect1d(failing, stored))

    @property
    def wrong_numbers(self) -> int:
        """Packets whose number does not fit between its neighbours', which say the place."""
        return self.count(OrderFault.WRONG_NUMBER)

    @property
    def is_whole(self) -> bool:
        """Whether every packet is there and right, and no other."""
        wrong = self.missing or self.surplus or self.wrong_checksums or self.wrong_numbers
        return not (wrong or self.wrecks)

    def count(self, what: OrderFault) -> int:
        """Return how many times the running numbers tell this."""
        return sum(event.what is what for event in self.alignment.events)

    @cached_property
    def sample(self) -> Sample | None:
        """What the dump holds, as a sample; None where `words` is None."""
        if self.words is None or self.header is None:
            return None
        return sample_from_words(self.header, self.words, [each.message for each in self.added])

    def words_in_places(self) -> Words | None:
        """Return the words with silence where a packet is missing that others follow."""
        if self.words is None or self.places is None or self.plan is None or not self.found:
            return self.words
        per_packet = self.plan.per_packet
        spread = np.zeros(int(self.places[-1] + 1) * per_packet, self.words.dtype)
        for at, place in enumerate(self.places.tolist()):
            part = self.words[at * per_packet : (at + 1) * per_packet]
            spread[place * per_packet : place * per_packet + len(part)] = part
        return spread[: self.plan.words]


def read_stream(data: Stream, *, keep_words: bool = True) -> Iterator[DumpContents]:
    """Yield what each dump of a stream holds, in order, and what stands before the first.

    Only one dump is in memory at a time, or a few hundred small ones.
    """
    return (contents for _, contents in read_streams([data], keep_words=keep_words))


def read_streams(
    streams: Iterable[Stream], *, keep_words: bool
) -> Iterator[tuple[int, DumpContents]]:
    """Yield the same of several streams in turn, each with the place of its stream."""
    origins: deque[tuple[int, Additions]] = deque()

    def all_sections() -> Iterator[Section]:
        for at, data in enumerate(streams):
            additions = Additions(data)
            for section in sections(data):
                origins.append((at, additions))
                yield section

    for section, reading in _read_ahead(all_sections(), keep_words=keep_words):
        at, additions = origins.popleft()
        yield at, read_dump(section, additions, keep_words=keep_words, reading=reading)


def _read_ahead(
    found: Iterable[Section], *, keep_words: bool
) -> Iterator[tuple[Section, Reading | None]]:
    """Yield sections, in order, and what was read of them together with others, if it was."""
    waiting: list[tuple[Section, DumpPlan | None]] = []
    for section in found:
        if section.is_undisturbed and section.packets <= SMALL:
            waiting.append((section, plan_of(section.header)))
            if len(waiting) == _MOST_WAITING:
                yield from _read_waiting(waiting, keep_words)
                waiting.clear()
            continue
        yield from _read_waiting(waiting, keep_words)
        waiting.clear()
        yield section, None
    yield from _read_waiting(waiting, keep_words)


def _read_waiting(
    waiting: Sequence[tuple[Section, DumpPlan | None]], keep_words: bool
) -> Iterator[tuple[Section, Reading | None]]:
    by_bits: dict[int, list[tuple[Section, DumpPlan]]] = {}
    for section, plan in waiting:
        if plan is not None and plan.packets == section.packets and plan.header.channels == 1:
            by_bits.setdefault(plan.header.bits, []).append((section, plan))
    found: dict[Section, Reading | None] = {}
    for several in by_bits.values():
        if len(several) >= _SEVERAL:
            readings = read_together(several, keep_words=keep_words)
            found.update(zip((each for each, _ in several), readings, strict=True))
    for section, _ in waiting:
        yield section, found.get(section)


def read_dump(
    section: Section,
    additions: Additions | None = None,
    *,
    keep_words: bool = True,
    reading: Reading | None = None,
) -> DumpContents:
    """Return what one section of a stream holds, with those of `additions` that belong to it.

    `reading` is given where it was read already.
    """
    own, others = ((), ()) if additions is None else additions.of(section)
    if reading is not None:
        return DumpContents(
            section=section,
            plan=reading.plan,
            wrecks=[],
            odd=[],
            alignment=undisturbed(section.packets),
            reading=reading,
            added=own,
            others=others,
        )
    plan = plan_of(section.header)
    wrecks, odd = gather(section.odd) if section.odd else ([], [])
    alignment = align(
        Observed(
            numbers=section.column(NUMBER),
            row=lambda index: section.row(index).tobytes(),
            planned=plan.packets if plan is not None else None,
            wrecks=[wreck.before for wreck in wrecks],
            headless=section.opening is None,
            sound=lambda index: _is_sound(section, index),
        )
    )
    return DumpContents(
        section=section,
        plan=plan,
        wrecks=wrecks,
        odd=odd,
        alignment=alignment,
        reading=read_packets(section, alignment, plan, keep_words=keep_words),
        added=own,
        others=others,
    )


def _is_sound(section: Section, index: int) -> bool:
    packet = decode(section.row(index).tobytes())
    return isinstance(packet, DataPacket) and packet.checksum == checksum(packet)
