"""`dryload listen` as a person meets it."""

from __future__ import annotations

import json
import sys
import types
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dryload.harness.cli.listen import listen
from dryload.harness.files.problem import Problem
from tests import oracle
from tests.cli.runs import run
from tests.files.chunks import smpl, with_chunks
from tests.files.test_audio import wav

DESK = Path(__file__).parents[2] / "captures_demo" / "good" / "lantern-street-desk.syx"


def test_a_dump_becomes_a_sound(tmp_path: Path) -> None:
    done = run(
        "listen", str(DESK), "--dump", "4", "--keys", "48,60", "-o", "bell.wav", folder=tmp_path
    )
    assert (done.code, done.err) == (0, "")
    sound, rate = soundfile.read(tmp_path / "bell.wav")
    assert rate == 44_100
    assert abs(len(sound) - 2 * 2 * 44_100 - 11_025) < 5  # two keys and a quarter second
    assert 0.1 < np.abs(sound).max() <= 10 ** (-12 / 20)
    assert "no louder than 12 dB below full scale" in done.out
    assert "Its loop: frames 28,226 to 32,921, forward, one way." in done.out


def test_the_result_for_programs(tmp_path: Path) -> None:
    words = ("listen", str(DESK), "--dump", "2", "-o", "gulls.flac", "--level", "-20", "--json")
    document = json.loads(run(*words, folder=tmp_path).out)
    assert (document["schema"], document["level_db"]) == ("dryload/listen/1", -20.0)
    (heard,) = document["played"]
    assert (heard["keys"], heard["root"], heard["sample"]["bits"]) == ([60], 60, 12)


def test_an_audio_file_is_heard_as_a_unit_would_keep_it(tmp_path: Path) -> None:
    ramp = np.linspace(-0.9, 0.9, 4_000)
    soundfile.write(tmp_path / "ramp.wav", ramp, 22_050, subtype="PCM_16")
    words = ("listen", "ramp.wav", "--seconds", "0.1", "--level", "0", "-o")
    for name, more in (("plain.wav", ()), ("narrow.wav", ("--for", "prompt-box"))):
        assert run(*words, name, *more, folder=tmp_path).code == 0
    plain, narrow = (soundfile.read(tmp_path / name)[0] for name in ("plain.wav", "narrow.wav"))
    # A unit of fewer bits keeps fewer levels; nothing else is other.
    assert 0 < np.abs(plain - narrow).max() < 2**-7


def test_a_loop_whose_end_is_not_played_is_heard_so(tmp_path: Path) -> None:
    data = oracle.dump(
        bits=16,
        words=[8_000] * 99 + [-8_000],
        period_ns=22_676,
        sample_number=0,
        loop_start=0,
        loop_end=99,
        loop_type=0,
    )
    (tmp_path / "loop.syx").write_bytes(data)
    text = "[unit]\nname = 'last-lamp'\n[habits]\nloop_end = '{}'\n"
    heard = []
    for habit in ("inclusive", "exclusive"):
        (tmp_path / f"{habit}.toml").write_text(text.format(habit))
        words = ("listen", "loop.syx", "--for", f"{habit}.toml", "-o", f"{habit}.wav")
        assert run(*words, folder=tmp_path).code == 0
        heard.append(soundfile.read(tmp_path / f"{habit}.wav")[0])
    assert heard[0].min() < -0.02
    assert heard[1][2_000:-400].min() > 0.05


@pytest.mark.parametrize(("unit", "frames"), [("lantern-desk", 100), ("old-curtain", 99)])
def test_a_loop_is_heard_as_long_as_the_unit_plays_it(
    tmp_path: Path, unit: str, frames: int
) -> None:
    """A click at its beginning comes again after as many frames; one unit leaves out the end."""
    data = oracle.dump(
        bits=16,
        words=[0] * 50 + [30_000] + [0] * 99,
        period_ns=22_676,
        sample_number=0,
        loop_start=50,
        loop_end=149,
        loop_type=0,
    )
    (tmp_path / "click.syx").write_bytes(data)
    words = ("listen", "click.syx", "--for", unit, "--seconds", "0.1", "-o", "click.wav")
    assert run(*words, folder=tmp_path).code == 0
    sound = soundfile.read(tmp_path / "click.wav")[0]
    clicks = np.flatnonzero(sound > 0.5 * sound.max())
    assert set(np.diff(clicks).tolist()) == {frames}


def test_an_audio_file_is_heard_at_its_own_root_and_by_units_of_any_number(tmp_path: Path) -> None:
    content = with_chunks(wav([1_000, -1_000] * 500, width=2), smpl(key=57))
    (tmp_path / "bell.wav").write_bytes(content)
    for unit in ("property-chest", "double-bill"):
        words = ("listen", "bell.wav", "--for", unit, "-o", f"{unit}.wav")
        done = run(*words, folder=tmp_path)
        assert done.code == 0, done.err
        assert "root 57 (A3)" in done.out
    done = run("listen", "bell.wav", "--root", "60", "-o", "other.wav", folder=tmp_path)
    assert "root 60 (C4)" in done.out


def test_the_root_is_as_given_or_as_the_file_or_the_name_says(tmp_path: Path) -> None:
    tone = 0.5 * np.sin(2 * np.pi * 441 * np.arange(22_050) / 22_050)
    soundfile.write(tmp_path / "gull.wav", tone, 22_050, subtype="PCM_16")
    soundfile.write(tmp_path / "gull A5.wav", tone, 22_050, subtype="PCM_16")
    content = with_chunks(wav([1_000, -1_000] * 500, width=2), smpl(key=48))
    (tmp_path / "stated A5.wav").write_bytes(content)
    named = oracle.dump(
        bits=16,
        words=[0, 9_000, 0, -9_000] * 50,
        sample_number=3,
        period_ns=22_676,
        loop_start=0,
        loop_end=0,
        loop_type=0x7F,
    )
    (tmp_path / "bell.syx").write_bytes(
        named + oracle.sample_name(sample_number=3, name=b"Bell Eb3")
    )
    cases = {
        "as given": (("gull A5.wav", "--root", "50"), 50),
        "as the file states": (("stated A5.wav",), 48),
        "as the file's name says": (("gull A5.wav",), 81),
        "as its name says": (("bell.syx",), 51),
        "assumed: neither file nor name tells it": (("gull.wav",), 60),
    }
    for said, (words, root) in cases.items():
        done = run("listen", *words, "--json", "-o", "out.wav", "--overwrite", folder=tmp_path)
        (heard,) = json.loads(done.out)["played"]
        assert (heard["root_source"], heard["root"], heard["keys"]) == (said, root, [root])


PLAN = """
schema = "dryload/evening/1"
unit = "old-curtain"
[[sample]]
file = "gull C5.wav"
number = 3
low = 60
root = 72
high = 80
[[sample]]
file = "bell.wav"
number = 1
[[sample]]
file = "thunder.wav"
number = 2
low = 20
root = 30
high = 30
"""


def test_a_plan_is_heard_sample_by_sample_on_its_own_keys(tmp_path: Path) -> None:
    for name in ("gull C5.wav", "bell.wav", "thunder.wav"):
        tone = 0.5 * np.sin(2 * np.pi * 441 * np.arange(44_100) / 22_050)
        soundfile.write(tmp_path / name, tone, 22_050, subtype="PCM_16")
    (tmp_path / "evening.toml").write_text(PLAN)

    def heard(*words: str) -> list[tuple[int, list[int], int, str]]:
        given = ("listen", "evening.toml", *words, "--json", "-o", "out.wav", "--overwrite")
        done = run(*given, folder=tmp_path)
        assert done.code == 0, done.err
        document = json.loads(done.out)
        assert document["frames"] == len(soundfile.read(tmp_path / "out.wav")[0])
        return [
            (each["sample_number"], each["keys"], each["root"], each["root_source"])
            for each in document["played"]
        ]

    said, assumed = "as the plan says", "assumed: neither file nor name tells it"
    assert heard("--seconds", "0.1") == [
        (3, [60, 72, 80], 72, said),
        (1, [60], 60, assumed),
        (2, [20, 30], 30, said),
    ]
    assert heard("--keys", "80,25") == [
        (3, [80], 72, said),
        (1, [80, 25], 60, assumed),
        (2, [25], 30, said),
    ]
    assert heard("--dump", "3") == [(2, [20, 30], 30, said)]
    for words, message in {
        ("--for", "lantern-desk"): "--for is not for a plan: evening.toml says it.",
        ("--root", "60"): "--root is not for a plan: evening.toml says it.",
        ("--dump", "4"): "has no sample 4: it has samples 1 to 3.",
        ("--dump", "3", "--keys", "90"): "has no sample for any of these keys.",
        ("--keys", "60," * 20 + "60", "--seconds", "60"): "held for 42 minutes: 20 are the most.",
    }.items():
        done = run("listen", "evening.toml", *words, "-o", "no.wav", folder=tmp_path)
        assert (done.code, message in done.err) == (2, True), done.err


def test_a_damaged_dump_at_full_scale_stays_below_the_level(tmp_path: Path) -> None:
    loud = oracle.dump(
        bits=16,
        words=[32_767, -32_768] * 600,
        period_ns=22_676,
        sample_number=1,
        loop_start=0,
        loop_end=1_199,
        loop_type=0,
    )
    lost = bytearray(loud[: 21 + 127 * 3] + loud[21 + 127 * 4 :])  # a packet is missing
    for at in range(60, len(lost) - 2, 97):
        lost[at] ^= 0x55 if lost[at] < 0x80 else 0
    (tmp_path / "loud.syx").write_bytes(lost)
    for level in ("-12", "-30", "0"):
        given = ("listen", "loud.syx", "--level", level, "--keys", "36,55,60,61,90")
        done = run(*given, "-o", "out.wav", "--overwrite", folder=tmp_path)
        assert done.code == 0
        peak = float(np.abs(soundfile.read(tmp_path / "out.wav")[0]).max())
        most = 10 ** (float(level) / 20)
        assert 0.5 * most < peak <= most + 2**-23  # a word of 24 bits is rounded


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--keys", "C4"], "give MIDI note numbers"),
        (["--keys", "128"], "give MIDI note numbers"),
        (["--keys", ""], "give MIDI note numbers"),
        (["--root", "200"], "--root 200 is out of range: 0 to 127"),
        (["--seconds", "90"], "--seconds 90 is out of range: 0 to 60"),
        (["--level", "3"], "--level 3 is out of range: -96 to 0"),
        (["--dump", "9"], "has no dump 9: it holds dumps 1 to 4"),
        (["--for", "nobody"], "there is no profile 'nobody'"),
        (["-o", "bell.mp3"], ".mp3"),
    ],
)
def test_what_cannot_be_heard_is_one_clear_line(
    tmp_path: Path, words: list[str], said: str
) -> None:
    given = words if "-o" in words else [*words, "-o", "out.wav"]
    done = run("listen", str(DESK), *given, folder=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert said in done.err
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_dump(tmp_path: Path) -> None:
    (tmp_path / "foyer.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    done = run("listen", "foyer.png", "-o", "out.wav", folder=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert "not a dump" in done.err


class Speaker(types.ModuleType):
    """Stands for the library that plays aloud."""

    PortAudioError = RuntimeError

    def __init__(self, fails: bool) -> None:
        super().__init__("sounddevice")
        self.fails = fails
        self.heard: list[tuple[int, int]] = []

    def play(self, sound: np.ndarray[tuple[int, int], np.dtype[np.float32]], rate: int) -> None:
        if self.fails:
            raise self.PortAudioError("no device")
        self.heard.append((len(sound), rate))

    def wait(self) -> None:
        self.heard.append((0, 0))


def test_aloud(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    speaker = Speaker(fails=False)
    monkeypatch.setitem(sys.modules, "sounddevice", speaker)
    listen(str(DESK), dump=1, seconds=0.5)
    assert speaker.heard == [(22_050, 44_100), (0, 0)]
    assert "turn the volume down first" in capsys.readouterr().err  # before it sounds
    monkeypatch.setitem(sys.modules, "sounddevice", Speaker(fails=True))
    with pytest.raises(Problem, match=r"can't be played: no device\. Write a file"):
        listen(str(DESK), dump=1)
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(Problem, match="no library for it"):
        listen(str(DESK), dump=1)
