"""Loop and root key of WAV and AIFF files, beside plain bytes and a foreign audio library."""

from __future__ import annotations

import io
import re
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from dryload.emulator.dump.sample import Loop, Sample
from dryload.emulator.wire.words import word_dtype
from dryload.harness.files import audio_out, instrument, rates
from dryload.harness.files.audio import Recording
from dryload.harness.files.instrument import Instrument
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


# Written, and read by others.

keys = st.integers(0, 127)
loops = st.builds(
    lambda start, length, kind: Loop(start=start, end=start + length, loop_type=kind),
    st.integers(0, 50),
    st.integers(0, 49),
    st.sampled_from([0x00, 0x01, 0x40]),
)


def made(path: str, said: Instrument, *, rate: int = 44_100, bits: int = 16) -> bytes:
    words = np.arange(FRAMES - 1 if bits == 8 else FRAMES).astype(word_dtype(bits))
    kept = instrument.kept(said, form=audio_out.form_of(path), frames=len(words))
    return audio_out.made(words, bits=bits, channels=1, rate=rate, path=path, said=kept)


@given(st.none() | loops, keys, st.integers(0, (1 << 32) - 1), st.sampled_from([8, 16, 24]))
def test_a_wav_file_says_what_was_given(
    loop: Loop | None, root: int, fraction: int, bits: int
) -> None:
    if loop is not None and bits == 8:
        loop = replace(loop, end=min(loop.end, FRAMES - 2))
    fine = 100 * fraction / 2**32
    content = made("x.wav", Instrument(loop=loop, root=root, fine_cents=fine), bits=bits)
    kinds = {0x00: 0, 0x01: 1, 0x40: 2}
    wanted = () if loop is None else (SmplLoop(loop.start, loop.end, kinds[loop.loop_type]),)
    plain = chunks.smpl_of(content)
    if root + fine / 100 < 127.5:
        assert plain == chunks.Smpl(22_676, root, fraction, wanted)
    else:
        assert plain == chunks.Smpl(22_676, root, 0, wanted)
    back = read_bytes(content)
    assert (back.loop, back.root) == (loop, root)
    assert back.fine_cents == 100 * plain.fraction / 2**32
    assert (int(back.rate), back.remarks) == (44_100, ())
    told = library_on(content)
    assert re.search(rf"Midi Note\s*: {root}\b", told)
    for start, end, kind, *_ in wanted:
        assert re.search(rf"Type :\s+{kind}\s+Start :\s+{start}\s+End :\s+{end}\b", told)


@given(st.none() | loops, keys, st.integers(-50, 50))
def test_an_aiff_file_says_what_was_given(loop: Loop | None, root: int, fine: int) -> None:
    if not 0 <= root + fine / 100 < 127.5:
        fine = 0
    if loop is not None and loop.loop_type == 0x40:
        loop = replace(loop, loop_type=0x00)
    content = made("x.aif", Instrument(loop=loop, root=root, fine_cents=float(fine)))
    if loop is None:
        assert chunks.inst_of(content)[:3] == (root, -fine, 0)
    else:
        mode = 1 + loop.loop_type
        assert chunks.inst_of(content) == (root, -fine, mode, loop.start, loop.end + 1)
        told = library_on(content)
        assert re.search(rf"Position\s*: {loop.start}\b", told)
        assert re.search(rf"Position\s*: {loop.end + 1}\b", told)
    assert f"Base Note : {root}" in re.sub(r"\s+:", " :", library_on(content))
    back = read_bytes(content)
    assert (back.loop, back.root, back.fine_cents) == (loop, root, fine)
    assert (int(back.rate), back.remarks) == (44_100, ())


def test_tuning_beyond_half_a_semitone_is_from_the_next_key_in_an_aiff_file() -> None:
    content = made("x.aif", Instrument(root=60, fine_cents=80.0))
    assert chunks.inst_of(content)[:2] == (61, 20)  # 20 cents below 61, pulled up by as much
    content = made("x.wav", Instrument(root=60, fine_cents=-20.0))
    assert chunks.smpl_of(content)[1:3] == (59, round(0.8 * 2**32))


@pytest.mark.parametrize(("root", "fine"), [(0, -1.0), (127, 60.0)])
def test_tuning_beyond_the_keys_is_left_out(root: int, fine: float) -> None:
    for path in ("x.wav", "x.aif"):
        said = Instrument(root=root, fine_cents=fine)
        kept = instrument.kept(said, form=audio_out.form_of(path), frames=9)
        assert (kept.root, kept.fine_cents) == (root, 0.0)
        assert "are beyond the keys: left out" in "".join(kept.remarks)


@given(st.integers(1, (1 << 21) - 1))
def test_every_period_comes_back(period: int) -> None:
    """Of a standard header (HDR-05), from what a WAV and an AIFF file say of the rate."""
    exact = Fraction(10**9, period)
    rate = rates.whole_rate(exact)[0]
    for path in ("x.wav",) if rate > 800_000_000 else ("x.wav", "x.aif"):
        back = read_bytes(made(path, Instrument(rate=exact), rate=rate))
        words = np.zeros(1, np.int16)
        assert Sample(words=words, bits=16, rate=back.rate).period_ns == period
        assert back.remarks == ()


def test_a_rate_between_whole_numbers_is_in_an_aiff_file_as_its_standard_says() -> None:
    """An 80-bit number: sign and exponent (bias 16,383), then 64 bits, the first being 1."""
    content = made("x.aif", Instrument(rate=Fraction(88_201, 2)))
    raw = chunks.chunks_of(content)[b"COMM"][8:18]
    mantissa = Fraction(int.from_bytes(raw[2:], "big"), 2**63)
    assert mantissa * 2 ** (int.from_bytes(raw[:2], "big") - 16_383) == Fraction(88_201, 2)
    assert read_bytes(content).rate == Fraction(88_201, 2)
