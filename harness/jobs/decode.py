"""From a dump file to sample words.

Theory of operation.  The packets of a dump are laid one after another by their running numbers, so
that what comes after a missing packet stays in its place; a missing packet is silence.  Nothing is
refused for being broken: what was broken is counted, and the judge is the one to say what it means.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from emulator.dump.outgoing import sample_from
from emulator.dump.sample import Sample
from emulator.wire.codec import decode, kind_of
from emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_NUMBERS
from emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    ExtendedLoopPoints,
    Header,
    LoopPoints,
    SampleName,
)
from emulator.wire.packets import CHECKSUM, NUMBER, checksums, data_of
from emulator.wire.sizes import packets_for, words_per_packet
from emulator.wire.splitter import PieceKind
from emulator.wire.words import DataBytes, pack_words, word_dtype
from harness.files.dumpfile import DumpFile, load
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.files.sections import Section, sections

_LONGEST_JUMP: Final = PACKET_NUMBERS // 2  # a longer one is a step back
_BULK: Final = 1 << 15  # packets
_VALIDATE: Final = "dryload validate says what is wrong with it."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """The packets of a dump in their places, and what was wrong with them."""

    data: DataBytes = field(repr=False)
    """Data bytes up to the last packet that is there, joined."""
    needed: int
    """Packets that the header announces."""
    missing: int
    """Packets that are not there; where others follow, there is silence in their place."""
    torn: int
    """Packets that are not whole; they count as missing, too."""
    wrong_checksums: int
    wrong_numbers: int
    """Packets whose number does not fit between its neighbours', which say the place."""
    resent: int
    """Packets that came more than once: the last right one counts."""
    extra: int
    """Packets after the last one needed."""

    @property
    def whole(self) -> bool:
        """Whether all packets are there and right."""
        return not (
            self.missing or self.torn or self.wrong_checksums or self.wrong_numbers or self.extra
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FromFile:
    """One dump of a file."""

    file: DumpFile = field(repr=False)
    number: int
    """Which dump of the file, counted from 1."""
    dumps: int
    header: Header
    packets: Laid
    sample: Sample

    @property
    def states_rate(self) -> bool:
        """Whether the header states a rate at all (HDR-04)."""
        if isinstance(self.header, DumpHeader):
            return self.header.period_ns > 0
        return bool(self.header.rate_hz or self.header.rate_fraction)


def decode_file(path: str, number: int | None = None) -> FromFile:
    """Return dump `number` of a file, counted from 1; a Problem where there is none to decode."""
    file = load(path)
    name = shown(path)
    number = 1 if number is None else number
    dumps, section = _choose(file, name, number)
    which = f"dump {number} of {name}" if dumps > 1 else name
    header = section.header
    if header is None:
        raise Problem(
            f"{which} has a damaged header: what its packets mean cannot be known (FRM-05).",
            do=_VALIDATE,
        )
    if not MIN_BITS <= header.bits <= MAX_BITS:
        raise Problem(
            f"{which} announces words of {header.bits} bits: {MIN_BITS} to {MAX_BITS} are possible "
            "(HDR-03, M1 p. 37).",
            do=_VALIDATE,
        )
    packets = laid(section, header)
    sample = sample_from(header, packets.data, _more(section, header))
    if not sample.frames:
        raise Problem(
            f"{which} holds no sound: its header announces {header.length:,} words, and "
            f"{section.packets:,} whole packets follow.",
            do=_VALIDATE,
        )
    return FromFile(
        file=file, number=number, dumps=dumps, header=header, packets=packets, sample=sample
    )


def _choose(file: DumpFile, name: str, number: int) -> tuple[int, Section]:
    """Return how many dumps there are, and the section of the one wanted."""
    dumps, chosen = 0, None
    for section in sections(file.data):
        if section.opening is not None:
            dumps += 1
            if dumps == number:
                chosen = section
    if not dumps:
        raise Problem(
            f"{name} has no dump header: what its packets mean cannot be known (HDR-01, M1 p. 39).",
            do=_VALIDATE,
        )
    if chosen is None:
        holds = "1 dump" if dumps == 1 else f"dumps 1 to {dumps}"
        raise Problem(f"{name} has no dump {number}: it holds {holds}.")
    return dumps, chosen


def laid(section: Section, header: Header) -> Laid:
    """Lay the packets of a dump one after another by their running numbers."""
    needed = packets_for(header.length * max(header.channels, 1), header.bits)
    numbers, wrong_numbers = _mended(section.column(NUMBER).astype(np.int64))
    places = _places(numbers, needed)
    right = np.concatenate(
        [
            np.empty(0, np.bool_),
            *(checksums(rows) == rows[:, CHECKSUM] for _, rows in section.chunks(_BULK)),
        ]
    )
    # By place, then the wrong ones first, then in the order of the stream: the last one counts.
    order = np.lexsort((np.arange(len(places)), right, places))
    is_last = np.append(places[order][1:] != places[order][:-1], True)[: len(order)]
    best = order[is_last]
    used = best[(places[best] >= 0) & (places[best] < needed)]
    return Laid(
        data=_in_places(section, used, places, header.bits),
        needed=needed,
        missing=needed - len(used),
        torn=_torn(section),
        wrong_checksums=int(np.count_nonzero(~right[used])),
        wrong_numbers=wrong_numbers,
        resent=len(places) - len(best),
        extra=len(best) - len(used),
    )


def _mended(numbers: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """Return the numbers, a lone wrong one set right by its neighbours, and how many there were."""
    before, after = np.append(np.int64(-1), numbers)[:-2], numbers[1:]
    between = (before + 1) % PACKET_NUMBERS
    wrong = (after - before) % PACKET_NUMBERS == 2
    # The same number again is a packet that was resent, and the one behind it is missing.
    wrong &= (numbers[:-1] != between) & (numbers[:-1] != before)
    mended = numbers.copy()
    mended[:-1][wrong] = between[wrong]
    return mended, int(np.count_nonzero(wrong))


def _places(numbers: NDArray[np.int64], needed: int) -> NDArray[np.int64]:
    """Return the place of each packet, from 0; below 0 for one that has none."""
    before = np.append(np.int64(-1), numbers)[:-1]
    steps = (numbers - before) % PACKET_NUMBERS
    if not len(steps):
        return steps
    steps[steps > _LONGEST_JUMP] -= PACKET_NUMBERS
    if steps[1:2].tolist() == [1]:
        steps[0] = numbers[0] + 1  # continued by the second one: the first number is no slip
    places = np.cumsum(steps) - 1
    span = places.max() - places.min()
    if span > 2 * len(places) + PACKET_NUMBERS:
        return np.arange(len(places))  # these numbers say nothing
    if places.max() >= needed > span and (steps[1:] >= 0).all():
        # The sender counts from another number than 0 (PKT-02): the words are all there.
        places -= places.min()
    return places


def _in_places(
    section: Section, used: NDArray[np.int64], places: NDArray[np.int64], bits: int
) -> DataBytes:
    if not len(used):
        return np.empty(0, np.uint8)
    silence = pack_words(np.zeros(words_per_packet(bits), word_dtype(bits)), bits)
    data = np.tile(silence, (int(places[used].max()) + 1, 1))
    for start in range(0, len(used), _BULK):
        some = used[start : start + _BULK]
        data[places[some]] = data_of(section.take(some))
    return data.reshape(-1)


def _torn(section: Section) -> int:
    """Return how many odd pieces claim to be data packets."""
    kinds = (PieceKind.EXCLUSIVE, PieceKind.CUT)
    return sum(
        odd.piece.kind in kinds and kind_of(odd.piece.body) is DataPacket for odd in section.odd
    )


def _more(section: Section, header: Header) -> list[LoopPoints | ExtendedLoopPoints | SampleName]:
    """Return the loop points and names for this sample that follow its packets."""
    found = []
    for odd in section.odd:
        if odd.piece.kind is PieceKind.EXCLUSIVE:
            message = decode(odd.piece.body)
            if (
                isinstance(message, LoopPoints | ExtendedLoopPoints | SampleName)
                and message.sample_number == header.sample_number
            ):
                found.append(message)
    return found
