"""`dryload plan` as a person meets it, and the plan that it leaves behind, played and edited."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import image_of, restore
from dryload.emulator.unit.profile import load_profile
from dryload.harness.cli.options import command_of
from dryload.harness.cli.plan import plan
from dryload.harness.cli.replay import replay
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.rehearse import Rehearsal
from tests import oracle
from tests.cli.replaying import Said
from tests.cli.serving import serving
from tests.jobs.bench import dump as as_dump
from tests.plan.folder import PERIODS, dump, tone, wav

COMMANDS = {"plan": command_of(plan), "replay": command_of(replay)}
Run = Callable[..., Said]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """A command in a folder with a few sounds."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    files = {
        "sounds/bell.syx": dump(3, 400, name="Bell C5"),
        "sounds/gulls.syx": dump(3, 500),
        "sounds/thunder F2.wav": wav(tone(900, 16), loop=(200, 799), root=41),
        "sounds/notes.txt": b"the gulls first\n",
    }
    for path, content in files.items():
        Path(path).parent.mkdir(exist_ok=True)
        Path(path).write_bytes(content)

    def go(command: str, *words: str) -> Said:
        capsys.readouterr()
        try:
            code = COMMANDS[command].main(list(words), standalone_mode=False)
        except Problem as problem:
            said = capsys.readouterr()
            return Said(problem.code, said.out, said.err + str(problem))
        except click.UsageError as problem:
            return Said(2, "", problem.format_message())
        said = capsys.readouterr()
        return Said(code if isinstance(code, int) else 0, said.out, said.err)

    return go


def test_the_plan_says_what_goes_where_and_when(run: Run) -> None:
    words = ("sounds", "sounds/bell.syx")  # a file that is named twice is there once
    said = run("plan", *words, "--for", "lantern-desk", "--start", "23:59")
    assert said.code == 0
    rows = [line.split() for line in said.out.splitlines() if line.startswith("23:")]
    assert [(row[1], row[2]) for row in rows] == [("4", "3"), ("1", "0"), ("2", "1")]
    assert "0 (was 3)  gulls.syx" in said.out
    assert "notes.txt is a text file" in said.out
    assert "over at 23:59:0" in said.out
    assert "is to be initialised first: that wipes all that it holds" in said.out


def test_a_folder_in_which_something_is_wrong_is_not_well(run: Run) -> None:
    Path("sounds/torn.syx").write_bytes(dump(5, 200)[:-127])
    said = run("plan", "sounds", "--for", "lantern-desk")
    assert said.code == 1
    assert "torn.syx is broken: " in said.out


def test_what_does_not_fit_is_changed_or_left_out_as_is_wished(run: Run) -> None:
    Path("small.toml").write_text(
        "[unit]\nname = 'last-lamp'\n[memory]\nbank_words = 1_500\nplaces = 1\nfitted = [1]\n"
    )
    said = run("plan", "sounds", "--for", "small.toml", "--json", "-o", "evening.toml")
    assert said.code == 0
    played = run("replay", "evening.toml", "--json").document
    assert played["lasted_ns"] == said.document["time"]["total_ns"]
    assert played["memory"]["free_words"] == 1_500 - 900 - said.document["samples"][-1]["frames"]
    thunder = said.document["samples"][-1]
    assert thunder["change"]["length"] == 800  # behind the loop, which is never heard
    assert thunder["frames"] <= 600  # 1,500 less 400 and 500
    (offered,) = said.document["could_be_done"]
    assert offered["ways"][0]["change"] == thunder["change"]
    assert offered["ways"][0]["bandwidth_hz"] == thunder["rate"] / 2
    assert offered["ways"][0]["noise_db"] == pytest.approx(98.08)  # 6.02 * 16 + 1.76
    assert offered["ways"][0]["words"] == pytest.approx(900 - thunder["frames"], abs=2)
    whole = run("plan", "sounds/thunder F2.wav", "--for", "lantern-desk", "--json").document
    gained_ns = whole["samples"][0]["time_ns"] - thunder["time_ns"]  # as quick as this unit
    assert offered["ways"][0]["time_ns"] == pytest.approx(gained_ns, rel=0.01)
    without = run("plan", "sounds", "--for", "small.toml", "--no-change")
    assert without.code == 1
    assert "thunder F2.wav does not fit: it needs 900 words, and 600 are left" in without.out
    first = run(
        "plan", "sounds", "--for", "small.toml", "--no-change", "--weight", "thunder F2=3", "--json"
    )
    assert [each["name"] for each in first.document["samples"]] == ["thunder F2", "Bell C5"]
    assert first.document["best"] == {"weight": 4, "bound": 4}


def test_a_plan_that_was_edited_is_played_as_it_stands(run: Run) -> None:
    said = run("plan", "sounds", "--for", "prompt-box", "-o", "evening.toml", "--keys", "split")
    assert said.code == 0
    text = Path("evening.toml").read_text()
    assert 'file = "sounds/thunder F2.wav"\n' in text
    assert text.endswith("\n# Not in the plan: sounds/notes.txt is a text file, not a dump.\n")
    # 41 stands in the WAV file, C5 (72) in a name, and what says nothing is C4 (60); the borders
    # are in the middle.
    assert "root = 41\nlow = 0\nhigh = 50\n" in text
    assert "root = 60\nlow = 51\nhigh = 65\n" in text
    assert "root = 72\nlow = 66\nhigh = 127\n" in text
    Path("later").mkdir()
    edited = text.replace("number = 1\n", 'number = 9\nrate = 11025\nloop = "10-99"\n', 1)
    edited = edited.replace('"sounds/', '"../sounds/')
    Path("later/evening.toml").write_text(edited)
    played = run("replay", "later/evening.toml", "--json").document
    assert played["target"]["given"] == "unit:prompt-box"
    changed = next(each for each in played["transfers"] if each["sample_number"] == 9)
    assert changed["verified"] is True
    before = next(each for each in played["transfers"] if each["sample_number"] not in (3, 9))
    assert before["words"]["sent"] in (500, 900)
    again = run("plan", "later/evening.toml", "--json").document["samples"]
    sample = next(each for each in again if each["number"] == 9)
    assert sample["rate"] == 1_000_000_000 / PERIODS[11_025]  # HDR-04: the header has the period
    assert (sample["loop"]["start"], sample["loop"]["end"]) == (10, 99)
    assert sample["change"]["why"] == ["bits 12", "rate 11025.0", "loop 10-99"]


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ("number = 3", 'number = "3"', "[[sample]] 1: number: this must be a whole number, not"),
        ("number = 3", "numbr = 3", "there is no such key: numbr"),
        ("number = 3", "number = 0", "number 0 stands in several samples"),
        ("number = 3", "number = 99999", "[[sample]] 1: number: this must be a whole number <= "),
        ("number = 3", "number = = 3", "this is not TOML: Invalid value (at line 9"),
        ("number = 3", "number = 3\nlow = 5", "low and high must stand together, beside root"),
        ("number = 3", "number = 3\nloop = 'on'", "[[sample]] 1: --loop on is no loop"),
        ("number = 3", "number = 3\nlength = 9999", "are not in the sound: it has 400"),
        ("bell.syx", "belle.syx", "[[sample]] 1: sounds/belle.syx: there is no such file"),
        ("dump = 1", "dump = 2", "[[sample]] 1: sounds/bell.syx has no dump 2"),
        ('"lantern-desk"', '"lantern-dusk"', "did you mean lantern-desk?"),
        ("evening/1", "evening/2", "schema: this can't be 'dryload/evening/2'"),
    ],
)
def test_a_mistake_in_a_plan_is_named_with_its_place(
    run: Run, before: str, after: str, says: str
) -> None:
    run("plan", "sounds", "--for", "lantern-desk", "-o", "evening.toml")
    text = Path("evening.toml").read_text()
    assert before in text
    Path("evening.toml").write_text(text.replace(before, after, 1))
    said = run("replay", "evening.toml")
    assert (said.code, said.out) == (2, "")
    assert says in said.err


def test_a_plan_that_is_written_again_says_the_same(run: Run) -> None:
    Path("held").mkdir()
    Path("held/one.syx").write_bytes(dump(1, 100, bits=12))
    head = 'schema = "dryload/evening/1"\nunit = "prompt-box"\ndevice_id = 0\n'
    head += 'banks = 3\nholds = "held"\n'
    rows = """
[[sample]]
file = "sounds/thunder F2.wav"
number = 9
name = "Crack"
bits = 12
rate = 11025.0
channel = "mix"
start = 20
length = 700
loop = "10-99:01"
root = 40
low = 30
high = 50

[[sample]]
file = "sounds/bell.syx"
dump = 1
number = 2
name = "Chime"
bits = 12
"""
    Path("evening.toml").write_text(head + rows)
    assert run("plan", "evening.toml", "-o", "again.toml").code == 0
    first, second = (
        tomllib.loads(Path(f"{name}.toml").read_text()) for name in ("evening", "again")
    )
    assert first == second


def test_a_plan_without_samples_is_none(run: Run) -> None:
    Path("empty.toml").write_text('schema = "dryload/evening/1"\nunit = "prompt-box"\n')
    for command in ("replay", "plan"):
        said = run(command, "empty.toml")
        assert (said.code, said.out) == (2, "")
        assert "empty.toml has no [[sample]]" in said.err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["sounds"], "--for UNIT is missing"),
        (["nowhere", "--for", "prompt-box"], "nowhere: there is no such file"),
        (["-", "--for", "prompt-box"], "can't be made of standard input"),
        (["sounds/notes.txt", "--for", "prompt-box"], "nothing to plan with: 1 file"),
        (["sounds", "--for", "nobody"], "there is no profile 'nobody'"),
        (["sounds", "--for", "prompt-box", "--weight", "bell"], "give a name and a whole number"),
        (["sounds", "--for", "prompt-box", "--weight", "owl=2"], "there is no such sound"),
        (["sounds", "--for", "prompt-box", "--banks", "9"], "has room for 0 to 4 banks, not 9"),
        (["sounds", "--for", "prompt-box", "--took", "soon"], "give a time such as 17m"),
        (["sounds", "--for", "prompt-box", "--pause", "-1"], "give milliseconds, from 0 to"),
        (["sounds", "--for", "prompt-box", "--start", "8 pm"], "give a time of day such as 20:00"),
        (["sounds", "--for", "prompt-box", "-o", "plan.txt"], "whose name ends in .toml"),
        (
            ["sounds", "--for", "prompt-box", "--worksheet", "a.doc"],
            "give a name that ends in .txt",
        ),
        (
            ["sounds", "--for", "prompt-box", "--keep-what-is-there", "sounds/notes.txt"],
            "is a text file, not a dump",
        ),
        (
            ["sounds", "--for", "prompt-box", "--keep-what-is-there", "midi:Desk"],
            "midi:Desk is not asked what it holds",
        ),
        (
            ["sounds", "--for", "prompt-box", "--keep-what-is-there", "sounds"],
            "prompt-box can't hold sounds/thunder",
        ),
    ],
)
def test_what_cannot_be_planned_is_one_clear_line(run: Run, words: list[str], says: str) -> None:
    if words[-1] == "sounds":  # more than the unit has room for
        Path("sounds/thunder.syx").write_bytes(dump(7, 70_000, bits=12))
    said = run("plan", *words)
    assert (said.code, said.out) == (2, "")
    assert says in said.err


def desk(*dumps: tuple[int, int], without: int = 0) -> RackUnit:
    """A lantern desk into which samples of so many words were sent; one was deleted again."""
    rehearsal = Rehearsal(load_profile("lantern-desk"))
    for number, count in dumps:
        rehearsal.play(as_dump(tone(count, 16), number=number))
    if without:
        rehearsal.unit.panel.delete(without, 0)
    return rehearsal.unit


def test_what_is_there_stays_and_holes_are_filled(run: Run) -> None:
    held = desk((0, 1_000), (1, 950), (3, 700), without=2)
    Path("desk.image").write_bytes(image_of(held))
    words = ("sounds", "--for", "lantern-desk", "--keep-what-is-there", "desk.image")
    said = run("plan", *words, "-o", "evening.toml", "--json").document
    # Number 3 is taken: slots 2, 3 and 5 are the next free ones (number 0 is slot 1).
    assert sorted(each["slot"] for each in said["samples"]) == [2, 3, 5]
    places = {each["name"] or each["file"]: each["regions"][0]["start"] for each in said["samples"]}
    hole = range(1_000, 1_950)
    inside = [name for name, start in places.items() if start in hole]
    # 950 words are free between the two: two of the sounds, or the large one, and no more.
    assert sorted(inside) in (["Bell C5", "sounds/gulls.syx"], ["thunder F2"])
    kept = [each for each in said["memory"]["after"] if each["slot"] in (1, 4)]
    assert [(each["region"]["start"], each["region"]["words"]) for each in kept] == [
        (0, 1_000),
        (1_950, 700),
    ]
    played = run("replay", "evening.toml", "--json").document
    assert played["lasted_ns"] == said["time"]["total_ns"]
    slots = {each["slot"]: each["words"] for each in played["memory"]["slots"]}
    assert (slots[1], slots[4], len(slots)) == (1_000, 700, 5)
    assert played["memory_before"] == said["memory"]["before"]
    drawn = run("replay", "evening.toml").out.split("  Before:\n")[1].splitlines()
    # The first bank before: 1,000 words, a hole of 950, 700 words, and the rest is free.
    letters = [sign for sign in drawn[0].partition("│")[2] if sign.isalpha()]
    assert (len(letters), "  Afterwards:" in drawn) == (2, True)


def test_a_folder_of_dumps_says_what_is_there_as_well(run: Run) -> None:
    Path("held").mkdir()
    Path("held/sample-0003.syx").write_bytes(dump(3, 1_000))
    Path("held/why.txt").write_text("Monday's desk.\n")
    words = ("sounds", "--for", "lantern-desk", "--keep-what-is-there", "held", "--json")
    said = run("plan", *words).document
    assert [each["slot"] for each in said["samples"]] == [1, 2, 3]
    assert said["samples"][0]["regions"] == [{"start": 1_000, "words": 400}]


def test_the_list_of_a_backup_says_under_which_numbers_and_in_which_order(run: Run) -> None:
    Path("held").mkdir()
    listed = """schema = "dryload/contents/1"
target = "tcp:127.0.0.1:4000"
device_id = 0
began = 2026-11-29 20:00:00+00:00
requested = "0 to 31"
complete = true
"""
    for number, count in ((5, 300), (0, 200)):  # neither in order of name nor of number
        Path(f"held/{number}.syx").write_bytes(dump(9, count))
        listed += f"""
[[sample]]
number = {number}
name = ""
file = "{number}.syx"
words = {count}
bits = 16
channels = 1
loop = "none"
sha256 = "-"
when = 2026-11-29 20:00:05+00:00
"""
    Path("held/contents.toml").write_text(listed)
    words = ("sounds/bell.syx", "--for", "lantern-desk", "--keep-what-is-there", "held", "--json")
    before = run("plan", *words).document["memory"]["before"]
    assert [(each["slot"], each["region"]["words"]) for each in before[:2]] == [(6, 300), (1, 200)]


def test_a_name_is_cut_as_the_unit_cuts_it(run: Run) -> None:
    Path("bell.syx").write_bytes(dump(7, 100, bits=12, name="The bell of the ship"))
    said = run("plan", "bell.syx", "--for", "prompt-box", "--json")
    assert said.code == 0  # it comes back as it was sent
    assert [each["name"] for each in said.document["samples"]] == ["The bell"]


def test_a_pause_and_the_way_back(run: Run) -> None:
    words = ("sounds/bell.syx", "--for", "lantern-desk")
    said = run("plan", *words, "--pause", "200").out
    # 10 packets of 127 bytes, a header of 21 and a name of 17, 0.32 ms a byte: 0.42 s and 2 s.
    assert "pauses 0.20 s after each packet takes 2.42 s" in said
    back = run("plan", *words, "--took", "2.4186s").out
    assert "pauses 0.20 s after each packet" in back
    assert "No program can send these dumps in 0.20 s" in run("plan", *words, "--took", "0.2s").out


def test_a_plan_is_played_to_a_port_and_goes_on_another_time(run: Run, tmp_path: Path) -> None:
    for name, number, count in (("bell", 3, 93), ("gulls", 3, 80), ("thunder", 5, 90)):
        Path(f"sounds/{name}.syx").write_bytes(dump(number, count))  # short: it is real time
    Path("sounds/thunder F2.wav").unlink()
    said = run("plan", "sounds", "--for", "lantern-desk", "-o", "evening.toml", "--json").document
    whole = Path("evening.toml").read_text()
    first = whole[: whole.index("[[sample]]", whole.index("[[sample]]") + 1)].rpartition("\n#")[0]
    with serving(tmp_path, "--image", "desk.image") as unit:
        host, port = unit.address
        target = ("--to", f"tcp:{host}:{port}", "--journal", "tonight.jsonl", "--json")
        Path("evening.toml").write_text(first)
        begun = run("replay", "evening.toml", *target)
        assert begun.code == 0
        assert "initialise it first, which wipes it" in begun.err
        Path("evening.toml").write_text(whole)
        ended = run("replay", "evening.toml", *target, "--resume")
        unit.quit()
    assert ended.code == 0
    assert [each["sample_number"] for each in begun.document["transfers"]] == [3]
    assert [each["sample_number"] for each in ended.document["loaded_before"]] == [3]
    assert [each["sample_number"] for each in ended.document["transfers"]] == [0, 5]
    held = RackUnit(load_profile("lantern-desk"))
    restore(held, Path("desk.image").read_bytes())
    for each in said["samples"]:
        slot = held.slots[each["slot"]]
        assert slot.sample is not None
        assert (slot.sample_number, len(slot.sample.words)) == (each["number"], each["frames"])
        assert [
            {"start": region.start, "words": region.words} for region in slot.holding.regions
        ] == each["regions"]
    bell = oracle.read_dump(Path("sounds/bell.syx").read_bytes())
    loaded = held.slots[4].sample
    assert loaded is not None
    assert loaded.words.tolist() == bell.words


@pytest.mark.skipif("DRYLOAD_MEASURE_TIME" not in os.environ, reason="measures time: set it to 1")
def test_it_takes_as_long_at_a_port_or_the_late_side_is_named(run: Run, tmp_path: Path) -> None:
    Path("long.syx").write_bytes(dump(1, 4_000))
    run("plan", "long.syx", "--for", "lantern-desk", "-o", "evening.toml")
    (planned,) = run("plan", "evening.toml", "--json").document["samples"]
    with serving(tmp_path) as unit:
        host, port = unit.address
        (live,) = run("replay", "evening.toml", "--to", f"tcp:{host}:{port}", "--json").document[
            "transfers"
        ]
    took_ns = live["time"]["total_ns"] + live["time"]["read_back_ns"]
    late = [each["message"] for each in live["findings"] if each["verdict"] == "rig"]
    print(f"planned {planned['time_ns'] / 1e9:.3f} s, live {took_ns / 1e9:.3f} s; {late}")
    assert late or took_ns == pytest.approx(planned["time_ns"], rel=0.02)


def test_the_document_is_as_it_was_said(run: Run) -> None:
    said = run("plan", "sounds", "--for", "stage-door", "--json")
    document = json.loads(said.out)
    assert document["schema"] == "dryload/plan/1"
    assert document["is_well"] is True
    assert [each["is_walk"] for each in document["samples"]] == [False, True, True]
    assert document["time"]["visits"] == 3  # the last one is confirmed as well
    walks = {each["for"]: each["ns"] for each in document["time"]["spent"]}
    assert walks["waiting for somebody to press confirm"] == 3 * 8_000_000_000
    assert sum(walks.values()) == document["time"]["total_ns"]
