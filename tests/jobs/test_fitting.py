"""Dumps made for a unit: the emulated unit itself says whether it takes them, and what it keeps."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.harness.files.dumpfile import load
from dryload.harness.jobs.convert import Encoded, EncodeOptions, file_of
from dryload.harness.jobs.dumps import dumps_in
from dryload.harness.jobs.fitting import encode_for, first_number
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.rehearse import Rehearsal
from tests.files.chunks import SmplLoop, smpl, with_chunks
from tests.files.test_audio import float_wav, wav

WORDS = [(1021 * i) % 65_536 - 32_768 for i in range(200)]
LOOP = smpl([SmplLoop(10, 59)], key=57)


def fitted(folder: Path, unit: str, content: bytes, **wishes: object) -> Encoded:
    path = folder / "gulls.wav"
    path.write_bytes(content)
    options = EncodeOptions(**wishes)  # type: ignore[arg-type]  # each test says its own
    return encode_for(str(path), options, load_profile(unit))


def rehearsed(folder: Path, unit: str, made: Encoded) -> Transfer:
    path = folder / "gulls.syx"
    path.write_bytes(file_of([made.dump], "gulls.syx"))
    (dump,) = dumps_in(load(str(path)))
    return Rehearsal(load_profile(unit)).play(dump)


def number_for(unit: str) -> int:
    return load_profile(unit).slots.first_number + 2


@pytest.mark.parametrize("unit", profile_names())
@pytest.mark.parametrize("source", ["8-bit", "16-bit stereo", "24-bit", "floating-point"])
def test_every_unit_takes_what_was_made_for_it(tmp_path: Path, unit: str, source: str) -> None:
    contents = {
        "8-bit": wav([word >> 8 for word in WORDS], width=1),
        "16-bit stereo": wav(WORDS, width=2, channels=2),
        "24-bit": wav([word << 8 for word in WORDS], width=3),
        "floating-point": float_wav([word / 2**15 for word in WORDS]),
    }
    content = with_chunks(contents[source], LOOP)
    made = fitted(tmp_path, unit, content, number=number_for(unit), name="Gulls over the harbour")
    assert not [remark for remark in made.remarks if "refuse" in remark or "hear" in remark]
    profile = load_profile(unit)
    held = rehearsed(tmp_path, unit, made)
    heard = (Outcome.LOADED, Outcome.CHANGED) if profile.habits.answers else (Outcome.UNCONFIRMED,)
    assert held.outcome in heard
    assert held.holds is not None
    assert held.holds.bits == made.sample.bits
    words = made.sample.words.tolist()
    assert held.holds.words.tolist()[: len(words)] == words  # one unit keeps the filler as well
    assert held.holds.name == made.sample.name
    assert made.root == 57


@pytest.mark.parametrize(
    ("unit", "source_bytes", "bits"),
    [
        ("lantern-desk", 1, 8),  # 8 to 16
        ("lantern-desk", 3, 16),
        ("narrow-wings", 1, 12),  # 12 and 16: 8 bits are whole in 12
        ("prompt-box", 2, 12),  # 12 alone
        ("double-bill", 3, 24),
        ("double-bill", 4, 28),
    ],
)
def test_the_width_is_the_narrowest_that_loses_nothing(
    tmp_path: Path, unit: str, source_bytes: int, bits: int
) -> None:
    made = fitted(tmp_path, unit, wav([0, 1, -1], width=source_bytes), number=number_for(unit))
    assert made.sample.bits == bits
    assert (f"words have {bits} bits" in "".join(made.remarks)) == (bits != 8 * source_bytes)


def test_two_channels_stay_two_where_the_unit_takes_two(tmp_path: Path) -> None:
    stereo = wav([1, 2] * 50, width=2, channels=2)
    assert fitted(tmp_path, "double-bill", stereo).sample.channels == 2
    mixed = fitted(tmp_path, "lantern-desk", stereo)
    assert mixed.sample.channels == 1
    assert "mixed to one" in "".join(mixed.remarks)


def test_a_loop_sounds_as_it_was_where_the_unit_does_not_play_its_end(tmp_path: Path) -> None:
    content = with_chunks(wav(WORDS, width=2), LOOP)
    made = fitted(tmp_path, "old-curtain", content)
    assert "does not play the word at a loop's end" in "".join(made.remarks)
    held = rehearsed(tmp_path, "old-curtain", made)
    assert held.holds is not None
    assert held.holds.sustain == Loop(start=10, end=59, loop_type=0x00)  # what it plays
    asked = fitted(tmp_path, "old-curtain", content, loop=Loop(start=10, end=59, loop_type=0x00))
    assert asked.sample.sustain.end == 59
    last = with_chunks(wav(WORDS, width=2), smpl([SmplLoop(10, 199)]))
    assert fitted(tmp_path, "old-curtain", last).sample.sustain.end == 199


@pytest.mark.parametrize(
    ("unit", "number"),
    [("lantern-desk", 0), ("prompt-box", 1), ("property-chest", 100), ("call-board", 2)],
)
def test_the_first_number_that_a_unit_takes(unit: str, number: int) -> None:
    """Slots 1 and 2 of call-board are protected; its first number is 0."""
    assert first_number(load_profile(unit)) == number


def test_names_are_cut_as_the_unit_cuts_them(tmp_path: Path) -> None:
    content = wav([0] * 50, width=2)
    cut = fitted(tmp_path, "prompt-box", content, name="Ship's bell", number=1)
    assert cut.sample.name == "Ship's b"
    assert "the name Ship's bell is cut to Ship's b" in cut.remarks
    none = fitted(tmp_path, "old-curtain", content, name="Ship's bell")
    assert none.sample.name == ""
    assert any("Ship's bell is not sent" in remark for remark in none.remarks)


def test_a_backward_loop_becomes_a_forward_one_for_a_unit_of_standard_headers(
    tmp_path: Path,
) -> None:
    content = with_chunks(wav([0] * 50, width=2), smpl([SmplLoop(10, 29, 2)]))
    made = fitted(tmp_path, "thunder-sheet", content)
    assert made.sample.sustain == Loop(start=10, end=29, loop_type=0x00)
    assert not made.extended
    assert "knows no backward loops" in "".join(made.remarks)
    kept = fitted(tmp_path, "lantern-desk", content)
    assert kept.sample.sustain.loop_type == 0x40
    assert kept.extended


@pytest.mark.parametrize(
    ("unit", "wishes", "said"),
    [
        ("lantern-desk", {"bits": 24}, "would refuse it: the sample has 24 significant bits"),
        ("lantern-desk", {"channel": "both"}, "would refuse it: the sample has 2 channels"),
        ("lantern-desk", {"number": 9_999}, "would refuse it: sample number 9999 does not address"),
        ("old-curtain", {"header": "extended", "channel": "both"}, "does not know the extended"),
        ("double-bill", {"device_id": 3}, "does not hear it: it has device ID 16"),
    ],
)
def test_what_was_asked_for_stays_and_the_unit_says_whether_it_takes_it(
    tmp_path: Path, unit: str, wishes: dict[str, object], said: str
) -> None:
    made = fitted(tmp_path, unit, wav([1, 2] * 50, width=2, channels=2), **wishes)
    assert said in "".join(made.remarks)
    assert rehearsed(tmp_path, unit, made).holds is None


def test_what_the_unit_would_change_is_told(tmp_path: Path) -> None:
    made = fitted(tmp_path, "prompt-box", wav(WORDS, width=2), bits=16, number=1)
    assert "in prompt-box, 16 bit words are rounded to 12 bit" in "".join(made.remarks)


def test_a_sound_that_is_too_long_for_the_unit_is_told(tmp_path: Path) -> None:
    frames = 3 << 20
    profile = load_profile("lantern-desk")
    assert frames > profile.memory.bank_words * len(profile.memory.fitted)
    silence = io.BytesIO()
    soundfile.write(silence, np.zeros(frames, np.int16), 44_100, format="WAV", subtype="PCM_U8")
    made = fitted(tmp_path, "lantern-desk", silence.getvalue())
    assert "would refuse it: the sample needs" in "".join(made.remarks)
