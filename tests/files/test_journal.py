"""The journal of a live replay: what stands in it survives whatever happens to its writer."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

import pytest

from harness.files.journal import SCHEMA, Entry, Journal, sha256_of, usual_path
from harness.files.problem import Problem

TARGET = "midi:Lantern Desk"
BEGAN = "2031-05-04T19:30:00+02:00"


def entry(number: int = 1, *, content: bytes = b"thunder", **fields: Any) -> Entry:
    given: dict[str, Any] = {
        "file": f"{number}.syx",
        "dump": 0,
        "sample_number": number,
        "device_id": 0,
        "sha256": sha256_of([content]),
        "outcome": "loaded",
        "verified": True,
        "is_well": True,
        **fields,
    }
    return Entry(**given)


def begun(path: Path, *entries: Entry) -> bytes:
    """Write a journal; return its bytes."""
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN)
    for each in entries:
        journal.enter(each)
    journal.close()
    return path.read_bytes()


def resumed(path: Path) -> Journal:
    journal = Journal.resume(str(path), target=TARGET)
    journal.close()
    return journal


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "evening.jsonl"


def test_it_is_a_text_file_that_other_programs_can_read(path: Path) -> None:
    first, second = entry(1), entry(2, outcome="incomplete", verified=None, is_well=False)
    head, *lines = map(json.loads, begun(path, first, second).splitlines())

    assert head == {"schema": SCHEMA, "target": TARGET, "began": BEGAN}
    assert [line["sample_number"] for line in lines] == [1, 2]
    assert lines[0]["sha256"] == hashlib.sha256(b"thunder").hexdigest()
    assert lines[1]["verified"] is None


def test_what_was_entered_is_there_again(path: Path) -> None:
    first, second = entry(1), entry(2, is_well=False)
    begun(path, first, second)
    journal = resumed(path)

    assert journal.entries == (first, second)
    assert journal.loaded() == {first.key}


def test_each_line_is_in_the_file_before_the_next_dump_begins(path: Path) -> None:
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN)
    for number in (1, 2, 3):
        journal.enter(entry(number))
        assert len(path.read_bytes().splitlines()) == 1 + number
    journal.close()


def test_going_on_appends(path: Path) -> None:
    before = begun(path, entry(1))
    journal = Journal.resume(str(path), target=TARGET)
    journal.enter(entry(2))
    journal.close()

    assert path.read_bytes().startswith(before)
    assert resumed(path).entries == (entry(1), entry(2))


def test_the_last_word_of_a_dump_counts(path: Path) -> None:
    begun(path, entry(1), entry(2, is_well=False), entry(1, is_well=False), entry(2))
    assert resumed(path).loaded() == {entry(2).key}


def test_another_content_under_the_same_number_takes_its_place(path: Path) -> None:
    # The unit holds one sample under a number: what was there before is gone.
    bell = entry(1, content=b"bell")
    begun(path, entry(1), bell)
    assert resumed(path).loaded() == {bell.key}


def test_the_same_number_of_another_device_is_another_sample(path: Path) -> None:
    there = entry(1, device_id=7, content=b"bell")
    begun(path, entry(1), there)
    assert resumed(path).loaded() == {entry(1).key, there.key}


def test_cut_off_anywhere_what_is_whole_still_counts(path: Path) -> None:
    content = begun(path, entry(1), entry(2), entry(3))
    ends = [at for at, byte in enumerate(content) if byte == 0x0A]
    near = {end + by for end in ends for by in (-1, 0, 1, 2)} | set(range(0, len(content), 31))
    for cut in sorted(cut for cut in near if ends[0] < cut <= len(content)):
        path.write_bytes(content[:cut])
        whole = sum(end <= cut for end in ends[1:])  # a line without its end is whole as well
        assert resumed(path).entries == tuple(map(entry, range(1, whole + 1)))
        journal = Journal.resume(str(path), target=TARGET)
        journal.enter(entry(9))
        journal.close()
        assert resumed(path).entries[-1] == entry(9)  # not glued to what was cut off


def test_lines_that_are_none_of_ours_are_passed_over(path: Path) -> None:
    content = begun(path, entry(1))
    path.write_bytes(
        content + b'[]\n{"file": 1}\n\n\xff\xfe\n"bell"\n{"\n' + b"[" * 100_000 + b"\n"
    )
    assert resumed(path).entries == (entry(1),)


def test_a_new_one_replaces_the_old_one_only_with_its_first_dump(path: Path) -> None:
    before = begun(path, entry(1))
    assert begun(path) == before
    after = begun(path, entry(2))
    assert entry(1).file.encode() not in after
    assert resumed(path).entries == (entry(2),)


@pytest.mark.parametrize(
    "content",
    [b"thunder at 20:15\n", b"{}\n", b"\xf0\x7e\x00\x01\xf7", b'{"schema": "bell/1"}\n', b"\n"],
)
def test_a_file_that_is_no_journal_is_left_alone(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    for attempt in (lambda: begun(path, entry(1)), lambda: resumed(path)):
        with pytest.raises(Problem, match="no journal, so it is left alone"):
            attempt()
        assert path.read_bytes() == content


def test_one_of_another_version_is_left_alone(path: Path) -> None:
    content = b'{"schema": "dryload/journal/99", "target": "midi:Lantern Desk"}\n'
    path.write_bytes(content)
    for attempt in (lambda: begun(path, entry(1)), lambda: resumed(path)):
        with pytest.raises(Problem, match="of another version of dryload"):
            attempt()
        assert path.read_bytes() == content


def test_one_of_another_target_is_no_ground_to_leave_anything_out(path: Path) -> None:
    content = begun(path, entry(1))
    with pytest.raises(Problem, match=r"is of midi:Lantern Desk, not of tcp:127\.0\.0\.1:4000"):
        Journal.resume(str(path), target="tcp:127.0.0.1:4000")
    assert path.read_bytes() == content


def test_with_nothing_to_go_on_with_it_says_so(path: Path) -> None:
    with pytest.raises(Problem, match=r"there is no journal at .*evening\.jsonl"):
        resumed(path)
    assert not path.exists()


def test_a_place_that_cannot_be_written_is_a_problem(tmp_path: Path) -> None:
    (tmp_path / "bell").write_bytes(b"")
    for place in (tmp_path, tmp_path / "bell" / "evening.jsonl"):
        with pytest.raises(Problem):
            begun(place, entry(1))


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device here that is always full")
def test_a_full_disk_is_a_problem_and_no_traceback(path: Path) -> None:
    # /dev/full takes nothing: "no space left on device" (Linux, full(4)).
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN)
    journal.close()
    full = os.open("/dev/full", os.O_WRONLY)
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN)
    os.dup2(full, journal._file.fileno())
    os.close(full)
    with pytest.raises(Problem, match=r"evening\.jsonl can't be written"):
        journal.enter(entry(1))
    journal.close()


def test_folders_on_the_way_are_made(tmp_path: Path) -> None:
    path = tmp_path / "state" / "dryload" / "evening.jsonl"
    begun(path, entry(1))
    assert resumed(path).entries == (entry(1),)


def test_each_target_has_a_place_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", "state")  # XDG Base Directory Specification 0.8
    targets = [TARGET, "midi:lantern desk", "midi:Lantern/Desk", "tcp:127.0.0.1:1", "midi:Fähre"]
    paths = [usual_path(target) for target in [*targets, "midi:" + "../" * 90]]
    assert len(set(paths)) == len(paths)
    assert all(".." not in Path(path).parts for path in paths)
    assert all(len(Path(path).name) < 100 for path in paths)
    assert [usual_path(target) for target in targets] == paths[:-1]
