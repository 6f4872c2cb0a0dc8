"""Every shipped unit over a line: what suits it goes in and comes back, what doesn't is refused."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.outgoing import outgoing
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.profile import load_profile, profile_names
from tests import oracle
from tests.unit.desk import Desk, noise, sample_of, words_of

ALL = profile_names()


def number_in(profile: Profile, slot: int = 3) -> int:
    """The sample number of a slot that every shipped unit has and leaves unprotected."""
    assert slot not in profile.slots.protected
    return profile.slots.first_number + slot - 1


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("which", [0, -1], ids=["narrowest", "widest"])
def test_a_suitable_sample_goes_in_and_comes_back(name: str, which: int) -> None:
    profile = load_profile(name)
    bits = profile.words.accepts[which]
    number, device_id = number_in(profile), profile.unit.device_id
    step = oracle.words_per_packet(bits)
    words = noise(3 * step + 7, bits)
    desk = Desk(profile)
    sender = desk.send(sample_of(words, bits=bits), number, device_id=device_id)
    assert sender.end is SenderEnd.SENT
    assert sender.resent == 0
    receipt = desk.unit.keeper.receipt
    assert receipt is not None
    assert (receipt.slot, receipt.whole, receipt.kept) == (3, True, True)
    if profile.habits.filler == "keep":  # WRD-13: 00 is full scale negative
        words = words + [-(1 << (bits - 1))] * (step - 7)
    assert desk.words_in(3) == words
    if profile.panel.confirm != "never":
        assert desk.unit.confirm(desk.now_ns)
    if profile.knows.requests:
        assert words_of(desk.read(number, device_id=device_id)) == words
    else:
        assert desk.read(number, device_id=device_id).collected.header is None


@pytest.mark.parametrize("name", ALL)
def test_whether_it_answers_shows_in_what_the_sender_heard(name: str) -> None:
    profile = load_profile(name)
    bits = profile.words.accepts[0]
    desk = Desk(profile)
    words = noise(2 * oracle.words_per_packet(bits), bits)
    desk.send(sample_of(words, bits=bits), number_in(profile), device_id=profile.unit.device_id)
    kinds = [(event.kind, event.packet) for event in desk.host_events]
    answered = [packet for kind, packet in kinds if kind is EventKind.ANSWERED]
    silent = [packet for kind, packet in kinds if kind is EventKind.SILENCE]
    if not profile.habits.answers:
        assert (answered, silent) == ([], [None, 0, 1])
    elif not profile.habits.final_ack:
        assert (answered, silent) == ([None, 0], [1])
    elif profile.habits.packet_ack_number == "next":
        # it numbers its answers by the packet it wants next: only a WAIT makes them welcome
        assert answered == [None, 0, 1]
    else:
        assert (answered, silent) == ([None, 0, 1], [])


@pytest.mark.parametrize("name", ALL)
def test_a_width_it_does_not_take_is_refused_or_brought_to_one_it_does(name: str) -> None:
    profile = load_profile(name)
    strange = next(bits for bits in (28, 27, 13, 9) if bits not in profile.words.accepts)
    words = noise(50, strange)
    desk = Desk(profile)
    sender = desk.send(
        sample_of(words, bits=strange), number_in(profile), device_id=profile.unit.device_id
    )
    if profile.words.others == "refuse":
        assert desk.words_in(3) is None
        refusals = [event for event in desk.events if event.kind is EventKind.REFUSED]
        assert f"the sample has {strange} significant bits and the unit takes" in refusals[0].detail
        assert sender.end is (SenderEnd.CANCELLED if profile.habits.answers else SenderEnd.SENT)
        return
    assert sender.end is SenderEnd.SENT
    step = 1 << (strange - profile.words.others_to)
    top = (1 << (profile.words.others_to - 1)) - 1
    half = step // 2 if profile.words.others == "round" else 0
    assert desk.words_in(3) == [min((word + half) // step, top) for word in words]


@pytest.mark.parametrize("name", ALL)
def test_a_number_that_stands_for_no_slot_is_refused(name: str) -> None:
    profile = load_profile(name)
    desk = Desk(profile)
    past = profile.slots.first_number + profile.slots.count
    for number in {past, 16_383, profile.slots.first_number - 1} - {-1}:
        bits = profile.words.accepts[0]
        desk.send(sample_of(noise(5, bits), bits=bits), number, device_id=profile.unit.device_id)
        assert desk.events[-1].kind is EventKind.REFUSED
        assert f"sample number {number} does not address a slot" in desk.events[-1].detail
    assert desk.unit.slots.used() == ()


@pytest.mark.parametrize("name", ALL)
def test_a_protected_slot_is_refused(name: str) -> None:
    profile = load_profile(name)
    desk = Desk(profile)
    bits = profile.words.accepts[0]
    desk.unit.panel.protect(3, True, 0)
    desk.send(
        sample_of(noise(5, bits), bits=bits), number_in(profile), device_id=profile.unit.device_id
    )
    assert "slot 3 is protected" in desk.events[-1].detail
    assert desk.words_in(3) is None


@pytest.mark.parametrize("name", ALL)
def test_more_words_than_it_has_are_refused_or_noticed_when_it_is_full(name: str) -> None:
    profile = load_profile(name)
    room = profile.memory.bank_words * len(profile.memory.fitted)
    bits = profile.words.accepts[0]
    header = oracle.header(
        device_id=profile.unit.device_id,
        sample_number=number_in(profile),
        bits=bits,
        period_ns=22676,
        length=min(room + 1, 2_097_151),
    )
    desk = Desk(profile)
    desk.say(header)
    if room + 1 > 2_097_151:
        assert desk.events[0].kind is EventKind.OPENED  # the standard header cannot say so many
    elif profile.memory.room == "at header":
        assert desk.events[0].kind is EventKind.REFUSED
        assert f"and the unit has {room:,} in all" in desk.events[0].detail
    else:
        assert desk.events[0].kind is EventKind.OPENED


@pytest.mark.parametrize("name", ALL)
def test_a_unit_that_does_not_know_the_extended_header_gets_the_standard_one_after_it(
    name: str,
) -> None:
    # EXT-09: silence after an extended header is no open loop
    profile = load_profile(name)
    bits = profile.words.accepts[0]
    words = noise(20, bits)
    dump = outgoing(
        sample_of(words, bits=bits),
        number=number_in(profile),
        device_id=profile.unit.device_id,
        header="extended",
    )
    desk, sender = Desk(profile), Sender(dump)
    desk.line.connect(sender)
    sender.start(0)
    desk.line.run(lambda: sender.end is not None)
    desk.line.advance(1_000_000_000)
    fell_back = EventKind.FELL_BACK in [event.kind for event in desk.host_events]
    assert fell_back == (not profile.knows.extended or not profile.habits.answers)
    assert desk.words_in(3) is not None
    assert (desk.words_in(3) or [])[:20] == words


# what single profiles promise


def test_double_bill_takes_stereo() -> None:
    words = noise(90, 24)
    desk = Desk(load_profile("double-bill"))
    stereo = sample_of(words, bits=24, channels=2)
    assert desk.send(stereo, 5, device_id=16).end is SenderEnd.SENT
    requester = desk.read(5, device_id=16)
    assert words_of(requester) == words
    assert requester.collected.header is not None
    assert requester.collected.header.channels == 2


def test_leaky_roof_loses_a_packet_in_silence_and_keeps_what_came() -> None:
    words = noise(40 * 60)
    desk = Desk(load_profile("leaky-roof"))
    sender = desk.send(sample_of(words))
    assert sender.end is SenderEnd.SENT
    # byte 5,000 is in packet 39 (21 + 39 * 127 = 4,974), byte 10,000 comes too late
    kept = words[: 39 * 40] + words[40 * 40 :]
    assert desk.words_in(1) == kept
    receipt = desk.unit.keeper.receipt
    assert receipt is not None
    assert (receipt.whole, receipt.kept) == (False, True)
    assert "2,360 of 2,400 words came" in receipt.changes


def test_property_chest_throws_a_sample_with_stray_bits_away_and_acknowledges_it() -> None:
    clean = oracle.packet(number=0, data=oracle.words_to_bytes(noise(40), 16))
    spoilt = oracle.packet(number=0, data=clean[5:7] + bytes([clean[7] | 1]) + clean[8:125])
    header = oracle.header(sample_number=100, bits=16, period_ns=22676, length=40)
    ack = oracle.handshake(kind="ACK")
    for packet, kept in ((spoilt, False), (clean, True)):
        desk = Desk(load_profile("property-chest"))
        assert desk.say(header, wait_ns=10_000_000) == [ack]
        assert desk.say(packet) == [ack]
        assert (desk.words_in(1) is not None) == kept


def test_slow_pulley_keeps_what_came_until_it_was_full() -> None:
    profile = load_profile("slow-pulley")
    small = replace(profile, memory=replace(profile.memory, bank_words=4_096, fitted=(1,)))
    words = noise(5_000, 8)
    desk = Desk(small)
    sender = desk.send(sample_of(words, bits=8), 1, device_id=5)
    # HSK-12: 68 packets of 60 words fit, the next does not, and its CANCEL takes 35 ms
    assert sender.end is SenderEnd.CANCELLED
    assert sender.packet in (68, 69)
    assert desk.words_in(2) == words[: 68 * 60]
    assert words_of(desk.read(1, device_id=5)) == words[: 68 * 60]


def test_stage_door_keeps_the_next_dump_waiting_for_a_person() -> None:
    desk = Desk(load_profile("stage-door"))
    desk.send(sample_of(range(50)), 0)
    sender = desk.start(sample_of(range(60)), 1)
    assert not desk.line.run(lambda: sender.end is not None, until_ns=desk.now_ns + 10**11)
    assert EventKind.HELD in [event.kind for event in desk.host_events]
    desk.unit.confirm(desk.now_ns)
    assert desk.line.run(lambda: sender.end is not None)
    assert desk.words_in(2) == list(range(60))


def test_call_board_ends_what_it_sends_with_eof_and_cancels_what_it_cannot() -> None:
    desk = Desk(load_profile("call-board"))
    desk.send(sample_of(range(20)), 4, device_id=1)
    said = desk.say(oracle.dump_request(device_id=1, sample_number=4))
    assert said[-1] == oracle.handshake(device_id=1, kind="EOF")
    assert len(said) == 3
    refused = desk.say(oracle.dump_request(device_id=1, sample_number=30))
    assert refused == [oracle.handshake(device_id=1, kind="CANCEL")]
