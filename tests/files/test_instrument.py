"""Loop and root key of WAV and AIFF files, beside plain bytes and a foreign audio library."""

from __future__ import annotations

import io
import re
from fractions import Fraction

import numpy as np
import pytest
import soundfile

from dryload.emulator.dump.sample import Loop
from dryload.harness.files.audio import Recording
from tests.files import chunks
from tests.files.chunks import SmplLoop
from tests.files.test_audio import read_bytes, wav

FRAMES = 100
PLAIN = wav(list(range(FRAMES)), width=2)


def aiff(frames: int = FRAMES, rate: int = 44_100) -> bytes:
    target = io.BytesIO()
    words = np.arange(frames, dtype=np.int16)
    soundfile.write(target, words, rate, format="AIFF", subtype="PCM_16")
    return target.getvalue()


def wav_with(*loops: SmplLoop, **fields: int) -> Recording:
    return read_bytes(chunks.with_chunks(PLAIN, chunks.smpl(loops, **fields)))


def library_on(content: bytes) -> str:
    """What the foreign audio library finds in a file, in its own words."""
    with soundfile.SoundFile(io.BytesIO(content)) as file:
        return str(file.extra_info)


def test_a_file_without_such_chunks_says_nothing() -> None:
    for content in (PLAIN, aiff()):
        found = read_bytes(content)
        assert (found.loop, found.root, found.fine_cents, found.remarks) == (None, None, 0.0, ())


@pytest.mark.parametrize(("kind", "loop_type"), [(0, 0x00), (1, 0x01), (2, 0x40)])
def test_loop_root_and_tuning_of_a_wav_file(kind: int, loop_type: int) -> None:
    found = wav_with(SmplLoop(10, 29, kind), key=57, fraction=1 << 30)
    assert found.loop == Loop(start=10, end=29, loop_type=loop_type)  # both ends are played
    assert (found.root, found.fine_cents, found.remarks) == (57, 25.0, ())
    assert found.rate == 44_100


def test_the_foreign_library_reads_these_plain_bytes_in_the_same_way() -> None:
    content = chunks.with_chunks(PLAIN, chunks.smpl([SmplLoop(10, 29, 1)], key=57))
    told = library_on(content)
    assert re.search(r"Midi Note\s*: 57", told)
    assert re.search(r"Type :\s+1\s+Start :\s+10\s+End :\s+29", told)


@pytest.mark.parametrize(("mode", "loop_type"), [(1, 0x00), (2, 0x01)])
def test_loop_root_and_tuning_of_an_aiff_file(mode: int, loop_type: int) -> None:
    """A marker stands in front of its frame: 10 to 30 are the frames 10 to 29."""
    added = chunks.markers((3, 10), (9, 77), (4, 30)), chunks.inst(57, -25, mode, 3, 4)
    for order in (added, added[::-1]):
        found = read_bytes(chunks.with_chunks(aiff(), *order))
        assert found.loop == Loop(start=10, end=29, loop_type=loop_type)
        # Pulled down by 25 cents to be on its key: it lies 25 cents above.
        assert (found.root, found.fine_cents, found.remarks) == (57, 25.0, ())


@pytest.mark.parametrize(
    ("loops", "fields", "said"),
    [
        ((SmplLoop(10, 101),), {}, "from frame 10 to 101 is left out: it is not in the 100 frames"),
        ((SmplLoop(30, 29),), {}, "from frame 30 to 29 is left out"),
        ((SmplLoop(1, 2, 7),), {}, "from frame 1 to 2 is left out: nobody knows its type 7"),
        ((), {"announced": 1 << 31}, "announces 2,147,483,648 loops and holds 0"),
        ((), {"key": 128}, "its root key 128 is none"),
    ],
)
def test_what_is_broken_in_a_wav_file_is_remarked(
    loops: tuple[SmplLoop, ...], fields: dict[str, int], said: str
) -> None:
    found = wav_with(*loops, **fields)
    assert found.loop is None
    assert said in "".join(found.remarks)
    assert len(found.remarks) == 1


def test_what_no_dump_can_say_is_remarked() -> None:
    first = SmplLoop(10, 29, fraction=5, times=3)
    found = wav_with(SmplLoop(0, 0, 99), first, SmplLoop(40, 50), SmplLoop(41, 51))
    assert found.loop == Loop(start=10, end=29, loop_type=0x00)
    told = "; ".join(found.remarks)
    assert "nobody knows its type 99" in told
    assert "a fraction of a frame longer" in told
    assert "to be played 3 times" in told
    assert "2 more loops of the file left out" in told


def test_a_loop_that_ends_one_frame_too_far_is_taken_to_the_last() -> None:
    found = wav_with(SmplLoop(50, 100))
    assert found.loop == Loop(start=50, end=99, loop_type=0x00)
    assert "from frame 50 to 100, one frame too far, is taken to 99" in "".join(found.remarks)


@pytest.mark.parametrize(
    ("added", "said"),
    [
        ((chunks.inst(57, 0, 1, 3, 4),), "a marker of it is missing"),
        ((chunks.markers((3, 10), (4, 300)), chunks.inst(57, 0, 1, 3, 4)), "not in the 100 frames"),
        ((chunks.markers((3, 10), (4, 10)), chunks.inst(57, 0, 1, 3, 4)), "is left out"),
        (
            (chunks.markers((3, 10), (4, 20)), chunks.inst(57, 0, 9, 3, 4)),
            "nobody knows its type 9",
        ),
        ((chunks.inst(57, 0, 0, 0, 0, release=1),), "its release loop is left out"),
        ((chunks.inst(200, 0, 0, 0, 0),), "its root key 200 is none"),
    ],
)
def test_what_is_broken_in_an_aiff_file_is_remarked(added: tuple[bytes, ...], said: str) -> None:
    found = read_bytes(chunks.with_chunks(aiff(), *added))
    assert found.loop is None
    assert said in "".join(found.remarks)
    assert len(found.remarks) == 1


@pytest.mark.parametrize("size", range(0, 60, 3))
def test_a_chunk_that_is_cut_short_is_remarked(size: int) -> None:
    whole = chunks.smpl([SmplLoop(10, 29)])[8:]
    found = read_bytes(chunks.with_chunks(PLAIN, chunks.chunk(b"smpl", whole[:size])))
    assert found.loop is None
    assert "smpl chunk" in "".join(found.remarks)
    if size < 20:
        body = chunks.inst(57, 0, 1, 3, 4)[8:][:size]
        found = read_bytes(chunks.with_chunks(aiff(), chunks.chunk(b"INST", body, "big")))
        assert f"its INST chunk is cut short: {size} bytes of 20" in "".join(found.remarks)


@pytest.mark.parametrize(
    ("period", "said"), [(0, ""), (22_675, ""), (22_676, ""), (22_674, "22,674 ns"), (9, "9 ns")]
)
def test_the_rate_of_the_file_counts_and_not_a_rounded_period(period: int, said: str) -> None:
    found = wav_with(period=period)
    assert found.rate == Fraction(44_100)
    assert said in "".join(found.remarks) if said else not found.remarks
