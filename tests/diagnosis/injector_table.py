"""Which check each family of the second injector has to pass."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Final

from tests import oracle
from tests.diagnosis import injector_checks as c
from tests.diagnosis.injector_checks import Check, Seen
from tests.diagnosis.injector_kinds import SAMPLES
from tests.diagnosis.injector_reading import MS

_WAY: Final[Mapping[str, Check]] = {
    "a data byte altered": c.spoiled,
    "a checksum altered": c.spoiled,
    "a run of bytes altered": c.spoiled,
    "a packet number altered": c.spoiled,
    "two flips of one column": c.unlike,
    "two bytes change places": c.unlike,
    "bytes lost in a packet": c.shorter,
    "bytes lost in a packet, and no answer": c.shorter,
    "the end of a packet lost": c.shorter,
    "bytes added to a packet": lambda s: any(len(m.body) > 127 for m in s.line.damaged),
    "every Nth byte lost": lambda s: c.shorter(s) or c.fewer(s),
    "a note inside a packet": lambda s: c.shorter(s) and _has_note(s),
    "a note inside a packet, and no answer": lambda s: c.shorter(s) and _has_note(s),
    "F8 taken for data": c.clock_rejected,
    "every packet cut at one length": lambda s: (
        len({len(m.body) for m in s.line.damaged}) == 1 and not s.host.damaged
    ),
    "two packets overtake one another": lambda s: (
        sorted(s.line.numbers) != s.line.numbers and c.silent(s)
    ),
    "F7 missing from packets": lambda s: all(len(m.body) == 126 for m in s.line.packets),
    "a header that arrives damaged": lambda s: (
        c.silent(s) and (not s.line.those("header") or not s.line.those("header")[0].is_sound)
    ),
    "a period altered on the way": lambda s: s.line.header[7:10] != s.host.header[7:10],
    "a stuck data bit": c.stuck,
    "device ID rewritten, all of it": lambda s: (
        c.ids(s.host) == {127} and len(c.ids(s.line)) == 1 and c.spoiled(s)
    ),
    "device ID rewritten in packets": lambda s: len(c.ids(s.line)) == 2 and len(c.ids(s.host)) == 1,
    "a packet lost and sent again": c.fewer,
    "a packet lost and a unit that goes on": c.fewer,
    "a packet lost and a unit that cancels": c.fewer,
    "a packet lost and a unit that wants it": c.fewer,
    "a packet doubled": lambda s: len(s.line.packets) == len(s.host.packets) + 1,
    "the cable out for a time": c.shorter,
    "the cable out for good": c.shorter,
    "the header lost": lambda s: not s.line.those("header") and bool(s.host.those("header")),
    "exclusive messages filtered": lambda s: not s.line.messages and bool(s.host.packets),
    "a reset in a packet": lambda s: (
        any(b"\xff" in m.raw for m in s.line.packets) and c.quiet_for_good(s)
    ),
    "a line four per cent too fast": lambda s: any(
        b.end_ns - a.end_ns < 40.24 * MS
        for a, b in pairwise(m for m in s.line.messages if m.kind in ("packet", "ACK"))
        if b.kind == "packet"
    ),
    "packets faster than a line": lambda s: any(
        b.end_ns - a.end_ns < 40 * MS for a, b in pairwise(s.line.packets)
    ),
    "a pause that a unit does not outlast": lambda s: (
        c.quiet_for_good(s) and any(m.end_ns - m.start_ns > 2_000 * MS for m in s.line.packets)
    ),
    "the cable back out for a time": c.back_lost,
}


def _has_note(s: Seen) -> bool:
    """A note begins in what arrived and in nothing that left."""
    here, there = (
        any(0x90 <= each <= 0x9F for p in view.recorded.capture.passages for each in p.data)
        for view in (s.host, s.line)
    )
    return there and not here


_BACK: Final[Mapping[str, Check]] = {
    "open loop to nobody": c.silent,
    "nobody says who is there": lambda s: c.silent(s) and bool(s.host.those("identity")),
    "no answer to a dump, though it lives": lambda s: (
        c.silent(s) and bool(s.host.those("identity", to_unit=False))
    ),
    "only the header is answered": lambda s: len(s.host.answers) == 1,
    "another device ID": lambda s: c.silent(s) and c.other_ids(s.host),
    "answers to 7F only": lambda s: len(s.host.those("header")) == 2 and c.other_ids(s.host),
    "an answer lost": c.back_lost,
    "an answer lost and a sender that goes on": c.back_lost,
    "no answers from some packet on": c.quiet_for_good,
    "the last packet unanswered": c.back_lost,
    "answers late": c.late,
    "late answers to a sender that goes on": c.late,
    "one answer late": c.late,
    "one answer comes twice": lambda s: (
        c.same(s) and len(s.line.answers) == len(s.line.packets) + 2
    ),
    "one answer bears another ID": lambda s: (
        sum(m.body[2] != s.host.header[2] for m in s.host.answers) == 1
    ),
    "an ACK that became NAK": c.rejected,
    "an answer damaged": lambda s: any(
        len(m.body) != 6 or m.kind == "?"
        for m in s.line.messages
        if not m.to_unit and m.kind not in ("identity", "ACK", "WAIT")
    ),
    "two units answer": c.doubled_answers,
    "all answers bear another ID": lambda s: all(
        m.body[2] != s.host.header[2] < 127 for m in s.host.answers
    ),
    "a wrong number in an answer": lambda s: any(
        m.body[4] not in s.host.numbers for m in s.host.answers[1:]
    ),
    "an echo beside the answers": c.echoes,
    "an echo and nothing else": c.echoes,
    "a request unanswered": lambda s: (
        len(s.host.those("request")) == 2 and len(s.host.those("header", to_unit=False)) == 1
    ),
    "a request answered with another number": lambda s: (
        s.host.those("request")[0].body[4:6] != s.host.those("header", to_unit=False)[0].body[4:6]
    ),
}
_SENDER: Final[Mapping[str, Check]] = {
    "the timer runs from the call": lambda s: s.host.gap_ns("packet") < 20 * MS,
    "a late ACK taken for the next": c.late,
    "WAIT passed over": lambda s: c.in_wait(s.host),
    "WAIT after the header passed over": lambda s: c.in_wait(s.host),
    "CANCEL passed over": lambda s: c.goes_after("CANCEL")(s.host),
    "NAK passed over": lambda s: c.goes_after("NAK")(s.host) and c.spoiled(s),
    "it stops at the ACK to the header": lambda s: not s.host.packets and bool(s.host.answers),
    "it hangs at the end": lambda s: (
        len(s.host.packets) == c.planned(s.host)
        and s.host.those("CANCEL")[0].start_ns - s.host.packets[-1].end_ns > 9_000 * MS
    ),
    "it stops in the middle": lambda s: (
        len(s.host.packets) < c.planned(s.host)
        and bool(s.host.those("CANCEL"))
        and not s.host.unanswered
    ),
    "active sensing falls silent": lambda s: (
        c.quiet_for_good(s) and any(0xFE in p.data for p in s.host.recorded.capture.passages)
    ),
    "disturbed during WAIT": lambda s: (
        s.host.answers[-1].kind == "WAIT" and bool(s.host.those("CANCEL"))
    ),
}
_UNIT: Final[Mapping[str, Check]] = {
    "CANCEL to the header": lambda s: c.said("CANCEL", 1, 1)(s) and not s.host.packets,
    "CANCEL at a packet": lambda s: c.said("CANCEL", 1, 1)(s) and s.host.numbers[-1] == s.packet,
    "CANCEL at the same packet again": lambda s: (
        c.said("CANCEL", 2)(s)
        and {m.body[4] for m in s.host.those("CANCEL", to_unit=False)} == {s.packet}
    ),
    "WAIT for ever": lambda s: c.said("WAIT", 1, 1)(s) and s.host.answers[-1].kind == "WAIT",
    "NAK for ever to one packet": c.rejected,
    "NAK for ever from the first packet on": c.rejected,
    "NAK to many sound packets": c.rejected,
    "NAK once to a sound packet": c.rejected,
    "NAK to packets that come at once, ACK to those that come later": c.rejected,
    "a damaged packet taken": lambda s: c.spoiled(s) and not s.line.those("NAK", to_unit=False),
    "other words are kept": c.moved,
    "nothing is kept": lambda s: (
        len(s.host.those("request")) == 2 and len(s.host.those("header", to_unit=False)) == 1
    ),
    "a packet is kept twice": c.moved,
    "the filler is kept": lambda s: (
        c.same(s) and _length_back(s) == c.planned(s.host) * _per_packet(s)
    ),
    "the extended header is not known": lambda s: (
        s.host.header[3:5] == b"\x05\x05"
        and not any(m.end_ns < s.host.packets[0].start_ns for m in s.host.answers)
    ),
    "it lands elsewhere": lambda s: (
        len(s.host.those("request")) == 2
        and s.host.those("header", to_unit=False)[0].body[4:6] != s.host.header[4:6]
    ),
}


def _length_back(s: Seen) -> int:
    """Words by the header that the unit sent."""
    return oracle.from_n7(s.host.those("header", to_unit=False)[0].body[10:13])


def _per_packet(s: Seen) -> int:
    return oracle.words_per_packet(s.host.header[6])


_FILE: Final[Mapping[str, Check]] = {
    "numbers from 01": c.in_file(lambda r: r.numbers[0] == 1),
    "80 after 7F": c.in_file(lambda r: len(r.packets[-1].body) == 4 and r.numbers[-1] == 127),
    "the last packet is short": c.in_file(lambda r: len(r.packets[-1].body) < 127),
    "one packet too many": c.in_file(
        lambda r: len(r.packets) == c.planned(r) + 1 and not any(r.packets[-1].body[5:125])
    ),
    "checksums of another range, rejected": c.in_file(c.bad_sums),
    "checksums of another range, to nobody": c.in_file(c.bad_sums),
    "one checksum wrong in the dump": c.in_file(c.bad_sums),
    "a packet missing in the dump": c.in_file(
        lambda r: len(r.packets) == c.planned(r) - 1 and not r.unanswered
    ),
    "two packets in the wrong order": c.in_file(lambda r: sorted(r.numbers) != r.numbers),
    "a packet twice in the dump": c.in_file(
        lambda r: len(r.packets) == len(r.numbers) + 1 and not r.unanswered
    ),
    "no header in the dump": c.in_file(lambda r: not r.those("header") and bool(r.packets)),
    "a header that cannot be": c.in_file(
        lambda r: r.header[6] < 8 or not any(r.header[7:10]) or r.header[19] not in (0, 1, 127)
    ),
    "length too large": c.in_file(lambda r: len(r.packets) < c.planned(r)),
    "length too small": c.in_file(c.fewer_words_than_sent),
    "Hz instead of ns": c.in_file(
        lambda r: oracle.from_n7(r.header[7:10]) in (44_100, 48_000, 22_050, 11_025, 96_000)
    ),
    "header fields high byte first": c.in_file(
        lambda r: (
            len(r.packets)
            == oracle.packet_count(oracle.from_n7_high_first(r.header[10:13]), r.header[6])
        )
    ),
    "a loop from 0 to 0": c.in_file(lambda r: c.loop_of(r)[:2] == (0, 0) and c.loop_of(r)[2] < 2),
    "a loop that ends one too late": c.in_file(
        lambda r: c.loop_of(r)[1] == c.length(r) and c.loop_of(r)[2] < 2
    ),
    "the number of the sample swapped": c.in_file(
        lambda r: oracle.from_n7(r.header[4:6]) not in SAMPLES
    ),
    "a name without its tag length": c.in_file(
        lambda r: len(r.those("name")[0].body) == 9 + r.those("name")[0].body[7]
    ),
    "the number in a name swapped": c.in_file(
        lambda r: r.those("name")[0].body[5:7] == r.header[4:6][::-1]
    ),
    "two's complement": c.smoother(c.as_offset),
    "word bytes reversed": c.in_file(c.turned),
    "right-justified": c.in_file(lambda r: max(r.words) < 0 or r.header[6] % 7 == 0),
    "a byte too many for a word": c.in_file(
        lambda r: (
            not any(
                b"".join(
                    m.body[7 + r.header[6] // 7 - 2 : 125 : r.header[6] // 7 + 1] for m in r.packets
                )
            )
        )
    ),
    "a width too small in the header": c.in_file(
        lambda r: any(
            m.body[at] & (1 << 7 * oracle.bytes_per_word(r.header[6]) - r.header[6]) - 1
            for m in r.packets
            for at in range(
                4 + oracle.bytes_per_word(r.header[6]), 125, oracle.bytes_per_word(r.header[6])
            )
        )
    ),
    "a width too large in the header": c.in_file(
        lambda r: len(r.packets) < c.planned(r) and r.header[6] == 16
    ),
    "a byte missing in a packet of the dump": c.in_file(
        lambda r: sum(len(m.body) == 126 for m in r.packets) == 3
    ),
    "a packet for another device in the dump": c.in_file(lambda r: len(c.ids(r)) == 2),
    "another sound": lambda s: c.same(s) and not s.line.damaged,
    "overload wraps": c.in_file(
        lambda r: any(abs(b - a) > 1.4 * (1 << r.header[6] - 1) for a, b in pairwise(r.words))
    ),
    "channels not counted": c.in_file(
        lambda r: r.header[32] == 2 and len(r.packets) == -(-c.planned(r) // 2)
    ),
    "filler that is not 00": c.in_file(lambda r: any(c.filler(r))),
    "the last packet spoiled": c.in_file(lambda r: len(r.packets) == c.planned(r)),
}
CHECKS: Final[Mapping[str, Check]] = {**_WAY, **_BACK, **_SENDER, **_UNIT, **_FILE}
