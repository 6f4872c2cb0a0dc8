"""Captures as JSON Lines: nothing is lost, whole lines survive, and what is wrong is named."""

from __future__ import annotations

import json

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Capture, Passage
from dryload.harness.files import capture_lines
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import Recorded
from tests import oracle
from tests.files.captures import FROM, TO, bytes_in_lines, records

HEADER = oracle.header(sample_number=3, length=80, bits=16, period_ns=22_676)
ACK = oracle.handshake(kind="ACK")
TALK = Capture([Passage(TO, 6_720_000, HEADER), Passage(FROM, 13_640_000, ACK)])
TEXT = capture_lines.build(Recorded(capture=TALK, about="the ship's bell"))


@given(records(overlapping=True))
def test_every_capture_comes_back_as_it_was_and_is_written_the_same_again(was: Recorded) -> None:
    text = capture_lines.build(was)
    read = capture_lines.read(text, "bell.jsonl")

    assert read.capture.passages == was.capture.passages
    assert (read.directions, read.is_timed, read.start_ns, read.about, read.remarks) == (
        *(was.directions, was.is_timed, was.start_ns, was.about),
        (),
    )
    assert capture_lines.build(read) == text


def test_the_form_is_what_is_written_down() -> None:
    first, to_unit, from_unit = (json.loads(line) for line in TEXT.splitlines())

    assert first == {
        "schema": "dryload/capture/1",
        "start_ns": 0,
        "directions": ["to unit", "from unit"],
        "taken_at": "unknown",
        "about": "the ship's bell",
    }
    # 21 bytes of 320,000 ns (M1 pp. 1, 37).
    assert to_unit == {"direction": "to unit", "end_ns": 21 * 320_000, "hex": HEADER.hex()}
    assert from_unit == {"direction": "from unit", "end_ns": 13_640_000, "hex": ACK.hex()}
    assert bytes_in_lines(TEXT) == {"to unit": HEADER, "from unit": ACK}


def test_a_line_can_be_written_as_soon_as_something_has_passed() -> None:
    parts = [capture_lines.line(passage) for passage in TALK.passages]

    assert capture_lines.head(about="the ship's bell") + b"".join(parts) == TEXT


def test_without_times_order_and_bytes_are_kept() -> None:
    text = capture_lines.build(Recorded(capture=TALK, is_timed=False))
    read = capture_lines.read(text, "bell.jsonl")

    assert b'"end_ns": null' in text
    assert not read.is_timed
    # Back to back, as one line would carry them.
    assert read.capture.passages == [
        Passage(TO, 21 * 320_000, HEADER),
        Passage(FROM, 27 * 320_000, ACK),
    ]


@pytest.mark.parametrize("tail", ["", "\0" * 40])
@given(lost=st.integers(1, len(TEXT.splitlines()[-1])))
def test_a_power_cut_costs_the_last_line_only(tail: str, lost: int) -> None:
    read = capture_lines.read(TEXT[: -lost - 1] + tail.encode(), "bell.jsonl")

    assert read.capture.passages == TALK.passages[:1]
    if lost < len(TEXT.splitlines()[-1]) or tail:
        assert read.remarks == (
            "the last line, 3, is cut short: the capture ends where its writer was stopped",
        )


def test_a_last_line_without_its_line_break_is_whole() -> None:
    read = capture_lines.read(TEXT[:-1], "bell.jsonl")

    assert read.capture.passages == TALK.passages
    assert read.remarks == ()


def test_foreign_line_ends_empty_lines_and_unknown_keys_do_no_harm() -> None:
    lines = TEXT.decode().splitlines()
    lines[1] = lines[1].replace("{", '{"port": "desk", ')
    read = capture_lines.read("\r\n".join([*lines, "", ""]).encode(), "bell.jsonl")

    assert read.capture.passages == TALK.passages


def test_times_count_only_if_every_passage_has_one() -> None:
    text = TEXT.replace(b"13640000", b"null")
    read = capture_lines.read(text, "bell.jsonl")

    assert not read.is_timed
    assert read.remarks == ("some passages have a time and some have none: no time is used",)


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (b"capture/1", b"capture/2", "form dryload/capture/2.*knows dryload/capture/1.*newer"),
        (b"dryload/capture/1", b"something/1", "line 1: this is not how a capture begins"),
        (b'"start_ns": 0', b'"start_ns": 0.5', "line 1: start_ns"),
        (b'"start_ns": 0', b'"start_ns": true', "line 1: start_ns"),
        (b'["to unit", "from unit"]', b"[]", "line 1: directions"),
        (b'["to unit", "from unit"]', b'[["to unit"]]', "line 1: directions"),
        (b'{"direction": "to unit"', b'{"direction": "upwards"', "line 2: direction"),
        (b'{"direction": "to unit"', b'{"direction": ["to unit"]', "line 2: direction"),
        (b"6720000", b'"6720000"', "line 2: end_ns"),
        (b"6720000", b"9" * 30, "line 2: end_ns"),
        (b"6720000", b"9" * 9_000, "line 2: end_ns"),
        (b"13640000", b"NaN", "line 3: this is not a line"),
        (ACK.hex().encode(), b"f07", "line 3: hex"),
        (ACK.hex().encode(), b"", "line 3: hex"),
        (b'"' + ACK.hex().encode() + b'"', b"7", "line 3: hex"),
        (b"\n", b"\n[1]\n", "line 2: this is not a line"),
        (b"\n", b"\n" + b"[" * 100_000 + b"\n", "line 2: this is not a line"),
    ],
)
def test_what_is_wrong_is_named_with_its_line(before: bytes, after: bytes, says: str) -> None:
    assert before in TEXT
    with pytest.raises(Problem, match=says) as caught:
        capture_lines.read(TEXT.replace(before, after, 1), "bell.jsonl")
    assert caught.value.code == 2
    assert str(caught.value).startswith("bell.jsonl")


@given(st.integers(0, len(TEXT)), st.integers(0, len(TEXT)), st.binary(max_size=6))
@example(0, len(TEXT), b"")
def test_damage_is_read_or_named_and_nothing_else(start: int, stop: int, new: bytes) -> None:
    damaged = TEXT[:start] + new + TEXT[stop:]
    try:
        passages = capture_lines.read(damaged, "bell.jsonl").capture.passages
    except Problem:
        passages = []
    assert all(passage.data for passage in passages)


def test_it_is_known_by_its_beginning() -> None:
    assert capture_lines.is_lines(TEXT[:60])
    assert capture_lines.is_lines(TEXT.replace(b"capture/1", b"capture/7"))
    assert not capture_lines.is_lines(b'{"schema": "dryload/diff/1"}')
    assert not capture_lines.is_lines(ACK)
