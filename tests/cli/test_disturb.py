"""`dryload replay --disturb` and `dryload disturbances` as they are called."""

from __future__ import annotations

import json
from typing import Any

import pytest
from click.testing import CliRunner

from dryload.emulator.wire.clauses import clauses
from dryload.harness.cli.disturbances import disturbances
from dryload.harness.cli.options import command_of
from dryload.harness.faults.catalogue import faults, situations
from dryload.harness.faults.grammar import PLACES
from dryload.harness.files.problem import USAGE, Problem
from dryload.harness.report.disturbances import detail_text, list_text
from tests.cli.replaying import Run

BROKEN = 1
app = command_of(disturbances)


def listed(*args: str) -> str:
    result = CliRunner().invoke(app, list(args), standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.stdout


# replay --disturb


def test_the_report_says_what_was_done_and_where(run: Run) -> None:
    said = run("thunder.syx", "--disturb", "flip a bit in packet 2", "--disturb", "lose packet 9")
    assert said.code == 0  # it was sent again
    lines = said.out.splitlines()
    at = lines.index("Done on purpose:")
    assert lines[at + 1].startswith("  flip a bit in packet 2: once: packet 2, byte ")
    assert lines[at + 2] == "  lose packet 9: it never came to that."


def test_programs_are_told_the_truth(run: Run) -> None:
    document = run("thunder.syx", "--disturb", "flip bit 3 in packet 2, byte 9", "--json").document
    (done,) = document["disturbances"]
    (struck,) = done["struck"]
    # header 6.72 ms, its work 5 ms, packets of 40.64 and answers of 1.92 ms with 2 ms of work
    start_ns = 6_720_000 + 5_000_000 + 1_920_000 + 2 * (40_640_000 + 2_000_000 + 1_920_000)
    assert struck == {
        "direction": "to unit",
        "message": 3,
        "sort": "packet",
        "packet": 2,
        "byte": 9,
        "bytes": [9],
        "at_ns": start_ns + 10 * 320_000,
    }
    assert (done["said"], done["clause"], done["situation"], done["lasts"]) == (
        "flip bit 3 in packet 2, byte 9",
        "HSK-06",
        None,
        False,
    )
    assert document["transfers"][0]["packets"]["resent"] == 1


def test_without_any_nothing_is_said(run: Run) -> None:
    assert "Done on purpose" not in run("thunder.syx").out
    assert run("thunder.syx", "--json").document["disturbances"] == []


@pytest.mark.parametrize(
    ("words", "place"),
    [
        ("lose the reply to packet 1", "once: the answer to packet 1, at "),
        ("delay the reply to the header by 3 ms", "once: the answer to the header, at "),
        ("delay packet 1 from the unit by 3 ms", "once: packet 1, read back, at "),
        ("delay the header by 3 ms", "once: the header, at 0 ms."),
        ("delay requests by 3 ms", "once: a request, at "),
        ("lose 3 bytes in packet 1, byte 9", "once: packet 1, byte 9 to 11, at "),
        ("clock at 300, packet 1", "once: packet 1, byte "),
        ("power fails at packet 2", "once: packet 2, at "),
        ("jitter of 1 ms", " more, which --json tells."),
    ],
)
def test_each_place_is_told_in_words(run: Run, words: str, place: str) -> None:
    out = run("thunder.syx", "--disturb", words).out
    (line,) = [line for line in out.splitlines() if line.startswith(f"  {words}: ")]
    assert place in line


def test_situations_stand_over_what_they_are_made_of(run: Run) -> None:
    said = run("thunder.syx", "--disturb", "clock running", "--disturb", "no spacing")
    assert "  clock running:\n    clock at 124 beats per minute: " in said.out
    assert "\n  no spacing: from beginning to end.\n" in said.out


def test_the_same_words_make_the_same_capture(run: Run, tmp_path: Any) -> None:
    for name in ("one.jsonl", "two.jsonl"):
        run("desk.syx", "--disturb", "loose plug, seed 5", "--capture", name)
    assert (tmp_path / "one.jsonl").read_bytes() == (tmp_path / "two.jsonl").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (
            ("--disturb", "lose pakcet 4"),
            '--disturb "lose pakcet 4": "pakcet 4" (from character 6 on) is not understood: '
            'did you mean "packet N"? dryload disturbances lists what there is.',
        ),
        (("--disturb", ""), '--disturb "": it does not say what is to happen.'),
        (("--disturb", "[bold]\n"), '--disturb "[bold]'),
        (("--disturb", "\x1b[31mlose"), '"\\x1b[31mlose" (from character 1 on)'),
        (("--disturb", "buffer of 5 bytes"), "--disturb: input.buffer_bytes must be at least 34"),
        (("--disturb", "link usb", "--disturb", "link echo"), "there is one interface between"),
        (("--disturb", "lose packet 1", "--to", "midi:x"), "--disturb is for an emulated unit"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_line(
    run: Run, arguments: tuple[str, ...], told: str
) -> None:
    said = run("thunder.syx", *arguments)
    assert (said.code, said.out) == (USAGE, "")
    assert told in said.err
    assert said.err.isprintable()


def test_a_capture_is_played_as_it_is(run: Run) -> None:
    run("thunder.syx", "--capture", "it.jsonl")
    said = run("it.jsonl", "--disturb", "lose packet 1")
    assert (said.code, said.out) == (USAGE, "")
    assert "a capture is played as it is" in said.err


# disturbances


def test_everything_is_listed() -> None:
    text = listed()
    for name in [each.name for each in faults()] + [each.name for each in situations()]:
        assert f"\n  {name}" in text
    for phrase in PLACES:
        assert f"\n  {phrase.form}" in text


def test_everything_about_one() -> None:
    text = listed("Flip  a bit", "loose plug")
    assert text.startswith("flip a bit, on the cable\n")
    assert '  as in     dryload replay FILE --disturb "flip a bit in packet 7"\n' in text
    assert "(HSK-06).\n" in text
    assert "\n\nloose plug\n  sees " in text


def test_every_habit_and_every_link_is_told_of() -> None:
    habits, links = listed("habit"), listed("link")
    for name in ("habits.number_jump", "input.store_packet_ms", "memory.room", "sending.wrong_ack"):
        assert f"\n  {name} " in habits
    assert "(HSK-16)" in habits
    assert "\n  every-Nth " in links


def test_the_document_holds_every_field() -> None:
    document = json.loads(listed("--json"))
    assert document["schema"] == "dryload/disturbances/1"
    assert [each["name"] for each in document["disturbances"]] == [each.name for each in faults()]
    assert [each["name"] for each in document["situations"]] == [each.name for each in situations()]
    assert {each["clause"] for each in document["disturbances"]} <= set(clauses())
    assert all(
        all(each[key] for key in ("does", "shows", "must", "cause", "example", "group"))
        for each in document["disturbances"]
    )
    one = json.loads(listed("echo", "--json"))
    assert [each["name"] for each in one["disturbances"]] == ["echo"]
    assert one["situations"] == []


@pytest.mark.parametrize(
    ("name", "told"),
    [("flip a bot", "Did you mean flip a bit?"), ("xyz", "dryload disturbances lists them.")],
)
def test_a_name_that_there_is_not(name: str, told: str) -> None:
    with pytest.raises(Problem, match="there is no disturbance or situation") as caught:
        listed(name)
    assert told in str(caught.value)
    assert caught.value.code == USAGE


def test_the_list_names_everything() -> None:
    told = "\n".join(list_text(None))
    for word in faults():
        assert word.name in told
        assert word.example in told
        assert all(form in "\n".join(detail_text([word], None)) for form in word.forms)
    for phrase in PLACES:
        assert phrase.form in told


def test_lines_are_broken_for_a_terminal_and_left_whole_for_a_pipe() -> None:
    broken = list_text(70)
    assert max(map(len, broken)) <= 70
    assert " ".join(" ".join(broken).split()) == " ".join(" ".join(list_text(None)).split())
