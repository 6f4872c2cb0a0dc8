"""What is played is what stands in the file, byte for byte, under another address when asked."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest

from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.jobs.dumps import Dump, Fragment, contents, readdressed
from dryload.harness.jobs.playlist import judged_contents
from dryload.harness.judge.finding import Verdict
from tests import damage, oracle

WORDS = [(1021 * i) % 65536 - 32768 for i in range(121)]  # 4 packets of 40 (M1 p. 39)
DUMP = oracle.dump(bits=16, words=WORDS, sample_number=1, period_ns=22_676)
HEADER, PACKETS = damage.take_apart(DUMP)
FOREIGN = bytes.fromhex("F0 7D 01 02 03 F7")  # 7D: for non-commercial use (M1 p. 34)
NOTE = bytes.fromhex("90 3C 40")
NAME = oracle.sample_name(sample_number=1, name=b"Thunder")
LOOP = oracle.loop_points(sample_number=1, loop_number=2, loop_type=0, loop_start=3, loop_end=90)


def file_of(data: bytes, name: str = "desk.syx") -> DumpFile:
    return DumpFile(name=name, form=Form.RAW, data=data)


def dumps(data: bytes) -> list[Dump]:
    return [each for each in judged_contents(file_of(data)) if isinstance(each, Dump)]


def only(data: bytes) -> Dump:
    found = dumps(data)
    assert len(found) == 1
    return found[0]


def played(dump: Dump) -> bytes:
    """Everything that goes out for a dump, joined."""
    outgoing = dump.outgoing
    return b"".join([outgoing.header, *outgoing.packets, *outgoing.after])


def words_of(dump: Dump) -> list[int]:
    return [int(word) for word in dump.sample.words]


def test_a_clean_dump_is_played_as_it_stands() -> None:
    dump = only(DUMP)
    assert dump.outgoing.header == HEADER
    assert list(dump.outgoing.packets) == PACKETS
    assert dump.outgoing.after == ()
    assert dump.outgoing.fallback is None
    assert (dump.file, dump.index) == ("desk.syx", 0)
    assert words_of(dump) == WORDS
    assert (dump.sample.bits, dump.sample.period_ns) == (16, 22_676)
    assert dump.findings == ()


@pytest.mark.parametrize("seed", range(40))
def test_any_clean_dump_is_played_as_it_stands(seed: int) -> None:
    made = damage.random_dump(random.Random(seed))
    dump = only(made.data)
    assert played(dump) == made.data
    assert words_of(dump) == list(made.words)


def test_an_extended_dump_is_played_as_it_stands() -> None:
    data = oracle.dump(
        extended=True, bits=24, words=range(90), channels=2, sample_number=5, rate_integer=48_000
    )
    dump = only(data)
    assert played(dump) == data
    assert (dump.sample.channels, dump.sample.frames) == (2, 45)


@pytest.mark.parametrize("kind", damage.KINDS)
def test_a_damaged_dump_is_played_with_its_damage(kind: str) -> None:
    for seed in range(25):
        rng = random.Random(f"{kind} {seed}")
        made = damage.random_dump(rng, minimum_packets=2, long_share=0)
        data = damage.KINDS[kind](made.data, rng).data
        dump = only(data)
        assert played(dump) == data, seed


def test_a_damaged_packet_is_played_as_it_stands_and_holds_no_words() -> None:
    torn = PACKETS[1][:50] + b"\x95" + PACKETS[1][51:]  # a status byte, which ends the message
    short = PACKETS[2][:100] + b"\xf7"
    dump = only(HEADER + PACKETS[0] + torn + short + PACKETS[3])
    assert list(dump.outgoing.packets) == [PACKETS[0], torn, short, PACKETS[3]]
    assert words_of(dump) == WORDS[:40] + WORDS[120:]


def test_what_stands_between_the_packets_is_not_played_and_what_belongs_to_it_follows() -> None:
    data = b"".join(
        [HEADER, NAME, PACKETS[0], FOREIGN, NOTE, PACKETS[1], LOOP, *PACKETS[2:], FOREIGN]
    )
    dump = only(data)
    assert list(dump.outgoing.packets) == PACKETS
    assert dump.outgoing.after == (NAME, LOOP)
    assert dump.sample.name == "Thunder"
    assert [(number, loop.start, loop.end) for number, loop in dump.sample.loops] == [(2, 3, 90)]
    assert words_of(dump) == WORDS


def test_real_time_bytes_are_dropped_wherever_they_stand() -> None:
    # F8 to FF belong to no message and may stand in any (M1 pp. 5, 29)
    beats = [DUMP[at : at + 7] for at in range(0, len(DUMP), 7)]
    data = b"\xf8".join(beats) + b"\xfe"
    dump = only(data)
    assert played(dump) == DUMP
    assert words_of(dump) == WORDS


def test_real_time_bytes_in_a_torn_packet_are_dropped_too() -> None:
    short = PACKETS[1][:60] + PACKETS[1][61:]
    dump = only(HEADER + PACKETS[0] + short[:30] + b"\xf8" + short[30:] + b"".join(PACKETS[2:]))
    assert list(dump.outgoing.packets) == [PACKETS[0], short, *PACKETS[2:]]


def test_several_dumps_come_in_order_each_with_its_own() -> None:
    other = oracle.dump(bits=12, words=range(61), sample_number=7, period_ns=45_351)
    data = DUMP + NAME + FOREIGN + other + oracle.sample_name(sample_number=7, name=b"Gulls")
    first, second = dumps(data)
    assert played(first) == DUMP + NAME
    assert (first.index, second.index) == (0, 1)
    assert (second.header.sample_number, second.sample.name) == (7, "Gulls")
    assert words_of(second) == list(range(61))


def test_loops_and_names_of_other_samples_are_played_and_change_nothing_here() -> None:
    others = [
        oracle.sample_name(sample_number=9, name=b"Gulls"),
        oracle.loop_points(sample_number=9, loop_number=1),
        oracle.loop_points(sample_number=9, loop_number=16_383),  # deletes all of that one's
    ]
    dump = only(DUMP + NAME + LOOP + b"".join(others))
    assert dump.outgoing.after == (NAME, LOOP, *others)
    assert dump.sample.name == "Thunder"
    assert [number for number, _ in dump.sample.loops] == [2]


def test_a_packet_that_stands_there_twice_is_played_twice_and_counts_once() -> None:
    # sent again is not stored again: that is what the running number is for (M1 p. 39)
    twice = [*PACKETS[:2], PACKETS[1], *PACKETS[2:]]
    dump = only(HEADER + b"".join(twice))
    assert list(dump.outgoing.packets) == twice
    assert words_of(dump) == WORDS


def test_packets_of_silence_are_no_repeats() -> None:
    silence = oracle.dump(bits=16, words=[0] * 120, sample_number=1, period_ns=22_676)
    assert words_of(only(silence)) == [0] * 120


def test_the_judge_says_of_each_dump_what_it_says_of_the_file() -> None:
    wrong = DUMP[:50] + bytes([DUMP[50] ^ 1]) + DUMP[51:]
    first, second = dumps(DUMP + wrong)
    assert first.findings == ()
    assert [(finding.clause, finding.verdict) for finding in second.findings] == [
        ("PKT-05", Verdict.BROKEN)
    ]


# What cannot be played


def left_out(data: bytes) -> list[Fragment]:
    return [each for _, each in contents(file_of(data)) if isinstance(each, Fragment)]


def test_packets_before_any_header_are_left_out_and_told() -> None:
    (what,) = left_out(FOREIGN + PACKETS[2] + PACKETS[3] + DUMP)
    assert what == Fragment(file="desk.syx", byte=6, packets=2, damaged=False)
    assert played(only(FOREIGN + PACKETS[2] + PACKETS[3] + DUMP)) == DUMP


def test_a_dump_whose_header_is_damaged_is_left_out_told_and_counted() -> None:
    torn = HEADER[:9] + HEADER[10:] + b"".join(PACKETS)
    data = DUMP + torn + DUMP
    (what,) = left_out(data)
    assert what == Fragment(file="desk.syx", byte=len(DUMP), packets=4, damaged=True)
    # `dryload explain --dump` counts it, so the one behind it is the third
    assert [dump.index for dump in dumps(data)] == [0, 2]


def test_other_messages_before_a_header_are_no_loss() -> None:
    assert left_out(FOREIGN + NOTE + DUMP) == []


@pytest.mark.parametrize("bits", [0, 7, 29, 127])
def test_a_width_that_does_not_exist_can_be_played(bits: int) -> None:
    # HDR-03: 8 to 28 (M1 p. 37); what a unit makes of it is for the unit to say
    data = HEADER[:6] + bytes([bits]) + HEADER[7:] + b"".join(PACKETS)
    dump = only(data)
    assert played(dump) == data
    assert dump.header.bits == bits
    assert "HDR-03" in {finding.clause for finding in dump.findings}


def test_a_header_without_packets_rate_or_channels_can_be_played() -> None:
    for data in (
        HEADER,
        oracle.dump(bits=16, words=[], sample_number=1, period_ns=0),
        oracle.extended_header(sample_number=1, bits=16, rate_integer=0, length=5, channels=0),
    ):
        dump = only(data)
        assert played(dump) == data
        assert len(dump.sample.words) == 0


# Under another address


def test_another_device_id_changes_the_id_and_what_it_does_to_the_checksum() -> None:
    dump = readdressed(only(DUMP + NAME + LOOP), device_id=16)
    expected = oracle.dump(device_id=16, bits=16, words=WORDS, sample_number=1, period_ns=22_676)
    assert b"".join([dump.outgoing.header, *dump.outgoing.packets]) == expected
    assert dump.outgoing.after == (
        oracle.sample_name(device_id=16, sample_number=1, name=b"Thunder"),
        oracle.loop_points(
            device_id=16, sample_number=1, loop_number=2, loop_type=0, loop_start=3, loop_end=90
        ),
    )
    assert dump.header.device_id == 16
    assert words_of(dump) == WORDS


def test_a_wrong_checksum_stays_as_wrong_as_it_was() -> None:
    wrong = PACKETS[1][:125] + bytes([PACKETS[1][125] ^ 0x15]) + b"\xf7"
    dump = readdressed(only(HEADER + PACKETS[0] + wrong + b"".join(PACKETS[2:])), device_id=99)
    sums = [oracle.checksum(packet) ^ packet[125] for packet in dump.outgoing.packets]
    assert sums == [0, 0x15, 0, 0]
    assert {packet[2] for packet in dump.outgoing.packets} == {99}


def test_a_dump_for_everybody_can_be_addressed_to_one_and_back() -> None:
    dump = only(DUMP)
    there = readdressed(dump, device_id=127)
    assert {there.header.device_id, there.outgoing.header[2]} == {127}
    assert played(readdressed(there, device_id=0)) == DUMP


@pytest.mark.parametrize("kind", ["lost_byte", "added_byte", "status_byte_in_data", "missing_f7"])
def test_a_torn_packet_keeps_its_length_under_another_id(kind: str) -> None:
    for seed in range(40):
        rng = random.Random(seed)
        made = damage.random_dump(rng, minimum_packets=2, long_share=0)
        before = only(damage.KINDS[kind](made.data, rng).data)
        other = (made.device_id + 1) % 127
        after = readdressed(before, device_id=other)
        for one, two in zip(before.outgoing.packets, after.outgoing.packets, strict=True):
            changed = [at for at in range(len(one)) if one[at] != two[at]]
            assert len(one) == len(two)
            assert set(changed) <= {2, 125}, seed
            assert changed == [] or one[2] != other == two[2]


def test_what_is_left_of_a_packet_without_its_front_stays_as_it_is() -> None:
    for torn in (PACKETS[1][1:], PACKETS[1][:1] + PACKETS[1][2:]):  # F0 or 7E lost
        dump = only(HEADER + PACKETS[0] + torn + PACKETS[2])
        assert dump.outgoing.packets[1] == torn
        assert readdressed(dump, device_id=9).outgoing.packets[1] == torn


def test_another_number_changes_header_loops_and_name_of_this_sample_only() -> None:
    other = oracle.sample_name(sample_number=9, name=b"Gulls")
    dump = readdressed(only(DUMP + NAME + LOOP + other), sample_number=300)
    assert dump.outgoing.header == oracle.header(
        sample_number=300, bits=16, period_ns=22_676, length=121
    )
    assert list(dump.outgoing.packets) == PACKETS
    assert dump.outgoing.after == (
        oracle.sample_name(sample_number=300, name=b"Thunder"),
        oracle.loop_points(
            sample_number=300, loop_number=2, loop_type=0, loop_start=3, loop_end=90
        ),
        other,
    )
    assert dump.header.sample_number == 300
    assert dump.sample.name == "Thunder"


def test_a_name_with_its_number_high_byte_first_keeps_that_order() -> None:
    # the examples of CA-019 p. 4 put the high byte first: 00 01 is sample 1 there
    name = b"\xf0\x7e\x00\x05\x03\x00\x01\x00\x04Bell\xf7"
    dump = only(DUMP + name)
    assert dump.sample.name == "Bell"
    moved = readdressed(dump, sample_number=2)
    assert moved.outgoing.after == (b"\xf0\x7e\x00\x05\x03\x00\x02\x00\x04Bell\xf7",)


def test_both_at_once_and_an_extended_header_too() -> None:
    def made(**address: int) -> bytes:
        return oracle.dump(words=range(60), extended=True, bits=20, rate_integer=44_100, **address)

    moved = readdressed(
        only(made(device_id=3, sample_number=1)), sample_number=16_383, device_id=126
    )
    assert played(moved) == made(device_id=126, sample_number=16_383)


def test_nothing_asked_changes_nothing() -> None:
    dump = only(DUMP + NAME)
    assert played(readdressed(dump)) == DUMP + NAME


@pytest.mark.parametrize(
    "address", [{"device_id": 128}, {"device_id": -1}, {"sample_number": 16_384}]
)
def test_an_address_that_no_message_can_say_is_refused(address: dict[str, int]) -> None:
    with pytest.raises(ValueError, match=r"127|fit"):
        readdressed(only(DUMP), **address)


def numbers_of(data: Sequence[bytes]) -> list[int]:
    return [packet[4] for packet in data]


def test_a_long_dump_wraps_its_numbers_and_is_played_whole() -> None:
    # 5,160 words of 16 bits are 129 packets, the last with number 00 (M1 p. 39)
    data = oracle.dump(bits=16, words=[5] * 5160, sample_number=1, period_ns=22_676)
    dump = only(data)
    assert numbers_of(dump.outgoing.packets) == [*range(128), 0]
    assert played(dump) == data
