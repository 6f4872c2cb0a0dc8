"""`dryload clauses` as it is called."""

import json
from typing import Any

import pytest
from click.testing import CliRunner

from dryload.emulator.wire.clauses import clauses as register
from dryload.harness.cli import terminal
from dryload.harness.cli.clauses import clauses
from dryload.harness.cli.options import command_of
from dryload.harness.files.problem import Problem
from dryload.harness.report.clauses import detail_text, list_text

app = command_of(clauses)


def run(*args: str) -> str:
    result = CliRunner().invoke(app, list(args), standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    assert result.exit_code == 0
    return result.stdout


def ids(*args: str) -> list[str]:
    document: Any = json.loads(run(*args, "--json"))
    assert document["schema"] == "dryload/clauses/1"
    return [each["id"] for each in document["clauses"]]


def test_all_of_them_one_line_each() -> None:
    lines = run().splitlines()

    assert ids() == list(register())
    assert lines[0] == "Framing (FRM)"
    assert lines[1].startswith("  FRM-01  must: ")
    assert lines[-1] == "123 clauses."
    assert sum(line.startswith("  ") for line in lines) == 123


def test_a_choice_of_them() -> None:
    assert ids("--family", "usb") == ["USB-01", "USB-02", "USB-03"]
    assert "WRD-12" in ids("--judged", "source")
    assert "USB-01" not in ids("--judged", "source")
    musts = set(ids("--level", "must"))
    assert musts == {each.id for each in register().values() if each.level == "must"}
    both = ids("--family", "HSK", "--level", "should", "--judged", "both directions")
    assert both == [
        each.id
        for each in register().values()
        if each.family == "HSK" and each.level == "should" and "both directions" in each.judged
    ]


def test_everything_about_some_of_them() -> None:
    assert ids("pkt-05", "HSK-17") == ["PKT-05", "HSK-17"]
    text = run("pkt-05")
    assert text.startswith("PKT-05, packets\n")
    assert "  source    MIDI 1.0 Detailed Specification 4.2.1, p. 37\n" in text
    assert register()["PKT-05"].check in text
    assert "\n\nHSK-17, handshakes\n" in run("PKT-05", "HSK-17")


def test_the_document_holds_every_field() -> None:
    document = json.loads(run("PKT-05", "--json"))
    (found,) = document["clauses"]
    clause = register()["PKT-05"]

    assert found == {
        "id": "PKT-05",
        "family": "PKT",
        "family_name": "Packets",
        "statement": clause.statement,
        "level": "must",
        "basis": "standard",
        "source": clause.source,
        "judged": ["file", "one direction", "both directions"],
        "check": clause.check,
    }


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["PKT-5"], "there is no clause PKT-5. Did you mean PKT-05"),
        (["QQQQ"], "families are FRM, DEV"),
        (["--family", "ABC"], "no family 'ABC'. There are: FRM, DEV"),
        (["--level", "may"], "no level 'may'. There are: must, should, information."),
        (["--judged", "luck"], "no evidence 'luck'. There are: file, one direction"),
        (["--family", "USB", "--judged", "source"], "no clause matches all of that"),
        (["PKT-05", "--level", "should"], "no clause matches all of that"),
    ],
)
def test_what_is_not_there_is_said_with_what_is(args: list[str], said: str) -> None:
    with pytest.raises(Problem) as caught:
        run(*args)
    assert said in str(caught.value)
    assert caught.value.code == 2
    assert str(caught.value)[-1] in ".?"


def test_lines_are_broken_for_a_terminal_and_left_whole_for_a_pipe() -> None:
    some = list(register().values())[:20]
    for text in (list_text, detail_text):
        broken = text(some, 60)
        assert max(map(len, broken)) <= 60
        assert " ".join(" ".join(broken).split()) == " ".join(" ".join(text(some, None)).split())


def test_the_terminal_is_asked_for_its_width(monkeypatch: pytest.MonkeyPatch) -> None:
    assert terminal.width() is None  # standard output is captured here
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "71")
    assert terminal.width() == 71
