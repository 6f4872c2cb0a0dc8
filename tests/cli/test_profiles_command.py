"""`dryload profiles` as it is called, and the words it has for every key."""

import json
from pathlib import Path
from typing import Any, get_args

import pytest
from click.testing import CliRunner
from msgspec.structs import fields

from dryload.emulator.dump.switches import QUESTIONS
from dryload.emulator.unit.profile import DEFAULT_PROFILE, load_profile, profile_names
from dryload.emulator.unit.schema import parse_profile, sections
from dryload.emulator.wire.clauses import clauses
from dryload.harness.cli.options import command_of
from dryload.harness.cli.profiles import profiles
from dryload.harness.files.problem import Problem
from dryload.harness.report.profile_words import OPEN, SENTENCES, TITLES, sentence
from dryload.harness.report.profiles import one_text

app = command_of(profiles)


def run(*args: str) -> str:
    result = CliRunner().invoke(app, list(args), standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    assert result.exit_code == 0
    return result.stdout


def run_json(*args: str) -> Any:
    document = json.loads(run(*args, "--json"))
    assert document["schema"] == "dryload/profiles/1"
    return document


def test_every_unit_in_one_line() -> None:
    lines = run().splitlines()

    assert [line.split()[0] for line in lines[1:-2]] == list(profile_names())
    for line, name in zip(lines[1:-2], profile_names(), strict=True):
        assert load_profile(name).unit.description in line
        assert line.endswith("(the default)") == (name == DEFAULT_PROFILE)


def test_the_document_of_the_list() -> None:
    found = {each["name"]: each for each in run_json()["profiles"]}

    assert list(found) == list(profile_names())
    assert [name for name, each in found.items() if each["default"]] == [DEFAULT_PROFILE]
    default = load_profile(DEFAULT_PROFILE)
    assert found[DEFAULT_PROFILE]["words"] == 2 * default.memory.bank_words
    assert found[DEFAULT_PROFILE]["slots"] == default.slots.count


def test_a_bank_behind_an_empty_place_does_not_count(tmp_path: Path) -> None:
    path = tmp_path / "gap.toml"
    path.write_text('[unit]\nname = "gap"\n[memory]\nbank_words = 100\nfitted = [1, 3]\n')
    assert load_profile(path).memory.fitted == (1, 3)
    assert run(str(path)).startswith("gap\n\nAddress\n")


@pytest.mark.parametrize("name", profile_names())
def test_everything_about_a_unit(name: str) -> None:
    text = run(name)
    profile = load_profile(name)

    assert text.startswith(f"{name}\n{profile.unit.description}\n")
    assert run(f"unit:{name}") == text
    traits = {trait["key"]: trait for trait in run_json(name)["traits"]}
    assert set(traits) == set(SENTENCES)
    for trait in traits.values():
        if trait["says"]:
            marked = f"  {trait['says']}" + (f"  [{trait['open']}]" if trait["open"] else "")
            assert marked in text.splitlines()


def test_choices_that_the_standard_leaves_open_are_marked() -> None:
    traits = {trait["key"]: trait for trait in run_json(DEFAULT_PROFILE)["traits"]}

    for switch, (clause, question) in QUESTIONS.items():
        (key,) = [key for key in traits if key.partition(".")[2] == switch]
        assert (traits[key]["open"], traits[key]["question"]) == (clause, question)
    assert traits["memory.battery"]["open"] is None
    assert traits["habits.filler"]["open"] is None  # WRD-13: no choice, a fault
    assert set(OPEN.values()) <= set(clauses())


def test_what_means_nothing_in_a_unit_is_not_said() -> None:
    text = one_text(load_profile("old-curtain"))

    assert "Identity" not in text
    assert not any("Other widths become" in line for line in text)
    assert not any("Until the last dump is confirmed" in line for line in text)
    assert any(
        "Until the last dump is confirmed" in line for line in one_text(load_profile("stage-door"))
    )


# The words.


def test_every_key_of_a_profile_has_its_sentence() -> None:
    keys = {
        f"{name}.{field.name}" for name, section in sections().items() for field in fields(section)
    }
    assert set(SENTENCES) == keys
    assert set(TITLES) == set(sections())
    assert set(OPEN) <= keys


def test_every_value_of_a_closed_list_has_a_sentence_of_its_own() -> None:
    for name, section in sections().items():
        for field in fields(section):
            legal = get_args(field.type) if "Literal" in str(field.type) else ()
            said = SENTENCES[f"{name}.{field.name}"]
            if legal:
                assert not callable(said)
                assert set(said) == set(legal), field.name
                assert len(set(said.values())) == len(legal), field.name
            elif field.type is bool:
                assert not callable(said)
                assert set(said) == {True, False}, field.name


def test_sentences_are_sentences() -> None:
    for name in profile_names():
        profile = load_profile(name)
        for section in sections():
            values = getattr(profile, section)
            for field in fields(values):
                said = sentence(f"{section}.{field.name}", getattr(values, field.name))
                assert said == "" or (said[0].isupper() or said[0].isdigit()), said
                assert said == "" or said.endswith("."), said


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("words.accepts", (8, 12, 16), "It keeps words of 8, 12 and 16 significant bits."),
        ("words.accepts", (8, 9, 10, 11), "It keeps words of 8 to 11 significant bits."),
        ("words.accepts", (16,), "It keeps words of 16 significant bits."),
        ("words.accepts", (8, 9), "It keeps words of 8 and 9 significant bits."),
        ("input.store_packet_ns", 6_500_000, "It takes 6.5 ms to store a packet."),
        ("habits.idle_limit_ns", 2_000_000_000, "A dump that stops for 2 s is given up."),
        ("habits.idle_limit_ns", 0, "A dump that stops is never given up."),
        ("habits.nak_limit", 1, "After one failure of one packet it sends CANCEL instead of NAK."),
        ("habits.nak_limit", 0, "It sends NAK however often one packet fails."),
        ("habits.clock_bpm", 0, ""),
        ("slots.protected", (2, 3), "Protected: slot 2 and 3."),
    ],
)
def test_values_in_words(key: str, value: object, said: str) -> None:
    assert sentence(key, value) == said


def test_an_unknown_unit_is_one_line_that_names_the_others(tmp_path: Path) -> None:
    with pytest.raises(Problem, match="lantern-desk") as caught:
        run("lantern")
    assert caught.value.code == 2
    broken = tmp_path / "mine.toml"
    broken.write_text('[unit]\nname = "mine"\n[slots]\ncount = 0\n')
    with pytest.raises(Problem, match=r"slots\.count"):
        run(str(broken))
    with pytest.raises(ValueError, match="not TOML"):
        parse_profile("=", "x")
