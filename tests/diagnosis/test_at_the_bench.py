"""The sender's conduct, silence, device IDs and requests: for each a proof and a near miss."""

from __future__ import annotations

from fractions import Fraction

import pytest
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import outgoing, whole_sequence
from dryload.emulator.dump.sample import NO_LOOP, Sample
from dryload.emulator.unit.profile import profile_names
from dryload.emulator.wire.sizes import words_per_packet
from dryload.harness.diagnose.cause import Strength, Where
from dryload.harness.diagnose.diagnose import Answer, diagnose
from dryload.harness.diagnose.table import TABLE
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.jobs.campaign_case import sound, unit_of
from dryload.harness.jobs.dumps import dumps_in
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from tests import oracle
from tests.diagnosis.test_answers import (
    answered,
    at_line,
    first,
    named,
    unanswered,
)
from tests.judge.talking import MS, SECOND, TO, Step, Tape, dump, end, every, header, packets, say

_FE = b"\xfe"
_NOTE = b"\x90\x3c\x40"


def identity(tape: Tape, device_id: int, *, after_ms: float = 3000) -> Tape:
    """Ask all devices who they are, and have one say so (M1 p. 40)."""
    tape.to(oracle.identity_request(), after_ms=after_ms)
    return tape.back(
        oracle.identity_reply(
            device_id=device_id, maker=b"\x7d", family=1, member=1, revision=bytes(4)
        )
    )


def request(sample_number: int, device_id: int = 0) -> bytes:
    """A dump request."""
    return oracle.dump_request(device_id=device_id, sample_number=sample_number)


def open_loop(count: int = 8) -> Tape:
    """A dump that nobody answers, sent as it should be: two seconds, then 20 ms each time."""
    tape = Tape().to(header(count))
    for place, packet in enumerate(packets(count)):
        tape.to(packet, after_ms=20.5 if place else 2000)
    return tape


# Silence.


def test_nothing_comes_back_to_a_header_or_a_question() -> None:
    tape = Tape().to(header(8)).to(oracle.identity_request(), after_ms=5000)
    tape.to(oracle.identity_request(), after_ms=5000)
    assert first(tape)[0] == "nothing comes back"


def test_a_unit_that_tells_who_it_is_does_not_say_nothing() -> None:
    tape = identity(Tape().to(header(8)), 0)
    assert not named(tape) & {"nothing comes back"}


def test_nothing_comes_back_in_a_whole_dump() -> None:
    told = diagnose(at_line(open_loop())).first
    assert told is not None
    assert told.name == "nothing comes back"
    assert told.strength is Strength.FAIR, "a unit that never answers looks the same"


def test_a_dump_without_its_header_is_passed_over_and_nothing_need_come_back() -> None:
    tape = Tape()
    for packet in packets(8):
        tape.to(packet, after_ms=20.5)
    assert "nothing comes back" not in named(tape)


def test_a_unit_that_answers_no_packets() -> None:
    steps = every(unanswered)
    assert first(dump(steps=steps)) == ("unit hears and does not answer packets", 0)


def test_a_unit_that_leaves_only_the_last_packet_unanswered() -> None:
    for count in (1, 8):
        tape = dump(count, steps={count - 1: unanswered})
        assert "unit hears and does not answer packets" not in named(tape)


def test_another_device_id() -> None:
    assert first(identity(open_loop(), 5))[0] == "other device ID"


def test_the_same_device_id() -> None:
    assert "other device ID" not in named(identity(open_loop(), 0))


# The sender.


def hasty(tape: Tape, place: int, packet: bytes) -> None:
    """Send it at once and let the answer come while the next one is under way."""
    tape.to(packet)
    tape.beside(Tape().back(b"").passages[0].direction, say("ACK", place), tape.now_ns + 5 * MS)


def test_a_sender_that_does_not_wait() -> None:
    assert first(dump(steps=every(hasty))) == ("sender does not wait", 1)


def test_one_packet_that_came_early_is_no_custom() -> None:
    assert "sender does not wait" not in named(dump(steps={3: hasty}))


def test_an_open_loop_waits() -> None:
    assert "sender does not wait" not in named(open_loop())


def test_messages_that_were_moved_about_on_an_open_loop() -> None:
    """Pauses that scatter come from the way and not from a timer (common practice)."""
    tape = Tape().to(header(8))
    for place, packet in enumerate(packets(8)):
        tape.to(packet, after_ms=(17, 3, 25, 9, 14, 5, 11)[place - 1] if place else 2000)
    assert "sender does not wait" not in named(tape)


def going_on(kind: str) -> Step:
    """Have it answered so, and let the sender go on after a second."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say(kind, place)).now_ns += 30 * MS

    return step


@pytest.mark.parametrize("kind", ["WAIT", "NAK", "CANCEL"])
def test_a_sender_that_goes_on_all_the_same(kind: str) -> None:
    assert first(dump(steps={3: going_on(kind)})) == ("sender passes over an answer", 4)


@pytest.mark.parametrize("kind", ["WAIT", "NAK", "CANCEL"])
def test_a_sender_that_does_as_it_is_told(kind: str) -> None:
    def obedient(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say(kind, place))
        if kind == "NAK":
            tape.to(packet, after_ms=2)
        if kind != "CANCEL":
            tape.back(say("ACK", place), after_ms=10)

    count = 4 if kind == "CANCEL" else 8
    tape = Tape().to(header(8)).back(say("ACK"))
    for place, packet in enumerate(packets(8)[:count]):
        (obedient if place == 3 else answered(say("ACK", place)))(tape, place, packet)
    assert f"sender passes over {kind}" not in named(end(tape))


def test_a_sender_that_insists_on_a_number() -> None:
    tape = Tape().to(header(8)).back(say("ACK", 127)).to(say("CANCEL"), after_ms=50)
    assert first(end(tape))[0] == "sender insists on a number"


def test_a_header_with_a_number_of_its_own_that_nobody_minds() -> None:
    told = named(dump(steps={-1: answered(say("ACK", 127))}))
    assert "sender insists on a number" not in told


def test_a_sender_that_gives_up() -> None:
    tape = dump(8, tail=False)
    tape = Tape().to(header(8)).back(say("ACK"))
    for place, packet in enumerate(packets(8)[:3]):
        answered(say("ACK", place))(tape, place, packet)
    tape.to(say("CANCEL", 3), after_ms=20)
    assert first(end(tape)) == ("sender gave up", 3)  # the first one that did not come


def test_a_capture_that_ends_says_too_little_to_accuse_the_sender() -> None:
    tape = Tape().to(header(8)).back(say("ACK"))
    for place, packet in enumerate(packets(8)[:3]):
        answered(say("ACK", place))(tape, place, packet)
    found = diagnose(tape.recorded())
    assert found.answer is Answer.NOT_ENOUGH
    assert found.confidence is None
    assert all(each.strength is Strength.WEAK for each in found.causes)


def test_a_sender_that_waits_at_the_end() -> None:
    tape = dump(steps={7: unanswered}, tail=False)
    for _ in range(2):
        tape.to(packets(8)[7], after_ms=500)
    assert first(end(tape)) == ("sender waits at the end", 7)
    assert "sender waits at the end" not in named(dump(steps={7: unanswered}))


def test_a_late_answer_taken_for_the_next() -> None:
    def behind(tape: Tape, place: int, packet: bytes) -> None:
        """The answer to the packet before comes right behind this one, which has none yet."""
        tape.to(packet, after_ms=25 if place == 3 else 2)
        if place > 3:
            tape.back(say("ACK", place - 1))

    steps: dict[int, Step] = dict.fromkeys(range(3, 8), behind)
    assert "sender does not wait" in named(dump(steps=steps))
    assert "sender does not wait" not in named(
        dump(steps={3: answered(say("ACK", 3), after_ms=60)})
    )


def test_a_slow_sender_is_a_remark() -> None:
    def leisurely(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet, after_ms=200).back(say("ACK", place))

    told = diagnose(at_line(dump(steps=every(leisurely))))
    assert not told.causes
    assert "slow sender" in [each.name for each in told.remarks]


# Requests.


def test_a_request_without_an_answer() -> None:
    tape = identity(Tape().to(request(9)), 0)
    assert first(tape)[0] == "request unanswered"


def test_a_sample_that_was_taken_and_is_not_sent_back() -> None:
    tape = dump(tail=False).to(request(1), after_ms=100)
    assert first(identity(tape, 0))[0] in ("request unanswered", "unit stores nothing")
    cancelled = Tape().to(header(8)).back(say("CANCEL")).to(request(1), after_ms=100)
    found = diagnose(at_line(identity(cancelled, 0)))
    assert all(each.follows for each in found.causes if each.name == "request unanswered")


def test_another_sample_than_was_asked_for() -> None:
    def asking(number: int) -> Tape:
        tape = Tape().to(request(number)).back(header(8, sample_number=2)).to(say("ACK"), 2)
        for place, packet in enumerate(packets(8)):
            tape.back(packet).to(say("ACK", place), after_ms=2)
        return tape

    assert first(asking(3))[0] == "request answered with another sample"
    assert first(asking(256))[0] == "request answered with another sample"
    assert not diagnose(at_line(asking(2))).causes


# What disturbs.


def waiting(*between: bytes) -> Tape:
    """Be asked to wait at packet 3, and hear something else meanwhile."""
    tape = Tape().to(header(8)).back(say("ACK"))
    for place, packet in enumerate(packets(8)[:4]):
        answered(say("WAIT" if place == 3 else "ACK", place))(tape, place, packet)
    for each in between:
        tape.back(each, after_ms=300)
    return tape


def test_a_key_that_is_touched_during_a_wait() -> None:
    tape = waiting(_NOTE).to(say("CANCEL", 3), after_ms=2)
    assert first(end(tape)) == ("disturbed while waiting", 3)


def test_a_wait_that_nothing_disturbs() -> None:
    tape = waiting().to(say("CANCEL", 3), after_ms=9000)
    assert "disturbed while waiting" not in named(end(tape))


def sensed(*, goes_on: bool) -> Tape:
    """A sender with active sensing (M1 p. 32), an unanswered header, and a dump that is lost."""
    tape = Tape()
    for _ in range(5):
        tape.to(_FE, after_ms=250)
    tape.to(header(8)).back(say("ACK"))
    begin_ns = tape.now_ns
    tape.now_ns += 2 * SECOND
    for each in range(7) if goes_on else ():
        tape.beside(TO, _FE, begin_ns + (each + 1) * 250 * MS)
    for packet in packets(8):
        tape.to(packet, after_ms=20.5)
    return end(tape)


def test_sensing_that_ceased() -> None:
    assert "sensing fell silent" in named(sensed(goes_on=False))
    assert "sensing fell silent" not in named(sensed(goes_on=True))


def test_live_times_scatter_and_name_nothing() -> None:
    """The clock of a port is good to some milliseconds (common practice)."""
    recorded = replace(dump().recorded(), start_ns=SECOND)
    assert not diagnose(recorded).causes


_NOT_THE_UNIT = (Where.WAY_THERE, Where.WAY_BACK, Where.SENDER, Where.BENCH)
_WHAT_IT_DOES = {"thunder-sheet": "nothing comes back", "rattling-cart": "messages come back"}
"""What two units do by design, and what is therefore to be seen."""


@pytest.mark.parametrize("profile", profile_names())
@pytest.mark.parametrize("packets_sent", [1, 2, 6])
def test_no_unit_that_is_shipped_is_suspected(profile: str, packets_sent: int) -> None:
    """The control: whatever a unit may do by the standard, none of these causes is named."""
    unit = unit_of(profile)
    bits = 12 if profile == "prompt-box" else 16
    words = sound("noise", packets_sent * words_per_packet(bits) - 7, bits, 3)
    sample = Sample(words=words, bits=bits, rate=Fraction(44_100), channels=1, sustain=NO_LOOP)
    sent = outgoing(sample, number=unit.slots.first_number + 1, device_id=unit.unit.device_id)
    data = b"".join(whole_sequence(sent))
    played = Rehearsal(unit, settings=Settings())
    if not played.unit.memory.initialised:
        played.unit.panel.initialise(0)
    played.play(next(dumps_in(DumpFile(name="x", form=Form.RAW, data=data))))
    played.finish()
    mine = {each.name for each in TABLE.causes if each.where in _NOT_THE_UNIT}
    mine -= {_WHAT_IT_DOES.get(profile, "")}
    for taken_at in TakenAt:
        recorded = Recorded(capture=played.line.capture, taken_at=taken_at)
        assert not {each.name for each in diagnose(recorded).causes} & mine
