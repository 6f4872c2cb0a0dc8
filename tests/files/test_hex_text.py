"""Pasted hexadecimal text: every way to write it, and line and column of what can't be read.

How monitors and hex dumps lay out their text is common practice, without a source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Capture, Direction
from dryload.harness.files import hex_text
from dryload.harness.files.hex_text import looks_like_hex, read
from dryload.harness.files.problem import Problem
from tests import oracle
from tests.files.captures import BYTE_NS, FROM, TO, captures

MS: Final = 1_000_000
EOF: Final = oracle.handshake(kind="EOF", packet_number=1)
ACK: Final = oracle.handshake(kind="ACK")
E, A = (data.hex(" ") for data in (EOF, ACK))


def seen(text: str) -> list[tuple[Direction, int, bytes]]:
    """Return direction, instant in ms and bytes of each passage; times have to be known."""
    found = read(text, "desk.txt")
    assert found.is_timed
    assert found.remarks == ()
    return [(each.direction, each.end_ns // MS, each.data) for each in found.capture.passages]


def untimed(text: str) -> list[tuple[Direction, bytes]]:
    found = read(text, "desk.txt")
    assert not found.is_timed
    return [(each.direction, each.data) for each in found.capture.passages]


@pytest.mark.parametrize(
    "text",
    [
        E,
        E.upper(),
        EOF.hex(),
        f"\ufeff{E}".removeprefix("\ufeff"),
        ", ".join(f"0x{byte:02X}" for byte in EOF),
        " ".join(f"${byte:02x}" for byte in EOF),
        " ".join(f"{byte:02X}h" for byte in EOF),
        ":".join(f"{byte:02x}" for byte in EOF),
        "-".join(f"{byte:02x}" for byte in EOF),
        "{ " + ",".join(f"0x{byte:x}" for byte in EOF) + " };",
        "f07e 007b 01 f7",
        f"# the bell\n\n  {E}   ; end\n// nothing more",
        f"{E}\r\n",
        f"{E[:8]}\n{E[8:]}",
        f"\t{E} | in letters: .~.{{..",
    ],
)
def test_bytes_may_be_written_in_many_ways(text: str) -> None:
    assert untimed(text) == [(TO, EOF)]


def test_without_any_marks_each_message_is_a_passage_one_after_another() -> None:
    found = read(f"{E} {A}\n{E[:6]}\n{E[6:]} 40", "desk.txt")

    assert [each.data for each in found.capture.passages] == [EOF, ACK, EOF, b"\x40"]
    assert [each.end_ns for each in found.capture.passages] == [
        count * BYTE_NS for count in (6, 12, 18, 19)
    ]
    assert found.directions == (TO,)


def test_who_asks_says_whose_bytes_unmarked_ones_are() -> None:
    found = read(A, "desk.txt", direction=FROM)

    assert found.directions == (FROM,)
    assert found.capture.bytes_of(FROM) == ACK


@pytest.mark.parametrize(
    ("to_unit", "from_unit"),
    [
        (">", "<"),
        ("->", "<-"),
        ("→", "←"),
        ("to unit", "from unit"),
        ("To Unit:", "From Unit:"),
        ("out", "in"),
        ("OUT:", "IN:"),
        ("sent", "received"),
        ("tx", "rx"),
    ],
)
def test_directions_are_seen_from_the_computer(to_unit: str, from_unit: str) -> None:
    assert untimed(f"{to_unit} {E}\n{from_unit} {A}") == [(TO, EOF), (FROM, ACK)]
    assert seen(f"{to_unit} 12 ms {E}\n20 ms {from_unit} {A}") == [(TO, 12, EOF), (FROM, 20, ACK)]
    assert untimed(f"{to_unit}\n{E}\n{A}\n{from_unit}\n{A}") == [(TO, EOF), (TO, ACK), (FROM, ACK)]


def test_a_mark_needs_no_room() -> None:
    assert untimed(f">{E}\n<{A}") == [(TO, EOF), (FROM, ACK)]


@pytest.mark.parametrize(
    ("time", "ns"),
    [
        ("0.0125", 12_500_000),
        ("[0.0125]", 12_500_000),
        ("(0.0125 s)", 12_500_000),
        ("12.5ms", 12_500_000),
        ("12.5 ms", 12_500_000),
        ("12500 us", 12_500_000),
        ("12500 µs:", 12_500_000),
        ("12500000ns", 12_500_000),
        ("3 s", 3_000 * MS),
        ("00:00:00.0125", 12_500_000),
        ("00:01.5", 1_500 * MS),
        ("1:02:03", 3_723_000 * MS),
        ("123.000000001", 123_000_000_001),
    ],
)
def test_a_time_is_that_of_the_last_byte_of_its_line(time: str, ns: int) -> None:
    found = read(f"{time} {E}", "desk.txt")

    assert found.is_timed
    (passage,) = found.capture.passages
    assert passage.end_ns == ns
    assert found.start_ns == ns - len(EOF) * BYTE_NS


def test_a_line_without_time_and_direction_goes_on() -> None:
    text = f"> 10 ms {E[:5]}\n        {E[5:]}\n< 30 ms {A}"

    assert seen(text) == [(TO, 10, EOF), (FROM, 30, ACK)]


def test_midnight_passes() -> None:
    day = 86_400_000
    assert seen(f"23:59:59.900 {E}\n00:00:00.100 {E}\n00:00:01.000 {A}") == [
        (TO, day - 100, EOF),
        (TO, day + 100, EOF),
        (TO, day + 1_000, ACK),
    ]


def test_a_time_that_goes_back_is_told_and_taken_for_the_one_before() -> None:
    found = read(f"5 ms {E}\n4 ms {A}\n9 ms {A}", "desk.txt")

    assert [each.end_ns for each in found.capture.passages] == [5 * MS, 5 * MS, 10 * MS]
    assert found.remarks == ("line 2: its time is earlier than that of the line before",)


def test_times_count_only_if_every_message_has_one() -> None:
    found = read(f"> 5 ms {E}\n< {A}", "desk.txt")

    assert not found.is_timed
    assert found.remarks == ("line 2 has no time and others have: no time is used",)


# Whole numbers in front: common practice of monitors, which print milliseconds or count lines.


@pytest.mark.parametrize("mark", ["", "> ", "to unit: "])
@pytest.mark.parametrize("layout", ["{} ", "[{}] ", "({}), ", "  {}\t"])
def test_whole_numbers_in_front_are_milliseconds_and_it_is_said(mark: str, layout: str) -> None:
    times = (7, 1523, 1523, 20_000)
    found = read("\n".join(f"{layout.format(ms)}{mark}{E}" for ms in times), "desk.txt")

    assert [(each.end_ns // MS, each.data) for each in found.capture.passages] == [
        (ms, EOF) for ms in times
    ]
    assert found.is_timed
    assert found.remarks == (
        "the whole numbers at the beginning of the lines are read as milliseconds",
    )


def test_whole_numbers_that_count_one_by_one_are_line_numbers() -> None:
    found = read(f"9 {E}\n10 {E[:8]}\n   {E[8:]}\n11 {A}", "desk.txt")

    assert [each.data for each in found.capture.passages] == [EOF, EOF, ACK]
    assert not found.is_timed
    assert found.remarks == (
        "the whole numbers at the beginning of the lines are ignored as line numbers",
    )


@pytest.mark.parametrize(
    ("text", "data"),
    [
        (f"12 {E}\n34 {E}", b"\x12" + EOF + b"\x34" + EOF),  # two digits may be a byte
        (f"1523 {E}\n1522 {E}", b"\x15\x23" + EOF + b"\x15\x22" + EOF),  # no time goes back
        (f"1523 {E}\n{E}", b"\x15\x23" + EOF + EOF),  # not in front of every message
        (f"1523 40 {E}", b"\x15\x23\x40" + EOF),
    ],
)
def test_numbers_that_may_be_bytes_are_bytes(text: str, data: bytes) -> None:
    found = read(text, "desk.txt")

    assert found.capture.bytes_of(TO) == data
    assert found.remarks == ()


def test_a_refusal_says_how_bytes_may_be_written() -> None:
    with pytest.raises(Problem) as caught:
        read(f"{E}\n\\xF0\\x7E", "desk.txt")
    for form in ("F0 7E", "F07E", "F0:7E", "0xF0", "$F0", "F0h"):
        assert form in str(caught.value)
        assert read(form, "desk.txt").capture.bytes_of(TO)[:1] == b"\xf0"


@pytest.mark.parametrize("between", [" ", ", 0x"])
def test_the_longest_dump_of_the_standard_header_is_read(between: str) -> None:
    packet = oracle.packet(number=0, data=bytes(120))
    count = -(-2_097_151 // 30)  # of 28 bits, 30 words a packet (M1 p. 39)
    row = between.join(f"{byte:02X}" for byte in packet)
    text = f"{'0x' * ('0x' in between)}" + (row + (between or "\n")) * (count - 1) + row

    found = read(text, "desk.txt")

    assert len(found.capture.bytes_of(TO)) == 127 * count


# Hex dumps.

STREAM: Final = oracle.header(
    sample_number=3, length=80, bits=16, period_ns=22_676
) + oracle.packet(number=0, data=b"|#; 00 11" * 9)


def letters(data: bytes) -> str:
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in data)


def in_halves(at: int, row: bytes) -> str:
    columns = f"{row[:8].hex(' ')}  {row[8:].hex(' ')}"
    return f"{at:08x}  {columns:<50}|{letters(row)}|"


def in_fours(at: int, row: bytes) -> str:
    return f"{at:08x}: {row.hex(' ', -2):<41}{letters(row)}"


def plain(base: str) -> Callable[[int, bytes], str]:
    return lambda at, row: f"{at:{base}} {row.hex(' ')}"


STYLES: Final[dict[str, Callable[[int, bytes], str]]] = {
    "halves": in_halves,
    "halves without letters": lambda at, row: in_halves(at, row).partition("|")[0].rstrip(),
    "fours": in_fours,
    "hexadecimal": plain("06x"),
    "octal": plain("07o"),
    "decimal": plain("07d"),
    "short offset": lambda at, row: f"{at:04X}: {row.hex(' ').upper()}",
    "marked offset": lambda at, row: f"0x{at:04x}: {row.hex(' ')}",
    "letter": lambda at, row: f"{at:04x}h: {row.hex(' ')}",
}


def dumped(data: bytes, style: str, first: int = 0) -> str:
    rows = [data[at : at + 16] for at in range(0, len(data), 16)]
    return "\n".join(STYLES[style](first + 16 * at, row) for at, row in enumerate(rows))


@pytest.mark.parametrize("style", STYLES)
def test_offsets_and_letters_of_a_hex_dump_are_no_bytes(style: str) -> None:
    assert read(dumped(STREAM, style), "desk.txt").capture.bytes_of(TO) == STREAM
    assert looks_like_hex(dumped(STREAM, style))


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("size", [11, 16, 32, 47, 48])
def test_letters_that_look_like_bytes_are_none(style: str, size: int) -> None:
    data = (b"\xf0" + bytes(15) + b"0123456789abcdef" * 2)[:size]

    assert read(dumped(data, style), "desk.txt").capture.bytes_of(TO) == data


@pytest.mark.parametrize("style", ["halves", "hexadecimal", "short offset"])
@given(st.binary(min_size=1, max_size=70).map(lambda data: b"\xf0" + data))
def test_any_bytes_come_back_from_a_hex_dump(style: str, data: bytes) -> None:
    assert read(dumped(data, style), "desk.txt").capture.bytes_of(TO) == data


def test_a_line_with_the_last_offset_alone_is_nothing() -> None:
    text = f"{dumped(STREAM, 'hexadecimal')}\n{len(STREAM):06x}\n"

    assert read(text, "desk.txt").capture.bytes_of(TO) == STREAM


def test_a_hex_dump_may_begin_anywhere_and_each_message_may_have_its_own() -> None:
    assert untimed(dumped(STREAM, "fours", first=0x40))[0] == (TO, STREAM[:21])
    parts = [dumped(STREAM[:21], "short offset"), dumped(STREAM[21:], "short offset")]
    assert untimed("\n".join(parts)) == [(TO, STREAM[:21]), (TO, STREAM[21:])]
    both = f"> {parts[0]}\n< {parts[1]}"
    assert untimed(both) == [(TO, STREAM[:21]), (FROM, STREAM[21:])]
    later = f"> {dumped(EOF, 'short offset', first=0x40)}\n< {dumped(ACK, 'fours', first=0x40)}"
    assert untimed(later) == [(TO, EOF), (FROM, ACK)]


@pytest.mark.parametrize("style", ["halves", "fours", "octal"])
def test_a_hole_in_a_hex_dump_is_named(style: str) -> None:
    lines = dumped(STREAM, style).split("\n")
    with pytest.raises(Problem, match=r"line 3, column 1: the offset says .* by the bytes"):
        read("\n".join(lines[:2] + lines[3:]), "desk.txt")


# What can't be read.


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Dear desk", r'line 1, column 1: "Dear" is not a byte in hexadecimal. Bytes are written'),
        (f"{E}\n\n  F0 7E zz", r'line 3, column 9: "zz" is not a byte'),
        (f"> {E}\n< F0 123", r'line 2, column 6: "123" is not a byte'),
        (f"> {E} / {A}", r'line 1, column 21: "/" is not a byte'),
        (f"{E} <{A}", r'line 1, column 19: "<" is not a byte'),
        (f"00000000  {E}\n*\n00000040", r"line 2, column 1: lines that repeat have been left out"),
        ("0000000 7ef0 7b00 f701", r"line 1, column 9: after an offset, single bytes"),
        ("", "contains no bytes"),
        ("# only words\n> 12 ms", "contains no bytes"),
        ("F0 " + "z" * 5_000, r'"z{24}\.\.\." is not a byte'),
        ("F0 \x1b[31m", r'"\\x1b" is not a byte'),
    ],
)
def test_what_cannot_be_read_is_named_with_line_and_column(text: str, says: str) -> None:
    with pytest.raises(Problem, match=says) as caught:
        read(text, "desk.txt")
    assert caught.value.code == 2
    assert str(caught.value).startswith("desk.txt")


def test_a_text_without_end_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hex_text, "LARGEST", 1 << 20)
    with pytest.raises(Problem, match="too large: more than 1 million"):
        read("F0 " * (1 << 19), "desk.txt")


@pytest.mark.parametrize(
    ("head", "is_hex"),
    [
        (E, True),
        (f"# a note\n\n> 12:00:00.5 {E}", True),
        (f"to unit:\n{E}", True),
        (f"{E}\nand then words", True),
        ("be ad de", True),
        ("12 34 56", False),
        ("Dear desk, F0 7E", False),
        ("", False),
        ("# F0 7E", False),
        ('{ "schema": 1 }', False),
    ],
)
def test_hexadecimal_text_is_told_from_other_text(head: str, is_hex: bool) -> None:
    assert looks_like_hex(head) is is_hex


@pytest.mark.parametrize(
    ("before", "between"),
    [("", ""), ("", " "), ("", "\n"), ("# the bell\n", " "), ("> 12.5 ms ", ", 0x")],
)
def test_the_beginning_of_a_text_may_end_anywhere(before: str, between: str) -> None:
    text = before + between.join(f"{byte:02x}" for byte in STREAM)
    for size in range(len(before) + 6, len(text)):
        assert looks_like_hex(text[:size], is_whole=False)


# Any conversation, any text.


@given(captures(), st.booleans(), st.sampled_from([" ", ",", ", 0x", " $"]))
def test_a_conversation_that_was_written_down_is_read_again(
    was: Capture, timed: bool, between: str
) -> None:
    marks = {TO: ">", FROM: "<"}
    lines = [
        f"{marks[each.direction]} {f'{each.end_ns} ns ' if timed and each.end_ns < 10**12 else ''}"
        + between.join(f"{byte:02X}" for byte in each.data)
        for each in was.passages
    ]
    found = read("\n".join(lines), "desk.txt")

    for direction in Direction:
        assert found.capture.bytes_of(direction) == was.bytes_of(direction)
    if found.is_timed:
        assert [each.end_ns for each in found.capture.passages] == [
            each.end_ns for each in was.passages
        ]


_scraps = st.sampled_from(
    [">", "<", "->", "to unit", "12:00:00", "1.5", "ms", "0000:", "00000000", "*", "|", "#", "F0",
     "F7", "0x", "$", "h", ":", "99999999999999999999", "1.", ".5", "\t", "\n", " ", "f" * 40]
)  # fmt: skip


@settings(max_examples=300)
@given(st.lists(_scraps | st.text(max_size=4), max_size=20).map(" ".join) | st.text(max_size=60))
@example("00:00:00.0 \x1f\x1d")
@example("٣.٤ F0")
def test_any_text_is_read_or_named_and_nothing_else(text: str) -> None:
    looks_like_hex(text)
    try:
        passages = read(text, "desk.txt").capture.passages
    except Problem as problem:
        says = str(problem)
    else:
        says = "desk.txt"
        ends = [each.end_ns for each in passages]
        assert ends == sorted(ends)
        assert all(each.data for each in passages)
    assert says.startswith("desk.txt")
