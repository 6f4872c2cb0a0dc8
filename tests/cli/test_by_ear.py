"""`dryload prove --tone` and `--recording` as a person meets them.

The dump is read by the plain codec, and played and recorded by plain Fourier series.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests import oracle
from tests.cli.backing_up import Desk
from tests.prove.played import Array, Played, recorded, tone_words

OK, FAULT, USAGE = 0, 1, 2
WORDS = 20_000
PLAIN = Played()
PROFILES = Path(__file__).parents[2] / "emulator" / "profiles"


@pytest.fixture
def desk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Desk:
    return Desk(tmp_path, monkeypatch, capsys)


def record(words: Array, how: Played = PLAIN) -> None:
    sound = recorded(words, how, np.random.default_rng(3))
    soundfile.write("heard.wav", sound, int(how.rate_hz), subtype="PCM_16")


def test_the_tone_is_written_sent_played_and_heard(desk: Desk) -> None:
    said = desk.run("prove", "--tone", "tone.syx", "--words", str(WORDS))
    assert said.code == OK
    assert "volume down" in said.out
    assert "a flute without a click" in said.out
    assert "dryload prove --recording FILE --words 20000" in said.out

    dump = oracle.read_dump(Path("tone.syx").read_bytes())
    assert (dump.bits, dump.period_ns) == (16, 45_000)
    assert dump.words == tone_words(WORDS).tolist()

    record(np.array(dump.words))
    said = desk.run("prove", "--recording", "heard.wav", "--words", str(WORDS))
    assert said.code == OK
    assert said.out.startswith("Heard: the tone, and nothing that is wrong.\n")
    assert "the upper 8 bits of 16" in said.out
    assert "the lower 8 bits" in said.out
    for word in ("verified", "proved to", "works"):
        assert word not in said.out


def test_what_is_wrong_is_said_with_its_place_and_what_to_do(desk: Desk) -> None:
    words = tone_words(WORDS)
    words[7_000] ^= 1 << 12
    words[12_000:13_000] = 0
    record(words)
    said = desk.run("prove", "--recording", "heard.wav", "--words", str(WORDS))

    assert said.code == FAULT
    assert said.out.startswith("Something is wrong: in 2 places there is more than the tone.\n")
    assert "for 0.0" in said.out
    assert "What to do:" in said.out
    assert "mains voltage inside" in said.out


@pytest.mark.parametrize(
    ("words", "how", "result"),
    [
        (tone_words(WORDS), PLAIN, "heard"),
        (np.concatenate([tone_words(WORDS // 2)] * 2), PLAIN, "fault"),
        (tone_words(WORDS // 2), PLAIN, "not proved"),
        (tone_words(WORDS), Played(noise_db=-30.0), "not proved"),
    ],
)
def test_the_document_says_that_it_was_only_heard(
    desk: Desk, words: Array, how: Played, result: str
) -> None:
    record(words, how)
    said = desk.run("prove", "--recording", "heard.wav", "--words", str(WORDS), "--json")
    document = json.loads(said.out)

    assert document["schema"] == "dryload/prove/1"
    assert document["result"] == result
    assert said.code == (OK if result == "heard" else FAULT)
    assert bool(document["why"]) is (result == "not proved")
    assert bool(document["wrong"]) is (result == "fault")
    proved_to = document["proved_to"]
    assert (proved_to["passes"], proved_to["heard_only"]) == (0, True)
    assert proved_to["of_words"] == WORDS


@pytest.mark.parametrize(("name", "bits"), [("thunder-sheet", 16), ("prompt-box", 12)])
def test_for_a_unit_the_tone_is_as_it_takes_it_and_fills_its_memory(
    desk: Desk, name: str, bits: int
) -> None:
    memory = tomllib.loads((PROFILES / f"{name}.toml").read_text(encoding="utf-8"))["memory"]
    said = desk.run("prove", "--tone", "tone.syx", "--for", name, "--json")
    document = json.loads(said.out)

    assert document["tone"]["bits"] == bits
    assert document["tone"]["words"] == memory["bank_words"] * len(memory["fitted"])
    dump = oracle.read_dump(Path("tone.syx").read_bytes())
    tone = tone_words(1_000) / 2 ** (16 - bits)
    assert np.abs(np.array(dump.words[:1_000]) - tone).max() <= 1


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (["--tone", "x.syx"], "--for PROFILE"),
        (["--tone", "x.syx", "--words", "40"], "--words 40"),
        (["--tone", "x.syx", "--words", "3000000"], "--number N"),
        (["--tone", "x.syx", "--words", "9000", "--to", "unit:narrow-wings"], "--to"),
        (["--tone", "x.syx", "--words", "9000", "--recording", "x.wav"], "--recording"),
        (["--tone", "x.syx", "--words", "9000", "--no-pace"], "--no-pace"),
        (["--tone", "x.syx", "--words", "9000", "--bits", "7"], "--bits"),
        (["--tone", "x.syx", "--words", "9000", "--device-id", "200"], "--device-id"),
        (["--tone", "there.syx", "--words", "9000"], "--overwrite"),
        (["--tone", "x.syx", "--for", "nowhere"], "nowhere"),
        (["--recording", "none.wav", "--words", "9000"], "none.wav"),
        (["--recording", "there.syx", "--words", "9000"], "there.syx"),
        (["--recording", "x.wav", "--words", "9000", "--wipe"], "--wipe"),
        (["--to", "unit:narrow-wings", "--words", "9"], "--words"),
        (["--to", "unit:narrow-wings", "--for", "narrow-wings"], "--for"),
        ([], "--to is missing"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    desk: Desk, options: list[str], what: str
) -> None:
    Path("there.syx").write_bytes(b"there")
    said = desk.run("prove", *options)

    assert said.code == USAGE
    assert what in said.err
    assert not Path("x.syx").exists()
    assert Path("there.syx").read_bytes() == b"there"


def test_a_recording_of_something_else_is_told_by_its_name(desk: Desk) -> None:
    soundfile.write("gulls.wav", np.random.default_rng(1).normal(0, 0.1, 44_100), 44_100)
    said = desk.run("prove", "--recording", "gulls.wav", "--words", "9000")

    assert said.code == USAGE
    assert "gulls.wav can't be judged: the test tone is not in it." in said.err
