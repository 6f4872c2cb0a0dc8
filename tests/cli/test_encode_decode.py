"""The commands encode and decode, from the words typed to the file, the lines and the exit code."""

import io
import json
import os
import sys
from pathlib import Path
from typing import Any

import click
import pytest
from msgspec import Struct

from dryload.harness.cli.decode import decode
from dryload.harness.cli.encode import encode
from dryload.harness.cli.options import command_of
from dryload.harness.files.problem import USAGE, Problem
from tests import oracle
from tests.files.chunks import Inst, Smpl, SmplLoop, inst_of, smpl, smpl_of, with_chunks
from tests.files.test_audio import float_wav, wav
from tests.files.test_dumpfile import Piped

WORDS = [(1021 * i) % 65536 - 32768 for i in range(41)]
DUMP = oracle.dump(bits=16, words=WORDS, sample_number=1, period_ns=22_676)
BROKEN = 1

app = click.Group(commands=[command_of(encode), command_of(decode)])


class Said(Struct, frozen=True):
    """What a command printed, and its exit code."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """The JSON on standard output."""
        return json.loads(self.out)


class Bench(Struct, frozen=True):
    """A folder with a recording and a dump in it, and the commands."""

    folder: Path
    capture: pytest.CaptureFixture[str]

    def run(self, *words: str) -> Said:
        try:
            code = app(words, standalone_mode=False)
        except Problem as problem:
            said = self.capture.readouterr()
            return Said(problem.code, said.out, said.err + str(problem))
        said = self.capture.readouterr()
        return Said(code if isinstance(code, int) else 0, said.out, said.err)


@pytest.fixture
def bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Bench:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "thunder.wav").write_bytes(wav(WORDS, width=2))
    (tmp_path / "thunder.syx").write_bytes(DUMP)
    return Bench(tmp_path, capsys)


def test_encode_says_what_it_made(bench: Bench) -> None:
    said = bench.run("encode", "thunder.wav", "-o", "out.syx")
    assert (said.code, said.err) == (0, "")
    assert (bench.folder / "out.syx").read_bytes() == DUMP
    assert said.out.splitlines() == [
        "out.syx: sample 1, 41 words of 16 bits, mono, 44,100 Hz, 0.9 ms of sound.",
        "2 packets after the standard header, 275 bytes.",
        "On the line: 93.8 ms if every reply comes at once (closed loop), "
        "2.11 s without replies (open loop).",
    ]


def test_encode_as_json_says_the_same(bench: Bench) -> None:
    said = bench.run(
        *("encode", "thunder.wav", "-o", "out.syx", "--json", "--loop", "3-9", "--name", "Thunder")
    )
    document = said.document
    assert document["schema"] == "dryload/encode/1"
    assert document["source"] == {
        "file": "thunder.wav",
        "kept_as": "16-bit",
        "channels": 1,
        "frames": 41,
        "rate_hz": 44_100.0,
    }
    assert document["loop"] == {"start": 3, "end": 9, "type": "00"}
    assert document["time"] == {"closed_loop_ns": 99_200_000, "open_loop_ns": 2_133_440_000}
    said_too = ("file", "bytes", "sample_number", "device_id", "header", "bits", "channels")
    assert [document[key] for key in said_too] == ["out.syx", 292, 1, 0, "standard", 16, 1]
    also = ("rate_hz", "period_ns", "frames", "words", "name", "packets", "clipped_words")
    assert [document[key] for key in also] == [44_100.0, 22_676, 41, 41, "Thunder", 2, 0]


def test_every_option_of_encode_arrives(bench: Bench) -> None:
    (bench.folder / "stereo.wav").write_bytes(wav([1, 256, 2, 512], width=2, channels=2))
    said = bench.run(
        *("encode", "stereo.wav", "--output", "out.syx", "--bits", "8", "--number", "300"),
        *("--device-id", "5", "--channel", "2", "--header", "extended", "--rate", "44100"),
        *("--loop", "0-1:43"),
    )
    assert said.code == 0
    assert (bench.folder / "out.syx").read_bytes() == oracle.dump(
        extended=True,
        device_id=5,
        sample_number=300,
        bits=8,
        words=[1, 2],
        rate_integer=44_100,
        loop_end=1,
        loop_type=0x43,
    )


def test_what_is_done_to_the_sound(bench: Bench) -> None:
    """Half of full scale, trimmed of its silence, brought to -12.0412 dB, a quarter, and faded."""
    (bench.folder / "bell.wav").write_bytes(float_wav([0.0] * 5 + [0.5] * 20 + [0.0005] * 5))
    said = bench.run(
        *("encode", "bell.wav", "-o", "out.syx", "--trim", "-60", "--peak", "-12.0411998"),
        *("--fade-in", f"{4 / 48_000}"),
    )
    assert "trimmed at -60 dB: 5 frames at the beginning, 5 at the end" in said.err
    assert "normalised to -12.0412 dB: a gain of -6.02 dB" in said.err
    held = oracle.read_dump((bench.folder / "out.syx").read_bytes())
    assert held.words == [0, 2_048, 4_096, 6_144, *[8_192] * 16]
    louder = bench.run("encode", "bell.wav", "-o", "loud.syx", "--gain", "6.1", "--json")
    assert louder.document["clipped_words"] == 20
    words = oracle.read_dump((bench.folder / "loud.syx").read_bytes()).words
    assert words[5:25] == [32_767] * 20
    for name in ("one.syx", "two.syx"):
        assert bench.run("encode", "bell.wav", "-o", name, "--dither", "--bits", "8").code == 0
    one = (bench.folder / "one.syx").read_bytes()
    assert one == (bench.folder / "two.syx").read_bytes()
    assert set(oracle.read_dump(one).words) > {0, 64}  # rounded, it has these two words only


def test_the_loop_of_a_file_can_be_left_out_or_overridden(bench: Bench) -> None:
    content = with_chunks(wav(WORDS, width=2), smpl([SmplLoop(3, 9)]))
    (bench.folder / "loop.wav").write_bytes(content)
    for words, loop in (
        ((), (3, 9, 0x00)),
        (("--loop", "none"), (0, 0, 0x7F)),
        (("--loop", "1-2:backward-forward"), (1, 2, 0x01)),
    ):
        said = bench.run("encode", "loop.wav", "-o", "out.syx", "--overwrite", *words)
        assert said.code == 0
        held = oracle.read_dump((bench.folder / "out.syx").read_bytes())
        assert (held.loop_start, held.loop_end, held.loop_type) == loop
        assert ("It has the loop from word" in said.out) == (loop[2] != 0x7F)


def test_a_dump_for_a_unit(bench: Bench) -> None:
    said = bench.run("encode", "thunder.wav", "-o", "out.syx", "--for", "prompt-box", "--json")
    assert said.document["bits"] == 12
    assert "dryload: words have 12 bits, as prompt-box takes them.\n" in said.err
    wide = bench.run(
        "encode", "thunder.wav", "-o", "b.syx", "--for", "lantern-desk", "--bits", "20"
    )
    assert "lantern-desk would refuse it: the sample has 20 significant bits" in wide.err
    assert wide.code == 0
    other = bench.run("encode", "thunder.wav", "-o", "c.syx", "--for", "nobody")
    assert other.code == USAGE


def test_of_several_recordings_a_remark_says_which(bench: Bench) -> None:
    (bench.folder / "stereo.wav").write_bytes(wav([1, 3] * 10, width=2, channels=2))
    said = bench.run("encode", "thunder.wav", "stereo.wav", "-o", "out.syx")
    assert said.err.startswith("dryload: stereo.wav: the 2 channels are mixed to one")


@pytest.mark.parametrize("rate", ["22050", "22,050", "22050.0", "44100/2"])
def test_rates_as_people_write_them(bench: Bench, rate: str) -> None:
    said = bench.run("encode", "thunder.wav", "-o", "out.syx", "--rate", rate, "--json")
    assert said.document["period_ns"] == 45_351


def test_both_channels_and_a_mix(bench: Bench) -> None:
    (bench.folder / "stereo.wav").write_bytes(wav([1, 3] * 10, width=2, channels=2))
    both = bench.run("encode", "stereo.wav", "-o", "both.syx", "--channel", "both")
    assert "20 words of 16 bits, stereo" in both.out
    assert "after the extended header" in both.out
    assert both.err == ""
    mixed = bench.run("encode", "stereo.wav", "-o", "mixed.syx", "--json")
    assert "mixed to one: --channel chooses" in mixed.err
    assert mixed.document["channels"] == 1
    assert mixed.document["remarks"]


def test_clipped_words_are_counted(bench: Bench) -> None:
    (bench.folder / "loud.wav").write_bytes(float_wav([1.5, -2.0, 0.5, 1.0, float("nan")]))
    said = bench.run("encode", "loud.wav", "-o", "out.syx")
    assert "2 words beyond full scale: clipped" in said.out
    assert "1 words of loud.wav are no numbers" in said.err
    assert bench.run("encode", "loud.wav", "-o", "x.syx", "--json").document["clipped_words"] == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--channel", "left"), "--channel left is not a channel. Give a number from 1 on"),
        (("--channel", "2"), "has no channel 2: it has 1 channel"),
        (("--rate", "fast"), "--rate fast is not a rate"),
        (("--rate", "1/0"), "--rate 1/0 is not a rate"),
        (("--rate", "1e999999999"), "is not a rate"),
        (("--rate", "nan"), "--rate nan is not a rate"),
        (("--bits", "99"), "--bits 99 is out of range"),
        (("--loop", "9"), "--loop 9 is no loop"),
        (("--trim", "1"), "--trim 1 is out of range: it is -200 to 0 dB"),
        (("--gain", "nan"), "--gain nan is out of range"),
        (("--peak", "0.1"), "--peak 0.1 is out of range"),
        (("--gain", "3", "--peak", "0"), "--gain and --peak both say how loud it is to be"),
        (("--fade-in", "-1"), "--fade-in -1: give seconds"),
        (("--fade-out", "inf"), "--fade-out inf: give seconds"),
        (("-o", "thunder.wav", "--overwrite"), "thunder.wav is the input file"),
        (("-o", "thunder.syx"), "thunder.syx exists already. --overwrite replaces it."),
        (("-o", "nowhere/out.syx"), "there is no such folder"),
        (("-o", "-"), "standard output cannot take the result"),
    ],
)
def test_encode_refuses_in_one_line(bench: Bench, words: tuple[str, ...], said: str) -> None:
    output = () if "-o" in words else ("-o", "out.syx")
    found = bench.run("encode", "thunder.wav", *output, *words)
    assert (found.code, found.out) == (USAGE, "")
    assert said in found.err
    assert found.err.isprintable()
    assert sorted(path.name for path in bench.folder.iterdir()) == ["thunder.syx", "thunder.wav"]


def test_encode_overwrites_only_when_asked(bench: Bench) -> None:
    said = bench.run("encode", "thunder.wav", "-o", "thunder.syx", "--number", "9", "--overwrite")
    assert said.code == 0
    assert (bench.folder / "thunder.syx").read_bytes()[4] == 9


def test_encode_reads_standard_input(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", Piped((bench.folder / "thunder.wav").read_bytes()))
    assert bench.run("encode", "-", "-o", "out.syx").code == 0
    assert (bench.folder / "out.syx").read_bytes() == DUMP


def test_decode_says_what_it_took(bench: Bench) -> None:
    said = bench.run("decode", "thunder.syx", "-o", "out.wav")
    assert said.code == 0
    assert (bench.folder / "out.wav").read_bytes() == wav(WORDS, width=2)
    assert said.out.splitlines() == [
        "out.wav: from thunder.syx, sample 1, 41 words of 16 bits, mono, 44,100 Hz, "
        "0.9 ms of sound.",
        "The audio file says 44,100 Hz and lasts 0.9 ms.",
    ]
    assert said.err == "dryload: the dump's rate, 44,099.49 Hz, is taken as 44,100 Hz.\n"


def test_decode_as_json_says_the_same(bench: Bench) -> None:
    document = bench.run("decode", "thunder.syx", "-o", "out.flac", "--json").document
    assert document["schema"] == "dryload/decode/1"
    assert document["source"] == {"file": "thunder.syx", "form": "raw", "dumps": 1}
    keys = ("dump", "file", "sample_number", "bits", "channels", "words", "file_rate_hz", "whole")
    assert [document[key] for key in keys] == [1, "out.flac", 1, 16, 1, 41, 44_100, True]
    assert document["rate_hz"] == pytest.approx(44_099.49, abs=0.005)
    assert document["packets"] == {
        "needed": 2,
        "missing": 0,
        "torn": 0,
        "wrong_checksum": 0,
        "wrong_number": 0,
        "resent": 0,
        "extra": 0,
    }
    assert document["loop"] is None


def looped(bench: Bench, *, period_ns: int = 22_676, loop_type: int = 0) -> None:
    extended = loop_type > 1
    dump = oracle.dump(
        bits=16,
        words=WORDS,
        sample_number=1,
        loop_start=3,
        loop_end=9,
        loop_type=loop_type,
        extended=extended,
        **({"rate_integer": 44_100} if extended else {"period_ns": period_ns}),
    )
    (bench.folder / "loop.syx").write_bytes(dump)


def test_loop_and_root_go_into_a_wav_file_and_come_back(bench: Bench) -> None:
    looped(bench)
    said = bench.run(
        "decode", "loop.syx", "-o", "out.wav", "--root", "57", "--fine-tune", "12.5", "--json"
    )
    written = smpl_of((bench.folder / "out.wav").read_bytes())
    assert written == Smpl(22_676, 57, 1 << 29, (SmplLoop(3, 9),))
    assert said.document["file_says"] == {
        "loop": {"start": 3, "end": 9, "loop_type": 0},
        "root": 57,
        "fine_cents": 12.5,
        "rate": None,
    }
    back = bench.run("encode", "out.wav", "-o", "back.syx")
    assert (bench.folder / "back.syx").read_bytes() == (bench.folder / "loop.syx").read_bytes()
    assert "It has the loop from word 3 to 9 (forward, one way)." in back.out
    assert "Its root key is 57 (A3) and 12.5 cents: no message of the standard carries it" in (
        back.out
    )
    document = bench.run("encode", "out.wav", "-o", "again.syx", "--json").document
    assert (document["root"], document["fine_cents"]) == (57, 12.5)


def test_loop_and_root_go_into_an_aiff_file_and_come_back(bench: Bench) -> None:
    looped(bench, loop_type=1)
    said = bench.run("decode", "loop.syx", "-o", "out.aif", "--root", "57", "--fine-tune", "12.5")
    assert "AIFF keeps whole cents: 12.5 became 12" in said.err
    assert inst_of((bench.folder / "out.aif").read_bytes()) == Inst(57, -12, 2, 3, 10)
    assert (
        "It also holds the loop from word 3 to 9 (forward, to and fro) and the root key 57 (A3) "
        "and 12 cents."
    ) in said.out
    assert bench.run("encode", "out.aif", "-o", "back.syx").code == 0
    assert (bench.folder / "back.syx").read_bytes() == (bench.folder / "loop.syx").read_bytes()


@pytest.mark.parametrize("name", ["out.wav", "out.aif"])
def test_an_odd_period_comes_back_exactly(bench: Bench, name: str) -> None:
    """22,675 ns is not the nearest period to 44,100 Hz (HDR-05)."""
    looped(bench, period_ns=22_675)
    assert bench.run("decode", "loop.syx", "-o", name).code == 0
    assert bench.run("encode", name, "-o", "back.syx").code == 0
    assert (bench.folder / "back.syx").read_bytes() == (bench.folder / "loop.syx").read_bytes()


def test_what_an_audio_file_cannot_keep_is_told(bench: Bench) -> None:
    looped(bench, loop_type=0x42)
    wav_said = bench.run("decode", "loop.syx", "-o", "out.wav")
    assert "WAV can't say of a loop: backward, one way, then the rest after key-up" in wav_said.err
    assert "it is written as backward, one way" in wav_said.err
    assert "WAV needs a root key beside it, and none is known: 60 (C4)" in wav_said.err
    assert smpl_of((bench.folder / "out.wav").read_bytes()).loops == (SmplLoop(3, 9, 2),)
    aiff_said = bench.run("decode", "loop.syx", "-o", "out.aif", "--root", "9")
    assert "AIFF can't say of a loop: backward" in aiff_said.err
    assert inst_of((bench.folder / "out.aif").read_bytes()) == Inst(9, 0, 1, 3, 10)
    flac_said = bench.run("decode", "loop.syx", "-o", "out.flac", "--root", "9")
    assert "is not in the audio file: FLAC has no place for it" in flac_said.err
    assert "FLAC has no place for a root key" in flac_said.err
    looped_too = (bench.folder / "loop.syx").read_bytes()
    more = looped_too + oracle.loop_points(sample_number=1, loop_number=1)
    (bench.folder / "loop.syx").write_bytes(more)
    said = bench.run("decode", "loop.syx", "-o", "more.wav")
    assert "1 more loop not in the audio file" in said.err


def test_a_loop_beyond_the_sound_is_not_written(bench: Bench) -> None:
    dump = oracle.dump(
        bits=16, words=WORDS, sample_number=1, period_ns=22_676, loop_end=41, loop_type=0
    )
    (bench.folder / "loop.syx").write_bytes(dump)
    said = bench.run("decode", "loop.syx", "-o", "out.wav")
    assert "the loop from word 0 to 41 (forward, one way) is not in the audio file" in said.err
    assert (bench.folder / "out.wav").read_bytes() == wav(WORDS, width=2)


def test_a_damaged_dump_is_decoded_and_ends_with_1(bench: Bench) -> None:
    torn = DUMP[:21] + DUMP[22:148] + DUMP[148:]
    wrong = DUMP[:50] + bytes([DUMP[50] ^ 1]) + DUMP[51:]
    slip = DUMP[:21] + oracle.packet(number=9, data=DUMP[26:146]) + DUMP[148:]
    extra = DUMP + oracle.packet(number=2, data=b"")
    for content, line in (
        (torn, "1 packet of 2 missing"),
        (wrong, "1 packet with a wrong checksum"),
        (slip, "1 packet with a wrong packet number"),
        (extra, "1 packet more than the header announces"),
        (DUMP[:100] + DUMP[101:], "1 packet not whole"),
    ):
        (bench.folder / "broken.syx").write_bytes(content)
        said = bench.run("decode", "broken.syx", "-o", "out.wav", "--overwrite", "--json")
        assert said.code == BROKEN
        assert f"dryload: damaged: {line}" in said.err
        assert "dryload validate broken.syx says what is wrong" in said.err
        assert not said.document["whole"]
        assert any(line in entry for entry in said.document["damage"])


def test_one_of_several_dumps(bench: Bench) -> None:
    other = oracle.dump(bits=8, words=[7, -7], sample_number=4, period_ns=125_000)
    (bench.folder / "two.syx").write_bytes(DUMP + other)
    first = bench.run("decode", "two.syx", "-o", "one.wav")
    assert "the file holds 2 dumps: --dump chooses" in first.err
    second = bench.run("decode", "two.syx", "-o", "two.wav", "--dump", "2")
    assert "from dump 2 of two.syx, sample 4, 2 words of 8 bits, mono, 8,000 Hz" in second.out
    assert (bench.folder / "two.wav").read_bytes() == wav([7, -7], width=1, rate=8000)


def test_a_header_without_a_rate(bench: Bench) -> None:
    silent = oracle.dump(bits=16, words=[0] * 441, sample_number=1, period_ns=0)
    (bench.folder / "norate.syx").write_bytes(silent)
    said = bench.run("decode", "norate.syx", "-o", "out.wav")
    assert "the header states no rate: 44,100 Hz is assumed" in said.err
    assert "mono, no rate." in said.out
    assert "says 44,100 Hz and lasts 10 ms." in said.out
    document = bench.run("decode", "norate.syx", "-o", "x.wav", "--json").document
    assert (document["rate_hz"], document["file_rate_hz"]) == (None, 44_100)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("thunder.wav", "-o", "out.wav"), "is a WAV sound, not a dump. dryload encode"),
        (("nothing.syx", "-o", "out.wav"), "nothing.syx: there is no such file"),
        (("thunder.syx", "-o", "out.txt"), "audio files are written as .wav, .flac, .aif or .aiff"),
        (("thunder.syx", "-o", "thunder.wav"), "thunder.wav exists already"),
        (("thunder.syx", "-o", "thunder.syx", "--overwrite"), "is the input file"),
        (("thunder.syx", "-o", "out.wav", "--dump", "2"), "has no dump 2: it holds 1 dump"),
        (("thunder.syx", "-o", "out.wav", "--fine-tune", "5"), "counts from a root key. Give --ro"),
        (
            ("thunder.syx", "-o", "out.wav", "--root", "60", "--fine-tune", "nan"),
            "--fine-tune nan is out of range",
        ),
    ],
)
def test_decode_refuses_in_one_line(bench: Bench, words: tuple[str, ...], said: str) -> None:
    found = bench.run("decode", *words)
    assert (found.code, found.out) == (USAGE, "")
    assert said in found.err
    assert found.err.isprintable()
    assert sorted(path.name for path in bench.folder.iterdir()) == ["thunder.syx", "thunder.wav"]


def test_there_and_back_through_pipes_and_a_midi_file(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert bench.run("encode", "thunder.wav", "-o", "out.mid").code == 0
    content = (bench.folder / "out.mid").read_bytes()
    assert content.startswith(b"MThd")
    monkeypatch.setattr(sys, "stdin", Piped(content))
    assert bench.run("decode", "-", "-o", "out.wav").code == 0
    assert (bench.folder / "out.wav").read_bytes() == wav(WORDS, width=2)


def test_names_that_are_not_utf_8(bench: Bench) -> None:
    name = os.fsdecode(b"bell \xff.syx")
    try:
        (bench.folder / name).write_bytes(DUMP)
    except OSError:
        pytest.skip("this file system keeps no such names")
    said = bench.run("decode", name, "-o", os.fsdecode(b"bell \xff.wav"))
    assert said.code == 0
    assert said.out.startswith(r"bell \udcff.wav: from bell \udcff.syx")
    said = bench.run("decode", name, "-o", "plain.wav", "--json")
    assert said.document["source"]["file"] == name


def test_help_names_every_option(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    with pytest.raises(SystemExit) as left:
        app(["encode", "--help"], prog_name="dryload")
    assert left.value.code == 0
    text = bench.capture.readouterr().out
    options = ("bits", "number", "device-id", "channel", "rate", "header", "loop", "name", "for")
    for option in (*options, "trim", "gain", "peak", "fade-in", "fade-out", "dither"):
        assert f"--{option}" in text


def test_nothing_heavy_is_needed_to_say_help() -> None:
    for name in ("encode", "decode"):
        source = Path(sys.modules[f"dryload.harness.cli.{name}"].__file__ or "").read_text("utf-8")
        top = [line for line in io.StringIO(source) if line.startswith(("import", "from"))]
        assert not [line for line in top if "numpy" in line or "jobs" in line or "audio" in line]
