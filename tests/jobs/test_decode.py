"""Dumps to sample words, right ones and damaged ones (M1 pp. 37-39)."""

import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.sample import NO_LOOP, Loop
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.convert import FromFile, decode_file
from dryload.harness.judge.plan import rate_of
from tests import damage, oracle


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder for all: the property tests need no new one for every example."""
    return tmp_path_factory.mktemp("bench")


def decoded(bench: Path, content: bytes, number: int | None = None) -> FromFile:
    path = bench / "dump.syx"
    path.write_bytes(content)
    return decode_file(str(path), number)


# Where the damaged packet's words may be anything, but everything else must be in its place.
STAYS_IN_PLACE = sorted(set(damage.KINDS) - {"wrong_packet_number", "swapped_packets"})


@settings(max_examples=30)
@given(seed=st.integers(0, 2**32))
@pytest.mark.parametrize("name", STAYS_IN_PLACE)
def test_damage_to_one_packet_moves_no_other_word(bench: Path, name: str, seed: int) -> None:
    kind, rng = damage.KINDS[name], random.Random(seed)
    dump = damage.random_dump(rng, minimum_packets=kind.minimum_packets)
    harmed = kind(dump.data, rng)
    assert harmed.packet is not None
    if dump.packets == 1 and name not in (
        "wrong_checksum",
        "flipped_data_bit",
        "doubled_packet",
        "other_device_id",
    ):
        with pytest.raises(Problem, match="holds no sound"):
            decoded(bench, harmed.data)
        return
    taken = decoded(bench, harmed.data)
    step = oracle.words_per_packet(dump.bits)
    lost = range(harmed.packet * step, (harmed.packet + 1) * step)
    words = taken.sample.words.tolist()
    kept = [at for at in range(len(dump.words)) if at not in lost]
    if harmed.packet == dump.packets - 1:
        assert len(words) >= lost.start
    else:
        assert len(words) == len(dump.words)
    assert [words[at] for at in kept] == [dump.words[at] for at in kept]
    harmless = name in ("doubled_packet", "other_device_id")
    assert taken.contents.is_whole == harmless


@given(seed=st.integers(0, 2**32))
def test_swapped_packets_are_put_in_order(bench: Path, seed: int) -> None:
    rng = random.Random(seed)
    dump = damage.random_dump(rng, minimum_packets=2, long_share=0)
    harmed = damage.KINDS["swapped_packets"](dump.data, rng)
    assert decoded(bench, harmed.data).sample.words.tolist() == list(dump.words)


@given(seed=st.integers(0, 2**32))
def test_a_wrong_number_is_never_taken_for_a_whole_dump(bench: Path, seed: int) -> None:
    rng = random.Random(seed)
    dump = damage.random_dump(rng, minimum_packets=2, long_share=0)
    harmed = damage.KINDS["wrong_packet_number"](dump.data, rng)
    assert not decoded(bench, harmed.data).contents.is_whole


@pytest.mark.parametrize("at", range(4))
def test_no_wrong_number_of_any_packet_is_taken_for_a_whole_dump(bench: Path, at: int) -> None:
    for number in set(range(128)) - {at}:
        packets = list(PACKETS)
        packets[at] = oracle.packet(number=number, data=packets[at][5:125])
        taken = decoded(bench, DUMP[:21] + b"".join(packets))
        assert not taken.contents.is_whole, number
        if at < 3 and number != at - 1:
            # Its neighbours say where it belongs; the last one has none behind it.
            assert taken.sample.words.tolist() == WORDS
            assert (taken.contents.wrong_numbers, taken.contents.missing) == (1, 0)


WORDS = list(range(-60, 61))  # four packets of 16 bits, the last with one word
DUMP = oracle.dump(bits=16, words=WORDS, sample_number=3, period_ns=22_676)
PACKETS = oracle.packets(bits=16, words=WORDS)


def renumbered(first: int) -> bytes:
    return b"".join(
        oracle.packet(number=(first + index) % 128, data=packet[5:125])
        for index, packet in enumerate(PACKETS)
    )


@pytest.mark.parametrize("first", [0, 1, 5, 100, 127])
def test_a_sender_that_counts_from_another_number(bench: Path, first: int) -> None:
    taken = decoded(bench, DUMP[:21] + renumbered(first))
    assert taken.sample.words.tolist() == WORDS
    assert (taken.contents.missing, taken.contents.surplus) == (0, 0)


def test_numbers_that_say_nothing_are_not_followed(bench: Path) -> None:
    """Jumps of 60 each time would make a sample of mostly silence, and a huge one."""
    jumping = [oracle.packet(number=60 * index % 128, data=bytes(120)) for index in range(200)]
    header = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=2_000_000)
    taken = decoded(bench, header + b"".join(jumping))
    assert taken.sample.frames == 200 * 40


def test_a_resent_packet_replaces_the_wrong_one(bench: Path) -> None:
    wrong = PACKETS[1][:50] + bytes([PACKETS[1][50] ^ 1]) + PACKETS[1][51:]
    for pair in (wrong + PACKETS[1], PACKETS[1] + wrong):
        taken = decoded(bench, DUMP[:21] + PACKETS[0] + pair + b"".join(PACKETS[2:]))
        assert taken.sample.words.tolist() == WORDS
        assert (taken.contents.repeated, taken.contents.is_whole) == (1, True)


def test_a_missing_packet_is_silence(bench: Path) -> None:
    taken = decoded(bench, DUMP[:148] + DUMP[275:])
    assert taken.sample.words.tolist() == WORDS[:40] + [0] * 40 + WORDS[80:]
    assert (taken.contents.missing, len(taken.contents.wrecks)) == (1, 0)


def test_packets_beyond_the_last_are_left_out(bench: Path) -> None:
    taken = decoded(bench, DUMP + oracle.packet(number=4, data=bytes(120)))
    assert taken.sample.words.tolist() == WORDS
    assert (taken.contents.surplus, taken.contents.is_whole) == (1, False)


def test_real_time_bytes_do_no_harm(bench: Path) -> None:
    stream = b"".join(b"\xf8" * (at % 3) + DUMP[at : at + 1] for at in range(len(DUMP)))
    taken = decoded(bench, stream)
    assert (taken.sample.words.tolist(), taken.contents.is_whole) == (WORDS, True)


def test_one_dump_of_several(bench: Path) -> None:
    other = oracle.dump(bits=8, words=[7], sample_number=4, period_ns=22_676)
    both = oracle.identity_request() + DUMP + b"\xfe" + other
    assert (decoded(bench, both).number, decoded(bench, both).dumps) == (1, 2)
    assert decoded(bench, both, 2).sample.words.tolist() == [7]
    for number in (0, 3, -1):
        with pytest.raises(Problem, match=f"has no dump {number}: it holds dumps 1 to 2"):
            decoded(bench, both, number)


def test_a_damaged_header_hides_its_own_dump_only(bench: Path) -> None:
    other = oracle.dump(bits=8, words=[7], sample_number=4, period_ns=22_676)
    stream = DUMP + other[:9] + other[10:]
    assert decoded(bench, stream, 1).contents.is_whole
    with pytest.raises(Problem, match=r"dump 2 of .* has a damaged header"):
        decoded(bench, stream, 2)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (DUMP[21:], "has no dump header"),
        (DUMP[:21], "holds no sound: its header announces 121 words, and 0 whole packets follow"),
        (oracle.header(bits=29, length=1, sample_number=1, period_ns=1) + PACKETS[0], "of 29 bits"),
        (oracle.header(bits=7, length=1, sample_number=1, period_ns=1) + PACKETS[0], "of 7 bits"),
        (oracle.header(bits=16, length=0, sample_number=1, period_ns=1) + PACKETS[0], "0 words"),
    ],
)
def test_what_cannot_be_decoded(bench: Path, content: bytes, said: str) -> None:
    with pytest.raises(Problem, match=said) as caught:
        decoded(bench, content)
    assert str(caught.value).isprintable()


def test_a_header_that_states_no_rate(bench: Path) -> None:
    header = oracle.header(bits=16, length=40, sample_number=1, period_ns=0)
    assert rate_of(decoded(bench, header + PACKETS[0]).header) is None
    extended = oracle.extended_header(bits=16, length=40, sample_number=1, rate_integer=0)
    assert rate_of(decoded(bench, extended + PACKETS[0]).header) is None
    assert rate_of(decoded(bench, DUMP).header) is not None


def test_loop_points_of_another_sample_are_not_this_one_s(bench: Path) -> None:
    ours, other = (oracle.loop_points(sample_number=n, loop_number=1, loop_end=n) for n in (3, 4))
    taken = decoded(bench, DUMP + ours + other)
    assert taken.sample.loops == ((1, Loop(start=0, end=3, loop_type=0x7F)),)
    assert taken.sample.sustain == NO_LOOP


def test_words_are_of_the_narrowest_type(bench: Path) -> None:
    assert decoded(bench, DUMP).sample.words.dtype == np.int16
