"""The judge of a stream: what it says of dumps, and that nothing makes it stumble."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.files.scan import DETAIL
from dryload.harness.judge.finding import MOST, Answerable, Finding, Verdict
from dryload.harness.judge.stream import DumpVerdict, judge_stream
from dryload.harness.report.validate import line_times
from tests import damage, oracle
from tests.judge.provoking import (
    CASES,
    CLEAN,
    HEADER,
    LOOP,
    NOISE,
    PACKETS,
    SINE,
    STEREO,
    dump,
    header,
    long_dump,
    packets,
    spoiled,
    summed,
)
from tests.strategies import streams

BYTE_NS = 320_000  # ten bits at 31,250 baud (M1 p. 1)


def judged(data: bytes) -> DumpVerdict:
    (verdict,) = judge_stream(data)
    return verdict


def only(findings: Iterable[Finding], clause: str) -> Finding:
    (finding,) = (finding for finding in findings if finding.clause == clause)
    return finding


# What is said of a dump.


def test_a_clean_dump_is_described() -> None:
    verdict = judged(CLEAN)
    section = verdict.contents.section
    assert section.is_dump
    assert (section.offset, section.size) == (0, len(CLEAN))
    assert verdict.contents.plan is not None
    assert verdict.contents.plan.sound(0, 3) == "90 words (2 ms of sound)"  # 90 x 22,676 ns
    times = line_times(section)
    assert times.line_ns == len(CLEAN) * BYTE_NS
    # Open loop: two seconds after the header and 20 ms after each packet (M1 p. 39).
    assert times.closed_loop_ns == times.line_ns + 4 * 6 * BYTE_NS  # header and three packets
    assert times.open_loop_ns == times.line_ns + 2_000_000_000 + 3 * 20_000_000
    assert verdict.contents.words is not None
    assert verdict.contents.words.dtype == np.int16
    assert verdict.contents.words.tolist() == list(NOISE[:90])
    assert verdict.contents.places is None


def test_words_are_only_kept_when_asked_for() -> None:
    (verdict,) = judge_stream(CLEAN, keep_words=False)
    assert verdict.contents.words is None


def test_words_of_several_channels_stay_interleaved() -> None:
    verdict = judged(STEREO)
    assert verdict.contents.words is not None
    assert verdict.contents.words.tolist() == list(NOISE[:180])
    assert verdict.contents.plan is not None
    # 90 frames of two channels at 44,100 Hz
    assert verdict.contents.plan.sound(0, 5) == "180 words (2 ms of sound)"


def test_words_of_a_dump_with_gaps_come_with_their_places() -> None:
    verdict = judged(HEADER + PACKETS[1] + PACKETS[0] + PACKETS[2])
    assert verdict.contents.words is not None
    assert verdict.contents.words.tolist() == list(NOISE[:90])
    verdict = judged(HEADER + PACKETS[0] + PACKETS[2])
    assert verdict.contents.words is not None
    assert verdict.contents.places is not None
    assert verdict.contents.places.tolist() == [0, 2]
    assert verdict.contents.words.tolist() == [*NOISE[:40], *NOISE[80:90]]


def test_real_time_bytes_are_counted_and_harm_nothing() -> None:
    ticking = CLEAN[:2] + b"\xf8" + CLEAN[2:100] + b"\xfe" + CLEAN[100:148] + b"\xf8" + CLEAN[148:]
    verdict = judged(ticking)
    assert verdict.contents.section.realtime_bytes == 3
    assert verdict.findings == ()
    assert verdict.contents.words is not None
    assert verdict.contents.words.tolist() == list(NOISE[:90])


def test_several_dumps_are_judged_one_by_one() -> None:
    first, second = judge_stream(CLEAN + spoiled(1, 60, PACKETS[1][60] ^ 1))
    assert first.worst is None
    assert second.worst is Verdict.BROKEN
    assert second.contents.section.offset == len(CLEAN)


def test_an_empty_stream_has_no_verdicts() -> None:
    assert list(judge_stream(b"")) == []


def test_what_stands_before_the_first_dump_is_no_dump() -> None:
    before, after = judge_stream(LOOP + CLEAN)
    assert not before.contents.section.is_dump
    assert after.contents.section.is_dump
    assert before.findings == ()


def test_a_long_dump_is_read_in_several_pieces() -> None:
    verdict = judged(long_dump(350_001))
    assert verdict.findings == ()
    assert verdict.contents.section.packets == 8_751  # more than are read at once
    assert verdict.contents.words is not None
    assert len(verdict.contents.words) == 350_001
    assert verdict.contents.words[5_120:5_160].tolist() == list(NOISE[:40])
    assert verdict.contents.words[-1] == NOISE[0]


# Findings in detail.


def test_a_missing_packet_says_what_is_lost() -> None:
    finding = only(judged(HEADER + PACKETS[0] + PACKETS[2]).findings, "PKT-10")
    assert finding.message == "Packet 1 is missing: 40 words (0.9 ms of sound)."
    assert finding.at.packet == 1
    assert finding.at.byte == len(HEADER) + 127
    assert finding.answerable is Answerable.FILE


def test_places_never_wrap() -> None:
    long = oracle.dump(
        device_id=3, sample_number=1, bits=16, period_ns=22_676, words=[1, -1] * 20 * 300
    )
    at = 21 + 127 * 200
    finding = only(judged(long[:at] + long[at + 127 :]).findings, "PKT-10")
    assert finding.at.packet == 200
    spoilt = long[: at + 125] + bytes([long[at + 125] ^ 1]) + long[at + 126 :]
    finding = only(judged(spoilt).findings, "PKT-05")
    assert (finding.at.packet, finding.at.packet_number, finding.at.byte) == (200, 72, at)


@pytest.mark.parametrize(
    ("way", "words"),
    [
        (0, "with F0 included"),
        (2, "from the device ID on"),
        (3, "from the 02 on"),
        (4, "from the packet number on"),
        (5, "of the data bytes alone"),
    ],
)
def test_a_wrong_range_of_the_checksum_is_named_once(way: int, words: str) -> None:
    findings = judged(summed(way)).findings
    assert words in only(findings, "PKT-05").message
    assert not [finding for finding in findings if finding.clause == "DEV-04"]


@pytest.mark.parametrize(
    ("name", "total"),
    [
        ("it is a sum instead of an exclusive-or.", lambda raw: sum(raw[1:125])),
        ("it is a sum of the data bytes.", lambda raw: sum(raw[5:125])),
        ("it is the negative sum of the data bytes.", lambda raw: -sum(raw[5:125])),
        ("it is always 00.", lambda raw: 0),
    ],
)
def test_another_kind_of_checksum_is_named_once(name: str, total: Callable[[bytes], int]) -> None:
    made = b"".join(raw[:125] + bytes([total(raw) & 0x7F, 0xF7]) for raw in PACKETS)
    assert name in only(judged(HEADER + made).findings, "PKT-05").message


def test_a_rewritten_device_id_is_named_when_it_mends_every_packet() -> None:
    changed = bytearray(CLEAN)
    for at in (0, 21, 148, 275):
        changed[at + 2] = 9  # 3 before; header and packets alike, checksums as they were
    findings = judged(bytes(changed)).findings
    assert "with 3 instead of 9" in only(findings, "DEV-04").message


def test_a_single_failing_packet_is_no_matter_of_the_device_id() -> None:
    one = dump(NOISE[:20])
    findings = judged(one[:-2] + bytes([one[-2] ^ 5, 0xF7])).findings
    assert [finding.clause for finding in findings] == ["PKT-05"]


def test_the_filler_is_named() -> None:
    data = PACKETS[2][5:35]
    for filler, words in (
        (b"\x40\x00\x00" * 30, "silence in the middle of the range"),
        (PACKETS[1][35:125], "what the packet before held there"),
        (b"\x11" * 90, "other bytes"),
    ):
        last = oracle.packet(device_id=3, number=2, data=data + filler)
        finding = only(judged(HEADER + PACKETS[0] + PACKETS[1] + last).findings, "PKT-08")
        assert words in finding.message
        assert finding.at.packet == 2
        assert finding.at.byte == 21 + 2 * 127 + 35


def test_a_status_byte_in_the_data_is_placed_to_the_byte() -> None:
    for value in (0x80, 0xC3, 0xF0, 0xF4, 0xF7):
        for offset in (5, 60, 124):
            finding = only(judged(spoiled(1, offset, value)).findings, "PKT-06")
            assert finding.at.byte == 21 + 127 + offset
            assert finding.at.packet == 1
            assert finding.found == f"{value:02X}"


def test_a_status_byte_is_placed_to_the_byte_with_real_time_bytes_around() -> None:
    data = bytearray(spoiled(1, 60, 0x90))
    data[21 + 127 + 30 : 21 + 127 + 30] = b"\xf8\xf8"
    finding = only(judged(bytes(data)).findings, "PKT-06")
    assert finding.at.byte == 21 + 127 + 62


def test_a_dump_that_was_cut_short_says_how_much_is_missing() -> None:
    verdict = judged(dump(NOISE)[: 21 + 127 * 4 + 50])
    broken = [finding for finding in verdict.findings if finding.verdict is Verdict.BROKEN]
    assert {(finding.clause, finding.at.packet) for finding in broken} == {
        ("FRM-01", 4),
        ("PKT-10", 5),
    }


@pytest.mark.parametrize("offset", [0, 1, 2, 3, 4, 60, 125])
def test_a_lost_byte_is_told_once_wherever_it_was(offset: int) -> None:
    torn = PACKETS[1][:offset] + PACKETS[1][offset + 1 :]
    findings = judged(HEADER + PACKETS[0] + torn + PACKETS[2]).findings
    assert [(each.clause, each.at.packet) for each in findings] == [
        ("FRM-01" if offset == 0 else "PKT-01", 1)
    ]


@pytest.mark.parametrize("offset", [1, 2, 3, 4, 60, 126])
def test_an_added_byte_is_told_once_wherever_it_is(offset: int) -> None:
    torn = PACKETS[1][:offset] + b"\x33" + PACKETS[1][offset:]
    findings = judged(HEADER + PACKETS[0] + torn + PACKETS[2]).findings
    assert [(each.clause, each.at.packet) for each in findings] == [("PKT-01", 1)]
    assert findings[0].found == "128 bytes, 1 byte too many"


def test_a_lost_f7_is_told_from_a_packet_that_breaks_off() -> None:
    for cut, message in (
        (126, "Packet 1 has no F7 at its end."),
        (90, "Packet 1 breaks off after 90 bytes."),
    ):
        findings = judged(HEADER + PACKETS[0] + PACKETS[1][:cut] + PACKETS[2]).findings
        assert [each.message for each in findings] == [message]


def test_a_missing_byte_for_the_channels_is_guessed() -> None:
    for torn, is_guessed in ((STEREO[:32] + b"\xf7", True), (STEREO[:33] + b"\x01\xf7", False)):
        finding = only(judged(torn + STEREO[34:]).findings, "EXT-01")
        assert ("channels" in finding.do) is is_guessed


@pytest.mark.parametrize(
    ("stream", "clause"),
    [
        (b"\x01\x02" + CLEAN, "FRM-07"),  # nothing stands before: no F7
        (CLEAN + b"\xf6\x01\x02", "FRM-07"),  # behind a status byte that takes no data
        (CLEAN + b"\x01\x02", "FRM-10"),
        (CLEAN + b"\x01\x02\x03", "FRM-07"),  # more than a channel message holds
    ],
)
def test_loose_bytes_are_told_from_running_status(stream: bytes, clause: str) -> None:
    findings = [each for verdict in judge_stream(stream) for each in verdict.findings]
    assert [each.clause for each in findings] == [clause]


def test_without_a_header_the_first_packet_says_whose_dump_it_is() -> None:
    findings = judged(b"".join(PACKETS)).findings
    assert {each.clause for each in findings} == {"HDR-01", "PKT-14"}
    stranger = oracle.packet(device_id=9, number=1, data=PACKETS[1][5:125])
    findings = judged(PACKETS[0] + stranger + PACKETS[2]).findings
    assert only(findings, "DEV-03").at.packet == 1


def test_a_resend_that_mends_a_packet_is_the_one_that_is_decoded() -> None:
    spoilt = PACKETS[1][:60] + bytes([PACKETS[1][60] ^ 1]) + PACKETS[1][61:]
    for pair in (spoilt + PACKETS[1], PACKETS[1] + spoilt):
        verdict = judged(HEADER + PACKETS[0] + pair + PACKETS[2])
        assert verdict.contents.words is not None
        assert verdict.contents.words.tolist() == list(NOISE[:90])
        assert "the two differ" in only(verdict.findings, "PKT-03").message


def test_a_run_of_128_missing_packets_is_known_by_the_end() -> None:
    whole = long_dump(40 * 299 + 7)
    lost = whole[: 21 + 127 * 50] + whole[21 + 127 * 178 :]
    finding = only(judged(lost).findings, "PKT-10")
    assert "a run of 128" in finding.message
    assert finding.at.packet is None


def test_unused_bits_are_told_packet_by_packet_or_all_at_once() -> None:
    one = only(judged(spoiled(1, 7, PACKETS[1][7] | 0x11, mend=True)).findings, "WRD-05")
    assert one.at.packet == 1
    assert one.message.startswith("Packet 1 has bits set")
    assert one.found == "bits 11 too"
    every = only(judged(header(bits=15) + CLEAN[21:]).findings, "WRD-05")
    assert every.message.startswith("3 of 3 packets, first packet 0, have bits set")


def test_a_strange_packet_is_named_with_its_number() -> None:
    findings = judged(spoiled(2, 2, 9, mend=True)).findings
    for clause in ("DEV-03", "PKT-10"):
        place = only(findings, clause).at
        assert (place.packet, place.packet_number, place.byte) == (2, 2, 21 + 2 * 127)


def test_another_family_is_named_by_its_byte() -> None:
    assert only(judged(HEADER + b"\xf0\x7f" + CLEAN[23:]).findings, "FRM-06").found == "7F"


def test_loops_are_judged_by_the_length_of_their_own_sample() -> None:
    other = dump(NOISE[:20], sample_number=2)
    fits_the_first = oracle.loop_points(
        device_id=3, sample_number=1, loop_number=4, loop_type=0, loop_start=1, loop_end=89
    )
    verdicts = list(judge_stream(CLEAN + other + fits_the_first))
    assert [verdict.findings for verdict in verdicts] == [(), ()]


def test_an_end_of_the_loop_at_the_length_is_explained() -> None:
    looped = header(loop_type=0, loop_start=10, loop_end=90) + CLEAN[21:]
    assert "first word not played" in only(judged(looped).findings, "HDR-09").do


def test_equal_things_are_told_once_with_their_number() -> None:
    acks = oracle.handshake(device_id=3, kind="ACK") * 5000
    finding = only(judged(HEADER + acks + CLEAN[21:]).findings, "HSK-19")
    assert "5,000 ACKs" in finding.message
    assert finding.verdict is Verdict.NOTED


def test_findings_of_one_clause_are_bounded_and_the_rest_counted() -> None:
    count = MOST + 37
    data = [bytes([index % 128, 1, 2]) for index in range(count)]
    made = bytearray(header(length=count * 40) + packets(data))
    rng = random.Random(1)
    for index in range(count):
        made[21 + 127 * index + 125] ^= rng.randrange(1, 128)
    findings = [each for each in judged(bytes(made)).findings if each.clause == "PKT-05"]
    assert len(findings) == MOST + 1
    assert "37 times" in findings[-1].message


def test_sound_makes_no_remark_in_any_width() -> None:
    for bits in range(8, 29):
        top = 2 ** (bits - 1) - 1
        words = [round(word / 12_000 * top * 0.9) for word in SINE]
        verdict = judged(dump(words, bits=bits))
        assert verdict.findings == (), bits


# Anything at all.

_PARTS = st.one_of(
    streams,
    st.binary(max_size=300),
    st.sampled_from([case for cases in CASES.values() for case in cases if len(case) < 10_000]),
    st.integers(0, 400).map(lambda cut: CLEAN[:cut]),
    st.integers(0, 400).map(lambda cut: STEREO[cut:]),
)


@given(st.lists(_PARTS, max_size=5).map(b"".join))
def test_nothing_raises_and_every_byte_belongs_to_a_verdict(data: bytes) -> None:
    verdicts = list(judge_stream(data))
    position = 0
    for verdict in verdicts:
        assert verdict.contents.section.offset == position
        position += verdict.contents.section.size
        for finding in verdict.findings:
            assert finding.at.byte is None or 0 <= finding.at.byte <= len(data)
            assert finding.at.packet is None or finding.at.packet >= 0
    assert position == len(data)


@given(st.data())
def test_a_mutilated_dump_never_raises(data: st.DataObject) -> None:
    made = bytearray(damage.random_dump(random.Random(data.draw(st.integers(0, 50)))).data)
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(made) - 1))
        how = data.draw(st.sampled_from(["set", "cut", "insert"]))
        if how == "set":
            made[at] = data.draw(st.integers(0, 255))
        elif how == "cut":
            del made[at : at + data.draw(st.integers(1, 200))]
        else:
            made[at:at] = data.draw(st.binary(max_size=150))
        if not made:
            break
    assert sum(each.contents.section.size for each in judge_stream(bytes(made))) == len(made)


@pytest.mark.parametrize("byte", [0x00, 0x7F, 0x90, 0xF0, 0xF4, 0xF7, 0xF8, 0xFF])
def test_endless_bytes_come_to_a_handful_of_findings(byte: int) -> None:
    findings = [
        finding
        for verdict in judge_stream(bytes([byte]) * (2 * DETAIL))
        for finding in verdict.findings
    ]
    assert len(findings) < 10


@pytest.mark.parametrize("length", [16, 41, 63, 64, 65, 1_009])
def test_twos_complement_is_noted_however_few_the_words(length: int) -> None:
    """Half a period of a sine; with the top bit of each word inverted it is two's complement."""
    sine = [round(20_001 * math.sin(math.pi * at / length - 1.5)) for at in range(length)]
    turned = [(word % 65_536) - 32_768 for word in sine]
    for words, clauses in ((sine, []), (turned, ["WRD-07"])):
        dump = oracle.dump(bits=16, words=words, sample_number=1, period_ns=22_676)
        (verdict,) = judge_stream(dump)
        seen = [each.clause for each in verdict.findings if each.clause.startswith("WRD")]
        assert seen == clauses


@pytest.mark.parametrize("high", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("turn", [16, 60, 150])
def test_a_square_wave_is_no_twos_complement(turn: int, high: float) -> None:
    """It jumps by more than half the range, and is flat beside its jumps in either notation."""
    words = [21_000 if at % turn < high * turn else -20_000 for at in range(600)]
    dump = oracle.dump(bits=16, words=words, sample_number=1, period_ns=22_676)
    (verdict,) = judge_stream(dump)
    assert "WRD-07" not in [each.clause for each in verdict.findings]
