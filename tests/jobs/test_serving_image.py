"""The image of a served unit: soon in the file, and never what is between two samples."""

from __future__ import annotations

from pathlib import Path

import pytest

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import restore
from dryload.emulator.unit.possible import Profile
from dryload.harness.files.image_file import ImageFile
from dryload.harness.files.problem import Problem
from tests import oracle
from tests.jobs.serving_bench import STEP_NS, Bench, messages_of, words_in
from tests.unit.desk import noise


def kept_in(path: Path, profile: Profile) -> RackUnit:
    unit = RackUnit(profile)
    restore(unit, path.read_bytes())
    return unit


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "desk.image"


def test_the_image_outlives_the_unit(path: Path) -> None:
    words = noise(200)
    for number in (1, 3):
        file = ImageFile(str(path))
        bench = Bench(image=file)
        bench.take(words, number)
        bench.serving.post(f"device-id {number}" if number == 3 else "confirm")
        bench.run(bench.clock.time_ns + STEP_NS)
        bench.serving.finish()
        file.close()
    unit = kept_in(path, bench.unit.profile)
    assert words_in(unit, 2) == words_in(unit, 4) == words
    assert unit.panel.device_id == 3
    assert "image written" in bench.events()


class Watched(ImageFile):
    """Writes and says so."""

    def __init__(self, path: Path) -> None:
        super().__init__(str(path))
        self.written: list[bytes] = []
        self.fails = False

    def write(self, image: bytes) -> None:
        if self.fails:
            raise Problem("the disk is full.")
        self.written.append(image)

    def settle(self, bench: Bench, slot: int, words: list[int]) -> None:
        """Let time pass until an image has these words; the thread that writes has its own pace."""
        for _ in range(1_000_000):
            bench.run(bench.clock.time_ns + 1)
            if self.written and words_in(restored(bench, self.written[-1]), slot) == words:
                return
        raise AssertionError("no image was written")


def restored(bench: Bench, image: bytes) -> RackUnit:
    unit = RackUnit(bench.unit.profile)
    restore(unit, image)
    return unit


def test_an_image_shows_the_old_sample_or_the_new_one_never_what_is_between(path: Path) -> None:
    # This unit gives the old sample up when it accepts the header; the image does not.
    file, old, new = Watched(path), noise(90, seed=2), noise(90, seed=3)
    bench = Bench('[slots]\nreplace = "at once"\n', image=file)
    bench.take(old)
    file.settle(bench, 2, old)
    before = len(file.written)
    in_the_middle = []
    bench.run(bench.come(messages_of(new)), lambda: in_the_middle.append(bench.words_in(2)))
    assert None in in_the_middle  # the unit itself had nothing there for a while
    file.settle(bench, 2, new)
    held = [words_in(restored(bench, image), 2) for image in file.written[before:]]
    assert all(words in (old, new) for words in held)
    bench.serving.finish()
    file.close()


@pytest.mark.parametrize(
    ("habits", "slot_2"),
    [
        ('[slots]\nreplace = "at once"\n', None),
        ('[slots]\nreplace = "when whole"\n', [7, 8, 9]),
        ('[habits]\npartial = "keep"\n', noise(90)[:40]),
    ],
)
def test_an_end_in_the_middle_of_a_dump_is_the_unit_s_switch(
    path: Path, habits: str, slot_2: list[int] | None
) -> None:
    file = ImageFile(str(path))
    bench = Bench(habits, image=file)
    bench.take([7, 8, 9])
    bench.run(bench.come(messages_of(noise(90))[:2]))
    assert bench.unit.is_receiving
    bench.serving.finish()
    file.close()
    assert words_in(kept_in(path, bench.unit.profile), 2) == slot_2
    assert "incomplete" in bench.events()
    assert bench.events()[-1] == "image written"


def test_an_image_that_cannot_be_written_is_told_and_tried_again(path: Path) -> None:
    file = Watched(path)
    file.fails = True
    bench = Bench(image=file)
    bench.take([1, 2])
    for _ in range(1_000_000):
        bench.run(bench.clock.time_ns + 1)
        if "image not written" in bench.events():
            break
    assert bench.serving.view().image_problem == "the disk is full."
    file.fails = False
    file.settle(bench, 2, [1, 2])
    bench.serving.finish()
    assert bench.serving.view().image_problem == ""
    file.close()


def test_an_image_that_cannot_be_written_at_the_end_is_a_problem(path: Path) -> None:
    file = Watched(path)
    file.fails = True
    bench = Bench(image=file)
    bench.take([1, 2])
    with pytest.raises(Problem, match="the disk is full"):
        bench.serving.finish()
    file.close()


def test_names_and_loops_that_come_are_kept_as_well(path: Path) -> None:
    file = ImageFile(str(path))
    bench = Bench(image=file)
    bench.take([1, 2, 3])
    bench.run(bench.come([oracle.sample_name(sample_number=1, name=b"Thunder")]))
    bench.serving.finish()
    file.close()
    assert kept_in(path, bench.unit.profile).slots[2].name == "Thunder"
