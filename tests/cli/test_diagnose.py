"""The command diagnose: what it says of a transfer, in words and as JSON, and what it cannot know.

Which causes there are and when each is named is checked in tests/diagnosis; here is what a user
meets.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from msgspec.structs import replace

from dryload.harness.files import capture_lines
from dryload.harness.files.recorded import TakenAt
from tests.cli.diagnosing import (
    NAMED,
    OK,
    PACKETS,
    PICTURE,
    USAGE,
    at_host,
    both,
    is_told,
    keep,
    read_back,
    sample,
    steady,
    unanswered,
)
from tests.cli.runs import COMMAND, PATIENCE_S, environment, run
from tests.judge.talking import Tape, dump, header, packets, say

# What comes of a transfer.


def test_a_transfer_without_a_fault_has_nothing_wrong(tmp_path: Path) -> None:
    text, document = both(tmp_path, keep(tmp_path, replace(dump().recorded())))

    assert text.code == OK
    assert document["answer"] == "nothing wrong"
    assert (document["causes"], document["confidence"]) == ([], None)
    assert "evening.jsonl: 1 dump to the unit, " in text.out
    (seen,) = document["dumps"]
    assert (seen["packets"], seen["planned"], seen["ended"]) == (PACKETS, PACKETS, "whole")


def test_a_transfer_that_failed_gets_a_cause_and_a_remedy(tmp_path: Path) -> None:
    text, document = both(tmp_path, keep(tmp_path, unanswered().recorded()))

    assert text.code == NAMED
    assert document["answer"] == "cause"
    first = document["causes"][0]
    assert first["cause"] == "nothing comes back"
    assert text.out.index("Evidence:") < text.out.index("What to do:")
    assert len(text.out.splitlines()) < 30


def test_bytes_and_instants_of_what_was_seen_are_told(tmp_path: Path) -> None:
    tape = Tape().to(header(PACKETS)).to(packets(1)[0], after_ms=2_000)
    tape.to(header(PACKETS, device_id=0x7F), after_ms=3_000).back(say("ACK", device_id=3))

    text, document = both(tmp_path, keep(tmp_path, tape.recorded()))

    timed = [each for cause in document["causes"] for each in cause["evidence"] if each["at"]]
    assert timed
    first = document["causes"][0]["evidence"][0]
    assert f"{first['at']['time_ns'] / 1e9:.3f} s: " in text.out
    if first["bytes"]:
        assert first["bytes"].upper() in text.out


# With the dump that was to be sent.


def test_damage_that_keeps_the_checksum_is_found_with_the_source(tmp_path: Path) -> None:
    (tmp_path / "bell.syx").write_bytes(sample())
    swapped = bytearray(packets(PACKETS)[3])
    swapped[60], swapped[61] = swapped[61], swapped[60]  # the sum of an XOR stays (M1 p. 39)
    assert swapped != packets(PACKETS)[3]

    def spoiled(tape: Tape, place: int, _: bytes) -> None:
        tape.to(bytes(swapped)).back(say("ACK", place))

    tape = dump(PACKETS, {3: spoiled})
    name = keep(tmp_path, replace(tape.recorded(), taken_at=TakenAt.LINE))

    _, document = both(tmp_path, name, "--source", "bell.syx")

    first = document["causes"][0]
    assert first["cause"] == "damage that no receiver can see"
    assert (first["at"]["packet"], document["confidence"]) == (3, "certain")
    assert not any("checksum right" in each for each in document["unknown"])
    _, without = both(tmp_path, name)
    assert any("--source" in each for each in without["unknown"])


def test_of_several_sources_the_one_with_the_sample_number_counts(tmp_path: Path) -> None:
    (tmp_path / "gull.syx").write_bytes(sample(3, number=2, step=77))
    (tmp_path / "bell.syx").write_bytes(sample())
    sources = ("--source", "gull.syx", "--source", "bell.syx")

    text, document = both(tmp_path, keep(tmp_path, dump().recorded()), *sources)

    assert text.code == OK
    assert [each["source"] for each in document["dumps"]] == ["bell.syx"]


def test_another_dump_than_the_source_is_called_another(tmp_path: Path) -> None:
    (tmp_path / "gull.syx").write_bytes(sample(step=77))

    text, document = both(tmp_path, keep(tmp_path, dump().recorded()), "--source", "gull.syx")

    assert text.code == NAMED
    assert document["causes"][0]["cause"] == "sent other than the source"


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("none.syx", None, "none.syx: there is no such file"),
        ("notes.syx", bytes.fromhex("f07d0102f7"), "notes.syx"),
        ("loose.syx", sample()[21:], "loose.syx has no whole dump header"),
        ("picture.syx", PICTURE, "picture.syx is a PNG picture"),
    ],
)
def test_a_source_without_a_dump_ends_it(
    tmp_path: Path, name: str, content: bytes | None, said: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)

    ran = run("diagnose", keep(tmp_path, dump().recorded()), "--source", name, folder=tmp_path)

    assert (ran.code, ran.out, len(ran.lines)) == (USAGE, "", 1)
    assert ran.err.startswith(f"dryload: {said}")


# Less than everything.


def test_one_direction_says_that_the_unit_was_not_heard(tmp_path: Path) -> None:
    (tmp_path / "bell.syx").write_bytes(sample())

    text, document = both(tmp_path, "bell.syx")

    assert text.code == OK
    assert document["directions"] == ["to unit"]
    assert document["lasting_ns"] is None
    assert "times unknown" in text.out
    assert is_told("Whether the unit answered, and what it said: only what went to", text.out)
    assert is_told("too slow: the times are not known.", text.out)
    assert "Late answers" not in text.out  # of answers nothing is known anyway
    assert "dryload read" not in text.out


def test_the_unit_s_side_alone(tmp_path: Path) -> None:
    (tmp_path / "bell.syx").write_bytes(sample())

    text, document = both(tmp_path, "bell.syx", "--from-unit")

    assert document["directions"] == ["from unit"]
    assert "1 dump from the unit" in text.out
    assert is_told("What the unit was sent: only what it said is here.", text.out)


def test_both_directions_without_times(tmp_path: Path) -> None:
    tape = dump(tail=False)
    recorded = replace(tape.recorded(), is_timed=False)

    text, document = both(tmp_path, keep(tmp_path, recorded))

    assert document["lasting_ns"] is None
    assert is_told("Late answers, pauses and a line", steady(text.out))
    assert "only what" not in text.out


def test_hexadecimal_text_is_a_capture_too(tmp_path: Path) -> None:
    (tmp_path / "pasted.txt").write_text(sample().hex(" "))

    text, document = both(tmp_path, "pasted.txt")

    assert document["form"] == "hexadecimal text"
    assert text.code == OK


def test_what_was_read_back_alike_need_not_be_read_back(tmp_path: Path) -> None:
    once = keep(tmp_path, at_host(dump(tail=False)), "once.jsonl")
    back = keep(tmp_path, at_host(read_back(dump(tail=False))), "back.jsonl")
    other = keep(
        tmp_path, at_host(read_back(dump(tail=False), lambda _: packets(1)[0])), "other.jsonl"
    )

    unread, read, read_other = (
        steady(run("diagnose", name, folder=tmp_path).out) for name in (once, back, other)
    )

    assert "dryload read --from TARGET --sample 1" in unread
    assert "recorded at the computer" in unread
    assert "dryload read" not in read
    assert "recorded at the computer" not in read
    assert "recorded at the computer" in read_other


def test_of_a_silent_unit_it_does_not_say_that_its_answers_would_tell(tmp_path: Path) -> None:
    text, document = both(tmp_path, keep(tmp_path, at_host(unanswered())))

    assert document["unknown"] == []
    assert "cannot show" not in text.out


def test_a_capture_that_ends_in_the_middle_is_not_called_well(tmp_path: Path) -> None:
    tape = Tape().to(header(PACKETS)).back(say("ACK")).to(packets(1)[0]).back(say("ACK"))
    tape.to(packets(2)[1])

    text, document = both(tmp_path, keep(tmp_path, tape.recorded()))

    assert text.code == NAMED
    assert document["answer"] == "not enough to tell"
    assert is_told("There is not enough in this capture to tell", text.out)
    assert is_told("What became of the last dump", text.out)


def test_a_capture_cut_in_its_last_line_is_used_as_far_as_it_goes(tmp_path: Path) -> None:
    whole = capture_lines.build(dump().recorded())
    (tmp_path / "cut.jsonl").write_bytes(whole[:-9])

    text, document = both(tmp_path, "cut.jsonl")

    assert text.code in (OK, NAMED)
    assert "cut.jsonl" in text.err
    assert document["remarks_on_file"]
    assert "Traceback" not in text.err


def test_standard_input(tmp_path: Path) -> None:
    done = subprocess.run(
        [*COMMAND, "diagnose", "-"],
        cwd=tmp_path,
        env=environment(),
        input=capture_lines.build(unanswered().recorded()),
        capture_output=True,
        check=False,
        timeout=PATIENCE_S,
    )

    assert (done.returncode, done.stderr) == (NAMED, b"")
    assert done.stdout.startswith(b"standard input: 1 dump to the unit")
