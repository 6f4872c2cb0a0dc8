"""The demo's page says of every file what is in it and what dryload finds, and nothing else.

What a broken file's packet is comes from the edit that made it (test_captures_demo_broken.py), what
a good file holds from tests/oracle.py; only then are the judge and the emulated units asked.
"""

import re

import pytest

from dryload.emulator.unit.profile import load_profile
from dryload.harness.files.dumpfile import load
from dryload.harness.jobs.dumps import dumps_in
from dryload.harness.jobs.outcome import Outcome
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.judge.finding import Finding, Verdict
from dryload.harness.judge.stream import judge_stream
from tests import oracle
from tests.test_captures_demo import DEMO
from tests.test_captures_demo_broken import BROKEN, EDITS, at

PAGE = (DEMO / "README.md").read_text(encoding="utf-8")
ROWS = {
    row[0].strip("` "): [cell.strip() for cell in row[1:]]
    for row in (line.strip("|\n").split("|") for line in PAGE.splitlines() if line[:3] == "| `")
}
FAULTY = (Verdict.BROKEN, Verdict.BENT)
# Where the first byte edited says another packet than the one at fault: the second copy of packet 7
# begins where packet 8 did, and the name follows the packets.
OTHER_PACKET = {
    "thunder-packet-twice": 7,
    "thunder-header-missing": 0,
    "bell-name-without-tag-length": None,
}
# No file can show these: every number is a legal one, and so is every word.
HIDDEN = {"thunder-sample-number-swapped", "gull-peaks-wrapped"}
# Legal by every clause, but noted.
ONLY_NOTED = {"thunder-period-in-hertz", "gull-twos-complement"}
# A should is missed and no must is violated.
ONLY_BENT = {"thunder-loop-0-0", "bell-loop-end-one-too-far"}
LOADED = {
    *("thunder-packets-swapped", "thunder-numbers-from-01", "thunder-filler-not-zero"),
    *("thunder-width-too-small", "tick-packet-too-many", "gull-twos-complement"),
    *("gull-word-bytes-reversed", "gull-peaks-wrapped", "thunder-right-justified"),
    "bell-14-bit-in-three-bytes",
}


def outcomes(path: str, unit: str) -> list[tuple[Outcome, bool | None]]:
    replay = Rehearsal(load_profile(unit))
    played = [replay.play(dump) for dump in dumps_in(load(str(DEMO / path)))]
    return [(transfer.outcome, transfer.verified) for transfer in played]


def findings(path: str) -> list[Finding]:
    verdicts = judge_stream(load(str(DEMO / path)).data)
    return [finding for verdict in verdicts for finding in verdict.findings]


def test_the_page_has_one_row_for_every_file() -> None:
    files = {str(file.relative_to(DEMO)) for file in DEMO.glob("[gb]*/*")}
    assert set(ROWS) == files
    assert len(re.findall(r"^\| `", PAGE, re.M)) == len(files)


@pytest.mark.parametrize("path", [path for path in ROWS if path.endswith(".syx")])
def test_the_page_counts_words_and_packets_as_the_oracle_does(path: str) -> None:
    if path.startswith("broken/"):
        return
    data = (DEMO / path).read_bytes()
    messages = [oracle.strip_realtime(raw) for _, raw in oracle.split(data)]
    bodies = [raw[3:] for raw in messages if raw[1] == 0x7E]
    widths, words = set(), 0
    for body in bodies:
        if body[0] == 0x01:  # M1 p. 37
            widths.add(str(body[3]))
            words += oracle.from_n7(body[7:10])
        elif body[:2] == b"\x05\x05":  # CA-019 p. 2
            widths.add(str(body[4]))
            words += oracle.from_n7(body[13:18]) * body[29]
    packets = sum(body[0] == 0x02 for body in bodies)
    _, bits, _, said_words, said_packets, _ = ROWS[path]
    assert sorted(bits.split(", ")) == sorted(widths)
    assert (int(said_words), int(said_packets)) == (words, packets)


@pytest.mark.parametrize("path", [path for path in ROWS if path.startswith("good/")])
def test_the_judge_finds_nothing_amiss_in_a_good_file(path: str) -> None:
    assert [f.message for f in findings(path) if f.verdict is not Verdict.NOTED] == []


@pytest.mark.parametrize("path", [path for path in ROWS if path.startswith("good/")])
def test_a_good_file_is_loaded_by_the_unit_that_the_page_names(path: str) -> None:
    dumps = 4 if path == "good/lantern-street-desk.syx" else 1
    expected: tuple[Outcome, bool] = (Outcome.LOADED, True)
    if "loaded with changes" in ROWS[path][0]:
        expected = (Outcome.CHANGED, False)
    assert outcomes(path, ROWS[path][-1]) == [expected] * dumps


@pytest.mark.parametrize("name", sorted(LOADED))
def test_a_dump_that_loads_is_not_a_good_one(name: str) -> None:
    swapped = name == "thunder-packets-swapped"  # stored in the order in which they came
    expected = (Outcome.CHANGED, False) if swapped else (Outcome.LOADED, True)
    assert outcomes(f"broken/{name}.syx", "lantern-desk") == [expected]


def test_the_page_names_the_broken_dumps_that_load_and_those_that_break_no_must() -> None:
    six, loading = re.findall(r"^(?:Six of|`lantern-desk` takes).*$", PAGE, re.M)
    assert set(re.findall(r"`([a-z0-9-]+)`", six)) == HIDDEN | ONLY_NOTED | ONLY_BENT
    packed = set(re.findall(r"broken/([\w-]+)\.syx", PAGE[PAGE.index("### Packed") :]))
    assert set(re.findall(r"`([a-z0-9-]+)`", loading)) - {"lantern-desk"} | packed == LOADED


@pytest.mark.parametrize("name", BROKEN)
def test_only_six_broken_files_break_no_must(name: str) -> None:
    breaks = any(f.verdict is Verdict.BROKEN for f in findings(f"broken/{name}.syx"))
    assert breaks == (name not in HIDDEN | ONLY_NOTED | ONLY_BENT)


@pytest.mark.parametrize("name", BROKEN)
def test_the_judge_finds_every_fault_and_the_page_says_which(name: str) -> None:
    found = findings(f"broken/{name}.syx")
    said = set(re.findall(r"[A-Z]{3}-\d\d", ROWS[f"broken/{name}.syx"][-1]))
    by_verdict = {finding.clause for finding in found if finding.verdict in FAULTY}
    assert by_verdict <= said <= {finding.clause for finding in found}
    if name not in HIDDEN | ONLY_NOTED:
        assert by_verdict
    if name in ONLY_NOTED:
        assert said


@pytest.mark.parametrize("name", BROKEN)
def test_the_judge_and_the_page_name_the_packet_that_was_damaged(name: str) -> None:
    said = ROWS[f"broken/{name}.syx"][1]
    damaged = packet_of(name)
    assert said == ("–" if damaged is None else str(damaged))
    if damaged is not None:
        places = [finding.at.packet for finding in findings(f"broken/{name}.syx")]
        assert damaged in places


def packet_of(name: str) -> int | None:
    """The first packet that an edit touches; None for a header or a whole repacking."""
    if name in OTHER_PACKET:
        return OTHER_PACKET[name]
    starts = [start for start, _, _ in EDITS[name][1]] if name in EDITS else []
    inside = [start for start in starts if start >= at(0)]
    return (min(inside) - at(0)) // 127 if inside else None
