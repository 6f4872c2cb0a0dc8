"""The point of no return: told where a dump was lost, and not where it was healed.

The rehearsals know what they did to which packet; that is what the place is held against.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from msgspec.structs import replace

from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import DumpHeader
from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.diagnose.no_return import NoReturn
from dryload.harness.diagnose.scene import Source
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.jobs.dumps import source_of
from tests.diagnosis.rehearsing import dump_of, rehearsed
from tests.diagnosis.test_unit_stored import back, changed, sent
from tests.judge.talking import (
    PERIOD,
    Step,
    Tape,
    dump,
    end,
    every,
    flipped,
    header,
    packets,
    say,
    usual,
    words,
)


def lost_in(recorded: Recorded, sources: Sequence[Source] = ()) -> tuple[NoReturn, ...]:
    """Where the dumps of a capture were lost."""
    return diagnose(recorded, sources).no_return


def lost(tape: Tape, *sources: Source, taken_at: TakenAt = TakenAt.LINE) -> tuple[NoReturn, ...]:
    """Where the dumps of a tape were lost."""
    return lost_in(replace(tape.recorded(), taken_at=taken_at), sources)


def where(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> int | None:
    """The packet of the one dump that was lost."""
    (found,) = lost(tape, taken_at=taken_at)
    assert found.why.endswith(".")
    return found.at.packet


def mended(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(flipped(packet)).back(say("NAK", place))
    tape.to(packet, after_ms=2).back(say("ACK", place))


def passed_over(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(flipped(packet)).back(say("NAK", place))


def taken(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(flipped(packet)).back(say("ACK", place))


def left_out(tape: Tape, place: int, packet: bytes) -> None:
    """Nothing is sent."""


def rejected(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(packet).back(say("NAK", place))


def unheard(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(packet, after_ms=21)


@pytest.mark.parametrize("taken_at", list(TakenAt))
def test_a_good_dump_has_none(taken_at: TakenAt) -> None:
    assert not lost(dump(), taken_at=taken_at)
    assert not lost(dump(tail=False), taken_at=taken_at)


@pytest.mark.parametrize("step", [passed_over, taken, left_out])
@pytest.mark.parametrize("place", [0, 3, 6, 7])
def test_a_packet_missing_or_damaged(step: Step, place: int) -> None:
    assert where(dump(steps={place: step})) == place


@pytest.mark.parametrize("count", [1, 2, 5])
def test_a_dump_that_simply_ends(count: int) -> None:
    assert where(dump(steps=dict.fromkeys(range(count, 8), left_out))) == count


def test_of_several_the_first_counts() -> None:
    assert where(dump(steps={2: mended, 4: left_out, 6: taken})) == 4


@pytest.mark.parametrize("place", [0, 3, 7])
def test_what_was_sent_again_is_healed(place: int) -> None:
    assert not lost(dump(steps={place: mended}))


def test_an_answer_that_was_lost_is_no_loss() -> None:
    assert not lost(dump(steps={3: unheard}))


def test_a_no_that_was_passed_over() -> None:
    assert where(dump(steps={3: rejected})) == 3
    assert where(dump(steps={3: rejected}), TakenAt.HOST) == 3


@pytest.mark.parametrize("place", [3, 7])
@pytest.mark.parametrize("tail", [True, False])
def test_a_no_and_a_second_sending_without_an_answer_is_open(place: int, tail: bool) -> None:
    def sent_again(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("NAK", place)).to(packet, after_ms=2)
        tape.now_ns += 21_000_000

    assert not lost(dump(steps={place: sent_again}, tail=tail))
    assert where(dump(steps={place: sent_again, 5: left_out}, tail=tail)) == 5


def test_the_same_no_at_the_end_of_a_capture_is_open() -> None:
    assert not lost(dump(steps={7: rejected}, tail=False))


def cancelled(count: int) -> Tape:
    """The unit cancels the packet behind `count` good ones; with -1 the header."""
    tape = Tape().to(header(8))
    tape.back(say("CANCEL" if count < 0 else "ACK"))
    for place, packet in enumerate(packets(8)[: count + 1]):
        tape.to(packet).back(say("ACK" if place < count else "CANCEL", place))
    return end(tape)


def test_a_refusal_at_the_header() -> None:
    (found,) = lost(cancelled(-1))
    assert found.at.packet is None
    assert "header" in found.why.lower()


def test_a_cancel() -> None:
    assert where(cancelled(5)) == 5


@pytest.mark.parametrize("before", range(5))
def test_what_comes_before_it_can_still_be_healed(before: int) -> None:
    """Sent again, damage before that point changes nothing; passed over, it is that point."""
    assert where(dump(steps={5: left_out, before: mended})) == 5
    assert where(dump(steps={5: left_out, before: unheard})) == 5
    assert where(dump(steps={5: left_out, before: passed_over})) == before


@pytest.mark.parametrize("step", [mended, taken, left_out, unheard, usual])
@pytest.mark.parametrize("after", [6, 7])
def test_whatever_comes_after_it_heals_nothing(step: Step, after: int) -> None:
    assert where(dump(steps={5: left_out, after: step})) == 5


def test_a_wait_is_open() -> None:
    tape = Tape().to(header(8)).back(say("ACK"))
    tape.to(packets(8)[0]).back(say("WAIT", 0))
    assert not lost(tape)
    assert not lost(end(tape))


def test_a_silence_for_good() -> None:
    assert where(dump(steps={5: unheard, 6: unheard, 7: unheard})) == 5


def test_the_last_packet_alone_needs_no_answer() -> None:
    assert not lost(dump(steps={7: unheard}))


def test_an_open_loop_has_none() -> None:
    assert not lost(dump(steps={-1: unheard, **every(unheard)}))


def test_a_sample_that_came_back_whole_was_not_lost() -> None:
    content = words(190)
    tape = sent(content, steps={3: unheard, 4: unheard})
    assert where(tape.to(b"\xfe", after_ms=1)) == 3
    assert not lost(back(sent(content, steps={3: unheard, 4: unheard}), content))


def test_a_packet_that_was_stored_wrong() -> None:
    content = words(190)
    assert where(back(sent(content), changed(content, 85))) == 2


@pytest.mark.parametrize("place", [1, 3])
def test_a_packet_that_got_no_answer_and_was_not_kept(place: int) -> None:
    content = words(190)
    gap = [*content[: place * 40], *[0] * 40, *content[place * 40 + 40 :]]
    assert where(back(sent(content, steps={place: unheard}), gap), TakenAt.HOST) == place
    assert not lost(back(sent(content, steps={place: unheard}), content), taken_at=TakenAt.HOST)


def meant(**fields: int) -> Source:
    """A dump of eight packets that was to be sent."""
    head = decode(header(8, **fields))
    assert isinstance(head, DumpHeader)
    return Source(name="x", header=head, packets=tuple(packets(8)))


@pytest.mark.parametrize("fields", [{"period_ns": PERIOD + 64}, {"loop_type": 0}, {"bits": 14}])
def test_a_header_that_is_not_that_of_the_source(fields: dict[str, int]) -> None:
    assert not lost(dump())
    (found,) = lost(dump(), meant(**fields))
    assert found.at.packet is None
    assert "header" in found.why.lower()


@pytest.mark.parametrize(
    "fields", [{}, {"sample_number": 3}, {"period_ns": PERIOD + 1}, {"loop_end": 9}]
)
def test_a_header_that_makes_no_other_sample(fields: dict[str, int]) -> None:
    """A sample goes where one likes, a period is rounded, and a loop that is off has no points."""
    assert not lost(dump(), meant(**fields))


def test_a_wider_sample_is_as_good() -> None:
    content = words(190)
    assert not lost(back(sent(content), [word << 8 for word in content], 24))


# Rehearsals, in which it is known what was done to which packet.


def rehearsal(*texts: str, read_back: bool = False) -> tuple[NoReturn, ...]:
    """What is told of a rehearsal with these disturbances."""
    return lost_in(rehearsed(*texts, read_back=read_back))


@pytest.mark.parametrize("place", range(1, 6))
def test_rehearsed_damage_is_healed_by_sending_again(place: int) -> None:
    assert not rehearsal(f"flip a bit in packet {place}, once, seed 7")
    assert not rehearsal(f"lose packet {place}, once")


@pytest.mark.parametrize("place", range(5))
def test_rehearsed_damage_that_the_unit_takes_is_not(place: int) -> None:
    (found,) = rehearsal(
        "acknowledge bad packets", f"flip a bit in packet {place}, once, seed 7", read_back=True
    )
    assert found.at.packet == place


@pytest.mark.parametrize("place", range(1, 6))
def test_a_rehearsed_cancel(place: int) -> None:
    (found,) = rehearsal(f"answer CANCEL to packet {place}")
    assert found.at.packet == place


@pytest.mark.parametrize("place", range(5))
def test_a_rehearsed_unit_that_stores_other_words(place: int) -> None:
    (found,) = rehearsal(f"store wrong in packet {place}, seed 11, byte 20", read_back=True)
    assert found.at.packet == place


def test_the_source_shows_what_nobody_could_see() -> None:
    recorded = rehearsed("swap two bytes in packet 4, seed 3")
    assert not lost_in(recorded)
    source = source_of(dump_of())
    (found,) = lost_in(recorded, [source])
    assert found.at.packet == 4
