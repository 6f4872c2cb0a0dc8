"""A general-purpose audio library as a foreign writer and reader of sample dumps.

Where it and the standard agree, it is a second opinion on every byte.  Where they differ, the
standard decides, spoken by the tests' own plain codec; the difference is written down here, so that
nobody mistakes it for ours.  Observed with libsndfile 1.2.2; M1 pages are those of the MIDI 1.0
Detailed Specification 4.2.1.
"""

import io
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.outgoing import outgoing, whole_sequence
from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.words import word_dtype
from dryload.harness.files.dumpfile import load
from dryload.harness.jobs.convert import FromFile, decode_file
from tests import oracle

SUBTYPES = {8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}
HEADER = 21  # bytes (M1 p. 37)
PERIOD_LOW, LOOP_TYPE = 7, 19  # offsets in the header (M1 p. 37)

VERSION = "1.2.2"
observed = pytest.mark.skipif(
    soundfile.__libsndfile_version__ != VERSION,
    reason=f"a habit of libsndfile {VERSION}; here is {soundfile.__libsndfile_version__}",
)
every_width = pytest.mark.parametrize("bits", SUBTYPES)


def theirs(words: list[int], bits: int, rate: int = 44_100) -> bytes:
    """A dump as the library writes it; it wants words left-justified in 32 bits."""
    target = io.BytesIO()
    full = (np.array(words, np.int64) << (32 - bits)).astype(np.int32)
    soundfile.write(target, full, rate, format="SDS", subtype=SUBTYPES[bits])
    return target.getvalue()


def ours(words: list[int], bits: int, rate: int = 44_100) -> bytes:
    sample = Sample(words=np.array(words, word_dtype(bits)), bits=bits, rate=Fraction(rate))
    return b"".join(whole_sequence(outgoing(sample, number=0, device_id=0)))


def plain(words: list[int], bits: int, period_ns: int = 22_676) -> bytes:
    return oracle.dump(sample_number=0, bits=bits, period_ns=period_ns, words=words)


def read_by_them(dump: bytes, bits: int) -> list[int]:
    frames, _ = soundfile.read(io.BytesIO(dump), dtype="int32")
    return [int(word) >> (32 - bits) for word in frames]


def taken(folder: Path, dump: bytes) -> FromFile:
    path = folder / "theirs.sds"
    path.write_bytes(dump)
    return decode_file(str(path))


def word_lists(bits: int, packets: st.SearchStrategy[int]) -> st.SearchStrategy[list[int]]:
    """Words that fill whole packets."""
    top = 2 ** (bits - 1)
    step = oracle.words_per_packet(bits)
    return packets.flatmap(
        lambda count: st.lists(
            st.integers(-top, top - 1), min_size=count * step, max_size=count * step
        )
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("theirs")


@every_width
@given(st.data())
def test_whole_packets_are_the_same_byte_for_byte(bits: int, data: st.DataObject) -> None:
    words = data.draw(word_lists(bits, st.integers(1, 3)))
    dump = theirs(words, bits)
    assert dump[HEADER:] == ours(words, bits)[HEADER:] == plain(words, bits)[HEADER:]


@every_width
def test_the_packet_number_wraps_alike(bits: int) -> None:
    """130 packets: 7F is followed by 00 (M1 p. 39)."""
    top = 2 ** (bits - 1)
    count = 130 * oracle.words_per_packet(bits)
    words = [(7919 * i) % (2 * top) - top for i in range(count)]
    assert theirs(words, bits)[HEADER:] == ours(words, bits)[HEADER:]


@every_width
@given(st.data())
def test_their_whole_packets_are_read_right(folder: Path, bits: int, data: st.DataObject) -> None:
    words = data.draw(word_lists(bits, st.integers(1, 3)))
    found = taken(folder, theirs(words, bits))
    assert found.contents.is_whole
    assert found.sample.words.tolist() == words


@every_width
@given(st.data())
def test_they_read_our_whole_packets(bits: int, data: st.DataObject) -> None:
    words = data.draw(word_lists(bits, st.integers(2, 4)))
    assert read_by_them(ours(words, bits), bits) == words


def test_their_file_is_a_dump_to_us_whatever_its_name(tmp_path: Path) -> None:
    path = tmp_path / "bell.wav"
    dump = theirs(list(range(40)), 16)
    path.write_bytes(dump)
    assert load(str(path)).data == dump


# Where the library and the standard differ.


@observed
@pytest.mark.parametrize(
    ("rate", "their_period", "nearest"),
    [(44_100, 22_675, 22_676), (48_000, 20_833, 20_833), (96_000, 10_416, 10_417)],
)
def test_their_period_is_cut_off_and_ours_is_the_nearest(
    rate: int, their_period: int, nearest: int
) -> None:
    """HDR-05, a recommendation: the nearest nanosecond; 1e9 / rate is 22,675.74 for 44,100 Hz."""
    words = list(range(40))
    assert oracle.from_n7(theirs(words, 16, rate)[7:10]) == their_period
    assert ours(words, 16, rate) == plain(words, 16, nearest)
    assert round(Fraction(10**9, rate)) == nearest


@observed
def test_their_loop_type_says_a_loop_where_there_is_none(tmp_path: Path) -> None:
    """M1 p. 37: 7F is off; 00 with a loop from 0 to 0 is a loop of one word."""
    words = list(range(40))
    dump = theirs(words, 16)
    assert (dump[LOOP_TYPE], dump[13:19]) == (0x00, bytes(6))
    assert ours(words, 16)[LOOP_TYPE] == oracle.NO_LOOP
    assert taken(tmp_path, dump).sample.sustain.loop_type == 0x00  # as it stands


@observed
@every_width
def test_only_these_two_header_bytes_differ(bits: int) -> None:
    words = [0] * oracle.words_per_packet(bits)
    pairs = zip(theirs(words, bits), plain(words, bits), strict=True)
    assert [at for at, (a, b) in enumerate(pairs) if a != b] == [PERIOD_LOW, LOOP_TYPE]


# Words of a short last packet, at least, for their writer to keep them.
KEPT_FROM = {8: 37, 16: 10, 24: 1}


@observed
@every_width
@pytest.mark.parametrize("packets", [0, 1, 3])
def test_their_writer_spoils_a_short_last_packet(tmp_path: Path, bits: int, packets: int) -> None:
    """M1 p. 39: the words that there are, then filler 00.

    Theirs leaves words of the packet before, or silence, in place of the filler, and loses words
    where there are few.  The checksum fits, so only the source shows it.
    """
    step, size = oracle.words_per_packet(bits), oracle.bytes_per_word(bits)
    top = 2 ** (bits - 1)
    for extra in range(1, step):
        # Neither 0 nor the lowest word, which a spoiled packet might hold by chance.
        words = [(i * 7919) % (top - 1) + 1 for i in range(packets * step + extra)]
        dump, right = theirs(words, bits), plain(words, bits)
        last = len(right) - oracle.PACKET_BYTES
        assert ours(words, bits)[HEADER:] == right[HEADER:]
        assert len(dump) == len(right)
        assert dump[HEADER:last] == right[HEADER:last]
        data = dump[last + 5 : last + 125]
        assert any(data[extra * size :]), "filler that is not 00 (PKT-08)"
        found = taken(tmp_path, dump)
        assert found.contents.is_whole
        there = oracle.bytes_to_words(data, bits)[:extra]
        assert found.sample.words.tolist() == words[: packets * step] + there
        assert (there == words[packets * step :]) == (extra >= KEPT_FROM[bits])


@observed
@every_width
def test_their_reader_spoils_a_short_last_packet_that_is_right(folder: Path, bits: int) -> None:
    """The same dump, right by M1 p. 39, read by them and by us."""
    step = oracle.words_per_packet(bits)
    words = list(range(1, step + 8))
    right = plain(words, bits)
    assert oracle.read_dump(right).words == words
    assert taken(folder, right).sample.words.tolist() == words
    by_them = read_by_them(right, bits)
    assert by_them[:step] == words[:step]
    assert by_them != words


@observed
@every_width
def test_their_reader_finds_nothing_in_a_dump_of_one_packet(folder: Path, bits: int) -> None:
    words = list(range(1, oracle.words_per_packet(bits) + 1))
    right = plain(words, bits)
    assert read_by_them(right, bits) == []
    assert taken(folder, right).sample.words.tolist() == words
