"""The public package: what it takes, what it returns, and that it says what the commands say."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import mido
import numpy as np
import pytest

import dryload
from tests import oracle

GOOD = Path(__file__).parents[2] / "captures_demo" / "good"
BROKEN = Path(__file__).parents[2] / "captures_demo" / "broken"
TRANSFERS = Path(__file__).parents[2] / "captures_demo" / "transfers"
BELL = [0, 1000, -1000, 32767, -32768, 7] * 20


def plain_dump(words: list[int], bits: int = 16, number: int = 1) -> bytes:
    """A dump by the independent plain codec."""
    return oracle.dump(words=words, bits=bits, period_ns=22676, sample_number=number)


def test_every_name_is_there_and_documented() -> None:
    for name in dryload.__all__:
        assert (getattr(dryload, name).__doc__ or "").strip(), name
    assert set(dryload.__all__) <= set(dir(dryload))
    with pytest.raises(AttributeError, match="no attribute 'encoder'"):
        _ = dryload.encoder


def test_importing_it_loads_nothing_heavy() -> None:
    code = "import sys, dryload; print(*sorted(m.split('.')[0] for m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    heavy = {"numpy", "click", "msgspec", "mido", "construct", "rich", "soundfile", "hypothesis"}
    assert not heavy & set(done.stdout.split())
    assert "dryload" in done.stdout.split()


@pytest.mark.parametrize("form", ["path", "text", "bytes", "bytearray", "messages", "parts"])
def test_material_comes_in_any_form(form: str) -> None:
    path = GOOD / "tick.syx"
    data = path.read_bytes()
    material: object = {
        "path": path,
        "text": str(path),
        "bytes": data,
        "bytearray": bytearray(data),
        "messages": mido.read_syx_file(str(path)),
        "parts": [part + b"\xf7" for part in data.split(b"\xf7")[:-1]],
    }[form]
    report = dryload.validate(material)  # type: ignore[arg-type]
    assert (report.dumps, report.is_right, report.broken) == (1, True, ())
    assert dryload.rehearse(material).is_well  # type: ignore[arg-type]


def test_encoding_gives_what_the_plain_codec_gives() -> None:
    words = [0, 1, -1, 100, -2048, 2047] * 30
    dump = dryload.encode(np.array(words), bits=12, rate=44_100, number=300)
    theirs = oracle.read_dump(dump)
    assert (theirs.words, theirs.bits, theirs.sample_number) == (words, 12, 300)
    back = dryload.decode(dump)
    assert (back.words.tolist(), back.bits, back.period_ns) == (words, 12, 22_676)


@pytest.mark.parametrize(
    ("words", "bits"), [([128], 8), ([-129], 8), ([0], 29), ([0], 7), ([0.5], 16), ([[1], [2]], 16)]
)
def test_what_no_dump_can_say_is_refused(words: list[object], bits: int) -> None:
    with pytest.raises(ValueError, match=r"words|bits"):
        dryload.encode(words, bits=bits)  # type: ignore[arg-type]


def test_messages_are_ready_to_be_sent() -> None:
    data = plain_dump(BELL)
    messages = dryload.messages(data)
    assert all(isinstance(each, mido.Message) and each.type == "sysex" for each in messages)
    assert b"".join(bytes(each.bin()) for each in messages) == data
    with pytest.raises(dryload.Problem, match="no message"):
        dryload.messages(data[:-1])


def test_a_rehearsal_says_what_the_unit_holds() -> None:
    result = dryload.rehearse(plain_dump(BELL))
    assert (result.outcome, result.verified) == (dryload.Outcome.LOADED, True)
    assert result.words is not None
    assert result.words.tolist() == BELL
    assert result.total_ns > 320_000 * len(plain_dump(BELL))  # 31,250 baud, ten bits a byte
    assert "Loaded and verified" in str(result)


def test_a_unit_keeps_what_it_was_sent() -> None:
    unit = dryload.Unit("lantern-desk")
    free = unit.free_words
    unit.rehearse(plain_dump(BELL, number=1))
    unit.rehearse(plain_dump([5, 6, 7], number=2))
    assert [each.words.tolist() for each in unit.samples.values()] == [BELL, [5, 6, 7]]
    assert unit.free_words < free
    unit.initialise()
    assert (unit.samples, unit.free_words) == ({}, free)


def test_a_broken_dump_is_not_sent_unless_it_is_wanted() -> None:
    data = bytearray(plain_dump(BELL))
    data[21 + 125] ^= 1  # the checksum of the first packet (M1 p. 37)
    report = dryload.validate(data)
    assert [each.clause for each in report.broken] == ["PKT-05"]
    result = dryload.rehearse(data)
    assert (result.transfers, result.outcome, result.is_well) == ((), None, False)
    assert "checksum" in result.not_sent[0]
    for said in (result.not_sent[0], str(report), str(result)):
        assert "the bytes given" not in said.partition("dryload ")[2]  # no command can name them
    assert not dryload.rehearse(data, anyway=True).is_well


@pytest.mark.parametrize(
    "data",
    [
        oracle.sample_name(sample_number=1, name=b"bell"),
        oracle.dump_request(sample_number=3),
        oracle.handshake(kind="ACK"),
    ],
    ids=["a name", "a request", "an answer"],
)
def test_where_nothing_is_to_be_rehearsed_nothing_is_well(data: bytes) -> None:
    for function in (dryload.rehearse, dryload.validate):
        with pytest.raises(dryload.Problem, match=r"no (dump|header)|none of a sample dump"):
            function(data)


def test_packets_without_a_header_are_not_well() -> None:
    result = dryload.rehearse(plain_dump(BELL)[21:])
    assert (result.transfers, result.is_well, result.verified) == ((), False, None)
    assert "before any header" in result.not_sent[0]


def test_a_disturbed_unit_shows_in_the_result_and_in_the_diagnosis() -> None:
    unit = dryload.Unit(disturb=["flip a bit in packet 1"])
    result = unit.rehearse(plain_dump(BELL))
    assert result.transfers[0].resent == 1
    found = dryload.diagnose(result, source=plain_dump(BELL))
    assert found.is_something_wrong
    assert found.causes
    assert not dryload.diagnose(dryload.rehearse(plain_dump(BELL))).is_something_wrong
    with pytest.raises(dryload.Problem):
        dryload.Unit(disturb=["make it rain"])
    with pytest.raises(dryload.Problem, match="no profile"):
        dryload.Unit("no such desk")


def test_a_diagnosis_names_a_cause() -> None:
    captures = [each for each in TRANSFERS.iterdir() if each.suffix == ".jsonl"]
    found = [dryload.diagnose(each) for each in captures]
    assert any(each.is_something_wrong and each.causes for each in found)
    assert not dryload.diagnose(plain_dump(BELL), source=plain_dump(BELL)).is_something_wrong
    with pytest.raises(dryload.Problem):
        dryload.diagnose(b"F0 7E 00 06 01 F7")


def test_a_difference_says_where() -> None:
    assert dryload.diff(plain_dump(BELL), GOOD / "tick.syx").same is False
    other = [*BELL]
    other[70] = -10
    difference = dryload.diff(plain_dump(BELL), plain_dump(other))
    assert not difference.same
    assert "word 70" in str(difference)
    assert dryload.diff(plain_dump(BELL), plain_dump(BELL)).same


def test_a_damaged_dump_is_decoded_only_if_it_is_wanted() -> None:
    words = list(range(100))
    data = plain_dump(words)
    torn = data[:21] + data[21 + 127 :]  # without its first packet, which has 40 words
    with pytest.raises(dryload.Problem, match="damaged"):
        dryload.decode(torn)
    assert dryload.decode(torn, damaged=True).words.tolist() == [0] * 40 + words[40:]


@pytest.mark.parametrize("function", ["validate", "rehearse", "decode", "diagnose", "messages"])
def test_what_is_no_dump_is_a_problem_with_a_sentence(function: str, tmp_path: Path) -> None:
    photo = tmp_path / "foyer.png"
    photo.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    for material in (photo, tmp_path / "nothing.syx", b"", b"tickets sold: 40"):
        with pytest.raises(dryload.Problem) as caught:
            getattr(dryload, function)(material)
        assert str(caught.value).endswith(".")


@pytest.mark.parametrize("folder", [GOOD, BROKEN], ids=["good", "broken"])
def test_it_says_what_the_command_says(folder: Path) -> None:
    files = sorted(folder.iterdir())
    command = [sys.executable, "-m", "dryload", "validate", "--json", *map(str, files)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    told = {each["file"]: each for each in json.loads(done.stdout)["files"] if "verdict" in each}
    assert told
    for file, document in told.items():
        if document["verdict"] is None:
            continue
        report = dryload.validate(file)
        assert report.is_right == (document["verdict"] != "broken")
        assert [each.kind for each in report.findings] == [
            each["kind"] for each in document["findings"]
        ]
