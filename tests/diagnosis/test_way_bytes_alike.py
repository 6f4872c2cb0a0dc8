"""Causes that spoil bytes by a rule, one length, one distance or one bit; and near misses."""

from __future__ import annotations

from dryload.harness.judge.damage import (
    sum_is_off_by,
)
from tests import oracle
from tests.diagnosis.spoiling import (
    at_line,
    first_of,
    named,
    open_loop,
    source,
    without,
)
from tests.judge.talking import (
    Tape,
    dump,
    end,
    header,
    packets,
    say,
)

_LOST = "bytes lost on the way"
_REWRITTEN = "device ID rewritten on the way"
_STUCK = "stuck data bit"


# By rule: every Nth, at a length, at the end.


def _every(distance: int, count: int) -> Tape:
    """An open loop through which each `distance`th byte is lost."""
    passed, missed = 0, 0

    def change(place: int, packet: bytes) -> bytes:
        nonlocal passed, missed
        kept = bytearray()
        for byte in packet:
            passed += 1
            if passed % distance:
                kept.append(byte)
            else:
                missed += 1
        return bytes(kept)

    return open_loop(change, count)


def test_bytes_lost_at_one_distance() -> None:
    assert first_of(at_line(_every(300, 24)), source(24))[0] == _LOST


def test_every_packet_ends_at_one_length() -> None:
    tape = open_loop(lambda place, packet: packet[:64])
    assert first_of(at_line(tape), source()) == (_LOST, 0)


def test_ends_that_do_not_arrive() -> None:
    tape = open_loop(lambda place, packet: packet[:-1])
    assert first_of(at_line(tape), source()) == (_LOST, 0)


def test_one_packet_again_and_again_tells_the_distance_too() -> None:
    """Of each sending another byte is missing: together they hold the whole packet."""
    tape = Tape().to(header(8)).back(say("ACK"))
    for at in (5, 38, 71, 104):  # 160 bytes from one to the next
        tape.to(without(at)(packets(1)[0]), after_ms=2).back(say("NAK"))
    assert first_of(at_line(end(tape))) == (_LOST, 0)


def test_a_fragment_of_a_message_is_bytes_that_were_lost() -> None:
    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet[:3])
        tape.to(packet, after_ms=25).back(say("ACK", place))

    assert _LOST in named(at_line(dump(steps={3: step})))


# In every packet the same: the checksum counts the device ID in (M1 p. 39).


def test_another_device_id_by_which_every_checksum_is_off() -> None:
    tape = open_loop(lambda place, packet: packet[:2] + b"\x05" + packet[3:])
    assert first_of(at_line(tape), source()) == (_REWRITTEN, 0)


def test_packets_made_for_another_device_id_are_right() -> None:
    made = packets(8, device_id=5)
    tape = open_loop(lambda place, packet: made[place])
    assert _REWRITTEN not in named(at_line(tape))


def _set(packet: bytes, bit: int = 4) -> bytes:
    """Hold one bit of all data bytes."""
    return packet[:5] + bytes(byte | bit for byte in packet[5:125]) + packet[125:]


def test_a_bit_that_is_set_in_all_data() -> None:
    tape = open_loop(lambda place, packet: _set(packet))
    assert first_of(at_line(tape), source())[0] == _STUCK


def test_a_bit_that_is_set_shows_in_one_packet_that_never_passes() -> None:
    made = [_set(packet, 1) for packet in packets(2)]
    tape = Tape().to(header(8)).back(say("ACK"))
    for packet in made:
        tape.to(packet, after_ms=2).back(say("NAK" if sum_is_off_by(packet) else "ACK"))
    is_off = any(sum_is_off_by(packet) for packet in made)
    assert (_STUCK in named(at_line(end(tape)))) == is_off


def test_a_sound_that_has_that_bit_set_of_itself() -> None:
    """Words of which no byte has the bit clear, with checksums that are right."""
    values = [((at % 32) * 128 + at % 64) | 516 for at in range(60 * 8)]
    made = oracle.packets(device_id=0, bits=14, words=values)
    tape = open_loop(lambda place, packet: made[place])
    assert _STUCK not in named(at_line(tape))
