"""For each family of the second injector what must stand in its bytes, said without its means.

A check looks at both views of one case: `s.line` as it arrived, `s.host` as it was sent.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from tests import oracle
from tests.diagnosis.injector_reading import MS, Message, Reading


@dataclass(frozen=True, slots=True)
class Seen:
    """Both views of a case, and the packet of its label."""

    line: Reading
    host: Reading
    packet: int | None

    @property
    def at_host(self) -> Message:
        """The first packet that left with the number of the label."""
        number = (self.packet or 0) % 128
        return next(each for each in self.host.packets if each.body[4] == number)


Check = Callable[[Seen], bool]


def spoiled(s: Seen) -> bool:
    """A packet arrives damaged and left whole; the packet of the label is the first."""
    good = sum(each.is_sound for each in s.line.packets[: s.line.packets.index(s.line.damaged[0])])
    first = s.packet is None or good == s.packet
    return first and not s.host.damaged and s.line.answers != []


def shorter(s: Seen) -> bool:
    """A packet arrives with fewer bytes than it has."""
    return not s.host.damaged and any(len(each.body) < 127 for each in s.line.damaged)


def unlike(s: Seen) -> bool:
    """What arrives is sound and not what left, in the packet of the label."""
    place = s.packet or 0
    sound = not s.line.damaged and len(s.line.packets) == len(s.host.packets)
    return sound and s.line.packets[place].body != s.host.packets[place].body


def fewer(s: Seen) -> bool:
    """A packet left and did not arrive."""
    return len(s.line.packets) < len(s.host.packets)


def same(s: Seen) -> bool:
    """What left arrived."""
    return [m.body for m in s.line.messages] == [m.body for m in s.host.messages]


def said(kind: str, least: int = 1, most: int = 99) -> Check:
    """The unit said something so often, and what left arrived."""
    return lambda s: same(s) and least <= len(s.line.those(kind, to_unit=False)) <= most


def silent(s: Seen) -> bool:
    """The unit says no handshake at all."""
    return not s.host.answers and not s.line.answers


def back_lost(s: Seen) -> bool:
    """Sound packets arrive and one gets no answer, that of the label first."""
    if not same(s) or s.line.damaged or not s.line.unanswered:
        return False
    return s.packet is None or s.line.unanswered[0].body[4] == s.packet % 128


def rejected(s: Seen) -> bool:
    """NAK to a packet that arrived whole, that of the label first."""
    naks = s.line.those("NAK", to_unit=False)
    return same(s) and not s.line.damaged and naks[0].body[4] == (s.packet or 0)


def late(s: Seen) -> bool:
    """An answer that is whole more than 20 ms behind the packet that it names (M1 p. 39)."""
    ends = {each.body[4]: each.end_ns for each in s.line.packets}
    return any(m.end_ns - ends[m.body[4]] > 20 * MS for m in s.line.answers if m.body[4] in ends)


def in_file(check: Callable[[Reading], bool]) -> Check:
    """The dump that leaves has a fault, and arrives as it left."""
    return lambda s: same(s) and check(s.host)


def bad_sums(r: Reading) -> bool:
    """Whole packets with wrong checksums."""
    return any(len(m.body) == 127 for m in r.damaged)


def smoother(change: Callable[[int, int], int]) -> Check:
    """The words are far smoother once the fault is undone."""

    def check(s: Seen) -> bool:
        bits = s.host.header[6]
        return same(s) and 2 * s.host.step(lambda w: change(w, bits)) < s.host.step()

    return check


def as_offset(word: int, bits: int) -> int:
    """Undo two's complement that was read as offset binary: the highest bit the other way."""
    half = 1 << bits - 1
    return (word + half ^ half) - half


def turned(r: Reading) -> bool:
    """The words are far smoother with the bytes of each the other way round."""
    size = oracle.bytes_per_word(r.header[6])
    data = b"".join(m.body[5:125] for m in r.packets[:-1])
    words = [oracle.from_n7(data[at : at + size]) for at in range(0, len(data), size)]
    swing = sum(abs(b - a) for a, b in pairwise(words))
    plain = [oracle.from_n7_high_first(data[at : at + size]) for at in range(0, len(data), size)]
    return 2 * swing < sum(abs(b - a) for a, b in pairwise(plain))


def length(r: Reading) -> int:
    """Words by the header."""
    at = 16 if r.header[3] == 5 else 10
    return oracle.from_n7(r.header[at : at + (5 if r.header[3] == 5 else 3)])


def planned(r: Reading) -> int:
    """Packets by the header."""
    is_long = r.header[3] == 5
    channels, bits = (r.header[32], r.header[7]) if is_long else (1, r.header[6])
    return oracle.packet_count(length(r) * channels, bits)


def filler(r: Reading) -> bytes:
    """What stands behind the last word in the last packet."""
    size = oracle.bytes_per_word(r.header[6])
    return r.packets[-1].body[5 + (length(r) * size - 1) % 120 + 1 : 125]


def loop_of(r: Reading) -> tuple[int, int, int]:
    """Start, end and type by the header."""
    start, end = oracle.from_n7(r.header[13:16]), oracle.from_n7(r.header[16:19])
    return start, end, r.header[19]


def fewer_words_than_sent(r: Reading) -> bool:
    """More packets than the header calls for."""
    return len(r.numbers) > planned(r)


def stuck(s: Seen) -> bool:
    """Some bit is set in all data that arrives, and not in all that left."""
    every, sent = 0x7F, 0x7F
    for there, here in zip(s.line.packets, s.host.packets, strict=True):
        for one, other in zip(there.body[5:125], here.body[5:125], strict=True):
            every, sent = every & one, sent & other
    return every != 0 and sent == 0


def other_ids(r: Reading) -> bool:
    """The unit answers under another ID than the dump has."""
    back = r.those("identity", to_unit=False) + r.answers
    return any(m.body[2] != r.header[2] for m in back)


def doubled_answers(s: Seen) -> bool:
    """Twice as many answers as messages of the dump, and every one but WAIT."""
    sent = s.line.packets + s.line.those("header")
    return same(s) and len(s.line.answers) == 2 * len(sent)


def echoes(s: Seen) -> bool:
    """All that went to the unit came back."""
    back = [m.body for m in s.host.messages if not m.to_unit]
    return all(m.body in back for m in s.host.messages if m.to_unit)


def moved(s: Seen) -> bool:
    """The data that the unit sends back are not those that it was sent."""
    sent = b"".join({m.body[4]: m.body[5:125] for m in s.line.packets}.values())
    return same(s) and s.line.returned not in (b"", sent)


def ids(r: Reading) -> set[int]:
    """IDs of header and packets to the unit."""
    return {m.body[2] for m in r.packets + r.those("header")}


def in_wait(r: Reading) -> bool:
    """A packet goes out while WAIT holds."""
    steps = [m for m in r.messages if m.kind in ("WAIT", "ACK", "packet")]
    return any(a.kind == "WAIT" and b.kind == "packet" for a, b in pairwise(steps))


def goes_after(kind: str) -> Callable[[Reading], bool]:
    """The next packet follows an answer that forbids it."""

    def check(r: Reading) -> bool:
        where = r.those(kind, to_unit=False)[0]
        later = [m for m in r.packets if m.start_ns >= where.end_ns]
        return bool(later) and later[0].body[4] == where.body[4] + 1

    return check


def quiet_for_good(s: Seen) -> bool:
    """The unit said something, and nothing more from before the last packet on."""
    said_so = s.host.answers
    return bool(said_so) and said_so[-1].end_ns < s.host.packets[-1].end_ns


def clock_rejected(s: Seen) -> bool:
    """NAK to each packet with F8 inside, ACK to each other one."""
    pairs = list(zip(s.line.packets, s.line.answers[1:], strict=True))
    fits = all((b"\xf8" in one.raw) is (answer.kind == "NAK") for one, answer in pairs)
    return fits and any(b"\xf8" in one.raw for one, _ in pairs)
