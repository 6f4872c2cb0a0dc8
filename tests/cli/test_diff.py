"""`dryload diff` as it is called: files made by the independent codec, results and exit codes."""

from __future__ import annotations

import json
import random
from fractions import Fraction
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from msgspec import Struct

from dryload.harness.cli.diff import diff
from dryload.harness.cli.options import command_of
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.convert import EncodeOptions, encode, file_of
from tests import damage, oracle
from tests.files.chunks import SmplLoop, smpl, with_chunks

app = command_of(diff)

_RANDOM = random.Random(31_250)
WORDS = [_RANDOM.randrange(-32_768, 32_768) for _ in range(1_007)]


class Result(Struct, frozen=True, dict=True):
    code: int
    text: str


def run(*args: str, stdin: bytes = b"") -> Result:
    result = CliRunner().invoke(app, list(args), standalone_mode=False, input=stdin)
    if result.exception is not None:
        raise result.exception
    # An exit is a value here, as in `main`.
    code = result.return_value if isinstance(result.return_value, int) else result.exit_code
    return Result(code, result.stdout)


def document(*args: str) -> Any:
    result = run(*args, "--json")
    found: Any = json.loads(result.text)
    assert found["schema"] == "dryload/diff/1"
    assert (result.code == 0) == found["same"]
    return found


def dump(words: list[int] = WORDS, device_id: int = 0, **fields: int) -> bytes:
    fields = {"period_ns": 22_676, "sample_number": 3, **fields}
    return oracle.dump(bits=16, words=words, extended=False, device_id=device_id, **fields)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "gull.syx").write_bytes(dump())
    return tmp_path


def test_equal_dumps_are_the_same(place: Path) -> None:
    (place / "again.syx").write_bytes(dump())
    assert run("gull.syx", "again.syx") == Result(
        0,
        "A  gull.syx (dump file)\n"
        "B  again.syx (dump file)\n"
        "\n"
        "The same: 1,007 words and everything that counts in the header.\n",
    )
    (pair,) = document("gull.syx", "gull.syx")["pairs"]
    assert (pair["same"], pair["explanation"], pair["findings"]) == (True, [], [])
    assert pair["words"] == {
        "a": 1_007,
        "b": 1_007,
        "same": True,
        "compared": 1_007,
        "different": 0,
        "per_packet": 40,
        "scale_bits": 16,
    }


def test_a_missing_packet_is_told_with_what_follows_from_it(place: Path) -> None:
    header, packets = damage.take_apart(dump())
    (place / "lost.syx").write_bytes(header + b"".join(packets[:7] + packets[8:]))
    result = run("gull.syx", "lost.syx")
    assert result.code == 1
    lines = result.text.splitlines()
    assert (
        "Different. Packet 7 is missing in B: everything after that comes 40 words (0.9 ms) early."
        in lines
    )
    assert "Note: B: its header calls for 26 packets, and 25 whole ones follow." in lines
    (pair,) = document("gull.syx", "lost.syx")["pairs"]
    assert [part["kind"] for part in pair["explanation"]] == ["packets missing"]
    assert (pair["explanation"][0]["packet"], pair["explanation"][0]["moved"]) == (7, -40)
    assert (pair["words"]["a"], pair["words"]["b"]) == (1_007, 967)
    assert [finding["clause"] for finding in pair["findings"]] == ["PKT-10"]
    assert pair["findings"][0]["at"]["packet"] == 7


def test_everything_in_the_text_is_in_the_document(place: Path) -> None:
    changed = list(WORDS)
    changed[5] ^= 8
    changed[900] ^= 1
    (place / "other.syx").write_bytes(dump(changed, sample_number=9, device_id=4))
    text = run("gull.syx", "other.syx").text
    whole = json.dumps(document("gull.syx", "other.syx"), ensure_ascii=False)
    (pair,) = document("gull.syx", "other.syx")["pairs"]
    assert pair["sentences"][0] in text
    for row in pair["header"]:
        line = next(line for line in text.splitlines() if line.strip().startswith(row["field"]))
        assert row["a"] in line
        assert row["b"] in line
        assert ("not counted" in line) == (not row["counts"])
    for word in ("5", "900"):
        assert f'"word": {word}' in whole
    assert f"{WORDS[900]:,}" in text


def test_only_the_header_is_another(place: Path) -> None:
    (place / "loop.syx").write_bytes(
        dump(loop_start=10, loop_end=500, loop_type=0, sample_number=4)
    )
    result = run("gull.syx", "loop.syx")
    assert result.code == 1
    assert "The same 1,007 words, but different headers: sample number and loop." in result.text


def test_who_is_addressed_and_which_header_is_used_do_not_count(place: Path) -> None:
    extended = oracle.dump(
        bits=16,
        words=WORDS,
        extended=True,
        sample_number=3,
        rate_integer=44_100,
        device_id=17,
    )
    (place / "extended.syx").write_bytes(extended)
    result = run("gull.syx", "extended.syx")
    assert result.code == 0
    (pair,) = document("gull.syx", "extended.syx")["pairs"]
    assert {row["field"] for row in pair["header"]} == {"device ID", "header", "sample rate"}
    assert not any(row["counts"] for row in pair["header"])


# Several dumps.


def test_dumps_are_paired_by_number_and_then_by_order(place: Path) -> None:
    (place / "a.syx").write_bytes(
        dump(WORDS[:300]) + dump(WORDS[:100], sample_number=9) + dump(WORDS[:50], sample_number=11)
    )
    (place / "b.syx").write_bytes(
        dump(WORDS[:100], sample_number=9)
        + dump(WORDS[:80], sample_number=12)
        + dump(WORDS[:300])
        + dump(WORDS[:8], sample_number=40)
    )
    found = document("a.syx", "b.syx")
    assert [
        (p["a"]["dump"], p["b"]["dump"], p["paired_by"], p["same"]) for p in found["pairs"]
    ] == [
        (1, 3, "sample number", True),
        (2, 1, "sample number", True),
        (3, 2, "order", False),
    ]
    assert [alone["sample_number"] for alone in found["only_b"]] == [40]
    assert found["only_a"] == []
    result = run("a.syx", "b.syx")
    assert result.code == 1
    assert "A: dump 1 (sample 3), B: dump 3 (sample 3) (paired by sample number)" in result.text
    assert "Only in B: dump 4 (sample 40)." in result.text
    assert result.text.endswith("2 of 3 pairs the same, 1 without a counterpart.\n")


def test_one_dump_of_each_can_be_chosen(place: Path) -> None:
    (place / "a.syx").write_bytes(dump(WORDS[:300]) + dump(WORDS[:100], sample_number=9))
    (place / "b.syx").write_bytes(dump(WORDS[:100], sample_number=5) + dump(WORDS[:300]))
    assert run("a.syx", "b.syx", "--dump-a", "1", "--dump-b", "2").code == 0
    (pair,) = document("a.syx", "b.syx", "--dump-a", "2", "--dump-b", "1")["pairs"]
    assert pair["words"]["same"]
    assert [row["field"] for row in pair["header"]] == ["sample number"]


# Audio.


def wav(path: Path, frames: Any, subtype: str) -> None:
    soundfile.write(path, frames, 44_100, subtype=subtype)


def test_a_dump_is_compared_with_the_audio_file_it_was_made_from(place: Path) -> None:
    wav(place / "gull.wav", np.array(WORDS, np.int16), "PCM_16")
    for files in (("gull.wav", "gull.syx"), ("gull.syx", "gull.wav")):
        assert run(*files).code == 0
        (pair,) = document(*files)["pairs"]
        assert [(row["field"], row["counts"]) for row in pair["header"]] == [("sample rate", False)]


def test_a_dump_with_fewer_bits_than_the_audio_file_is_told_to_be_rounded(place: Path) -> None:
    fine = [word * 256 + _RANDOM.randrange(-128, 128) for word in WORDS]
    fine = [min(word, 32_767 * 256) for word in fine]
    wav(place / "gull.wav", np.array(fine, np.int32) << 8, "PCM_24")
    (place / "rounded.syx").write_bytes(dump([(word + 128) // 256 for word in fine]))
    (place / "cut.syx").write_bytes(dump([word // 256 for word in fine]))
    for name, rounding in (("rounded", "rounded"), ("cut", "cut")):
        (pair,) = document("gull.wav", f"{name}.syx")["pairs"]
        (part,) = pair["explanation"]
        assert (part["kind"], part["bits"], part["rounding"]) == ("narrowed", 16, rounding)
        assert pair["words"]["per_packet"] == 40


def test_the_channel_that_is_nearest_is_compared(place: Path) -> None:
    other = np.array(WORDS[::-1], np.int16)
    wav(place / "gulls.wav", np.stack([other, np.array(WORDS, np.int16)], axis=1), "PCM_16")
    (place / "both.syx").write_bytes(dump(WORDS[::-1], sample_number=1) + dump())
    result = run("gulls.wav", "both.syx")
    assert result.code == 0
    assert "channel 1 is nearest" in result.text
    assert "channel 2 is nearest" in result.text
    assert "2 of 2 pairs the same." in result.text


def test_the_period_is_judged_by_the_rate_of_the_source(place: Path) -> None:
    """44,100 Hz is 22,675.7 ns, so 22,676 ns is the nearest period (HDR-05)."""
    wav(place / "gull.wav", np.array(WORDS, np.int16), "PCM_16")
    for period_ns, code, verdict, says in (
        (22_676, 0, None, "22,676 ns is the nearest period"),
        (22_675, 0, "bent", "the period is 22,675 ns, and 22,676 ns is the nearest"),
        (22_700, 1, "bent", "the period is 22,700 ns, and 22,676 ns is the nearest"),
    ):
        (place / "gull.syx").write_bytes(dump(period_ns=period_ns))
        assert run("gull.wav", "gull.syx").code == code
        (pair,) = document("gull.wav", "gull.syx")["pairs"]
        (row,) = pair["header"]
        assert (row["clause"], row["verdict"], row["remark"]) == ("HDR-05", verdict, says)


def test_what_an_audio_file_does_not_say_is_told(place: Path) -> None:
    wav(place / "gull.wav", np.array(WORDS, np.int16), "PCM_16")
    name = oracle.sample_name(sample_number=3, name=b"Gulls")
    (place / "gull.syx").write_bytes(dump(loop_start=10, loop_end=500, loop_type=0) + name)
    result = run("gull.wav", "gull.syx")
    assert result.code == 0
    assert "The same: 1,007 words and the sample rate." in result.text
    assert (
        "Note: B says sample number 3, a loop from word 10 to 500 and the name Gulls: of these "
        "nothing is read from an audio file." in result.text
    )


@pytest.mark.parametrize("bits", [8, 12, 16, 20])
def test_a_right_dump_of_another_width_is_the_same_as_its_source(place: Path, bits: int) -> None:
    wav(place / "gull.wav", np.array(WORDS, np.int16), "PCM_16")
    words = [word >> 16 - bits if bits < 16 else word << bits - 16 for word in WORDS]
    data = oracle.dump(bits=bits, words=words, extended=False, period_ns=22_676, sample_number=3)
    (place / "gull.syx").write_bytes(data)
    assert run("gull.wav", "gull.syx").code == run("gull.syx", "gull.wav").code == 0
    wrong = oracle.dump(
        bits=bits, words=[*words[:-1], words[0]], extended=False, period_ns=22_676, sample_number=3
    )
    (place / "wrong.syx").write_bytes(wrong)
    assert run("gull.wav", "wrong.syx").code == 1


def test_a_file_that_holds_its_dump_twice_is_not_the_same(place: Path) -> None:
    wav(place / "gull.wav", np.array(WORDS, np.int16), "PCM_16")
    (place / "twice.syx").write_bytes(dump() + dump())
    for other in ("gull.wav", "gull.syx"):
        assert run(other, "twice.syx").code == run("twice.syx", other).code == 1
    assert "which another dump of the file holds already" in run("gull.wav", "twice.syx").text


def test_a_packet_that_stands_twice_makes_no_difference_to_its_source(place: Path) -> None:
    wav(place / "gull.wav", np.array(WORDS, np.int16), "PCM_16")
    wav(place / "stored twice.wav", np.array(WORDS[:120] + WORDS[80:], np.int16), "PCM_16")
    header, packets = damage.take_apart(dump())
    (place / "again.syx").write_bytes(header + b"".join(packets[:3] + packets[2:]))
    assert run("gull.wav", "again.syx").code == 0
    assert run("stored twice.wav", "again.syx").code == 1


def tone(rate: int, frames: int, pitch: float = 440.0) -> Any:
    """A tone, computed at its rate, with a soft beginning and end."""
    shape = np.sin(np.pi * np.arange(frames) / frames) ** 2
    return np.sin(2 * np.pi * pitch * np.arange(frames) / rate) * shape


def tone_dump(rate: int, frames: int, period_ns: int, pitch: float = 440.0) -> bytes:
    words = np.floor(tone(rate, frames, pitch) * 32_767 + 0.5).astype(int).tolist()
    return oracle.dump(bits=16, words=words, period_ns=period_ns, sample_number=3)


@pytest.mark.parametrize("turned", [False, True])
def test_a_recording_at_another_rate_is_told_as_that(place: Path, turned: bool) -> None:
    """Both are the same tone, computed at each rate: rounding to 16 bits leaves some 90 dB."""
    soundfile.write(place / "low.wav", tone(22_050, 5_000), 22_050, subtype="PCM_24")
    (place / "high.syx").write_bytes(tone_dump(44_100, 10_000, 22_676))
    files = ("low.wav", "high.syx")[:: -1 if turned else 1]
    result = run(*files)
    assert result.code == 1
    sound = "B" if turned else "A"
    assert f"Note: {sound} is at 22,050 Hz, the dump at 44,100 Hz: resampled to compare." in (
        result.text
    )
    assert "words in both differ" not in result.text
    (pair,) = document(*files)["pairs"]
    assert pair["explanation"] == []
    assert 75 < pair["apart_db"] < 100
    assert f"Different. The difference is {pair['apart_db']:.1f} dB below the sound." in result.text


def test_the_dump_that_encode_made_at_another_rate_is_the_same(place: Path) -> None:
    soundfile.write(place / "low.wav", tone(22_050, 5_000), 22_050, subtype="PCM_24")
    options = EncodeOptions(rate=Fraction(48_000), bits=12)
    made = encode(str(place / "low.wav"), options)
    (place / "made.syx").write_bytes(file_of([made.dump], "made.syx"))
    result = run("low.wav", "made.syx")
    assert result.code == 0, result.text
    assert "The same: 10,884 words and the sample rate." in result.text
    assert "Note: A is at 22,050 Hz, the dump at 48,000 Hz: resampled to compare." in result.text


def test_another_sound_at_another_rate_is_not_alike(place: Path) -> None:
    soundfile.write(place / "low.wav", tone(22_050, 5_000), 22_050, subtype="PCM_24")
    (place / "other.syx").write_bytes(tone_dump(44_100, 9_000, 22_676, pitch=523.0))
    result = run("low.wav", "other.syx")
    assert result.code == 1
    assert "Laid side by side from the beginning they are not alike." in result.text
    (pair,) = document("low.wav", "other.syx")["pairs"]
    assert pair["words"] == {**pair["words"], "a": 10_000, "b": 9_000}


def test_silence_at_another_rate_differs_in_length_only(place: Path) -> None:
    soundfile.write(place / "low.wav", np.zeros(5_000), 22_050, subtype="PCM_16")
    data = oracle.dump(bits=16, words=[0] * 9_960, period_ns=22_676, sample_number=3)
    (place / "short.syx").write_bytes(data)
    assert "Different in length only." in run("low.wav", "short.syx").text


def test_a_wrong_period_is_no_resampling(place: Path) -> None:
    wav(place / "gull.wav", np.array(WORDS, np.int16), "PCM_16")
    (place / "gull.syx").write_bytes(dump(period_ns=45_351))
    result = run("gull.wav", "gull.syx")
    assert result.code == 1
    assert "The same 1,007 words, but different headers: sample rate." in result.text
    assert "resampled" not in result.text


def test_a_loop_that_the_audio_file_says_is_compared(place: Path) -> None:
    wav(place / "gull.wav", np.array(WORDS, np.int16), "PCM_16")
    content = with_chunks((place / "gull.wav").read_bytes(), smpl([SmplLoop(10, 500)]))
    (place / "gull.wav").write_bytes(content)
    (place / "gull.syx").write_bytes(dump(loop_start=10, loop_end=500, loop_type=0))
    result = run("gull.wav", "gull.syx")
    assert result.code == 0
    assert "B says sample number 3: of these nothing is read" in result.text
    (place / "off.syx").write_bytes(dump(loop_start=10, loop_end=501, loop_type=0))
    result = run("gull.wav", "off.syx")
    assert result.code == 1
    assert "The same 1,007 words, but different headers: loop." in result.text


# What cannot be compared.


def test_a_dump_whose_header_is_damaged_is_not_comparable(place: Path) -> None:
    header, packets = damage.take_apart(dump())
    (place / "torn.syx").write_bytes(header[:17] + header[18:] + b"".join(packets))
    result = run("gull.syx", "torn.syx")
    assert result.code == 2
    assert "Not comparable: B: its header is damaged" in result.text
    (place / "wide.syx").write_bytes(header[:6] + b"\x28" + header[7:] + b"".join(packets))
    result = run("gull.syx", "wide.syx")
    assert result.code == 2
    assert "words of 40 bits" in result.text
    (pair,) = document("gull.syx", "torn.syx")["pairs"]
    assert (pair["comparable"], pair["same"], pair["words"]) == (False, False, None)


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("gull.syx", "nothing.syx"), "there is no such file"),
        (("gull.syx", "notes.txt"), "is a text file"),
        (("gull.syx", "packets.syx"), "has no dump header"),
        (("gull.syx", "gull.syx", "--dump-b", "2"), "has no dump 2: it holds 1 dump"),
        (("-", "-"), "standard input can be only one"),
    ],
)
def test_what_cannot_be_read_is_a_problem(place: Path, args: tuple[str, ...], says: str) -> None:
    (place / "notes.txt").write_text("The gulls come in with the second scene.\n")
    (place / "packets.syx").write_bytes(damage.take_apart(dump())[1][0])
    with pytest.raises(Problem, match=says) as raised:
        run(*args)
    assert raised.value.code == 2


# Damage of every kind, on raw bytes.


@pytest.mark.parametrize("kind", damage.KINDS)
def test_every_kind_of_damage_is_seen_or_rightly_called_harmless(place: Path, kind: str) -> None:
    for seed in range(4):
        damaged = damage.KINDS[kind](dump(), random.Random(seed))
        (place / "damaged.syx").write_bytes(damaged.data)
        result = run("gull.syx", "damaged.syx")
        if result.code == 0:
            assert words_of(damaged.data) == WORDS


def words_of(data: bytes) -> list[int]:
    """The words of all whole packets as they come; unused low bits count for nothing (M1 p. 39).

    A packet that is the one before it once more is not stored again (HSK-15).
    """
    pieces = [oracle.strip_realtime(raw) for _, raw in oracle.split(data)]
    carried = b"".join(piece[5:125] for piece, _ in groupby(pieces) if len(piece) == 127)
    triples = [carried[at : at + 3] for at in range(0, 3 * len(WORDS), 3)]
    return [(oracle.from_n7_high_first(triple) >> 5) - 32_768 for triple in triples]
