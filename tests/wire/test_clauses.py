"""The register of clauses, against tables typed by hand and sums over the published layouts.

Levels: M must, S should, I information.  Bases: S standard, I inferred, F File Dump only,
R recommended, N none.  They were typed family by family, not read from the register.
Published sources: MIDI 1.0 Detailed Specification 4.2.1 (M1), Confirmation of Approval CA-019,
USB Device Class Definition for MIDI Devices 1.0.
"""

import re
import subprocess
import sys
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.wire.clauses import (
    FAMILIES,
    Basis,
    Clause,
    Judged,
    Level,
    clause,
    clauses,
    parse_clauses,
)

COUNTS = {
    "FRM": 12,
    "DEV": 5,
    "HDR": 15,
    "PKT": 14,
    "WRD": 13,
    "HSK": 22,
    "TIM": 11,
    "REQ": 4,
    "LOP": 7,
    "EXT": 9,
    "NAM": 3,
    "IDN": 2,
    "USB": 3,
    "STA": 3,
}
LEVEL_AND_BASIS = {
    "FRM": "MS MS MI MI MS MS SS MS SI MS MR IR",
    "DEV": "MS MS SI SI II",
    "HDR": "MS MS MS MI SR MS MS MS SI SI IR MS MI MI SI",
    "PKT": "MS MS MS MI MS MS MS MS SS MS SI SR MS II",
    "WRD": "MS MS MS MS MS MS MS SI IR SR MS MR MI",
    "HSK": "MS MS MS SF MS MS MS SS MS MS MS SS SS SI SI IS IF IF IF SF II IS",
    "TIM": "MS SI SS SS MI MS IR SI SS SR IF",
    "REQ": "MS MS MS IN",
    "LOP": "MS MS MS MS MS SI II",
    "EXT": "MS MS MS MS MS MS MS SR SR",
    "NAM": "MS MS SI",
    "IDN": "MS MS",
    "USB": "MS MS MS",
    "STA": "SI MI IR",
}
LEVELS = {"M": Level.MUST, "S": Level.SHOULD, "I": Level.INFORMATION}
BASES = {
    "S": Basis.STANDARD,
    "I": Basis.INFERRED,
    "F": Basis.FILE_DUMP,
    "R": Basis.RECOMMENDED,
    "N": Basis.NONE,
}
OUR_OWN_MUSTS = {"FRM-11", "WRD-12"}  # they bind our own splitter and our known-signal test
PAGES = {  # a sample of the page numbers printed in the documents
    "FRM-02": "T-8",
    "FRM-10": "A-2",
    "DEV-02": "p. 35",
    "HDR-02": "p. 37",
    "PKT-03": "p. 39",
    "HSK-02": "p. 36",
    "HSK-17": "p. 44",
    "TIM-09": "p. 32",
    "LOP-04": "p. 38",
    "EXT-05": "CA-019, p. 3",
    "NAM-01": "CA-019, p. 4",
    "IDN-01": "p. 40",
    "USB-01": "section 4",
}

# Field widths typed from the published layouts, F0 and F7 included; no sum here is typed.
ACK = [1, 1, 1, 1, 1, 1]  # M1 p. 36: F0, 7E, ID, sub-ID, packet number, F7
REQUEST = [1, 1, 1, 1, 2, 1]  # M1 p. 37
PACKET = [1, 1, 1, 1, 1, 120, 1, 1]  # M1 p. 37: ..., number, data, checksum, F7
LOOP = [1, 1, 1, 1, 1, 2, 2, 1, 3, 3, 1]  # M1 p. 38
LOOP_REQUEST = [1, 1, 1, 1, 1, 2, 2, 1]  # M1 p. 38
EXTENDED = [1, 1, 1, 1, 1, 2, 1, 4, 4, 5, 5, 5, 1, 1, 1]  # CA-019 p. 2
EXTENDED_LOOP = [1, 1, 1, 1, 1, 2, 2, 1, 5, 5, 1]  # CA-019 p. 3
IDENTITY = [1, 1, 1, 1, 1, 1, 2, 2, 4, 1]  # M1 p. 40, maker ID of one byte

GOOD = {
    "id": "PKT-05",
    "statement": "It holds.",
    "level": "must",
    "basis": "standard",
    "source": "A document, p. 1",
    "judged": ["file", "source"],
    "check": "It is looked at.",
}


def toml(**changes: object) -> str:
    """Return one clause as TOML text; None takes a field out."""
    row = {name: value for name, value in {**GOOD, **changes}.items() if value is not None}
    return "\n".join(["[[clause]]", *(f"{name} = {value!r}" for name, value in row.items()), ""])


def test_there_are_123_clauses_in_the_families_counted_by_hand() -> None:
    counted = Counter(found.family for found in clauses().values())

    assert sum(COUNTS.values()) == 123
    assert counted == COUNTS
    assert list(FAMILIES) == list(COUNTS)


def test_ids_are_unique_consecutive_and_in_order() -> None:
    wanted = [f"{family}-{n:02d}" for family, count in COUNTS.items() for n in range(1, count + 1)]

    assert list(clauses()) == wanted
    assert [found.id for found in clauses().values()] == wanted


@pytest.mark.parametrize("family", COUNTS)
def test_level_and_basis_of_every_clause_are_those_typed_by_hand(family: str) -> None:
    typed = LEVEL_AND_BASIS[family].split()
    found = [one for one in clauses().values() if one.family == family]

    assert len(typed) == COUNTS[family]
    assert [(one.id, one.level, one.basis) for one in found] == [
        (one.id, LEVELS[pair[0]], BASES[pair[1]]) for one, pair in zip(found, typed, strict=True)
    ]


def has_published_source(found: Clause) -> bool:
    return not found.source.startswith("none:")


def test_every_must_has_a_published_source_but_for_the_two_that_bind_ourselves() -> None:
    without = {
        found.id
        for found in clauses().values()
        if found.level is Level.MUST and not has_published_source(found)
    }

    assert without == OUR_OWN_MUSTS
    assert all(clause(own).basis is Basis.RECOMMENDED for own in OUR_OWN_MUSTS)


def test_what_the_standard_or_file_dump_says_has_a_published_source() -> None:
    for found in clauses().values():
        if found.basis in {Basis.STANDARD, Basis.FILE_DUMP}:
            assert has_published_source(found), found.id
        if found.basis is Basis.FILE_DUMP:
            assert "(File Dump)" in found.source, found.id


def test_a_source_is_a_known_document_with_its_place_or_says_none() -> None:
    document = re.compile(
        r"MIDI 1\.0 Detailed Specification 4\.2\.1, pp?\. "
        r"|Confirmation of Approval CA-019, pp?\. [1-4]"
        r"|USB Device Class Definition for MIDI Devices 1\.0, section 4$"
        r"|none: (our recommendation|follows from the text)$"
    )
    for found in clauses().values():
        assert document.match(found.source), found.id


@pytest.mark.parametrize(("clause_id", "place"), PAGES.items())
def test_the_place_in_the_document_is_the_printed_one(clause_id: str, place: str) -> None:
    assert place in clause(clause_id).source


def test_texts_are_whole_sentences_without_shorthand() -> None:
    statements = Counter(found.statement for found in clauses().values())

    assert max(statements.values()) == 1
    for found in clauses().values():
        for text in (found.statement, found.check):
            assert re.match(r"[A-Z0-9]", text), found.id
            assert text.endswith("."), found.id
            assert len(text) <= 240, found.id
            assert not re.search(r"LSB|spb|\bpp\b|ceil|≥|≤|→|[ ]{2}|[§|]", text), found.id
        assert len(re.findall(r"[.] [A-Z]", found.statement)) <= 1, found.id


def test_lengths_in_the_statements_are_the_sums_of_the_published_fields() -> None:
    words = {6: "six", 7: "seven"}

    assert f"{words[sum(ACK)]} bytes" in clause("HSK-01").statement
    assert f"{words[sum(REQUEST)]} bytes" in clause("REQ-01").statement
    assert f"{sum(PACKET)} bytes" in clause("PKT-01").statement
    assert f"{sum(LOOP)} bytes" in clause("LOP-01").statement
    assert f"is {sum(LOOP_REQUEST)}." in clause("LOP-01").statement
    assert f"{sum(EXTENDED)} bytes" in clause("EXT-01").statement
    assert f"{sum(EXTENDED_LOOP)} bytes" in clause("EXT-07").statement
    assert f"is {sum(LOOP_REQUEST)}." in clause("EXT-07").statement
    assert f"{sum(IDENTITY)} bytes, or {sum(IDENTITY) + 2} " in clause("IDN-01").statement


def test_numbers_in_the_statements_follow_from_the_published_ones() -> None:
    per_packet = [120 // size for size in (2, 3, 4)]  # M1 p. 37: 120 data bytes
    fastest_ms = 127 * 10 / (31_250 * 1.01) * 1000  # M1 p. 1: 10 bits, 31,250 baud within 1 %
    summed = list(range(1, 1 + sum(PACKET[1:-2])))  # M1 p. 37: from 7E to the last data byte

    assert "{} words of two bytes, {} of three or {} of four".format(*per_packet) in (
        clause("WRD-02").statement
    )
    assert f"{fastest_ms:.2f} ms" in clause("TIM-06").statement
    assert f"offsets {summed[0]} to {summed[-1]}" in clause("PKT-05").statement
    assert f"{2**21 - 1:,} words" in clause("HDR-14").statement  # M1 p. 37: three 7-bit bytes
    assert f"0 to {2**14 - 1} " in clause("HDR-02").statement  # M1 p. 37: two 7-bit bytes


def test_answers_and_their_times_need_both_directions() -> None:
    for found in clauses().values():
        if found.id in {"HSK-02", "HSK-09", "TIM-01", "TIM-04", "PKT-13", "REQ-02", "STA-01"}:
            assert found.judged == (Judged.BOTH_DIRECTIONS,), found.id


def test_whatever_a_file_shows_a_recording_shows_too() -> None:
    for found in clauses().values():
        if Judged.FILE in found.judged:
            assert {Judged.ONE_DIRECTION, Judged.BOTH_DIRECTIONS} <= set(found.judged), found.id
    assert clause("WRD-12").judged == (Judged.SOURCE,)


def test_a_clause_knows_its_family() -> None:
    assert clause("USB-02").family == "USB"
    assert clause("USB-02").family_name == "USB-MIDI"


def test_the_register_is_read_once_and_cannot_be_changed() -> None:
    assert clauses() is clauses()
    assert not hasattr(clauses(), "__setitem__")
    with pytest.raises(AttributeError):
        clause("PKT-05").level = Level.SHOULD  # type: ignore[misc] # the test is that it refuses


def test_importing_does_not_read_the_register() -> None:
    code = "import dryload.emulator.wire.clauses as c; print(c.clauses.cache_info().currsize)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "0"


@pytest.mark.parametrize(
    ("asked", "named"),
    [
        ("PKT-5", "PKT-05"),
        ("pkt-05", "PKT-05"),
        ("PTK-05", "PKT-05"),
        ("HSK22", "HSK-22"),
        ("qqqq", "the families are FRM, DEV"),
        ("", "the families are FRM, DEV"),
    ],
)
def test_an_unknown_id_is_a_key_error_that_names_what_is_near(asked: str, named: str) -> None:
    with pytest.raises(KeyError) as caught:
        clause(asked)

    assert named in str(caught.value)


def test_one_good_clause_is_read_field_by_field() -> None:
    assert parse_clauses(toml()) == {
        "PKT-05": Clause(
            id="PKT-05",
            statement="It holds.",
            level=Level.MUST,
            basis=Basis.STANDARD,
            source="A document, p. 1",
            judged=(Judged.FILE, Judged.SOURCE),
            check="It is looked at.",
        )
    }
    assert parse_clauses("") == {}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"colour": "red"}, "PKT-05 has unknown fields: colour"),
        ({"check": None}, "PKT-05 lacks: check"),
        ({"id": None}, "clause number 1 .*lacks: id"),
        ({"id": "PKT-5"}, "PKT-5: an id is three capitals"),
        ({"id": "pkt-05"}, "pkt-05: an id is three capitals"),
        ({"id": "PKT-055"}, "PKT-055: an id is three capitals"),
        ({"id": "PKT-0٥"}, "PKT-0٥: an id is three capitals"),
        ({"id": 5}, "clause 5: id must be a text"),
        ({"id": "ABC-01"}, "ABC-01: the families are"),
        ({"statement": " "}, "PKT-05: statement must be a text"),
        ({"source": ["p. 1"]}, "PKT-05: source must be a text"),
        ({"level": "may"}, "PKT-05: level must be one of must, should, information"),
        ({"basis": "SPEC"}, "PKT-05: basis must be one of standard, inferred, file dump"),
        ({"judged": "file"}, "PKT-05: judged must be a list"),
        ({"judged": []}, "PKT-05: judged must be a list of at least one"),
        ({"judged": ["guess"]}, "PKT-05: judged must be one of file, one direction"),
        ({"judged": [[]]}, "PKT-05: judged must be one of file, one direction"),
        ({"judged": ["file", "file"]}, "PKT-05: judged names something twice"),
    ],
)
def test_a_wrong_clause_is_refused_by_name(changes: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse_clauses(toml(**changes))


def test_an_id_with_a_line_end_behind_it_is_refused() -> None:
    with pytest.raises(ValueError, match="an id is three capitals"):
        parse_clauses(toml().replace("'PKT-05'", '"PKT-05\\n"'))


def test_the_same_id_twice_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="PKT-05 is there twice"):
        parse_clauses(toml() + toml(statement="Otherwise."))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("title = 'x'\n" + toml(), "tables only, not title"),
        (toml().replace("[[clause]]", "[clause]"), "two brackets"),
        ("clause = [1]", "two brackets"),
        ("[[clause]", "line 1"),
    ],
)
def test_text_that_is_no_register_is_refused(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse_clauses(text)


@given(st.text())
def test_any_text_is_either_a_register_or_a_value_error(text: str) -> None:
    try:
        register = parse_clauses(text)
    except ValueError:
        return
    assert all(key == found.id for key, found in register.items())
