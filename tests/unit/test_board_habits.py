"""Habits of the rack unit that show on the line: confirming, small buffers, echo, pulses."""

from __future__ import annotations

from itertools import pairwise

import pytest

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.outgoing import outgoing
from dryload.emulator.dump.replies import Limits
from dryload.emulator.dump.sender import SenderEnd
from dryload.emulator.unit.profile import load_profile
from tests import oracle
from tests.edits import add_byte
from tests.line.players import BYTE_NS, FROM, TO, bytewise
from tests.unit.desk import Desk, noise, sample_of, words_of

SECOND = 1_000_000_000


def header(number: int = 0, length: int = 80) -> bytes:
    return oracle.header(sample_number=number, bits=16, period_ns=22676, length=length)


def reply(kind: str, number: int = 0) -> bytes:
    return oracle.handshake(kind=kind, packet_number=number)


def packets(words: list[int]) -> list[bytes]:
    return oracle.packets(bits=16, words=words)


# somebody has to confirm each dump


def confirming(unconfirmed: str) -> Desk:
    desk = Desk(f'[panel]\nconfirm = "each dump"\nunconfirmed = "{unconfirmed}"\n')
    desk.send(sample_of(range(30)), 0)
    assert desk.unit.panel.awaiting_confirm == 1
    return desk


@pytest.mark.parametrize(
    ("unconfirmed", "said"),
    [("wait", [reply("WAIT")]), ("cancel", [reply("CANCEL")]), ("ignore", [])],
)
def test_until_the_last_dump_is_confirmed_the_next_header_gets(
    unconfirmed: str, said: list[bytes]
) -> None:
    desk = confirming(unconfirmed)
    assert desk.say(header(1)) == said
    assert not desk.unit.is_receiving
    assert desk.words_in(1) == list(range(30))


@pytest.mark.parametrize("unconfirmed", ["wait", "cancel", "ignore"])
def test_once_it_is_confirmed_the_next_dump_goes_in(unconfirmed: str) -> None:
    desk = confirming(unconfirmed)
    assert desk.unit.confirm(desk.now_ns)
    assert not desk.unit.confirm(desk.now_ns)
    assert desk.send(sample_of(range(40)), 1).end is SenderEnd.SENT
    assert (desk.words_in(1), desk.words_in(2)) == (list(range(30)), list(range(40)))


def test_confirming_lets_the_header_in_that_is_being_held() -> None:
    # WAIT, then ACK whenever somebody presses the button, however long that takes (HSK-09, HSK-10)
    desk = confirming("wait")
    sender = desk.start(sample_of(range(90)), 1)
    desk.line.at(desk.now_ns + 600 * SECOND, desk.unit.confirm)
    assert desk.line.run(lambda: sender.end is not None)
    assert sender.end is SenderEnd.SENT
    assert desk.now_ns > 600 * SECOND
    assert desk.words_in(2) == list(range(90))
    assert desk.kinds[-2:] == [EventKind.OPENED, EventKind.DONE]


def test_a_held_header_that_does_not_fit_is_refused_when_it_is_looked_at() -> None:
    desk = confirming("wait")
    assert desk.say(header(500)) == [reply("WAIT")]
    desk.line.at(desk.now_ns, desk.unit.confirm)
    desk.line.advance(SECOND)
    assert desk.line.capture.passages[-1].data == reply("CANCEL")
    assert not desk.unit.is_receiving


def test_a_held_header_that_was_cancelled_is_gone_when_somebody_confirms() -> None:
    desk = confirming("wait")
    assert desk.say(header(0, 80)) == [reply("WAIT")]
    desk.say(reply("CANCEL"))
    assert desk.unit.confirm(desk.now_ns)
    assert desk.hear(b"\xfe") == b""
    assert not desk.unit.is_receiving
    assert desk.unit.keeper.held is None
    assert desk.words_in(1) == list(range(30))  # nobody came to take its place
    assert desk.unit.memory.used == 30
    assert words_of(desk.read(0)) == list(range(30))


def test_a_second_header_takes_the_place_of_the_one_that_is_held() -> None:
    desk = confirming("wait")
    assert desk.say(header(1), header(2, 40)) == [reply("WAIT"), reply("WAIT")]
    desk.line.at(desk.now_ns, desk.unit.confirm)
    desk.line.advance(SECOND)
    assert desk.say(packets(list(range(40)))[0]) == [reply("ACK", 0)]
    assert (desk.words_in(2), desk.words_in(3)) == (None, list(range(40)))


def test_packets_that_come_while_the_header_is_held_are_passed_over() -> None:
    # an open-loop sender may have gone on; outside a dump nothing touches the store (STA-01)
    desk = confirming("wait")
    assert desk.say(header(1), *packets(noise(80))) == [reply("WAIT")]
    assert desk.words_in(2) is None
    assert desk.unit.memory.used == 30


def test_deleting_the_sample_that_waits_lets_the_held_header_in_at_the_next_press() -> None:
    desk = confirming("wait")
    assert desk.say(header(1)) == [reply("WAIT")]
    assert desk.unit.panel.delete(1, desk.now_ns)
    desk.line.at(desk.now_ns, desk.unit.confirm)
    desk.line.advance(SECOND)
    assert desk.line.capture.passages[-1].data == reply("ACK")


@pytest.mark.parametrize("deed", ["power_off", "initialise"])
def test_a_held_header_is_forgotten_when_a_person_wipes_or_switches_off(deed: str) -> None:
    desk = confirming("wait")
    assert desk.say(header(1)) == [reply("WAIT")]
    getattr(desk.unit.panel, deed)(desk.now_ns)
    desk.unit.panel.power_on(desk.now_ns)
    desk.unit.confirm(desk.now_ns)
    assert desk.hear(b"\xfe") == b""
    assert not desk.unit.is_receiving
    assert desk.send(sample_of(range(40)), 1).end is SenderEnd.SENT


# an input buffer of 128 bytes and slow memory


def test_an_open_loop_without_gaps_overruns_a_small_buffer() -> None:
    # M1 p. 39 has 20 ms between packets; whoever leaves none finds packets cut short
    words = noise(40 * 30)
    desk = Desk(load_profile("narrow-wings"))
    dump = outgoing(sample_of(words), number=0, device_id=0)
    desk.say(dump.header, wait_ns=2 * SECOND)
    desk.say(*dump.packets)
    overruns = [event for event in desk.events if event.kind is EventKind.OVERRUN]
    assert overruns
    assert desk.words_in(1) != words


@pytest.mark.parametrize(("gap_ns", "fits"), [(20_000_000, True), (0, False)])
def test_20_ms_between_packets_are_enough(gap_ns: int, fits: bool) -> None:
    words = noise(40 * 30)
    desk = Desk(load_profile("narrow-wings"))
    dump = outgoing(sample_of(words), number=0, device_id=0)
    desk.say(dump.header, wait_ns=2 * SECOND)
    for packet in dump.packets:
        desk.say(packet, wait_ns=gap_ns)
    desk.line.advance(3 * SECOND)
    assert (EventKind.OVERRUN not in desk.kinds) == fits
    assert (desk.words_in(1) == words) == fits


def test_a_sender_that_listens_loads_it_however_slow_it_is() -> None:
    words = noise(40 * 30)
    desk = Desk(load_profile("narrow-wings"))
    assert desk.send(sample_of(words)).end is SenderEnd.SENT
    assert desk.words_in(1) == words
    assert EventKind.OVERRUN not in desk.kinds


def test_an_overrun_says_how_many_bytes_are_gone() -> None:
    desk = Desk("[input]\nbuffer_bytes = 128\nstore_header_ms = 500\n")
    desk.say(header(), packets(noise(80))[0], reply("EOF"), reply("EOF"))
    lost = [event.detail for event in desk.events if event.kind is EventKind.OVERRUN]
    assert lost == ["5 bytes lost", "6 bytes lost"]
    desk = Desk("[input]\nbuffer_bytes = 128\nstore_header_ms = 500\n")
    desk.say(header(), packets(noise(80))[0], b"\xf0\xf7")
    assert [e.detail for e in desk.events if e.kind is EventKind.OVERRUN] == ["1 byte lost"]


def test_messages_longer_than_the_buffer_are_cut_and_the_next_is_understood() -> None:
    desk = Desk("[input]\nbuffer_bytes = 128\nstore_packet_ms = 0\n")
    long_name = oracle.sample_name(sample_number=0, name=b"n" * 127)
    desk.send(sample_of(range(30)))
    assert desk.say(long_name, oracle.sample_name_request(sample_number=0)) == [
        oracle.sample_name(sample_number=0, name=b"")
    ]
    # a packet with two bytes too many finds no room for its end: it is faulty (FRM-05)
    desk.say(header(), wait_ns=SECOND)
    packet = packets(noise(80))[0]
    assert desk.say(packet[:60] + b"\x01\x02" + packet[60:], wait_ns=0) == [reply("NAK", 0)]
    assert desk.say(packet) == [reply("ACK", 0)]


def test_a_flood_without_an_end_does_not_deafen_it() -> None:
    for buffer_bytes in (128, 4096):
        desk = Desk(f"[input]\nbuffer_bytes = {buffer_bytes}\n")
        desk.hear(b"\xf0" + bytes(3 * 4096), wait_ns=0)
        desk.hear(bytes(3 * 4096), wait_ns=0)
        assert desk.send(sample_of(range(30))).end is SenderEnd.SENT
        assert desk.words_in(1) == list(range(30))


def test_an_input_that_loses_every_so_many_th_byte() -> None:
    desk = Desk("[input]\ndrop_every_byte = 100\n")
    # bytes 1 to 21 are the header, the hundredth is byte 79 of the packet
    desk.say(header(), wait_ns=SECOND)
    packet = packets(noise(80))[0]
    assert desk.say(packet) == [reply("NAK", 0)]
    assert desk.kinds[:3] == [EventKind.OPENED, EventKind.OVERRUN, EventKind.FAULTY]


# what it says beside its answers


def test_an_echo_copies_the_input_to_the_output() -> None:
    desk = Desk("[habits]\necho = true\n")
    for message in (oracle.identity_request(device_id=9), b"\x90\x40\x7f", b"\xf8", header()[:9]):
        assert desk.hear(message) == message


def test_a_dump_to_a_unit_that_echoes_is_not_taken_for_acknowledged_by_its_own_echo() -> None:
    desk = Desk("[habits]\necho = true\nanswers = false\n")
    words = noise(100)
    sender = desk.send(sample_of(words))
    assert sender.end is SenderEnd.SENT
    assert desk.words_in(1) == words
    host = [event.kind for event in desk.host_events]
    assert EventKind.ANSWERED not in host
    assert host.count(EventKind.SILENCE) == 4


def test_active_sensing_keeps_below_300_ms_also_while_a_sender_waits() -> None:
    # TIM-09 (M1 p. 32): at most 300 ms between bytes once it has started
    desk = Desk("[habits]\nactive_sensing = true\nanswers = false\n")
    desk.send(sample_of(range(200)))
    desk.line.advance(SECOND)
    instants = [at_ns for at_ns, byte in bytewise(desk.line.capture, FROM) if byte == 0xFE]
    gaps = [b - a for a, b in pairwise(instants)]
    assert len(instants) > 10
    assert max(gaps) <= 300_000_000


def test_a_clock_ticks_24_times_a_beat() -> None:
    # M1 p. 30
    desk = Desk("[habits]\nclock_bpm = 150\n")
    desk.line.advance(60 * SECOND + BYTE_NS)
    assert desk.line.capture.bytes_of(FROM) == b"\xf8" * (24 * 150)


@pytest.mark.parametrize("bpm", [120, 300])
def test_a_clock_never_stands_inside_what_the_unit_says(bpm: int) -> None:
    words = noise(400)
    desk = Desk(f"[habits]\nclock_bpm = {bpm}\nactive_sensing = true\nwait_before_ack = true\n")
    assert desk.send(sample_of(words)).end is SenderEnd.SENT
    assert words_of(desk.read()) == words
    said = desk.line.capture.bytes_of(FROM)
    assert said.count(b"\xf8") > 10
    outside = b"".join(part.split(b"\xf0")[0] for part in said.split(b"\xf7"))
    assert set(outside) == {0xF8, 0xFE}
    assert len(outside) == sum(byte >= 0xF8 for byte in said)


def test_a_slow_unit_asks_for_patience_before_each_answer() -> None:
    # HSK-10 (M1 p. 39): WAIT at once, ACK when it is done
    desk = Desk("[habits]\nwait_before_ack = true\n[input]\nstore_packet_ms = 300\n")
    assert desk.send(sample_of(range(80))).end is SenderEnd.SENT
    answers = [p for p in desk.line.capture.passages if p.direction is FROM]
    assert [p.data for p in answers] == [
        *(reply("WAIT"), reply("ACK")),
        *(reply("WAIT", 0), reply("ACK", 0)),
        *(reply("WAIT", 1), reply("ACK", 1)),
    ]
    packet_ends = [p.end_ns for p in desk.line.capture.passages if len(p.data) == 127]
    assert [p.end_ns for p in answers[2::2]] == [end + 6 * BYTE_NS for end in packet_ends]
    assert [p.end_ns for p in answers[3::2]] == [
        end + 300_000_000 + 6 * BYTE_NS for end in packet_ends
    ]


def test_messages_that_wait_are_worked_on_one_after_another() -> None:
    desk = Desk("[input]\nstore_header_ms = 500\nstore_packet_ms = 10\n")
    desk.say(header(), *packets(noise(80)))
    answers = [(p.end_ns, p.data) for p in desk.line.capture.passages if p.direction is FROM]
    done_ns = 21 * BYTE_NS + 500_000_000 + 6 * BYTE_NS
    assert answers == [
        (done_ns, reply("ACK")),
        (done_ns + 10_000_000, reply("ACK", 0)),
        (done_ns + 20_000_000, reply("ACK", 1)),
    ]


def test_a_unit_that_never_answers_works_on_what_waits_all_the_same() -> None:
    desk = Desk("[input]\nstore_header_ms = 500\n[habits]\nanswers = false\n")
    desk.say(header(0, 40), *packets(noise(40)), wait_ns=600_000_000)
    assert desk.words_in(1) == noise(40)
    assert desk.events[-1].now_ns == 21 * BYTE_NS + 500_000_000


@pytest.mark.parametrize("sensing", ["true", "false"])
def test_what_comes_while_it_is_at_work_is_answered_afterwards(sensing: str) -> None:
    desk = Desk(f"[input]\nstore_header_ms = 500\n[habits]\nactive_sensing = {sensing}\n")
    identity = oracle.identity_reply(
        maker=b"\x7d", family=1, member=1, revision=b"\x01\x00\x00\x00"
    )
    assert desk.say(header(), oracle.identity_request()) == [reply("ACK"), identity]
    ends = [p.end_ns for p in desk.line.capture.passages if p.direction is FROM and len(p.data) > 1]
    at_work_until = 21 * BYTE_NS + 500_000_000
    assert ends == [at_work_until + 6 * BYTE_NS, at_work_until + 21 * BYTE_NS]


def test_limits_of_the_host_decide_when_a_slow_unit_counts_as_silent() -> None:
    desk = Desk("[input]\nstore_packet_ms = 60\n")
    patient = desk.send(sample_of(noise(200)), limits=Limits(packet_ns=100_000_000))
    assert patient.end is SenderEnd.SENT
    assert EventKind.SILENCE not in [event.kind for event in desk.host_events]
    assert [p.direction for p in desk.line.capture.passages].count(TO) == 6


# what it makes of torn messages


def test_a_packet_cut_short_is_asked_for_again_as_soon_as_it_is_cut() -> None:
    # a channel message amid a packet ends it (M1 p. 29, table VII): what is left is too short
    desk = Desk(disturbances=[add_byte(direction=TO, message=1, byte=60, value=0x90)])
    sender = desk.send(sample_of(range(40)))
    assert sender.end is SenderEnd.SENT
    assert sender.resent == 1
    assert desk.words_in(1) == list(range(40))


def test_real_time_bytes_inside_a_packet_do_it_no_harm() -> None:
    # FRM-03 (M1 p. 30)
    clocks = [add_byte(direction=TO, message=1, byte=at, value=0xF8) for at in (0, 1, 5, 70, 130)]
    desk = Desk(disturbances=clocks)
    sender = desk.send(sample_of(range(40)))
    assert (sender.end, sender.resent) == (SenderEnd.SENT, 0)
    assert desk.words_in(1) == list(range(40))
