"""The demo's recorded transfers hold what their evenings say, and their page shows what is said.

The captures are read here as the JSON Lines that they are, and their messages by tests/oracle.py,
which knows the published text alone ("M1" is the MIDI 1.0 Detailed Specification 4.2.1).  What was
done to each transfer is looked for in the bytes before any diagnosis is asked.
"""

from __future__ import annotations

import json
import re

import pytest

from captures_demo.evenings import EVENINGS, Evening
from dryload.harness.files.recorded import TakenAt
from tests import oracle
from tests.examples import Example, examples_in
from tests.test_captures_demo import DEMO, good

PAGE = DEMO / "WHAT-WENT-WRONG.md"
TEXT = PAGE.read_text(encoding="utf-8")
EXAMPLES = examples_in(PAGE)
SCREEN_LINES = 40
COLUMNS = 80
ACK, NAK, CANCEL, WAIT = 0x7F, 0x7E, 0x7D, 0x7C  # M1 p. 36

CAUSES = {
    "one-cable-only": {"nothing comes back"},
    "wrong-device-number": {"other device ID"},
    "crackling-plug": {"bytes altered on the way", "unit rejects good packets"},
    "small-buffer": {"bytes lost on the way"},
    "keyboard-on-the-cable": {"another sender on the cable"},
    "somebodys-foot": {"cable out"},
    "memory-full": {"unit ended the dump"},
    "waits-for-a-key": {"unit waits for somebody"},
    "two-bytes-swapped": {"damage that no receiver can see"},
    "tired-memory": {"unit stores other words"},
}
"""What the first cause may be, by what was done; where two stand, nobody could tell them apart."""


def passed(name: str) -> list[tuple[str, int, bytes]]:
    """Every passage of a capture: direction, when it ended, bytes."""
    lines = (DEMO / "transfers" / f"{name}.jsonl").read_text(encoding="utf-8").splitlines()
    head, *rest = map(json.loads, lines)
    assert head["schema"] == "dryload/capture/1"
    return [(each["direction"], each["end_ns"], bytes.fromhex(each["hex"])) for each in rest]


def said(name: str, direction: str) -> list[bytes]:
    """The whole messages that went one way."""
    data = b"".join(raw for way, _, raw in passed(name) if way == direction)
    return [raw for _, raw in oracle.split(data)]


def answers(name: str) -> list[int]:
    """The handshakes of the unit, by their kind."""
    return [raw[3] for raw in said(name, "from unit") if len(raw) == 6 and raw[3] > 0x7B]


def packets(messages: list[bytes]) -> list[bytes]:
    return [raw for raw in messages if raw[1] == 0x7E and raw[3] == 0x02]  # M1 p. 37


def is_part(one: bytes, other: bytes) -> bool:
    """Whether bytes are some of others, in order."""
    rest = iter(other)
    return all(byte in rest for byte in one)


# What was done, in the bytes.


@pytest.mark.parametrize("evening", EVENINGS, ids=[each.name for each in EVENINGS])
def test_what_the_computer_sent_is_the_good_dump(evening: Evening) -> None:
    name = evening.name
    files = [good(source.removesuffix(".syx")) for source in evening.sources]
    file = packets([raw for data in files for _, raw in oracle.split(data)])
    sent = packets(said(name, "to unit"))
    if evening.taken_at is TakenAt.LINE:  # at the far end, where damage has happened
        assert sent != file[: len(sent)]
        return
    known = {raw[4:-2] for raw in file}
    assert sent
    assert all(raw[4:-2] in known for raw in sent)


def test_nothing_at_all_came_back_over_one_cable() -> None:
    assert said("one-cable-only", "from unit") == []


def test_the_unit_had_another_number_and_answered_everybody() -> None:
    headers = [raw for raw in said("wrong-device-number", "to unit") if raw[3] == 0x01]
    assert [raw[2] for raw in headers] == [5, 127]  # 7F is for all, M1 p. 35
    first = passed("wrong-device-number")
    told = next(at for at, (way, _, _) in enumerate(first) if way == "from unit")
    assert any(raw[2] == 127 for _, _, raw in first[:told])
    assert {raw[2] for raw in said("wrong-device-number", "from unit")} == {0}


def test_the_plug_crackled_and_the_unit_said_so() -> None:
    assert answers("crackling-plug").count(NAK) > 2
    assert len(packets(said("crackling-plug", "to unit"))) > 20


def test_the_interface_swallowed_bytes_again_and_again() -> None:
    short = [raw for raw in packets(said("small-buffer", "to unit")) if len(raw) < 127]
    assert len(short) > 2
    assert answers("small-buffer").count(NAK) > 2
    whole = [raw[4:-2] for _, raw in oracle.split(good("thunder-crack"))[1:]]
    assert all(any(is_part(raw[4:-2], each) for each in whole) for raw in short)


def test_there_are_notes_inside_packets() -> None:
    arrived = b"".join(raw for way, _, raw in passed("keyboard-on-the-cable") if way == "to unit")
    assert arrived.count(bytes.fromhex("903C40")) >= 3  # a note-on, M1 p. 10
    whole = packets([raw for _, raw in oracle.split(arrived)])
    assert any(len(raw) < 127 for raw in whole) or len(whole) < arrived.count(b"\xf0\x7e\x00\x02")


def test_after_the_foot_nothing_arrived_in_the_middle_of_a_packet() -> None:
    ways = [(way, raw) for way, _, raw in passed("somebodys-foot")]
    way, last = ways[-1]
    assert (way, last[-1] == 0xF7) == ("to unit", False)
    arrived = packets(said("somebodys-foot", "to unit"))
    assert 0 < len(arrived) < 20
    assert answers("somebodys-foot") == [ACK] * len(answers("somebodys-foot"))


def test_the_unit_ended_the_cry_both_times_when_it_was_full() -> None:
    said_so = [kind for kind in answers("memory-full") if kind != ACK]
    assert said_so == [CANCEL, CANCEL]
    sent = len(packets(said("memory-full", "to unit")))
    assert sent in range(2 * 3_000 // 40, 2 * 3_000 // 40 + 4)  # of 129 packets each time


def test_the_unit_asked_to_wait_and_never_went_on() -> None:
    assert answers("waits-for-a-key")[-1] == WAIT


def test_two_bytes_of_packet_20_changed_places_and_the_checksum_stayed() -> None:
    file = packets([raw for _, raw in oracle.split(good("bell-stroke"))])
    arrived = packets(said("two-bytes-swapped", "to unit"))
    other = [at for at, (one, two) in enumerate(zip(file, arrived, strict=True)) if one != two]
    assert other == [20]
    swapped = bytearray(file[20])
    swapped[30], swapped[31] = swapped[31], swapped[30]
    assert arrived[20] == swapped
    assert answers("two-bytes-swapped").count(NAK) == 0


def test_the_tired_memory_acknowledged_what_it_did_not_keep() -> None:
    file = packets([raw for _, raw in oracle.split(good("bell-stroke"))])
    back = packets(said("tired-memory", "from unit"))
    other = [at for at, (one, two) in enumerate(zip(file, back, strict=True)) if one != two]
    assert other == [33]
    assert packets(said("tired-memory", "to unit")) == file


# What is said of it.


@pytest.mark.parametrize("example", EXAMPLES, ids=[each.words.split("/")[2] for each in EXAMPLES])
def test_the_page_shows_what_is_said(example: Example) -> None:
    assert example.said() == example.shown


def test_a_reader_sees_the_command_above_what_it_says() -> None:
    seen = re.findall(r"```console\ndryload (.+)\n```\n\n<!-- checked, 80 columns: (.+) -->", TEXT)
    assert [command for command, _ in seen] == [each.words for each in EXAMPLES]
    assert all(command == checked for command, checked in seen)


def test_every_transfer_is_on_the_page_once() -> None:
    named = re.findall(r"columns: diagnose captures_demo/transfers/([\w-]+)\.jsonl", TEXT)
    assert sorted(named) == sorted(each.name for each in EVENINGS)
    assert len(named) == len(EVENINGS) == len(EXAMPLES) == 11
    assert {file.stem for file in (DEMO / "transfers").iterdir()} == set(named)


@pytest.mark.parametrize("example", EXAMPLES, ids=[each.words.split("/")[2] for each in EXAMPLES])
def test_an_answer_fits_a_screen(example: Example) -> None:
    lines = example.shown.splitlines()
    assert len(lines) <= SCREEN_LINES
    assert max(map(len, lines)) <= COLUMNS


@pytest.mark.parametrize("name", CAUSES)
def test_the_cause_named_is_what_was_done(name: str) -> None:
    (words,) = (each.words for each in EXAMPLES if f"/{name}.jsonl" in each.words)
    document = json.loads(Example(words=f"{words} --json", shown="", columns=None).said())
    assert document["causes"][0]["cause"] in CAUSES[name]


def test_the_healthy_one_has_nothing_wrong() -> None:
    (example,) = (each for each in EXAMPLES if "all-well" in each.words)
    assert "Nothing is wrong here" in example.shown


def test_words_of_the_trade_are_explained_before_they_are_used() -> None:
    top = TEXT[: TEXT.index("## 1.")]
    words = ("ACK", "NAK", "WAIT", "CANCEL", "checksum", "device ID", "packet", "header", "word")
    for word in (*words, "source", "dump", "System Exclusive", "loop"):
        assert f"**{word}**" in top or f"**{word}s**" in top, word
    assert not re.search(r"\b[A-Z]{3}-\d\d\b|\bT\d\d\b", TEXT)  # clauses and fault numbers


def test_the_page_is_a_file_of_the_demo() -> None:
    assert "WHAT-WENT-WRONG.md" in (DEMO / "README.md").read_text(encoding="utf-8")
