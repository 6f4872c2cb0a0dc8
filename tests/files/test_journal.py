"""The journal of a live replay: what stands in it survives whatever happens to its writer."""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dryload.harness.files.journal import (
    SCHEMA,
    Disk,
    Journal,
    JournalEntry,
    JournalStage,
    sha256_of,
    usual_path,
)
from dryload.harness.files.problem import Problem

TARGET = "midi:Lantern Desk"
BEGAN = "2031-05-04T19:30:00+02:00"


def entry(number: int = 1, *, content: bytes = b"thunder", **fields: Any) -> JournalEntry:
    given: dict[str, Any] = {
        "step": JournalStage.ENDED,
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
    return JournalEntry(**given)


def key(entry: JournalEntry) -> tuple[int, int, str]:
    return entry.device_id, entry.sample_number, entry.sha256


def begun(path: Path, *entries: JournalEntry, disk: Disk | None = None) -> bytes:
    """Write a journal; return its bytes."""
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN, disk=disk)
    for each in entries:
        journal.enter(each)
    journal.close()
    return path.read_bytes()


def opened_again(path: Path, disk: Disk | None = None) -> Journal:
    return Journal.resume(str(path), target=TARGET, began=BEGAN, disk=disk)


def resumed(path: Path) -> Journal:
    journal = opened_again(path)
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
    assert [line["step"] for line in lines] == ["ended", "ended"]


def test_what_was_entered_is_there_again(path: Path) -> None:
    first, second = entry(1), entry(2, is_well=False)
    begun(path, first, second)
    journal = resumed(path)

    assert journal.entries == (first, second)
    assert journal.loaded() == {key(first)}


def test_each_line_is_in_the_file_before_the_next_dump_begins(path: Path) -> None:
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN)
    for number in (1, 2, 3):
        journal.enter(entry(number))
        assert len(path.read_bytes().splitlines()) == 1 + number
    journal.close()


def test_going_on_appends(path: Path) -> None:
    before = begun(path, entry(1))
    journal = opened_again(path)
    journal.enter(entry(2))
    journal.close()

    assert path.read_bytes().startswith(before)
    assert resumed(path).entries == (entry(1), entry(2))


def test_the_last_word_of_a_dump_counts(path: Path) -> None:
    begun(path, entry(1), entry(2, is_well=False), entry(1, is_well=False), entry(2))
    assert resumed(path).loaded() == {key(entry(2))}


def test_another_content_under_the_same_number_takes_its_place(path: Path) -> None:
    # The unit holds one sample under a number: what was there before is gone.
    bell = entry(1, content=b"bell")
    begun(path, entry(1), bell)
    assert resumed(path).loaded() == {key(bell)}


def test_the_same_number_of_another_device_is_another_sample(path: Path) -> None:
    there = entry(1, device_id=7, content=b"bell")
    begun(path, entry(1), there)
    assert resumed(path).loaded() == {key(entry(1)), key(there)}


def test_cut_off_anywhere_what_is_whole_still_counts(path: Path) -> None:
    content = begun(path, entry(1), entry(2), entry(3))
    ends = [at for at, byte in enumerate(content) if byte == 0x0A]
    near = {end + by for end in ends for by in (-1, 0, 1, 2)} | set(range(0, len(content), 31))
    for cut in sorted(cut for cut in near if ends[0] < cut <= len(content)):
        path.write_bytes(content[:cut])
        whole = sum(end <= cut for end in ends[1:])  # a line without its end is whole as well
        assert resumed(path).entries == tuple(map(entry, range(1, whole + 1)))
        journal = opened_again(path)
        journal.enter(entry(9))
        journal.close()
        assert resumed(path).entries[-1] == entry(9)  # not glued to what was cut off


def test_lines_that_are_none_of_ours_are_passed_over(path: Path) -> None:
    content = begun(path, entry(1))
    odd = json.dumps({**json.loads(content.splitlines()[1]), "sample_number": [2]}).encode()
    path.write_bytes(
        content + odd + b'\n[]\n{"file": 1}\n\n\xff\xfe\n"bell"\n{"\n' + b"[" * 100_000 + b"\n"
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
        with pytest.raises(Problem, match="not a journal, so it is left alone"):
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
    with pytest.raises(
        Problem, match=r"is about midi:Lantern Desk, not about tcp:127\.0\.0\.1:4000"
    ):
        Journal.resume(str(path), target="tcp:127.0.0.1:4000", began=BEGAN)
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


class PoorDisk(Disk):
    """Takes no more than `room` bytes, or is switched off when it has taken them.

    What has been written of an append stands on it; a file is replaced as a whole or not at all.
    """

    def __init__(self, room: int) -> None:
        self.room = room

    def replace(self, path: str, content: bytes) -> None:
        if len(content) > self.room:
            raise OSError(errno.ENOSPC, "No space left on device")
        self.room -= len(content)
        super().replace(path, content)

    def append(self, path: str, content: bytes) -> None:
        whole = len(content) <= self.room
        super().append(path, content[: self.room])
        self.room = max(self.room - len(content), 0)
        if not whole:
            raise OSError(errno.ENOSPC, "No space left on device")


def test_the_new_one_stands_there_whole_before_its_first_dump_begins(path: Path) -> None:
    begun(path, entry(1), entry(2))
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN)
    journal.enter(entry(1, step=JournalStage.SENDING, outcome="", verified=None, is_well=False))
    head, line = map(json.loads, path.read_bytes().splitlines())
    assert (head["schema"], line["step"]) == (SCHEMA, "sending")
    assert resumed_while_open(path) == set()  # and nothing of the older one is left
    journal.close()


def resumed_while_open(path: Path) -> set[tuple[int, int, str]]:
    """Return what one who looks at a copy of the file would take for loaded."""
    copy = path.with_name("copy.jsonl")
    copy.write_bytes(path.read_bytes())
    return resumed(copy).loaded()


@pytest.mark.parametrize("room", range(0, 900, 7))
def test_wherever_the_disk_is_full_or_the_computer_off_it_claims_no_more_than_is_true(
    path: Path, room: int
) -> None:
    begun(path, entry(1), entry(2), entry(3))  # an older evening: all of that is gone now
    disk, ended, told = PoorDisk(room), set(), ""
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN, disk=disk)
    try:
        for number in (1, 2, 3):
            started = entry(number, step=JournalStage.SENDING, verified=None, is_well=False)
            journal.enter(started)
            ended.add(key(entry(number)))
            journal.enter(entry(number))
    except Problem as problem:
        told = str(problem)
    assert not told or "evening.jsonl cannot be written: No space left on device" in told
    journal.close()
    content = path.read_bytes()
    assert content
    found = resumed(path).loaded()
    if ended:  # its first dump has begun
        assert found <= ended
        assert found >= ended - {max(ended)}
    else:
        assert found == {key(entry(number)) for number in (1, 2, 3)}  # nothing has been touched


def test_a_line_that_did_not_get_on_the_disk_spoils_none_that_comes_later(path: Path) -> None:
    disk = PoorDisk(1_000)
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN, disk=disk)
    journal.enter(entry(1))
    disk.room = 40
    with pytest.raises(Problem):
        journal.enter(entry(2))
    assert journal.loaded() == {key(entry(1))}
    disk.room = 1_000
    journal.enter(entry(3))
    journal.close()
    assert resumed(path).loaded() == {key(entry(1)), key(entry(3))}


def test_what_is_written_is_synced_before_it_counts(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []

    def noted(name: str, function: Callable[..., None]) -> Callable[..., None]:
        def note(*arguments: Any) -> None:
            done.append(name)
            function(*arguments)

        return note

    monkeypatch.setattr(os, "fsync", noted("fsync", os.fsync))
    monkeypatch.setattr(os, "replace", noted("rename", os.replace))
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN)
    assert done == []
    journal.enter(entry(1))
    assert done == ["fsync", "rename", "fsync"]  # the file, and then the folder
    journal.enter(entry(2))
    assert done[3:] == ["fsync"]
    journal.close()


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\0" * 4096,
        b'{"schema": "dryload/jour',
        b'{"schema": "dryload/journal/1", "target": "mi',
    ],
)
def test_of_one_that_a_crash_left_without_a_first_line_nothing_is_known(
    path: Path, content: bytes
) -> None:
    path.write_bytes(content)
    journal = opened_again(path)
    assert journal.is_blank
    assert journal.loaded() == set()
    assert path.read_bytes() == content
    journal.enter(entry(1))
    journal.close()
    assert not resumed(path).is_blank
    assert resumed(path).loaded() == {key(entry(1))}


def test_lines_of_the_version_before_are_ends(path: Path) -> None:
    content = begun(path, entry(1))
    old = [json.loads(line) for line in content.splitlines()]
    assert old[1].pop("step") == "ended"
    path.write_bytes(b"".join(json.dumps(line).encode() + b"\n" for line in old))
    assert resumed(path).entries == (entry(1),)


def test_only_one_at_a_time_has_it(path: Path) -> None:
    journal = Journal.begin(str(path), target=TARGET, began=BEGAN)
    journal.enter(entry(1))
    (path.parent / "also.jsonl").symlink_to(path)  # another name of the same file
    for name in (path, path.parent / "also.jsonl"):
        for attempt in (lambda name=name: begun(name, entry(2)), lambda name=name: resumed(name)):
            with pytest.raises(Problem, match="another replay is writing the journal") as told:
                attempt()
            assert told.value.code == 2
    journal.close()
    assert resumed(path).entries == (entry(1),)
    assert [each.name for each in path.parent.iterdir() if "lock" in each.name] == []


def test_one_that_is_refused_does_not_keep_others_out(path: Path) -> None:
    path.write_bytes(b"thunder at 20:15\n")
    for _ in range(2):
        with pytest.raises(Problem, match="not a journal"):
            begun(path, entry(1))
    path.unlink()
    begun(path, entry(1))
