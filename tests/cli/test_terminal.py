"""Text that fits a terminal."""

import io
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.cli import terminal
from dryload.harness.files.opening import escaped
from tests.cli.replaying import dump
from tests.cli.runs import run

SENTENCE = "  Loaded and verified: what slot 4 sent back is word for word what was played."
ROW = "slot  sample  from             words   sound  packets  again  on the line  waiting  result"


@pytest.mark.parametrize("columns", [30, 60])
def test_a_sentence_is_broken_between_words_and_keeps_its_indent(columns: int) -> None:
    lines = terminal.fitted(SENTENCE, columns).split("\n")

    assert len(lines) > 1
    assert all(len(line) <= columns for line in lines)
    assert all(line.startswith("  ") for line in lines)
    assert " ".join(line.strip() for line in lines) == SENTENCE.strip()


@pytest.mark.parametrize("columns", [30, 60])
def test_a_table_and_a_long_name_stay_as_they_are(columns: int) -> None:
    name = "captures_demo/" + "x" * 80
    assert terminal.fitted(f"{ROW}\n{name}", columns) == f"{ROW}\n{name}"


def test_a_pipe_gets_every_line_whole() -> None:
    assert terminal.fitted(SENTENCE * 4, terminal.width()) == SENTENCE * 4


@given(st.text())
def test_nothing_that_is_printed_steers_a_terminal(text: str) -> None:
    printed = escaped(text, "\n\t")
    assert all(sign.isprintable() or sign in "\n\t" for sign in printed)
    assert printed == text or not text.replace("\n", "").replace("\t", "").isprintable()


def test_a_stream_writes_out_what_is_no_printable_sign_and_can_be_asked_not_to() -> None:
    file = io.BytesIO()
    plain = io.TextIOWrapper(file, encoding="utf-8")
    stream = terminal.Printed(plain)
    print("Gülls\t\x1b]0;x\x07\x9b2J\udcff \N{RIGHT-TO-LEFT OVERRIDE}", file=stream, flush=True)
    print("\x1b[31mred", file=stream.as_it_is, flush=True)
    assert file.getvalue().decode() == (
        "Gülls\t\\x1b]0;x\\x07\\x9b2J\\udcff \\u202e\n\x1b[31mred\n"
    )


STEERS = "\x1b]0;owned\x07\x9b2J"


@pytest.mark.parametrize(
    "words",
    [
        ("profiles", "desk.toml"),
        ("profiles", STEERS),
        ("replay", "tick.syx", "--to", "unit:desk.toml"),
        ("replay", "tick.syx", "--to", f"midi:{STEERS}"),
        ("replay", "tick.syx", "--to", f"tcp:{STEERS}:1"),
        ("read", "--from", f"midi:{STEERS}", "--sample", "1", "-o", f"{STEERS}.syx"),
        ("read", "--from", "tcp:127.0.0.1:1", "--sample", STEERS, "-o", "x.syx"),
        ("serve", "desk.toml", "--tcp", "127.0.0.1:0", "--image", f"no/{STEERS}"),
        ("serve", "--through", STEERS),
        ("ports", STEERS),
        ("validate", f"{STEERS}.syx", "tick.syx"),
        ("explain", f"{STEERS}.syx"),
        ("diff", f"{STEERS}.syx", "tick.syx"),
        ("diagnose", f"{STEERS}.syx"),
        (STEERS,),
        (f"--{STEERS}",),
    ],
    ids=lambda words: " ".join(words)[:24].replace(STEERS, "STEERS"),
)
def test_no_name_from_outside_steers_the_terminal(tmp_path: Path, words: tuple[str, ...]) -> None:
    named = json.dumps(STEERS)  # as TOML writes it
    text = f"[unit]\nname = {named}\ndescription = {named}\n[knows]\nidentity = {named}\n"
    (tmp_path / "desk.toml").write_text(text, encoding="utf-8")
    data = dump(4)
    (tmp_path / "tick.syx").write_bytes(data)
    (tmp_path / f"{STEERS}.syx").write_bytes(data + b"\x00")
    ran = run(*words, folder=tmp_path)
    said = ran.out + ran.err
    assert said
    assert not {"\x1b", "\x07", "\x9b"} & set(said)
