"""The rack unit at the end of a line: who is obeyed, what is answered, what a person interrupts."""

from __future__ import annotations

import pytest

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.sample import Loop
from dryload.emulator.dump.sender import SenderEnd
from tests import oracle
from tests.line.players import BYTE_NS, FROM, TO, exclusives
from tests.unit.desk import Desk, noise, sample_of, words_of

SECOND = 1_000_000_000
IDENTITY = oracle.identity_reply(maker=b"\x7d", family=1, member=1, revision=b"\x01\x00\x00\x00")


def header(number: int = 0, length: int = 80, device_id: int = 0) -> bytes:
    return oracle.header(
        device_id=device_id, sample_number=number, bits=16, period_ns=22676, length=length
    )


def reply(kind: str, number: int = 0, device_id: int = 0) -> bytes:
    return oracle.handshake(kind=kind, packet_number=number, device_id=device_id)


def packets(words: list[int], device_id: int = 0) -> list[bytes]:
    return oracle.packets(device_id=device_id, bits=16, words=words)


# whom it obeys


@pytest.mark.parametrize(
    ("called", "answered"), [(5, True), (127, True), (0, False), (4, False), (126, False)]
)
def test_it_obeys_its_own_id_and_the_all_call(called: int, answered: bool) -> None:
    # DEV-01, DEV-02 (M1 p. 35); replies carry its own ID
    desk = Desk("device_id = 5\n")
    said = desk.say(header(device_id=called))
    assert said == ([reply("ACK", device_id=5)] if answered else [])


def test_it_may_be_deaf_to_the_all_call() -> None:
    desk = Desk("device_id = 5\nall_call = false\n")
    assert desk.say(header(device_id=127), oracle.identity_request(device_id=127)) == []
    assert desk.say(header(device_id=5)) == [reply("ACK", device_id=5)]


def test_a_handshake_may_carry_the_id_it_was_called_by() -> None:
    desk = Desk('device_id = 5\n[habits]\nreply_id = "received"\nempty_request = "cancel"\n')
    assert desk.say(header(device_id=127)) == [reply("ACK", device_id=127)]
    assert desk.say(oracle.dump_request(device_id=127, sample_number=9)) == [
        reply("CANCEL", device_id=127)
    ]
    assert desk.say(oracle.dump_request(device_id=5, sample_number=9)) == [
        reply("CANCEL", device_id=5)
    ]


def test_its_id_can_be_set_at_the_panel() -> None:
    desk = Desk()
    desk.unit.panel.set_device_id(9, desk.now_ns)
    assert desk.say(header(device_id=0), oracle.identity_request(device_id=0)) == []
    assert desk.say(header(device_id=9)) == [reply("ACK", device_id=9)]
    sender = desk.send(sample_of(range(80)), device_id=9)
    assert sender.end is SenderEnd.SENT
    assert words_of(desk.read(device_id=9)) == list(range(80))


def test_messages_for_another_device_leave_a_running_dump_alone() -> None:
    words = noise(80)
    ours, others = packets(words), packets(noise(80, seed=2), device_id=3)
    desk = Desk()
    desk.say(header(), wait_ns=10_000_000)
    for index in (0, 1):
        foreign = (others[index], reply("CANCEL", device_id=3), header(device_id=3))
        assert desk.say(*foreign, wait_ns=10_000_000) == []
        assert desk.say(ours[index], wait_ns=10_000_000) == [reply("ACK", index)]
        assert desk.unit.packets_stored == index + 1
    assert desk.words_in(1) == words


def test_messages_of_other_families_leave_a_running_dump_alone() -> None:
    words = noise(80)
    desk = Desk()
    desk.say(header(), wait_ns=10_000_000)
    assert desk.say(b"\xf0\x7f\x00\x06\x01\xf7", b"\x90\x40\x7f", b"\xf0\x7d\x00\xf7") == []
    desk = Desk()
    desk.say(header(), wait_ns=10_000_000)
    for index, packet in enumerate(packets(words)):
        desk.say(b"\xf0\x7f\x00\x06\x01\xf7", b"\x90\x40\x7f", wait_ns=10_000_000)
        assert desk.say(packet, wait_ns=10_000_000) == [reply("ACK", index)]
    assert desk.words_in(1) == words


def test_the_receive_filter_lets_nothing_in() -> None:
    desk = Desk("[input]\nreceive_exclusive = false\n")
    assert desk.say(header(), oracle.identity_request()) == []
    desk.unit.panel.set_receive_filter(True, desk.now_ns)
    assert desk.say(oracle.identity_request()) == [IDENTITY]
    assert desk.send(sample_of(range(80))).end is SenderEnd.SENT
    desk.unit.panel.set_receive_filter(False, desk.now_ns)
    assert desk.say(oracle.dump_request(sample_number=0), oracle.identity_request()) == []
    assert desk.words_in(1) == list(range(80))


# power


def test_switched_off_it_neither_hears_nor_speaks() -> None:
    desk = Desk("[habits]\nactive_sensing = true\nclock_bpm = 120\necho = true\n")
    desk.unit.panel.power_off(desk.now_ns)
    assert desk.hear(header(), oracle.identity_request()) == b""
    assert desk.unit.next_deadline_ns() is None


def test_switched_on_again_it_does_not_make_up_for_lost_pulses() -> None:
    desk = Desk("[habits]\nactive_sensing = true\n")
    desk.unit.panel.power_off(desk.now_ns)
    desk.line.advance(100 * SECOND)
    desk.unit.panel.power_on(desk.now_ns)
    # one at once, and one every 270 ms at the most
    assert len(desk.hear(b"\xfe", wait_ns=SECOND)) <= 1 + SECOND // 270_000_000 + 1


def test_switched_off_it_takes_no_dump() -> None:
    desk = Desk()
    desk.unit.panel.power_off(desk.now_ns)
    desk.say(header(0, 40), *packets(noise(40)))
    desk.unit.panel.power_on(desk.now_ns)
    assert desk.hear(b"\xfe") == b""
    assert (desk.words_in(1), desk.events) == (None, [])


def test_a_pulse_that_was_due_at_a_power_cut_is_not_said() -> None:
    unit = Desk("[habits]\nactive_sensing = true\n").unit
    unit.handle_deadline(270_000_000)
    unit.panel.power_off(270_000_000)
    assert unit.bytes_to_send() == b""


@pytest.mark.parametrize("echo", ["true", "false"])
def test_what_it_still_had_to_say_at_a_power_cut_is_gone(echo: str) -> None:
    desk = Desk(f"[habits]\necho = {echo}\n")
    asked_ns = 6 * 3 * BYTE_NS

    def cut(now_ns: int) -> None:
        desk.unit.panel.power_off(now_ns)
        desk.unit.panel.power_on(now_ns)

    desk.line.at(asked_ns, cut)
    said = desk.hear(*[oracle.identity_request()] * 3)
    assert said == IDENTITY  # it was on the wire


def test_a_power_cut_ends_a_dump_and_with_a_battery_the_samples_survive() -> None:
    for battery, survivor in (("true", list(range(80))), ("false", None)):
        desk = Desk(f"[memory]\nbattery = {battery}\n")
        desk.send(sample_of(range(80)), 3)
        desk.say(header(), packets(noise(80))[0], wait_ns=10_000_000)
        desk.unit.panel.power_off(desk.now_ns)
        desk.unit.panel.power_on(desk.now_ns)
        assert not desk.unit.is_receiving
        assert desk.say(packets(noise(80))[1]) == []  # STA-01: no dump runs
        assert (desk.words_in(1), desk.words_in(4)) == (None, survivor)
        assert desk.send(sample_of(range(40))).end is SenderEnd.SENT


def test_a_message_half_received_at_a_power_cut_is_gone() -> None:
    desk = Desk()
    request = oracle.identity_request()
    desk.hear(request[:4], wait_ns=0)
    desk.unit.panel.power_off(desk.now_ns)
    desk.unit.panel.power_on(desk.now_ns)
    assert desk.say(request[4:]) == []
    assert desk.say(request) == [IDENTITY]


# requests


@pytest.mark.parametrize("bits", range(8, 29))
def test_what_is_asked_for_is_what_was_sent(bits: int) -> None:
    # REQ-02 (M1 p. 37), in every width of the standard (HDR-03)
    words = noise(95, bits)
    desk = Desk("[words]\naccepts = [" + ", ".join(map(str, range(8, 29))) + "]\n")
    sent = sample_of(words, bits=bits, sustain=Loop(start=3, end=90, loop_type=1))
    assert desk.send(sent, 7).end is SenderEnd.SENT
    requester = desk.read(7)
    assert words_of(requester) == words
    sent_header = desk.line.capture.bytes_of(TO)[:21]
    assert sent_header in exclusives(desk.line.capture.bytes_of(FROM))


@pytest.mark.parametrize(
    ("habit", "said"), [("ignore", []), ("cancel", [reply("CANCEL")])], ids=["ignore", "cancel"]
)
def test_a_request_for_nothing_gets_silence_or_cancel(habit: str, said: list[bytes]) -> None:
    # REQ-03: silence (M1 p. 37); CANCEL is File Dump's habit (M1 p. 45)
    desk = Desk(f'[habits]\nempty_request = "{habit}"\n[slots]\ncount = 4\nfirst_number = 1\n')
    for number in (0, 1, 4, 5, 16_383):
        assert desk.say(oracle.dump_request(sample_number=number)) == said


def test_a_unit_that_never_answers_does_not_cancel_either() -> None:
    desk = Desk('[habits]\nanswers = false\nempty_request = "cancel"\n')
    assert desk.say(oracle.dump_request(sample_number=0)) == []


@pytest.mark.parametrize("habit", ["ignore", "cancel", "answer"])
def test_a_request_for_a_protected_sample(habit: str) -> None:
    desk = Desk(f'[habits]\nprotected_request = "{habit}"\n')
    desk.send(sample_of(range(30)), 2)
    desk.unit.panel.protect(3, True, desk.now_ns)
    if habit == "answer":
        assert words_of(desk.read(2)) == list(range(30))
    else:
        said = desk.say(oracle.dump_request(sample_number=2))
        assert said == ([] if habit == "ignore" else [reply("CANCEL")])


def test_a_unit_that_knows_no_requests_is_silent() -> None:
    desk = Desk("[knows]\nrequests = false\n")
    desk.send(sample_of(range(30)))
    assert desk.say(oracle.dump_request(sample_number=0)) == []


def test_a_request_in_the_middle_of_a_dump_is_passed_over() -> None:
    # REQ-04: the standard does not say
    desk = Desk()
    desk.send(sample_of(range(30)), 2)
    desk.say(header(), wait_ns=10_000_000)
    assert desk.say(oracle.dump_request(sample_number=2), wait_ns=10_000_000) == []
    assert desk.say(packets(noise(80))[0], wait_ns=10_000_000) == [reply("ACK", 0)]


def test_it_sends_its_sample_by_the_rules_for_senders() -> None:
    # closed loop, NAK brings the packet again (HSK-07), CANCEL ends it (HSK-11)
    desk = Desk()
    desk.send(sample_of(range(100)), 1)
    first, second, third = packets(list(range(100)))
    assert desk.say(oracle.dump_request(sample_number=1), wait_ns=SECOND) == [header(1, 100)]
    assert desk.unit.is_sending
    assert desk.say(reply("ACK"), wait_ns=0) == [first]
    assert desk.say(reply("NAK", 0), wait_ns=0) == [first]
    assert desk.say(reply("ACK", 0), wait_ns=0) == [second]
    assert desk.say(reply("WAIT", 1), wait_ns=5 * SECOND) == []
    assert desk.say(reply("ACK", 1), wait_ns=0) == [third]
    assert desk.say(reply("CANCEL", 2), wait_ns=SECOND) == []
    assert not desk.unit.is_sending
    assert desk.say(oracle.identity_request()) == [IDENTITY]


def test_it_sends_to_a_silent_host_in_open_loop() -> None:
    desk = Desk()
    desk.send(sample_of(range(100)), 1)
    said = desk.say(oracle.dump_request(sample_number=1))
    assert said == [header(1, 100), *packets(list(range(100)))]
    assert not desk.unit.is_sending


def test_a_second_request_is_passed_over_while_it_sends() -> None:
    desk = Desk()
    desk.send(sample_of(range(100)), 1)
    request = oracle.dump_request(sample_number=1)
    assert desk.say(request, request) == [header(1, 100), *packets(list(range(100)))]


def test_its_limits_count_from_its_own_messages_whatever_else_it_says_meanwhile() -> None:
    # TIM-03, TIM-05: an Identity Reply in the gap does not move the next packet
    desk = Desk()
    desk.send(sample_of(range(100)), 1)
    desk.say(oracle.dump_request(sample_number=1), wait_ns=0)
    desk.say(reply("ACK"), wait_ns=5_000_000)
    desk.say(oracle.identity_request())
    passages = [p for p in desk.line.capture.passages if p.direction is FROM][-4:]
    assert [len(p.data) for p in passages] == [127, 15, 127, 127]
    first, _, second, third = (p.end_ns for p in passages)
    assert second - first == third - second == 20_000_000 + 127 * BYTE_NS


@pytest.mark.parametrize(("habit", "goes_on"), [("abort", False), ("ignore", True)])
def test_another_message_while_it_waits_to_go_on_usually_ends_its_dump(
    habit: str, goes_on: bool
) -> None:
    # HSK-22 (M1 p. 39): after WAIT any other message than a handshake usually aborts
    desk = Desk(f'[sending]\nmessage_during_wait = "{habit}"\n')
    desk.send(sample_of(range(100)), 1)
    desk.say(oracle.dump_request(sample_number=1), wait_ns=0)
    desk.say(reply("WAIT"), wait_ns=SECOND)
    assert desk.say(oracle.identity_request(), wait_ns=SECOND) == [IDENTITY]
    assert desk.unit.is_sending == goes_on
    said = desk.say(reply("ACK"), wait_ns=0)
    assert said == (packets(list(range(100)))[:1] if goes_on else [])


def test_loops_and_name_are_not_sent_unasked() -> None:
    desk = Desk()
    desk.send(sample_of(range(10)), 1)
    loop = oracle.loop_points(sample_number=1, loop_number=2, loop_type=0, loop_start=1, loop_end=3)
    desk.say(loop, oracle.sample_name(sample_number=1, name=b"bell"))
    assert len(desk.say(oracle.dump_request(sample_number=1))) == 2


# a person interrupts


@pytest.mark.parametrize("deed", ["initialise", "fit_banks", "power"])
def test_a_dump_that_a_person_interrupts_is_given_up_and_reported(deed: str) -> None:
    desk = Desk()
    desk.say(header(), wait_ns=10_000_000)
    desk.say(packets(noise(80))[0], wait_ns=10_000_000)
    panel = desk.unit.panel
    if deed == "initialise":
        panel.initialise(desk.now_ns)
    elif deed == "fit_banks":
        panel.fit_banks([1, 2, 3], desk.now_ns)
    else:
        panel.power_off(desk.now_ns)
        panel.power_on(desk.now_ns)
    assert not desk.unit.is_receiving
    assert desk.say(packets(noise(80))[1]) == []
    assert desk.kinds == [EventKind.OPENED, EventKind.ABANDONED]
    assert desk.events[-1].packet == 1
    assert desk.unit.memory.used == 0
    assert desk.words_in(1) is None


def test_a_dump_let_in_and_interrupted_at_once_is_reported_in_order() -> None:
    desk = Desk('[panel]\nconfirm = "each dump"\n')
    desk.send(sample_of(range(40)))
    assert desk.say(header(1)) == [reply("WAIT")]
    before = len(desk.events)
    desk.unit.confirm(desk.now_ns)
    desk.unit.panel.initialise(desk.now_ns)
    desk.say(b"\xfe")
    assert desk.kinds[before:] == [EventKind.OPENED, EventKind.ABANDONED]


def test_messages_of_others_do_not_keep_a_dump_alive_that_has_fallen_silent() -> None:
    # the unit's own limit: 2 s, and 2 s more before the first packet (the standard has none)
    desk = Desk()
    desk.say(header(), wait_ns=SECOND)
    for _ in range(5):
        desk.say(b"\xf0\x7d\x00\x01\xf7", header(device_id=9), b"\x90\x40\x7f", wait_ns=SECOND)
    assert desk.kinds == [EventKind.OPENED, EventKind.ABANDONED]


def test_a_sample_on_its_way_out_stops_when_the_memory_is_initialised() -> None:
    desk = Desk()
    desk.send(sample_of(range(100)), 1)
    desk.say(oracle.dump_request(sample_number=1), wait_ns=SECOND)
    desk.unit.panel.initialise(desk.now_ns)
    assert not desk.unit.is_sending
    assert desk.say(reply("ACK")) == []


def test_after_a_change_of_banks_dumps_are_refused_until_the_memory_is_initialised() -> None:
    desk = Desk()
    desk.send(sample_of(range(100)), 1)
    desk.unit.panel.fit_banks([1], desk.now_ns)
    assert desk.say(header()) == [reply("CANCEL")]
    assert desk.send(sample_of(range(100))).end is SenderEnd.CANCELLED
    assert desk.say(oracle.dump_request(sample_number=1)) == []
    assert desk.events[-1].kind is EventKind.REFUSED
    assert "not initialised" in desk.events[-1].detail
    desk.unit.panel.initialise(desk.now_ns)
    assert desk.send(sample_of(range(100))).end is SenderEnd.SENT
    assert words_of(desk.read()) == list(range(100))


def test_initialising_wipes() -> None:
    desk = Desk()
    desk.send(sample_of(range(100)), 1)
    desk.say(oracle.sample_name(sample_number=1, name=b"bell"))
    desk.unit.panel.initialise(desk.now_ns)
    assert desk.say(oracle.dump_request(sample_number=1)) == []
    assert desk.say(oracle.sample_name_request(sample_number=1)) == []
    assert desk.unit.memory.total_free == desk.unit.memory.capacity
