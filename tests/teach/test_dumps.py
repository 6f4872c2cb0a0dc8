"""Whole files explained: runs of packets, what is broken, and never more than one can read."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.wire.splitter import split
from dryload.harness.teach.dumps import MOST, ExplainedDump, Overview, dumps_of
from tests import damage, oracle
from tests.strategies import streams

RNG = random.Random(1)
LONG = damage.random_dump(RNG, minimum_packets=135, long_share=1)
SIXTEEN = oracle.dump(
    bits=16, words=[37 * i % 65_521 - 32_000 for i in range(200)], sample_number=1, period_ns=22676
)
NAME = oracle.sample_name(sample_number=1, name=b"gulls")


def only(data: bytes, *, bits: int | None = None) -> ExplainedDump:
    (dump,) = dumps_of(data, bits=bits)
    return dump


def counted(overview: Overview) -> int:
    """Return how many packets an overview speaks of."""
    return sum(run.count for run in overview.runs) + len(overview.packets) + overview.more_packets


def short_dump(rng: random.Random) -> damage.RandomDump:
    return damage.random_dump(rng, minimum_packets=3, long_share=0)


def test_a_clean_dump_is_a_header_and_one_run() -> None:
    overview = only(LONG.data).overview()

    assert overview.header is not None
    assert overview.header.title == "dump header"
    assert [(run.packet, run.count, run.byte) for run in overview.runs] == [(0, LONG.packets, 21)]
    assert (overview.packets, overview.messages) == ((), ())
    assert overview.more_packets == overview.more_messages == overview.unread_bytes == 0


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(list(damage.KINDS)), st.randoms(use_true_random=False))
def test_the_packet_that_was_damaged_is_shown_with_the_judges_words(
    kind: str, rng: random.Random
) -> None:
    clean = short_dump(rng)
    damaged = damage.KINDS[kind](clean.data, rng)
    dump = only(damaged.data)
    overview = dump.overview()

    shown = {packet.packet for packet in overview.packets}
    told = {finding.at.packet for finding in dump.findings}
    if kind in ("missing_packet", "missing_last_packet"):
        assert shown == set()
        assert damaged.packet in {finding.at.packet for finding in overview.findings}
    else:
        # The packet itself, or the one the judge ties the damage to.
        assert shown & ({damaged.packet} | told)
        assert any(packet.findings or packet.problems for packet in overview.packets)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(list(damage.KINDS)), st.randoms(use_true_random=False))
def test_every_whole_packet_is_in_a_run_or_among_the_broken(kind: str, rng: random.Random) -> None:
    damaged = damage.KINDS[kind](short_dump(rng).data, rng)
    dump = only(damaged.data)
    whole = sum(len(piece.body) == 127 for piece in split(damaged.data))

    assert counted(dump.overview()) >= whole


@pytest.mark.parametrize("kind", ["lost_byte", "wrong_checksum", "added_byte", "missing_f7"])
def test_one_packet_can_be_asked_for(kind: str) -> None:
    damaged = damage.KINDS[kind](LONG.data, random.Random(7))
    assert damaged.packet is not None
    dump = only(damaged.data)

    (packet,) = dump.packet(damaged.packet)
    assert packet.packet == damaged.packet
    assert packet.findings
    (whole,) = dump.packet(damaged.packet - 1)
    assert whole.findings == ()
    assert whole.byte == 21 + 127 * (damaged.packet - 1)
    assert whole.lines[-2].value.endswith("right")
    assert dump.packet(LONG.packets) == []
    assert dump.reached == LONG.packets


def test_a_packet_that_the_judge_finds_broken_is_no_clean_one() -> None:  # WRD-05
    header, packets = damage.take_apart(SIXTEEN)
    stray = bytearray(packets[2])
    stray[7] |= 0x01
    stray[125] = oracle.checksum(bytes(stray))
    dump = only(header + b"".join([*packets[:2], bytes(stray), *packets[3:]]))

    assert [packet.packet for packet in dump.overview().packets] == [2]
    assert {finding.clause for finding in dump.overview().packets[0].findings} == {"WRD-05"}


def test_what_is_only_worth_knowing_makes_no_packet_a_broken_one() -> None:
    # Silence has low bits that are never used: noted, and nothing more (WRD-09).
    dump = only(oracle.dump(bits=16, words=[256] * 200, sample_number=1, period_ns=22676))
    overview = dump.overview()

    assert overview.packets == ()
    assert [(run.packet, run.count) for run in overview.runs] == [(0, 5)]


def test_packets_are_numbered_as_they_were_planned() -> None:
    # After a missing packet and beyond the wrap a packet still has the place that findings name.
    header, packets = damage.take_apart(LONG.data)
    dump = only(header + b"".join(packets[:50] + packets[51:]))

    assert [packet.byte for packet in dump.packet(51)] == [21 + 127 * 50]
    assert dump.packet(50) == []
    (last,) = dump.packet(LONG.packets - 1)
    assert last.byte == 21 + 127 * (LONG.packets - 2)
    spp = oracle.words_per_packet(LONG.bits)
    assert last.lines[5].field == f"word {(LONG.packets - 1) * spp:,}"


def test_a_packet_that_stands_twice_is_shown_twice() -> None:
    header, packets = damage.take_apart(LONG.data)
    dump = only(header + b"".join(packets[:3] + packets[2:]))

    assert [packet.byte for packet in dump.packet(2)] == [21 + 254, 21 + 381]


def test_a_missing_packet_at_the_end_is_still_counted() -> None:
    header, packets = damage.take_apart(LONG.data)
    dump = only(header + b"".join(packets[:-1]))

    assert dump.packet(LONG.packets - 1) == []
    assert dump.reached == LONG.packets


def test_much_that_is_broken_is_only_counted() -> None:
    header, packets = damage.take_apart(LONG.data)
    wrong = [each[:125] + bytes([each[125] ^ 1]) + each[126:] for each in packets]
    overview = only(header + b"".join(wrong)).overview()

    assert overview.runs == ()
    assert len(overview.packets) == MOST
    assert overview.more_packets == LONG.packets - MOST
    torn = only(header + b"".join(each[:60] for each in packets)).overview()
    assert len(torn.packets) == MOST
    assert torn.more_packets == LONG.packets - MOST


def test_other_messages_are_shown_up_to_a_few() -> None:
    overview = only(LONG.data + NAME * 5).overview()

    assert [message.title for message in overview.messages] == ["sample name transmission"] * MOST
    assert overview.more_messages == 5 - MOST


def test_realtime_bytes_and_noise_are_counted() -> None:
    noise = bytes(range(128)) * 50_000
    overview = only(LONG.data[:30] + b"\xf8\xfe" + LONG.data[30:] + noise).overview()

    assert overview.realtime_bytes == 2
    assert overview.unread_bytes + sum(each.size for each in overview.messages) <= len(noise)


def test_realtime_bytes_inside_a_packet_stand_in_its_explanation() -> None:  # FRM-03
    data = LONG.data[:60] + b"\xfe" + LONG.data[60:]
    (packet,) = only(data).packet(0)

    assert [line.byte for line in packet.lines if line.field == "real time"] == [60]
    assert packet.size == 128
    assert packet.lines[-1].byte == 21 + 127


def test_a_packet_drowned_in_realtime_bytes_is_explained_without_them() -> None:
    data = LONG.data[:60] + b"\xf8" * 5000 + LONG.data[60:]
    (packet,) = only(data).packet(0)

    assert packet.size == 127
    assert packet.lines[-2].value.endswith("right")


def test_dumps_are_numbered_from_1_and_what_precedes_them_is_0() -> None:
    dumps = list(dumps_of(NAME + LONG.data + LONG.data))

    assert [(dump.number, dump.title) for dump in dumps] == [
        (0, "What has no header"),
        (1, "Dump 1"),
        (2, "Dump 2"),
    ]
    assert dumps[0].reached == 0
    assert dumps[0].overview().header is None


def test_packets_without_a_header_are_explained_with_a_width_that_is_given() -> None:  # PKT-14
    data = b"".join(oracle.packets(bits=16, words=range(80)))
    assert only(data).packet(1)[0].lines[5].field == "sample words"
    assert only(data, bits=16).packet(1)[0].lines[5].value == "40, +0.1 % of full scale"


def test_every_word_is_shown_where_it_is_asked_for() -> None:
    (packet,) = only(LONG.data).packet(0, every=True)
    (brief,) = only(LONG.data).packet(0)
    words = [line for line in packet.lines if line.field.startswith("word ")]

    assert len(words) == oracle.words_per_packet(LONG.bits)
    assert len(brief.lines) < len(packet.lines)


# From a byte on.


@pytest.mark.parametrize("byte", [0, 20, 21, 147, 148, 21 + 127 * 40 + 60, len(LONG.data) - 1])
def test_the_message_that_holds_a_byte_comes_first(byte: int) -> None:
    found = only(LONG.data).pieces_from(byte, 3)

    assert found[0].byte <= byte < found[0].byte + found[0].size
    assert len(found) == min(3, (len(LONG.data) - found[0].byte + 126) // 127)
    offsets = [message.byte for message in found]
    assert offsets == sorted(offsets)


def test_words_after_a_byte_have_their_numbers() -> None:
    dump = list(dumps_of(LONG.data + LONG.data))[1]
    start = len(LONG.data) + 21 + 127 * 4
    (packet,) = dump.pieces_from(start, 1)

    assert packet.byte == start
    assert packet.lines[5].field == f"word {4 * oracle.words_per_packet(LONG.bits):,}"


def test_a_message_that_the_next_header_cuts_off_is_cut_off_by_it() -> None:
    torn = LONG.data[:-10]
    dump, _ = dumps_of(torn + LONG.data)
    (last,) = dump.pieces_from(len(torn) - 1)

    assert last.problems[0] == "it has no F7: cut off by F0 after 117 bytes"
    (alone,) = only(torn).pieces_from(len(torn) - 1)
    assert alone.problems[0] == "it has no F7: cut off at the end after 117 bytes"


@pytest.mark.parametrize("torn", [7, LONG.packets - 1])
def test_a_packet_says_the_same_however_it_is_asked_for(torn: int) -> None:
    header, packets = damage.take_apart(LONG.data)
    packets[torn] = packets[torn][:60] + packets[torn][61:]
    dump = only(header + b"".join(packets[:5] + packets[6:]))

    for place in (4, 6, torn, LONG.packets - 2):
        (packet,) = dump.packet(place)
        (piece,) = dump.pieces_from(packet.byte, 1)
        assert (piece.title, piece.lines) == (packet.title, packet.lines)


def test_a_byte_in_noise_that_nobody_looked_at_is_explained_all_the_same() -> None:
    noise = (b"\x90\x40" + bytes(60)) * 200_000
    data = LONG.data + noise
    byte = len(data) - 640
    found = only(data).pieces_from(byte, 3)

    assert len(found) == 3
    assert found[0].byte == byte


@settings(max_examples=100, deadline=None)
@given(streams, st.data())
def test_any_byte_of_any_stream_can_be_asked_for(data: bytes, draw: st.DataObject) -> None:
    if not data:
        return
    byte = draw.draw(st.integers(0, len(data) - 1))
    dump = next(dump for dump in dumps_of(data) if byte < dump.section.offset + dump.section.size)
    found = dump.pieces_from(byte, 2)

    assert found[0].byte <= byte < found[0].byte + found[0].size
