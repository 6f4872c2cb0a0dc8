"""Whole dumps from a sample to the line, into a unit and back, against the plain codec."""

from __future__ import annotations

import random
from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import outgoing, sample_from
from dryload.emulator.dump.requester import Requester
from dryload.emulator.dump.sample import Loop, Sample
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.unit.traits import SlotTraits
from dryload.emulator.wire.messages import (
    DumpHeader,
    ExtendedLoopPointsRequest,
    LoopPointsRequest,
    SampleNameRequest,
)
from tests import damage, oracle, strategies
from tests.line.players import FROM, TO
from tests.model.test_transfer_machine import ANYWHERE
from tests.unit.desk import Desk, noise, sample_of, words_of
from tests.unit.rack import profile_of

EVERYTHING = """
[words]
accepts = [{widths}]
channels = [1, 2, 3]
[slots]
name_length = 127
[input]
store_header_ms = {header_ms}
store_packet_ms = {packet_ms}
[habits]
wait_before_ack = {wait}
answers = {answers}
""".replace("{widths}", ", ".join(map(str, range(8, 29))))
TRUTH = st.booleans()
QUICK = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def unit_text(*, header_ms: int = 5, packet_ms: int = 2, wait: bool, answers: bool) -> str:
    return EVERYTHING.format(
        header_ms=header_ms,
        packet_ms=packet_ms,
        wait=str(wait and answers).lower(),
        answers=str(answers).lower(),
    )


@pytest.mark.parametrize("seed", range(40))
def test_a_dump_passes_as_the_plain_codec_writes_it_and_comes_back_the_same(seed: int) -> None:
    rng = random.Random(seed)
    dump = damage.random_dump(rng, long_share=0.2)
    packet_ms, wait, answers = rng.choice([0, 2, 17, 60]), rng.random() < 0.5, rng.random() < 0.8
    made = profile_of(unit_text(packet_ms=packet_ms, wait=wait, answers=answers))
    desk = Desk(
        replace(
            made,
            unit=replace(made.unit, device_id=dump.device_id),
            slots=SlotTraits(first_number=dump.sample_number, count=1),
        )
    )
    sample = sample_of(
        dump.words,
        bits=dump.bits,
        period_ns=dump.period_ns,
        sustain=Loop(start=dump.loop_start, end=dump.loop_end, loop_type=dump.loop_type),
    )
    sender = desk.send(sample, dump.sample_number, device_id=dump.device_id)
    assert sender.end is SenderEnd.SENT
    assert desk.line.capture.bytes_of(TO) == dump.data
    assert desk.words_in(1) == list(dump.words)
    desk.line.advance(1_000_000_000)  # its last answers
    before = len(desk.line.capture.bytes_of(FROM))
    requester = desk.read(dump.sample_number, device_id=dump.device_id)
    assert words_of(requester) == list(dump.words)
    assert desk.line.capture.bytes_of(FROM)[before:] == dump.data


def same(one: Sample, other: Sample) -> bool:
    """Whether two samples are the same in everything a unit keeps."""
    return (
        np.array_equal(one.words, other.words)
        and (one.bits, one.rate, one.channels, one.name)
        == (
            other.bits,
            other.rate,
            other.channels,
            other.name,
        )
        and (one.sustain, one.loops) == (other.sustain, other.loops)
    )


@given(sample=strategies.samples(extended=True) | strategies.samples(), wait=TRUTH)
@QUICK
def test_a_sample_with_loops_and_name_comes_back_the_same(sample: Sample, wait: bool) -> None:
    desk = Desk(unit_text(wait=wait, answers=True))
    sender = Sender(outgoing(sample, number=3, device_id=0))
    desk.line.connect(sender)
    sender.start(0)
    assert desk.line.run(lambda: sender.end is not None and not sender.has_more_to_send)
    far = max((max(loop.start, loop.end) for _, loop in sample.loops), default=0) >= 1 << 21
    strange = any(loop.loop_type not in (0, 1, 127) for _, loop in sample.loops)
    ask = ExtendedLoopPointsRequest if far or strange else LoopPointsRequest
    requester = Requester(
        device_id=0,
        sample_number=3,
        questions=[
            ask(device_id=0, sample_number=3, loop_number=number) for number, _ in sample.loops
        ]
        + [SampleNameRequest(device_id=0, sample_number=3)],
    )
    desk.line.connect(requester)
    requester.start(desk.now_ns)
    assert desk.line.run(lambda: requester.is_over)
    collected = requester.collected
    assert collected.header is not None
    data = np.frombuffer(b"".join(packet.data for packet in collected.packets), np.uint8)
    if isinstance(collected.header, DumpHeader):
        # HDR-05: a period is whole nanoseconds
        sample = replace(sample, rate=Fraction(1_000_000_000, sample.period_ns))
    assert same(sample_from(collected.header, data, requester.more), sample)


def test_more_than_128_packets_wrap_their_numbers_both_ways() -> None:
    # PKT-03 (M1 p. 39): 7F is followed by 00
    words = noise(40 * 300 + 1)
    desk = Desk()
    assert desk.send(sample_of(words)).end is SenderEnd.SENT
    assert desk.words_in(1) == words
    assert words_of(desk.read()) == words
    numbers = [p.data[4] for p in desk.line.capture.passages if len(p.data) == 127]
    assert numbers == [number % 128 for number in range(301)] * 2


def test_an_empty_sample_is_a_header_and_its_answer() -> None:
    # HDR-15: the standard does not say; header only
    desk = Desk()
    assert desk.send(sample_of([])).end is SenderEnd.SENT
    assert desk.words_in(1) == []
    assert words_of(desk.read()) == []
    assert len(desk.line.capture.bytes_of(TO)) == 21 + 7 + 6


def test_stereo_counts_frames_and_sends_all_words() -> None:
    # EXT-06 (CA-019 p. 3)
    words = noise(2 * 50, 16)
    desk = Desk(unit_text(wait=False, answers=True))
    stereo = Sample(words=np.array(words, np.int16), bits=16, rate=Fraction(48_000), channels=2)
    assert desk.send(stereo).end is SenderEnd.SENT
    passed = desk.line.capture.bytes_of(TO)
    assert passed == oracle.dump(
        bits=16, words=words, extended=True, sample_number=0, rate_integer=48_000, channels=2
    )
    assert desk.words_in(1) == words


# the same again, to the byte


def played(
    words: Sequence[int], bits: int, disturbances: Sequence[Disturbance], wait: bool
) -> object:
    """All that can be seen of one transfer and one reading back over a bad line."""
    desk = Desk(
        unit_text(wait=wait, answers=True) + "active_sensing = true\nclock_bpm = 100\n",
        disturbances,
    )
    sender = desk.start(sample_of(words, bits=bits))
    if not desk.line.run(lambda: sender.end is not None, until_ns=60_000_000_000):
        sender.stop(desk.now_ns)
    desk.line.advance(20_000_000_000)
    desk.read()
    return (desk.line.capture, desk.events, desk.host_events, desk.words_in(1), desk.now_ns)


@given(
    seed=st.integers(0, 2**32),
    count=st.integers(1, 200),
    bits=st.integers(8, 28),
    disturbances=ANYWHERE,
    wait=TRUTH,
)
@QUICK
def test_the_same_seed_and_the_same_disturbances_make_the_same_capture(
    seed: int, count: int, bits: int, disturbances: list[Disturbance], wait: bool
) -> None:
    first = played(noise(count, bits, seed), bits, disturbances, wait)
    again = played(noise(count, bits, seed), bits, disturbances, wait)
    assert first == again
