"""`dryload explain` as it is called: files, bytes, options, JSON."""

import json
import random
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from dryload.harness.cli.explain import explain
from dryload.harness.cli.options import command_of
from dryload.harness.files.given import from_hex
from dryload.harness.files.problem import Problem
from dryload.harness.judge.finding import Answerable, Finding, Verdict
from dryload.harness.report.explain import packets_text
from dryload.harness.teach.dumps import dumps_of
from tests import damage, oracle
from tests.vectors import dumps

app = command_of(explain)

V1 = dumps.V1
CLEAN = oracle.dump(
    bits=V1.bits, words=V1.words, sample_number=V1.sample_number, period_ns=V1.period_ns
)
LONG = damage.random_dump(random.Random(3), minimum_packets=135, long_share=1)


def run(*args: str, data: bytes = b"") -> str:
    """Return what is printed; a Problem comes through."""
    result = CliRunner().invoke(app, list(args), input=data, standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    assert result.exit_code == 0
    assert result.stderr == ""
    return result.stdout


def run_json(*args: str) -> Any:
    document = json.loads(run(*args, "--json"))
    assert document["schema"] == "dryload/explain/1"
    return document


@pytest.fixture
def clean(tmp_path: Path) -> str:
    return keep(tmp_path, CLEAN)


def keep(folder: Path, data: bytes, name: str = "gulls.syx") -> str:
    path = folder / name
    path.write_bytes(data)
    return str(path)


# Bytes that are written out.


@pytest.mark.parametrize(
    "words",
    [
        ["F0 7E 00 7F 05 F7"],
        ["F0", "7E", "00", "7F", "05", "F7"],
        ["f07e007f05f7"],
        ["0xF0", "0x7e", "0", "0x7F", "5", "0xF7"],
        ["F0,7E,00,7F,05,F7"],
        ["$F0 $7E $00 $7F $05 $F7"],
        ["F07E", "00:7F:05", "F7h"],
    ],
)
def test_bytes_may_be_written_in_many_ways(words: list[str]) -> None:
    document = run_json(*words)

    assert document["source"] == {"file": None, "bytes": 6}
    (message,) = document["messages"]
    assert message["title"] == "ACK"
    assert "".join(line["bytes"] for line in message["lines"]) == "F07E007F05F7"


def test_a_message_is_a_table_in_plain_words() -> None:
    assert run("F0 7E 00 7F 05 F7").splitlines() == [
        "ACK, 6 bytes from byte 0",
        "  what           says                                      bytes  at byte  clause",
        "  begin          System Exclusive begins                   F0           0  FRM-01",
        "  family         Universal Non-Real-Time                   7E           1  FRM-06",
        "  device ID      0                                         00           2  DEV-01",
        "  handshake      ACK: the last one is good, send the next  7F           3  HSK-01",
        "  packet number  5                                         05           4  HSK-02",
        "  end            System Exclusive ends                     F7           5  FRM-01",
    ]


def test_several_messages_stand_apart_and_what_is_wrong_is_said() -> None:
    text = run("F0 7E 00 7F F7 90 40 40")

    assert "\n\nNote on, channel 1, 3 bytes from byte 5\n" in text
    assert "  Wrong: it has 5 bytes, and a handshake has 6.\n" in text


@pytest.mark.parametrize("words", [["thunder"], ["F0 7"], ["F0 7E0 F7"], ["F0", "--", "x"], [" "]])
def test_what_is_neither_file_nor_bytes_is_said_to_be_neither(words: list[str]) -> None:
    if from_hex(" ".join(words)) is not None:
        return
    with pytest.raises(Problem, match="neither a file nor bytes") as caught:
        run(*words)
    assert "F0 7E 00 7F 05 F7" in caught.value.do
    assert caught.value.code == 2


def test_hexadecimal_of_any_length() -> None:
    assert from_hex("F0 7") == b"\xf0\x07"
    assert from_hex("F07") is None
    assert from_hex("F0 7E0") is None
    assert from_hex("") is None
    assert from_hex("G0") is None


def test_a_name_that_exists_is_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(tmp_path, CLEAN, "F0")
    monkeypatch.chdir(tmp_path)

    assert run_json("F0")["source"] == {"file": "F0", "bytes": V1.size}


def test_width_of_words_where_no_header_says_it() -> None:
    packet = CLEAN[21:148].hex()

    assert "only a header says how wide" in run(packet)
    assert "word 0" in run(packet, "--bits", "16")
    assert "packet 0" in run(packet, "--packet", "0").lower()


# Files.


def test_a_file_is_its_header_and_a_summary(clean: str) -> None:
    lines = run(clean).splitlines()

    assert lines[0] == "Dump: 275 bytes from byte 0"
    assert lines[2] == "Dump header, 21 bytes from byte 0"
    assert lines[-3:] == [
        "2 packets in order and whole:",
        "  packets 0 to 1, numbers 0 to 1, from byte 21, 127 bytes each",
        "  --packet N shows one of them.",
    ]


def test_a_big_file_is_no_flood(tmp_path: Path) -> None:
    words = [0] * 400_000
    big = oracle.dump(bits=16, words=words, sample_number=1, period_ns=22676)
    wrong = bytearray(big)
    for at in range(21 + 125, len(wrong), 127):
        wrong[at] ^= 1

    assert len(run(keep(tmp_path, big)).splitlines()) < 30
    assert len(run(keep(tmp_path, bytes(wrong))).splitlines()) < 100
    assert len(run(keep(tmp_path, big[:21] + b"\x05" * 3_000_000)).splitlines()) < 50


def test_what_is_broken_is_shown_with_the_judges_words(tmp_path: Path) -> None:
    damaged = damage.wrong_checksum(LONG.data, random.Random(1))
    text = run(keep(tmp_path, damaged.data))

    assert f"Packet {damaged.packet}: data packet, 127 bytes" in text
    assert "would be right" in text
    assert "(PKT-05)" in text
    assert "1 finding in all: dryload validate " in text
    assert f"{LONG.packets - 1} packets in order and whole, 1 packet with something wrong:" in text


def test_everything_else_in_a_file_is_told_too(tmp_path: Path) -> None:
    name = oracle.sample_name(sample_number=1, name=b"ship's bell")
    packets = damage.take_apart(LONG.data)[1]
    swapped = [packets[i ^ 1] for i in range(40)]
    data = b"\xf8" + b"".join(swapped) + name * 9 + b"\x05" * 2 * 10**7
    text = run(keep(tmp_path, data))

    assert text.startswith("No header: ")
    assert "more packets with something wrong." in text
    assert "more messages besides the packets." in text
    assert "1 real-time byte in between (FRM-03)." in text
    assert "bytes without header or packet (FRM-07)." in text
    assert "No packets." in run(keep(tmp_path, name))


def test_many_stretches_are_summed_up(tmp_path: Path) -> None:
    header, packets = damage.take_apart(LONG.data)
    kept = [packet for index, packet in enumerate(packets) if index % 4]
    text = run(keep(tmp_path, header + b"".join(kept)))

    assert "\n  and 77 more packets in 26 more stretches\n" in text
    kept = [packet for index, packet in enumerate(packets[:35]) if index % 4]
    nine = run(keep(tmp_path, header + b"".join(kept[:25])))
    assert "\n  and 1 more packet in 1 more stretch\n" in nine


def test_a_stretch_of_one_packet(tmp_path: Path) -> None:
    assert "  packet 0, number 0, from byte 21\n" in run(keep(tmp_path, CLEAN[:148]))


@pytest.mark.parametrize("dump", [1, 2])
def test_dumps_of_a_file_are_numbered_and_chosen(tmp_path: Path, dump: int) -> None:
    name = oracle.sample_name(sample_number=1, name=b"gulls")
    file = keep(tmp_path, name + CLEAN + LONG.data, "two samples.syx")
    text = run(file)

    assert text.startswith("Before the first header: 15 bytes from byte 0\n")
    assert "\nDump 1 of 2: " in text
    assert "\nDump 2 of 2: " in text
    assert run(file, "--dump", str(dump)).startswith(f"Dump {dump} of 2: ")
    assert [each["dump"] for each in run_json(file, "--dump", str(dump))["dumps"]] == [dump]
    heading = run(file, "--dump", str(dump), "--packet", "1").splitlines()[0]
    assert heading == f"Dump {dump}, packet 1"
    assert run(file, "--packet", "1").startswith("Dump 1, packet 1\n")


def test_one_packet_of_a_file(clean: str) -> None:
    document = run_json(clean, "--packet", "1")

    (packet,) = document["packets"]
    assert (packet["packet"], packet["byte"], packet["findings"]) == (1, 148, [])
    word = packet["lines"][5]
    assert word == {
        "byte": 153,
        "bytes": "4F 62 00",  # M1 p. 39: 40 * 1021 - 32768 as 16 bits
        "field": "word 40",
        "value": "8,072, +24.6 % of full scale",
        "meaning": "60, 40 or 30 sample words",
        "clause": "WRD-07",
        "problem": None,
    }


def test_every_word_of_a_packet(clean: str) -> None:
    assert "\n  word 39 " not in run(clean, "--packet", "0")
    assert "\n  word 39 " in run(clean, "--packet", "0", "--bytes")


def test_a_packet_that_is_not_there(tmp_path: Path, clean: str) -> None:
    header, packets = damage.take_apart(LONG.data)
    file = keep(tmp_path, header + b"".join(packets[:7] + packets[8:]), "missing.syx")
    lines = run(file, "--packet", "7").splitlines()

    assert lines[0] == "Dump 1: packet 7 is not there."
    assert "(PKT-10)" in lines[1]
    (missing,) = run_json(file, "--packet", "7")["packets"]
    assert (missing["packet"], missing["missing"]) == (7, True)
    assert missing["findings"][0]["clause"] == "PKT-10"
    with pytest.raises(Problem, match=r"no packet 2\. Dump 1 has packets 0 to 1"):
        run(clean, "--packet", "2")


def test_a_packet_that_stands_twice(tmp_path: Path) -> None:
    header, packets = damage.take_apart(LONG.data)
    file = keep(tmp_path, header + b"".join(packets[:7] + packets[6:]))

    assert run(file, "--packet", "6").splitlines()[0] == "Dump 1, packet 6, 2 times"


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--dump", "2"], "no dump 2. It holds 1 dump."),
        (["--from", "275"], "no byte 275"),
        (["--from", "3", "--packet", "1"], "--from already says where"),
        (["--from", "3", "--dump", "1"], "--from already says where"),
    ],
)
def test_what_cannot_be_shown_is_one_line(clean: str, args: list[str], said: str) -> None:
    with pytest.raises(Problem) as caught:
        run(clean, *args)
    assert said in str(caught.value)
    assert caught.value.code == 2


def test_what_a_dump_without_packets_has(tmp_path: Path) -> None:
    name = keep(tmp_path, oracle.sample_name(sample_number=1, name=b"gulls"))
    with pytest.raises(Problem, match="What has no header has no packet"):
        run(name, "--packet", "0")
    one = keep(tmp_path, oracle.dump(bits=16, words=[1], sample_number=1, period_ns=1))
    with pytest.raises(Problem, match="Dump 1 has packet 0"):
        run(one, "--packet", "1")
    with pytest.raises(Problem, match="It holds 2 dumps"):
        run(keep(tmp_path, CLEAN * 2), "--dump", "3")


def test_from_a_byte_on(clean: str) -> None:
    document = run_json(clean, "--from", "150")
    text = run(clean, "--from", "20")

    assert [message["byte"] for message in document["messages"]] == [148]
    assert text.startswith("Dump header, 21 bytes from byte 0\n")
    assert "Data packet, 127 bytes from byte 21\n" in text


def test_standard_input_is_a_file() -> None:
    assert "2 packets in order" in run("-", data=CLEAN)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"RIFF\0\0\0\0WAVEfmt ", "a WAV sound"),
        (b"\0\1\2", "no sample dump message"),
        (b"", "empty"),
    ],
)
def test_what_is_no_dump_is_named(tmp_path: Path, data: bytes, said: str) -> None:
    with pytest.raises(Problem, match=said):
        run(keep(tmp_path, data))
    if data:
        with pytest.raises(Problem, match=said):
            run("-", data=data)


def test_a_file_with_other_exclusive_messages_is_explained_too(tmp_path: Path) -> None:
    acks = keep(tmp_path, oracle.handshake(kind="ACK") * 2)

    assert "ACK, 6 bytes from byte 6" in run(acks)


def test_one_file_at_a_time(clean: str) -> None:
    with pytest.raises(Problem, match="one name too many"):
        run(clean, clean)


def test_a_finding_may_have_nothing_expected() -> None:
    (dump,) = dumps_of(CLEAN)
    finding = Finding(
        clause="PKT-14",
        verdict=Verdict.NOTED,
        message="The recording began late.",
        answerable=Answerable.FILE,
    )
    assert packets_text(dump, 9, [], [finding]) == [
        "Dump 1: packet 9 is not there.",
        "  noted: The recording began late. (PKT-14)",
    ]


def test_the_text_says_nothing_that_the_document_does_not(tmp_path: Path) -> None:
    damaged = damage.lost_byte(LONG.data, random.Random(2))
    file = keep(tmp_path, damaged.data)
    text, document = run(file), run_json(file)

    (dump,) = document["dumps"]
    for line in (*dump["header"]["lines"], *dump["packets"][0]["lines"]):
        assert f" {line['clause']}" in text
        assert line["value"] in text
    assert dump["findings_in_all"] == 1
    assert dump["packets"][0]["findings"][0]["message"] in text
