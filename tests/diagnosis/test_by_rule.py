"""What follows a rule is no chance: faults of no list, each known by what it has throughout.

Forms of messages are those of M1 pp. 35-39, what ends a message that of M1 table VII.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest
from msgspec.structs import replace

from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import DumpHeader
from dryload.harness.diagnose.confidence import Confidence
from dryload.harness.diagnose.diagnose import CaptureDiagnosis, diagnose
from dryload.harness.diagnose.scene import Source
from dryload.harness.files.recorded import TakenAt
from tests import oracle
from tests.judge.talking import Tape, header, packets, say, usual

SUMS = "checksums wrong in the dump"
OTHERS = "another sender on the cable"
REPLY_LOST = "answers lost on the way back"
PACKED = "words packed wrongly"
STUCK = "stuck data bit"
NUMBERS = "packets numbered wrongly"
SPOILED = "header spoiled on the way"
AGAIN = "header sent again in the middle"
SURE = (Confidence.CERTAIN, Confidence.VERY_LIKELY)


def told(
    tape: Tape, taken_at: TakenAt, *sources: Source, is_timed: bool = True
) -> CaptureDiagnosis:
    """What is said of a recording."""
    return diagnose(replace(tape.recorded(is_timed=is_timed), taken_at=taken_at), sources)


def first(found: CaptureDiagnosis) -> str:
    """The cause that is named first."""
    return "" if found.first is None else found.first.name


def source(head: bytes, bodies: Sequence[bytes]) -> Source:
    """A dump that was to be sent."""
    made = decode(head)
    assert isinstance(made, DumpHeader)
    return Source(name="source", header=made, packets=tuple(bodies))


def sent(head: bytes, bodies: Sequence[bytes], *, answer: str = "ACK") -> Tape:
    """Send a dump of which every packet gets the same answer."""
    tape = Tape()
    tape.to(head).back(say("ACK"))
    for place, body in enumerate(bodies):
        tape.to(body).back(say(answer, place))
    return tape


# Checksums.

Rule = Callable[[list[bytes], int], int]


def before(bodies: list[bytes], at: int) -> int:
    """The checksum of the packet before."""
    return bodies[at - 1][-2]


def short_by_one(bodies: list[bytes], at: int) -> int:
    """The exclusive or of all bytes but the last one."""
    return oracle.checksum(bodies[at]) ^ bodies[at][-3]


@pytest.mark.parametrize("rule", [before, short_by_one])
@pytest.mark.parametrize("taken_at", [TakenAt.LINE, TakenAt.UNIT])
def test_nothing_but_the_checksum_is_not_the_source_s(rule: Rule, taken_at: TakenAt) -> None:
    right = packets(5)
    wrong = [each[:-2] + bytes([rule(right, at), 0xF7]) for at, each in enumerate(right)]
    tape = sent(header(5), wrong, answer="NAK")
    assert first(told(tape, taken_at, source(header(5), right))) == SUMS


def test_one_packet_with_the_same_wrong_checksum_each_time() -> None:
    right = packets(5)
    wrong = right[0][:-2] + bytes([short_by_one(right, 0), 0xF7])
    tape = Tape().to(header(5)).back(say("ACK"))
    for _ in range(4):
        tape.to(wrong).back(say("NAK"))
    assert first(told(tape, TakenAt.LINE, source(header(5), right))) == SUMS


def test_altered_data_are_no_wrong_checksums() -> None:
    right = packets(5)
    wrong = [
        each[: 20 + at] + bytes([each[20 + at] ^ 1 << at]) + each[21 + at :]
        for at, each in enumerate(right)
    ]
    tape = sent(header(5), wrong, answer="NAK")
    assert first(told(tape, TakenAt.LINE, source(header(5), right))) == "bytes altered on the way"


# Two senders.


def in_turns(widths: tuple[int, int] = (16, 20)) -> Tape:
    """One host sends a dump, and another one begins its own after two packets of it."""
    heads, bodies = [], []
    for number, bits in enumerate(widths, start=1):
        content = [(1021 * number * at) % (1 << bits) - (1 << (bits - 1)) for at in range(200)]
        heads.append(oracle.header(sample_number=number, bits=bits, period_ns=22_676, length=200))
        bodies.append(oracle.packets(bits=bits, words=content))
    tape = Tape()
    usual(tape, 0, heads[0])
    for place in range(2):
        usual(tape, place, bodies[0][place])
    usual(tape, 0, heads[1])
    for place in range(5):
        usual(tape, place, bodies[1][place])
        if place < 3:
            usual(tape, place + 2, bodies[0][place + 2])
    return tape


@pytest.mark.parametrize("widths", [(16, 20), (20, 16), (16, 16), (24, 16)])
@pytest.mark.parametrize("taken_at", [TakenAt.LINE, TakenAt.UNIT])
def test_two_dumps_in_turns_are_of_two_senders(widths: tuple[int, int], taken_at: TakenAt) -> None:
    assert first(told(in_turns(widths), taken_at)) == OTHERS


def test_a_dump_that_is_begun_anew_is_of_one_sender() -> None:
    tape = Tape()
    for count in (3, 8):
        for place, each in enumerate([header(8), *packets(8)[:count]], start=-1):
            usual(tape, place, each)
    assert OTHERS not in [each.name for each in told(tape, TakenAt.LINE).causes]


@pytest.mark.parametrize("taken_at", list(TakenAt))
@pytest.mark.parametrize("every", [1, 3])
def test_a_header_that_comes_again_within_its_dump(taken_at: TakenAt, every: int) -> None:
    """For a unit each header begins a dump (M1 p. 39)."""
    tape = Tape()
    for place, each in enumerate(packets(8)):
        if place % every == 0:
            usual(tape, 0, header(8))
        usual(tape, place, each)
    assert first(told(tape, taken_at)) == AGAIN


# Answers that the sender does not hear.


@pytest.mark.parametrize("is_timed", [True, False])
def test_a_sender_that_hears_no_answer_any_more(is_timed: bool) -> None:
    """At the unit its answers are seen to leave; the sender repeats a packet all the same."""
    tape = sent(header(8), packets(8)[:3])
    for _ in range(4):
        tape.to(packets(8)[3], after_ms=500).back(say("ACK", 3))
    found = told(tape, TakenAt.UNIT, is_timed=is_timed)
    assert first(found) == REPLY_LOST
    assert found.confidence not in SURE


def test_a_sender_that_hears_the_answers_repeats_what_is_twice() -> None:
    tape = sent(header(8), packets(8)[:4])
    for place, each in enumerate(packets(8)[3:], start=3):
        usual(tape, place, each)
    assert first(told(tape, TakenAt.LINE)) == "packet twice in the dump"


# Bytes.


def eight_bits(number: int) -> bytes:
    """A packet whose words fill their two bytes with sixteen bits."""
    data = b"".join(((1021 * (40 * number + at)) % 65_536).to_bytes(2) for at in range(60))
    return bytes((0xF0, 0x7E, 0, 2, number)) + data + bytes((0x55, 0xF7))


@pytest.mark.parametrize("taken_at", [TakenAt.HOST, TakenAt.LINE, TakenAt.UNIT])
def test_bytes_that_use_all_eight_bits(taken_at: TakenAt) -> None:
    tape = Tape().to(header(4))
    for number in range(4):
        tape.to(eight_bits(number), after_ms=25)
    assert first(told(tape, taken_at)) == PACKED


def test_one_packet_with_high_bytes_is_damaged() -> None:
    tape = Tape().to(header(4))
    for number, each in enumerate(packets(4)):
        tape.to(eight_bits(number) if number == 2 else each, after_ms=25)
    assert PACKED not in [each.name for each in told(tape, TakenAt.LINE).causes]


def stuck(body: bytes, bit: int = 0x40) -> bytes:
    """A packet of which each data byte arrives with one bit set, its checksum included."""
    return body[:5] + bytes(each | bit for each in body[5:-1]) + body[-1:]


def overlooked(length: int) -> list[bytes]:
    """Packets in which an even number of bytes lacks a bit, so that the checksum stays right."""
    content = [(977 * at) % 65_536 - 32_768 for at in range(length)]
    for at in range(length):
        for low in range(64):
            content[at] = content[at] & ~63 | low
            made = oracle.packets(bits=16, words=content)
            if all(
                oracle.checksum(stuck(each)) == stuck(each)[-2] for each in made[: at // 40 + 1]
            ):
                break
    return oracle.packets(bits=16, words=content)


@pytest.mark.parametrize("is_stuck", [True, False])
def test_a_bit_that_is_stuck_shows_in_a_single_packet_that_never_passes(is_stuck: bool) -> None:
    """Set in all 120 data bytes, unused bits too (M1 p. 39); in the control one byte is wrong."""
    firsts = (oracle.packet(number=0, data=each[5:-2]) for each in packets(40))
    right = next(each for each in firsts if not each[-2] & 0x40)
    spoilt = (
        stuck(right)[:-2] + right[-2:]
        if is_stuck
        else right[:9] + bytes([right[9] ^ 0x40]) + right[10:]
    )
    tape = Tape().to(header(4)).back(say("ACK"))
    for answer in ("NAK", "NAK", "CANCEL"):
        tape.to(spoilt).back(say(answer))

    assert (first(told(tape, TakenAt.LINE)) == STUCK) is is_stuck


@pytest.mark.parametrize("with_source", [True, False])
def test_a_bit_that_is_stuck_where_every_checksum_fits(with_source: bool) -> None:
    right = overlooked(90)
    head = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=90)
    arrived = [stuck(each) for each in right]
    assert all(oracle.checksum(each) == each[-2] for each in arrived)
    sources = (source(head, right),) if with_source else ()
    assert first(told(sent(head, arrived), TakenAt.UNIT, *sources)) == STUCK


# Numbers.


@pytest.mark.parametrize("taken_at", [TakenAt.HOST, TakenAt.LINE])
def test_a_packet_that_is_sent_again_under_the_next_number(taken_at: TakenAt) -> None:
    content = oracle.packets(bits=16, words=[(1021 * at) % 65_536 - 32_768 for at in range(230)])
    data = [each[5:-2] for each in content]
    data.insert(3, data[2])
    tape = Tape().to(oracle.header(sample_number=1, bits=16, period_ns=22_676, length=230))
    tape.back(say("ACK"))
    for number, each in enumerate(data):
        body = oracle.packet(number=number, data=each)
        if number == 2 and taken_at is TakenAt.LINE:
            body = body[:50] + bytes([body[50] ^ 4]) + body[51:]
        tape.to(body).back(say("NAK" if number == 2 else "ACK", number))
    assert first(told(tape, taken_at)) == NUMBERS


@pytest.mark.parametrize("taken_at", [TakenAt.HOST, TakenAt.LINE, TakenAt.UNIT])
@pytest.mark.parametrize("count", [1, 5])
def test_numbers_beside_those_of_the_source(taken_at: TakenAt, count: int) -> None:
    """The sound is the source's, packet for packet, under numbers from 1 (M1 p. 39: from 0)."""
    right = packets(8)
    tape = Tape().to(header(8))
    for number, each in enumerate(right[:count], start=1):
        tape.to(oracle.packet(number=number, data=each[5:-2]), after_ms=25)
    assert first(told(tape, taken_at, source(header(8), right))) == NUMBERS


def test_a_lost_packet_leaves_the_others_their_numbers() -> None:
    right = packets(8)
    tape = sent(header(8), right[:3])
    tape.now_ns += 60_000_000
    for number, each in enumerate(right[4:], start=4):
        tape.to(each).back(say("ACK", number))
    assert first(told(tape, TakenAt.LINE, source(header(8), right))) == "messages lost on the way"


def test_two_packets_that_sound_alike_are_two() -> None:
    one = packets(1)[0][5:-2]
    tape = Tape().to(header(6)).back(say("ACK"))
    for number in range(6):
        tape.to(oracle.packet(number=number, data=one)).back(say("ACK", number))
    assert not told(tape, TakenAt.LINE).causes


@pytest.mark.parametrize("number", [0, 3, 5])
def test_a_number_beside_the_source_s_may_be_meant(number: int) -> None:
    """One bit of the number differs: turned over on the way, or another place to send it to."""
    found = told(
        sent(header(4, sample_number=number), packets(4)),
        TakenAt.UNIT,
        source(header(4), packets(4)),
    )
    assert first(found) == SPOILED
    assert found.confidence not in SURE
