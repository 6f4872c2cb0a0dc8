"""What a unit keeps, by what it sends back: for each cause a proof and a near miss.

How words lie in packets is from M1 pp. 37-39; that a packet sent again is known by its number and
that filler is no part of a sample as well.  What units do to widths is common practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

import pytest
from msgspec.structs import replace

from dryload.harness.diagnose.cause import Strength
from dryload.harness.diagnose.diagnose import CaptureDiagnosis, diagnose
from dryload.harness.diagnose.table import TABLE
from dryload.harness.files.recorded import TakenAt
from tests import oracle
from tests.judge.talking import PERIOD, Step, Tape, flipped, say, usual, words

_OTHER = "unit stores other words"
_NOTHING = "unit stores nothing"
_TWICE = "unit stores a packet twice"
_FILLER = "unit keeps the filler"
_WIDTH = "unit changes the width"
_ELSEWHERE = "unit puts it elsewhere"
_MINE = {_OTHER, _NOTHING, _TWICE, _FILLER, _WIDTH, _ELSEWHERE}
_STEP = 40  # words of 16 bits in a packet, M1 p. 39
_LONG = 190  # words: five packets, the last one not full
_BOTTOM = -(1 << 15)


def sent(content: Sequence[int], bits: int = 16, steps: dict[int, Step] | None = None) -> Tape:
    """A dump of these words as sample 1, acknowledged throughout unless `steps` say otherwise."""
    tape = Tape()
    head = oracle.header(sample_number=1, bits=bits, period_ns=PERIOD, length=len(content))
    ways = steps or {}
    ways.get(-1, usual)(tape, -1, head)
    for place, packet in enumerate(oracle.packets(device_id=0, bits=bits, words=content)):
        ways.get(place, usual)(tape, place, packet)
    return tape


def asked(tape: Tape, number: int = 1) -> Tape:
    """Ask for a sample."""
    return tape.to(oracle.dump_request(sample_number=number), after_ms=500)


def back(
    tape: Tape,
    content: Sequence[int],
    bits: int = 16,
    *,
    number: int = 1,
    wanted: int | None = None,
    spoiled: int | None = None,
) -> Tape:
    """Ask for a sample and have it come; packet `spoiled` comes damaged, and once more, right."""
    asked(tape, number if wanted is None else wanted)
    head = oracle.header(sample_number=number, bits=bits, period_ns=PERIOD, length=len(content))
    tape.back(head).to(say("ACK"), after_ms=2)
    for place, packet in enumerate(oracle.packets(device_id=0, bits=bits, words=content)):
        if place == spoiled:
            tape.back(flipped(packet)).to(say("NAK", place), after_ms=2)
        tape.back(packet).to(say("ACK", place), after_ms=2)
    return tape


def told(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> CaptureDiagnosis:
    """The diagnosis of a tape."""
    return diagnose(replace(tape.recorded(), taken_at=taken_at))


def first(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> tuple[str, int | None]:
    """The cause named first, and its packet."""
    found = told(tape, taken_at).first
    assert found is not None, "nothing was named"
    return found.name, None if found.at is None else found.at.packet


def mine(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> set[str]:
    """Which of the causes of this file are named, remarks included."""
    found = told(tape, taken_at)
    return {each.name for each in (*found.causes, *found.remarks)} & _MINE


def strength(tape: Tape, cause: str, taken_at: TakenAt) -> Strength:
    """How much speaks for a cause."""
    return next(each.strength for each in told(tape, taken_at).causes if each.name == cause)


def changed(content: Sequence[int], *places: int) -> list[int]:
    """The same words but for some, which lose their lowest bit or gain it."""
    return [word ^ 1 if at in places else word for at, word in enumerate(content)]


def lost_reply(tape: Tape, place: int, packet: bytes) -> None:
    """Send it, hear nothing, send it again and have it acknowledged."""
    tape.to(packet)
    tape.to(packet, after_ms=500).back(say("ACK", place))


@pytest.mark.parametrize("taken_at", list(TakenAt))
@pytest.mark.parametrize("bits", [8, 12, 16, 20, 28])
def test_the_same_words_name_nothing(taken_at: TakenAt, bits: int) -> None:
    content = words(97, bits)
    found = told(back(sent(content, bits), content, bits), taken_at)
    assert not found.causes
    assert not found.remarks


# Memory at fault: what no cable does.

_MEMORY = "memory at fault"


def later(content: Sequence[int], distance: int) -> list[int]:
    """Of two words so far apart the later one is in the place of both."""
    end = len(content)
    return [content[at + distance] if at + distance < end else content[at] for at in range(end)]


@pytest.mark.parametrize("taken_at", list(TakenAt))
@pytest.mark.parametrize("bits", [8, 12, 16])
def test_a_line_a_chip_a_module_or_an_address_line_of_the_memory(
    taken_at: TakenAt, bits: int
) -> None:
    rng = Random(bits)
    content = [rng.randrange(-(1 << bits - 1), 1 << bits - 1) for _ in range(_LONG)]
    step = 60 if bits < 15 else _STEP
    for spoiled in (
        [word | 4 for word in content],
        [word & ~0x14 for word in content],
        [word ^ rng.choice((0, 8)) for word in content],
        [-1 if 10 < at < 170 else word for at, word in enumerate(content)],
        later(content, 64),
        later(content, 1),
    ):
        at = next(at for at, word in enumerate(content) if spoiled[at] != word)
        assert first(back(sent(content, bits), spoiled, bits), taken_at) == (_MEMORY, at // step)


@pytest.mark.parametrize("taken_at", list(TakenAt))
def test_what_else_may_have_done_is_not_laid_to_the_memory(taken_at: TakenAt) -> None:
    content = words(_LONG)
    few = changed(content, 3, 50, 51, 90, 130, 131, 170)  # seven
    pairs = changed(content, *(at for packet in range(4) for at in (40 * packet, 40 * packet + 9)))
    every = [word ^ 4 for word in content]
    anything = [word ^ (at * 7_919 & 0x3FF) for at, word in enumerate(content)]
    odd_distance = later(content, 24)
    for spoiled in (few, pairs, every, anything, odd_distance):
        tape = back(sent(content), spoiled)
        assert _MEMORY not in {each.name for each in told(tape, taken_at).causes}


def test_memory_at_fault_has_the_whole_of_it_proved() -> None:
    assert "dryload prove" in TABLE.named(_MEMORY).remedy[0]


# Other words.


@pytest.mark.parametrize("taken_at", [TakenAt.LINE, TakenAt.HOST])
@pytest.mark.parametrize("at", [0, 41, 85, 189])
def test_one_word_that_came_back_otherwise(at: int, taken_at: TakenAt) -> None:
    content = words(_LONG)
    tape = back(sent(content), changed(content, at))
    assert first(tape, taken_at) == (_OTHER, at // _STEP)


def test_what_arrived_is_surer_than_what_left() -> None:
    content = words(_LONG)
    tape = back(sent(content), changed(content, 85))
    at_line, at_host = told(tape).first, told(tape, TakenAt.HOST).first
    assert at_line is not None
    assert at_host is not None
    assert at_line.strength is Strength.SURE
    assert at_host.strength < Strength.SURE


def test_damage_on_the_way_back_accuses_no_unit() -> None:
    content = words(_LONG)
    assert not mine(back(sent(content), content, spoiled=2))


def test_damage_on_the_way_back_that_was_never_mended_accuses_no_unit() -> None:
    content = words(_LONG)
    tape = sent(content)
    asked(tape)
    head = oracle.header(sample_number=1, bits=16, period_ns=PERIOD, length=_LONG)
    tape.back(head).to(say("ACK"), after_ms=2)
    for place, packet in enumerate(oracle.packets(device_id=0, bits=16, words=content)):
        tape.back(flipped(packet) if place == 2 else packet).to(say("ACK", place), after_ms=2)
    assert not mine(tape)


def test_a_damaged_packet_that_was_sent_again_is_no_other_word() -> None:
    def mended(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(flipped(packet)).back(say("NAK", place))
        tape.to(packet, after_ms=2).back(say("ACK", place))

    content = words(_LONG)
    assert not mine(back(sent(content, steps={2: mended}), content))


def test_a_damaged_packet_that_the_unit_took_first_is_no_other_word() -> None:
    """The unit keeps the one that it said yes to, as a packet that comes again may be left."""

    def taken_twice(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(damaged).back(say("ACK", place))
        tape.to(packet, after_ms=2).back(say("ACK", place))

    content = words(_LONG)
    other = changed(content, 85)
    damaged = oracle.packets(device_id=0, bits=16, words=other)[2]
    right = oracle.packets(device_id=0, bits=16, words=content)[2]
    damaged = damaged[:125] + right[125:]  # its checksum is that of the right words
    assert damaged[125] != oracle.checksum(damaged)
    assert _OTHER not in mine(back(sent(content, steps={2: taken_twice}), other))


def test_two_bits_of_one_column_may_have_turned_on_the_way_back() -> None:
    """The same bit turned over twice leaves an exclusive-or as it was (M1 p. 39)."""
    content = words(_LONG)
    found = told(back(sent(content), changed(content, 81, 82))).causes
    assert found[0].name == "damage that no receiver can see"
    assert all(each.strength < Strength.STRONG for each in found if each.name == _OTHER)


def test_a_packet_that_was_left_out() -> None:
    content = words(200)
    assert first(back(sent(content), content[:80] + content[120:])) == (_OTHER, 2)


def test_a_sample_that_was_kept_in_part() -> None:
    content = words(_LONG)
    assert first(back(sent(content), content[:100])) == (_OTHER, 2)


def test_what_was_not_acknowledged_accuses_no_unit() -> None:
    def rejected(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("NAK", place))

    content = words(_LONG)
    tape = sent(content, steps={2: rejected})
    assert not mine(back(tape, changed(content, 85)))


def test_another_dump_of_the_same_number_in_between_accuses_no_unit() -> None:
    content = words(_LONG)
    tape = sent(content)
    later = sent([word ^ 2 for word in content])
    for passage in later.passages:
        tape.passages.append(passage._replace(end_ns=passage.end_ns + tape.now_ns + 10**9))
    tape.now_ns += later.now_ns + 10**9
    assert not mine(back(tape, [word ^ 2 for word in content]))


def unanswered(tape: Tape, place: int, packet: bytes) -> None:
    """Send it, and leave the 20 ms of an open loop (M1 p. 39) behind it."""
    tape.to(packet).now_ns += 21_000_000


def test_a_last_packet_without_an_answer_may_not_have_come() -> None:
    """Some units do not answer the last one (common practice), so only its arrival tells."""
    content = words(_LONG)
    tape = back(sent(content, steps={4: unanswered}), changed(content, 170))
    assert strength(tape, _OTHER, TakenAt.LINE) is Strength.SURE
    assert strength(tape, _OTHER, TakenAt.HOST) is Strength.FAIR


# Twice.


@pytest.mark.parametrize("place", [0, 1, 3])
@pytest.mark.parametrize("is_cut", [True, False])
def test_a_packet_that_was_stored_twice(place: int, is_cut: bool) -> None:
    content = words(_LONG)
    twice = content[: (place + 1) * _STEP] + content[place * _STEP :]
    tape = sent(content, steps={place: lost_reply})
    assert first(back(tape, twice[:_LONG] if is_cut else twice)) == (_TWICE, place)


@pytest.mark.parametrize("kept", [12, 24])
def test_a_packet_that_was_stored_twice_in_another_width(kept: int) -> None:
    content = words(_LONG)
    twice = (content[:120] + content[80:])[:_LONG]
    other = [word >> 4 if kept == 12 else word << 8 for word in twice]
    assert first(back(sent(content, steps={2: lost_reply}), other, kept)) == (_TWICE, 2)


def test_what_never_came_back_right_moves_no_packet_that_was_stored_twice() -> None:
    """Packet 0 came back damaged, and the unit has packet 2 twice."""
    content = words(240)
    tape = asked(sent(content, steps={2: lost_reply}))
    twice = content[:120] + content[80:200]
    head = oracle.header(sample_number=1, bits=16, period_ns=PERIOD, length=len(twice))
    tape.back(head).to(say("ACK"), after_ms=2)
    for place, packet in enumerate(oracle.packets(device_id=0, bits=16, words=twice)):
        tape.back(packet if place else flipped(packet)).to(say("ACK", place), after_ms=2)
    assert (_TWICE, 2) in {(each.name, each.at.packet) for each in told(tape).causes if each.at}


def test_a_packet_that_was_sent_twice_and_stored_once() -> None:
    content = words(_LONG)
    assert not mine(back(sent(content, steps={1: lost_reply}), content))


def test_of_packets_that_are_alike_the_one_that_was_sent_twice() -> None:
    content = words(40) * 3 + words(_LONG)[120:]
    twice = content[:40] + content
    assert first(back(sent(content, steps={1: lost_reply}), twice)) == (_TWICE, 1)


# Filler.


def test_filler_that_became_sound() -> None:
    content = words(_LONG)
    assert first(back(sent(content), [*content, *[_BOTTOM] * 10]))[0] == _FILLER


def test_words_too_many_that_are_no_filler() -> None:
    content = words(_LONG)
    assert _FILLER not in mine(back(sent(content), [*content, *range(10)]))


@pytest.mark.parametrize("count", [11, 50])
def test_more_than_the_last_packet_holds_is_no_filler(count: int) -> None:
    content = words(_LONG)
    assert _FILLER not in mine(back(sent(content), [*content, *[_BOTTOM] * count]))


def test_a_last_packet_that_is_full_has_no_filler() -> None:
    content = words(200)
    assert not mine(back(sent(content), content))


# Width.


@pytest.mark.parametrize(
    ("bits", "kept"), [(16, 12), (20, 16), (24, 16), (9, 8), (12, 16), (16, 24)]
)
@pytest.mark.parametrize("is_rounded", [True, False])
def test_a_width_that_was_changed(bits: int, kept: int, is_rounded: bool) -> None:
    content = words(100, bits)
    if kept >= bits:
        other = [word << (kept - bits) for word in content]
    elif is_rounded:
        top = (1 << (kept - 1)) - 1
        half = 1 << (bits - kept - 1)
        other = [min((word + half) // (1 << (bits - kept)), top) for word in content]
    else:
        other = [word // (1 << (bits - kept)) for word in content]
    found = told(back(sent(content, bits), other, kept))
    assert not found.causes
    assert [each.name for each in found.remarks] == [_WIDTH]


def test_low_bits_that_are_gone_under_the_same_width() -> None:
    content = words(_LONG)
    found = told(back(sent(content), [word & ~15 for word in content]))
    assert not found.causes
    assert [each.name for each in found.remarks] == [_WIDTH]


def test_one_word_wrong_under_another_width_is_no_change_of_width() -> None:
    content = words(_LONG)
    other = [word >> 4 for word in content]
    other[85] ^= 64
    tape = back(sent(content), other, 12)
    assert first(tape) == (_OTHER, 2)
    assert _WIDTH not in mine(tape)


# Nothing, and elsewhere.


def test_a_sample_that_is_not_there_though_another_is() -> None:
    tape = asked(sent(words(_LONG)))
    tape.now_ns += 3_000_000_000
    back(tape, words(40)[::-1], number=9)
    assert first(tape)[0] == _NOTHING


def test_a_refusal_where_a_sample_should_be() -> None:
    assert first(asked(sent(words(_LONG))).back(say("CANCEL")))[0] == _NOTHING


def test_a_refusal_where_the_last_packet_got_no_answer_says_little() -> None:
    tape = asked(sent(words(_LONG), steps={4: unanswered})).back(say("CANCEL"))
    assert strength(tape, _NOTHING, TakenAt.HOST) is Strength.WEAK


def test_a_question_that_the_host_takes_back_proves_nothing() -> None:
    assert not mine(asked(sent(words(_LONG))).to(say("CANCEL"), after_ms=5))


@pytest.mark.parametrize("word", [0, _BOTTOM])
def test_an_empty_sample(word: int) -> None:
    assert first(back(sent(words(_LONG)), [word] * _LONG))[0] == _NOTHING


def test_an_older_sample() -> None:
    older = [(7919 * at) % 30_011 - 15_000 for at in range(110)]
    assert first(back(sent(words(_LONG)), older))[0] == _NOTHING


def test_silence_that_was_sent_is_there() -> None:
    assert not mine(back(sent([0] * _LONG), [0] * _LONG))


def test_a_capture_that_ends_with_the_question_proves_nothing() -> None:
    assert not mine(asked(sent(words(_LONG))))


def test_a_sample_that_is_under_another_number() -> None:
    content = words(_LONG)
    tape = asked(sent(content))
    tape.now_ns += 3_000_000_000
    assert first(back(tape, content, number=2))[0] == _ELSEWHERE


def test_another_sample_under_another_number_is_not_this_one() -> None:
    content = words(_LONG)
    tape = asked(sent(content))
    tape.now_ns += 3_000_000_000
    assert _ELSEWHERE not in mine(back(tape, content[::-1], number=2))


def test_what_comes_back_under_another_number_may_have_one_word_that_differs() -> None:
    content = words(_LONG)
    tape = asked(sent(content))
    tape.now_ns += 3_000_000_000
    back(tape, changed(content, 3), number=2)
    assert strength(tape, _ELSEWHERE, TakenAt.LINE) is Strength.FAIR


def test_a_sample_under_another_number_though_the_sender_did_not_wait() -> None:
    content = words(_LONG)
    tape = asked(sent(content, steps={2: unanswered}))
    tape.now_ns += 3_000_000_000
    assert first(back(tape, content, number=2))[0] == _ELSEWHERE


def test_a_request_for_another_number_alone_proves_nothing() -> None:
    content = words(_LONG)
    assert not mine(back(sent(content), content, number=2))
