"""Foreign gear and a foreign sender against each other, and against what the standard says.

What both do follows M1 pp. 35-39 (MIDI 1.0 Detailed Specification 4.2.1); they share their bytes,
so these are held against vectors that were typed apart from them.
"""

from __future__ import annotations

import ast
import hashlib
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.foreign import wire
from tests.foreign.habits import Habits
from tests.foreign.player import Player
from tests.foreign.process import ROOT, gear, send
from tests.foreign.unit import Gear
from tests.vectors.checksums import CHECKSUMS, ChecksumVector
from tests.vectors.dumps import ALL, V1, DumpVector

HERE = Path(__file__).parent
FOREIGN = sorted(path for path in HERE.glob("*.py") if not path.name.startswith("test_"))
OURS = ("dryload", "captures_demo")
FIXTURES = ("conftest.py", "commands.py")  # what starts JACK servers, and our commands
LENGTH = 400
WORDS = wire.ramp(1021, LENGTH, 16)
PLAY = ("--number", "7", "--length", str(LENGTH))


def head_of(vector: DumpVector) -> wire.Head:
    return wire.Head(
        sample=vector.sample_number,
        bits=vector.bits,
        period_ns=vector.period_ns,
        length=vector.length,
        loop_start=vector.loop_start,
        loop_end=vector.loop_end,
        loop_type=vector.loop_type,
    )


@pytest.mark.parametrize("path", [path for path in FOREIGN if path.name not in FIXTURES])
def test_foreign_is_foreign(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0
            names = [node.module or ""]
        for name in names:
            assert name.partition(".")[0] not in OURS
            assert name.partition(".")[0] != "tests" or name.startswith("tests.foreign")


def test_nothing_of_ours_is_loaded_beside_it() -> None:
    names = ", ".join(f"tests.foreign.{name}" for name in ("gear", "sender", "process"))
    code = f"import sys, {names}; print(*{{name.partition('.')[0] for name in sys.modules}})"
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    loaded = said.stdout.split()
    assert "tests" in loaded
    assert not set(OURS) & set(loaded)


@pytest.mark.parametrize("vector", ALL, ids=lambda vector: vector.name[:2])
def test_its_bytes_are_those_of_the_vectors(vector: DumpVector) -> None:
    head = head_of(vector)
    words = wire.ramp(vector.factor, vector.length, vector.bits)
    assert words == vector.words
    packets = wire.packets(words, vector.bits, vector.device_id)
    dump = wire.header(head, vector.device_id) + b"".join(packets)
    assert hashlib.sha256(dump).hexdigest() == vector.sha256
    for at, quoted in vector.quoted.items():
        assert dump[at : at + len(quoted)] == quoted
    assert wire.head_of(dump[:21]) == head
    read = [word for packet in packets for word in wire.words_in(packet, vector.bits)]
    assert read[: vector.length] == vector.words


def test_the_first_vector_has_the_digest_that_is_published_with_it() -> None:
    assert V1.sha256 == "5f8aa431252df62b1a6c7b09e7dfd5f39349db504ff74fe8dc8f1d12bd883fd8"


@pytest.mark.parametrize("vector", CHECKSUMS, ids=lambda vector: vector.name)
def test_its_checksums_are_those_of_the_vectors(vector: ChecksumVector) -> None:
    front = bytes([0xF0, 0x7E, vector.device_id, 0x02, vector.number])
    packet = front + vector.data.ljust(120, b"\0") + bytes([vector.checksum, 0xF7])
    assert wire.is_sound(packet)
    assert not wire.is_sound(packet[:125] + bytes([vector.checksum ^ 1, 0xF7]))


def test_its_short_messages_are_those_of_the_standard() -> None:
    # M1 pp. 36, 37; typed from there.
    assert wire.request(300, 0x10) == bytes.fromhex("F0 7E 10 03 2C 02 F7")
    for kind, byte in (("ACK", "7F"), ("NAK", "7E"), ("CANCEL", "7D"), ("WAIT", "7C")):
        expected = bytes.fromhex(f"F0 7E 05 {byte} 01 F7")
        assert wire.handshake(getattr(wire, kind), 129, 5) == expected


def test_messages_are_cut_out_of_portions_of_any_size() -> None:
    ack, request = wire.handshake(wire.ACK, 3, 0), wire.request(1, 0)
    stream = b"\x90\x40" + ack[:2] + b"\xf8" + ack[2:] + b"\xfe\x40" + request[:4] + b"\x80\x01"
    stream += request
    for size in (1, 2, 5, len(stream)):
        cutter = wire.Cutter()
        found = []
        for at in range(0, len(stream), size):
            found += cutter.feed(stream[at : at + size])
        assert (found, cutter.torn) == ([ack, request], 1)


def played(*habits: str, sender: tuple[str, ...] = ()) -> tuple[dict[str, Any], dict[str, Any]]:
    """Play the sample to gear with habits; return what the sender and the gear say."""
    with gear("--tcp", *habits) as unit:
        said = send("play", unit.port, *PLAY, *sender)
        return said, unit.end()


def words_of(held: dict[str, Any], number: int = 7) -> list[int]:
    words = held["samples"][str(number)]["words"]
    assert isinstance(words, list)
    return words


@pytest.mark.parametrize("vector", ALL, ids=lambda vector: vector.name[:2])
def test_it_holds_and_gives_back_what_was_played(vector: DumpVector) -> None:
    number, device = f"--number={vector.sample_number}", f"--device={vector.device_id}"
    described = (
        *(f"--{name}={getattr(vector, name)}" for name in ("length", "factor", "bits")),
        *(f"--loop-{name}={getattr(vector, f'loop_{name}')}" for name in ("start", "end", "type")),
        f"--period={vector.period_ns}",
    )
    expected = {**head_of(vector)._asdict(), "words": vector.words}
    with gear("--tcp", device) as unit:
        assert send("play", unit.port, number, device, *described)["end"] == "sent"
        got = send("ask", unit.port, number, device)
        assert got["samples"] == {str(vector.sample_number): expected}
        assert unit.end()["samples"] == got["samples"]


def test_nothing_special_needs_nothing_special() -> None:
    said, held = played()
    assert (said["end"], said["ack"], said["resent"]) == ("sent", 11, 0)
    assert words_of(held) == WORDS
    assert (held["saw"]["packets"], held["partial"]) == (10, None)


@pytest.mark.port
def test_over_midi_ports_it_is_the_same(jack_name: str) -> None:
    with gear("--midi", "Gulls", "--nak-every", "4", jack=jack_name) as unit:
        assert unit.port == "midi:Gulls"
        assert send("play", unit.port, *PLAY, jack=jack_name)["resent"] == 2
        got = send("ask", unit.port, "--number", "7", jack=jack_name)
        assert words_of(got) == WORDS
        assert words_of(unit.end()) == WORDS


def test_rejected_packets_are_sent_again() -> None:
    said, held = played("--nak-every", "3")
    assert (said["end"], said["nak"], said["resent"]) == ("sent", 3, 3)
    assert (held["saw"]["nak"], held["saw"]["packets"]) == (3, 13)
    assert words_of(held) == WORDS


def test_a_packet_that_is_always_rejected_is_given_up() -> None:
    said, held = played("--nak-always", "4")
    assert said["end"] == "packet 4 was rejected again and again"
    assert (held["samples"], held["partial"]) == ({}, 160)


def test_wait_is_waited_for() -> None:
    said, held = played("--wait", "0.4", "--wait-at", "2")
    assert (said["end"], said["wait"], said["ack"]) == ("sent", 1, 11)
    assert held["saw"]["during_wait"] == 0
    assert words_of(held) == WORDS


def test_memory_that_ends_cancels_there() -> None:
    said, held = played("--memory", "150")
    assert said["end"] == "cancelled at packet 3"
    assert (held["samples"], held["saw"]["cancel"]) == ({}, 1)


def test_memory_that_is_too_small_refuses_the_header() -> None:
    assert played("--memory", "150", "--refuses")[0]["end"] == "cancelled at the header"


def test_another_device_hears_nothing() -> None:
    said, held = played("--device", "4", sender=("--patience", "0.3"))
    assert said["end"] == "no answer to the header"
    assert (held["saw"]["headers"], held["saw"]["other_device"]) == (0, 1)


@pytest.mark.parametrize("habit", [("--dies-at", "4"), ("--falls-silent-at", "4")])
def test_gear_dies_in_the_middle(habit: tuple[str, str]) -> None:
    said, held = played(*habit, sender=("--patience", "0.3"))
    assert said["end"] != "sent"
    assert said["ack"] == 5
    assert (held["partial"], held["samples"]) == (160, {})
    assert held["died"] is (habit[0] == "--dies-at")


def test_in_an_open_loop_silent_gear_stores_all_the_same() -> None:
    said, held = played("--silent", sender=("--open",))
    assert (said["end"], said["unanswered"]) == ("sent", 11)
    assert words_of(held) == WORDS
    assert held["saw"]["ack"] == 0


def test_fewer_bits_are_what_is_given_back() -> None:
    with gear("--tcp", "--bits", "12") as unit:
        send("play", unit.port, *PLAY)
        got = send("ask", unit.port, "--number", "7")["samples"]["7"]
        assert got == unit.end()["samples"]["7"]
    assert got["bits"] == 12
    assert got["words"] == [word // 16 for word in WORDS]


def test_a_wrong_bit_is_wrong_in_one_word() -> None:
    words = words_of(played("--wrong-bit", "123")[1])
    assert [at for at in range(LENGTH) if words[at] != WORDS[at]] == [123]
    assert words[123] ^ WORDS[123] == 1


def test_requests_may_be_ignored_and_empty_numbers_are() -> None:
    with gear("--tcp", "--no-requests") as unit:
        send("play", unit.port, *PLAY)
        assert send("ask", unit.port, "--number", "7", "--patience", "0.3")["samples"] == {}
    with gear("--tcp") as unit:
        assert send("ask", unit.port, "--number", "7", "--patience", "0.3")["samples"] == {}
        assert unit.end()["saw"]["requests"] == 1


def test_answers_may_be_late() -> None:
    said, held = played("--header-delay", "0.3", "--delay", "0.06")
    assert (said["end"], said["ack"], said["unanswered"]) == ("sent", 11, 0)
    assert words_of(held) == WORDS


def test_a_paced_sender_counts_from_the_end_of_its_message() -> None:
    # 20 ms after 127 bytes of 320 µs each, and 2 s after 21 (M1 pp. 1, 39).
    packets = wire.packets(WORDS[:80], 16, 0)
    player = Player(wire.header(wire.Head(7, 16, 22_676, 80), 0), packets, deaf=True, paced=True)
    times, now_s = [], 0.0
    player.start(now_s)
    while not player.end:
        assert len(player.to_send) == 1
        times.append(round(now_s * 1e6))
        player.to_send.clear()
        assert player.due_s is not None
        now_s = player.due_s
        player.tick(now_s)
    assert times == [0, 2_006_720, 2_067_360]
    assert round(now_s * 1e6) == 2_128_000


def fed(habits: Habits, *messages: bytes) -> tuple[Gear, list[bytes]]:
    """Give messages to gear one after the other; return it and its answers."""
    unit, answers = Gear(habits), []
    for message in messages:
        unit.take(message, 0.0)
        answers += unit.due(0.0)
    return unit, answers


HEADER = wire.header(wire.Head(7, 16, 22_676, LENGTH), 0)
PACKETS = wire.packets(WORDS, 16, 0)


@pytest.mark.parametrize("twice", [False, True])
def test_a_repeated_packet_is_answered_and_kept_once_or_twice(twice: bool) -> None:
    again = (*PACKETS[:4], PACKETS[3], *PACKETS[4:])
    unit, answers = fed(Habits(store_twice=twice), HEADER, *again)
    assert [answer[3] for answer in answers].count(wire.ACK) == (11 if twice else 12)
    shifted = WORDS[:160] + WORDS[120 : LENGTH - 40]
    assert unit.held[7].words == (shifted if twice else WORDS)
    assert unit.saw["repeated"] == (0 if twice else 1)


def test_everybody_is_meant_by_7f() -> None:
    header = wire.header(wire.Head(7, 16, 22_676, LENGTH), wire.EVERYBODY)  # M1 p. 35
    unit, answers = fed(Habits(device=4), header, *wire.packets(WORDS, 16, wire.EVERYBODY))
    assert answers[-1] == wire.handshake(wire.ACK, 9, 4)
    assert unit.held[7].words == WORDS


def test_a_lost_packet_is_missed_at_the_end() -> None:
    # One with an unexpected number is a good one for gear that cannot sort them (M1 p. 39).
    unit, _ = fed(Habits(deaf_to=4), HEADER, *PACKETS)
    assert (unit.partial, unit.held) == (LENGTH - 40, {})
    assert (unit.saw["lost"], unit.saw["jumps"]) == (1, 5)


def test_the_last_packet_is_acknowledged_again() -> None:
    unit, answers = fed(Habits(), HEADER, *PACKETS, PACKETS[-1])
    assert answers[-2:] == [wire.handshake(wire.ACK, 9, 0)] * 2
    assert unit.saw["repeated"] == 1
    assert unit.held[7].words == WORDS


def test_a_lost_ack_is_no_lost_packet() -> None:
    unit, answers = fed(Habits(lose_ack=3), HEADER, *PACKETS[:4], *PACKETS[3:])
    assert [answer[4] for answer in answers] == [0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9]
    assert unit.held[7].words == WORDS


def test_a_damaged_packet_is_rejected() -> None:
    damaged = bytearray(PACKETS[0])
    damaged[60] ^= 0x10
    unit, answers = fed(Habits(), HEADER, bytes(damaged), PACKETS[0][:100] + b"\xf7", *PACKETS)
    assert [answer[3] for answer in answers[:4]] == [wire.ACK, wire.NAK, wire.NAK, wire.ACK]
    assert unit.held[7].words == WORDS


def test_numbers_wrap_and_a_new_header_begins_anew() -> None:
    long = wire.ramp(77, 129 * 40, 16)
    head = wire.Head(2, 16, 22_676, len(long))
    both = (HEADER, *PACKETS[:5], wire.header(head, 0), *wire.packets(long, 16, 0))
    unit, answers = fed(Habits(), *both)
    assert [answer[4] for answer in answers[-2:]] == [127, 0]
    assert list(unit.held) == [2]
    assert unit.held[2].words == long
    assert unit.saw["jumps"] == 0


def test_packets_outside_a_dump_and_unknown_messages_change_nothing() -> None:
    loops = bytes.fromhex("F0 7E 00 05 02 07 00 7F 7F F7")  # M1 p. 38
    name = bytes.fromhex("F0 7E 00 05 04 07 00 F7")  # CA-019 p. 4
    unit, answers = fed(Habits(), PACKETS[0], loops, name, bytes.fromhex("F0 7D 00 01 02 03 F7"))
    assert answers == []
    assert unit.held == {}
    assert (unit.saw["outside"], unit.saw["not_known"], unit.saw["other_device"]) == (1, 2, 1)
