"""Assertions about dumps: what is wrong is said in packets, words and fields.

The dumps are written by the plain codec; what was done to them is done here by hand, so the place
and the values that must be said are known.
"""

from __future__ import annotations

from math import sin

import numpy as np
import pytest
from hypothesis import given

import dryload
from dryload import strategies
from dryload.assertions import difference_lines
from tests import oracle

BELL = [round(20_000 * sin(at / 9)) for at in range(1_000)]
PACKET = 127  # bytes (M1 p. 37)
HEADER = 21


def dump_of(words: list[int], *, bits: int = 16, period_ns: int = 22_676, number: int = 1) -> bytes:
    return oracle.dump(words=words, bits=bits, period_ns=period_ns, sample_number=number)


GOOD = dump_of(BELL)


def summed(dump: bytearray) -> bytes:
    """The dump with checksums that fit."""
    for at in range(HEADER, len(dump), PACKET):
        dump[at + 125] = oracle.checksum(bytes(dump[at : at + PACKET]))
    return bytes(dump)


def bytes_reversed() -> bytes:
    """The 7-bit bytes of every word in the wrong order (WRD-04, M1 p. 39)."""
    dump = bytearray(GOOD)
    for packet in range(HEADER, len(dump), PACKET):
        for at in range(packet + 5, packet + 125, 3):
            dump[at : at + 3] = dump[at : at + 3][::-1]
    return summed(dump)


def test_a_dump_that_is_loaded_gives_its_rehearsal() -> None:
    result = dryload.assert_loads(GOOD, words=BELL)
    assert result.is_well
    assert result.words is not None
    assert result.words.tolist() == BELL
    dump = oracle.dump(words=BELL, bits=16, period_ns=22_676, sample_number=1, device_id=16)
    dryload.assert_loads(dump, dryload.Unit("double-bill"), words=np.array(BELL, np.int64))
    dryload.assert_loads(dump_of([]), words=[])


@given(strategies.samples(), strategies.samples())
def test_it_holds_just_where_the_words_are_the_same(
    one: dryload.Sample, other: dryload.Sample
) -> None:
    unit = dryload.Unit("lantern-desk", disturb=["habit accepts [8, 12, 16, 24, 28]"])
    dump = dump_of(one.words.tolist(), bits=28)
    dryload.assert_loads(dump, unit, words=one.words)
    if one.words.tolist() != other.words.tolist():
        with pytest.raises(AssertionError):
            dryload.assert_loads(dump, unit, words=other.words)


def said_of(dump: bytes, unit: str = "lantern-desk", **expected: object) -> str:
    with pytest.raises(AssertionError) as caught:
        dryload.assert_loads(dump, unit, **expected)  # type: ignore[arg-type]
    return str(caught.value)


def test_another_word_is_told_by_its_packet_and_both_values() -> None:
    other = [*BELL]
    other[203] = 118
    said = said_of(dump_of(other), words=BELL).splitlines()
    assert said[0] == (
        f"Packet 5, word 203: {BELL[203]:+,} expected, +118 found; 1 of 1,000 words differ."
    )
    assert said_of(GOOD, words=other).startswith("Packet 5, word 203: +118 expected, -10,698 found")


def test_what_was_done_to_every_word_is_told() -> None:
    said = said_of(bytes_reversed(), words=BELL)
    assert "The dump is broken, so it is not sent." in said
    assert "WRD-05" in said
    assert "Packet 0, word 1: +2,218 expected" not in said  # the first that differs is word 0
    assert "Packet 0, word 0: +0 expected" in said
    assert "The 7-bit bytes of every word are in reverse order in what was found." in said
    flipped = dump_of([word ^ -0x8000 for word in BELL])
    assert "two's complement instead of offset binary" in said_of(flipped, words=BELL)


def test_words_that_the_dump_has_no_room_for_are_told() -> None:
    narrow = dump_of([word >> 4 for word in BELL], bits=12)
    said = said_of(narrow, words=BELL)
    assert said == f"Word 1: {BELL[1]:+,} expected, and the dump has 12 bits."


def test_a_unit_that_does_not_take_it_says_why() -> None:
    said = said_of(dump_of([0] * 200_000), "prompt-box")
    assert said.startswith("Refused: ")
    assert "memory" in said
    assert said_of(GOOD, "prompt-box").startswith("Loaded with changes: ")


@pytest.mark.parametrize("nothing", [b"", b"tickets sold: 40"])
def test_what_is_no_dump_fails_with_a_sentence(nothing: bytes) -> None:
    assert said_of(nothing).startswith("the dump ")


def test_what_is_asked_wrongly_is_no_assertion() -> None:
    with pytest.raises(dryload.Problem, match="no profile"):
        dryload.assert_loads(GOOD, "no such desk")
    for words in ([0.5], [[1], [2]], ["a"]):
        with pytest.raises(ValueError, match="flat array of integers"):
            dryload.assert_loads(GOOD, words=words)
    with pytest.raises(ValueError, match="one dump, and here are 2"):
        dryload.assert_loads(GOOD + dump_of(BELL, number=2), words=BELL)


def test_several_dumps_are_loaded_and_each_that_is_not_is_told() -> None:
    assert len(dryload.assert_loads(GOOD + dump_of(BELL, number=2)).transfers) == 2
    said = said_of(GOOD + dump_of(BELL, number=2), "prompt-box").splitlines()
    assert [each.split(":")[0] for each in said] == ["Loaded with changes"] * 2


def test_packets_without_a_header_are_no_dump() -> None:
    assert "header" in said_of(GOOD[HEADER:], words=BELL)


@pytest.mark.parametrize(
    ("at", "field", "expected"),
    [
        (2, "dump header, device ID", "00"),  # M1 p. 37, as all places here
        (4, "dump header, sample number", "01"),
        (7, "dump header, sample period", "14"),
        (HEADER + 4, "packet 0, packet number", "00"),
        (HEADER + PACKET + 125, "packet 1, checksum", None),
        (HEADER + 24 * PACKET + 5 + 120 - 1, "packet 24, word 999", None),
    ],
)
def test_a_byte_is_told_by_its_field(at: int, field: str, expected: str | None) -> None:
    other = bytearray(GOOD)
    other[at] ^= 1
    (line,) = (each for each in difference_lines(bytes(other), GOOD) if "First byte" in each)
    place, _, values = line.removeprefix("First byte that differs: ").rpartition(": ")
    assert place == f"byte {at:,}, {field}"
    assert values == f"{expected or f'{GOOD[at]:02X}'} expected, {other[at]:02X} found."


def test_a_wrong_checksum_alone_is_told_with_its_clause() -> None:
    other = bytearray(GOOD)
    other[HEADER + 125] ^= 1
    first, second = difference_lines(bytes(other), GOOD)
    assert first.startswith("First byte that differs: byte 146, packet 0, checksum: ")
    assert second.startswith("PKT-05: ")


def test_headers_are_compared_by_field() -> None:
    lines = difference_lines(dump_of(BELL, period_ns=20_833), GOOD)
    assert lines[0] == "Sample rate: 44,099.488 Hz expected, 48,000.768 Hz found."


def test_a_torn_dump_is_told() -> None:
    lines = difference_lines(GOOD[: HEADER + 5 * PACKET], GOOD)
    assert "from word 200 (packet 5) on" in lines[0]
    assert lines[1] == "The first 656 bytes are the same, 2,540 bytes missing behind them."
    assert lines[2].startswith("PKT-10: ")
    lines = difference_lines(GOOD + GOOD[-PACKET:], GOOD)
    assert "The first 3,196 bytes are the same, 127 bytes too many follow." in lines


def test_of_several_dumps_the_one_that_differs_is_named() -> None:
    one, two, three = (dump_of(BELL[:number], number=number) for number in (50, 60, 70))
    lines = difference_lines(one + dump_of([*BELL[:59], 5], number=60) + three, one + two + three)
    assert lines[:2] == [
        "Dump 2:",
        f"Packet 1, word 59: {BELL[59]:+,} expected, +5 found; 1 of 60 words differ.",
    ]
    assert "Dump 3 of those expected is missing." in difference_lines(one + two, one + two + three)
    assert "Dump 3 is one too many." in difference_lines(one + two + three, one + two)


def test_what_is_wrong_in_both_is_not_held_against_one() -> None:
    broken = bytearray(GOOD)
    broken[HEADER + 125] ^= 1
    other = bytearray(broken)
    other[2] = 5  # the device ID of the header (M1 p. 37)
    lines = difference_lines(bytes(other), bytes(broken))
    assert not any("checksum of packet 0" in each for each in lines)


def test_nothing_is_said_of_what_is_no_dump() -> None:
    assert difference_lines(b"\xf0\x7e\x00\x06\x01\xf7", GOOD) == []
    assert difference_lines(GOOD, b"\xf0\x7e\x00\x06\x01\xf7") == []


@given(strategies.damaged_dumps(), strategies.dumps())
def test_it_never_fails(damaged: strategies.DamagedDump, other: bytes) -> None:
    for found, expected in ((damaged.data, damaged.original), (damaged.original, damaged.data)):
        lines = difference_lines(found, expected)
        assert all(each.endswith((".", ":")) for each in lines)
    difference_lines(damaged.data, other)
