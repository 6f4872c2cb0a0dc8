"""Text that fits a terminal."""

import pytest

from harness.cli import terminal

SENTENCE = "  Loaded and verified: what slot 4 sent back is word for word what was played."
ROW = "slot  sample  from             words   sound  packets  again  on the line  waiting  result"


@pytest.fixture(params=[30, 60])
def columns(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    columns: int = request.param
    monkeypatch.setattr(terminal, "width", lambda: columns)
    return columns


def test_a_sentence_is_broken_between_words_and_keeps_its_indent(columns: int) -> None:
    lines = terminal.fitted(SENTENCE).split("\n")

    assert len(lines) > 1
    assert all(len(line) <= columns for line in lines)
    assert all(line.startswith("  ") for line in lines)
    assert " ".join(line.strip() for line in lines) == SENTENCE.strip()


@pytest.mark.usefixtures("columns")
def test_a_table_and_a_long_name_stay_as_they_are() -> None:
    name = "captures_demo/" + "x" * 80
    assert terminal.fitted(f"{ROW}\n{name}") == f"{ROW}\n{name}"


def test_a_pipe_gets_every_line_whole() -> None:
    assert terminal.fitted(SENTENCE * 4) == SENTENCE * 4
