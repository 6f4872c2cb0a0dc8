"""Loop points, names and identity over the line (M1 pp. 38, 40; CA-019 pp. 3-4)."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.profile import load_profile
from tests import oracle
from tests.unit.desk import Desk, sample_of, words_of

ALL = 16_383  # LOP-04, M1 p. 38


def loop(number: int, start: int, end: int, kind: int = 0, *, extended: bool = False) -> bytes:
    return oracle.loop_points(
        sample_number=2,
        extended=extended,
        loop_number=number,
        loop_type=kind,
        loop_start=start,
        loop_end=end,
    )


def ask(number: int = ALL, *, extended: bool = False, sample: int = 2) -> bytes:
    return oracle.loop_points_request(sample_number=sample, loop_number=number, extended=extended)


def desk_with(text: str = "", *, loops: Sequence[bytes] = ()) -> Desk:
    """A unit with a sample of 50 words under number 2 and with loops set."""
    desk = Desk(text)
    desk.send(sample_of(range(50)), 2)
    assert desk.say(*loops) == []  # LOP-07: no handshake
    return desk


# loop points


def test_loops_are_kept_and_told() -> None:
    desk = desk_with(loops=[loop(1, 10, 20), loop(16_382, 0, 49, 1)])
    assert desk.say(ask(1)) == [loop(1, 10, 20)]
    assert desk.say(ask(16_382)) == [loop(16_382, 0, 49, 1)]


def test_all_loops_come_one_by_one_in_order() -> None:
    # LOP-04, LOP-05
    desk = desk_with(loops=[loop(7, 3, 4), loop(1, 10, 20), loop(0, 5, 6, 1)])
    assert desk.say(ask()) == [loop(0, 5, 6, 1), loop(1, 10, 20), loop(7, 3, 4)]


def test_the_same_number_replaces() -> None:
    # LOP-03
    desk = desk_with(loops=[loop(1, 10, 20), loop(2, 1, 2), loop(1, 30, 40, 1)])
    assert desk.say(ask()) == [loop(1, 30, 40, 1), loop(2, 1, 2)]


def test_deleting_all_leaves_none_and_the_sample_unlooped() -> None:
    # LOP-04: whatever else the message says
    desk = desk_with(loops=[loop(0, 1, 2), loop(1, 10, 20), loop(ALL, 3, 4, 1)])
    assert desk.say(ask()) == []
    header = desk.read(2).collected.header
    assert header is not None
    assert header.loop_type == oracle.NO_LOOP


def test_loop_0_is_the_sustain_loop_of_the_header() -> None:
    # LOP-02, both ways
    desk = desk_with(loops=[loop(0, 8, 9, 1)])
    header = desk.read(2).collected.header
    assert header is not None
    assert (header.loop_start, header.loop_end, header.loop_type) == (8, 9, 1)
    desk.send(sample_of(range(50), sustain=Loop(start=3, end=30, loop_type=0)), 2)
    assert desk.say(ask(0), ask()) == [loop(0, 3, 30)] * 2


def test_a_loop_that_is_not_there_gets_silence() -> None:
    desk = desk_with(loops=[loop(1, 10, 20)])
    assert desk.say(ask(0), ask(2), ask(sample=3), ask(sample=16_000)) == []


def test_loops_of_a_protected_or_empty_slot_cannot_be_set() -> None:
    desk = desk_with(loops=[loop(1, 10, 20)])
    desk.unit.panel.protect(3, True, desk.now_ns)
    desk.say(loop(1, 1, 2), loop(ALL, 0, 0))
    assert desk.say(ask()) == [loop(1, 10, 20)]
    desk.unit.panel.protect(3, False, desk.now_ns)
    desk.unit.panel.delete(3, desk.now_ns)
    assert desk.say(loop(1, 1, 2), ask()) == []


def test_a_new_sample_has_none_of_the_old_ones_loops() -> None:
    desk = desk_with(loops=[loop(1, 10, 20)])
    desk.send(sample_of(range(30)), 2)
    assert desk.say(ask()) == []


def test_loops_that_only_the_extended_message_can_say_are_told_by_it_alone() -> None:
    # EXT-07; 21 bits end at 2,097,151 (HDR-13), type 02 is CA-019's
    far, turning = loop(1, 5, 2_097_152, extended=True), loop(2, 1, 4, 2, extended=True)
    desk = desk_with(loops=[far, turning, loop(3, 1, 2_097_151)])
    assert desk.say(ask()) == [loop(3, 1, 2_097_151)]
    assert desk.say(ask(extended=True)) == [
        far,
        turning,
        loop(3, 1, 2_097_151, extended=True),
    ]


@pytest.mark.parametrize("extended", [False, True])
def test_a_unit_that_knows_no_loops_takes_none_and_tells_none(extended: bool) -> None:
    desk = desk_with("[knows]\nloops = false\n", loops=[loop(1, 1, 2, extended=extended)])
    assert desk.say(ask(extended=extended)) == []


def test_a_unit_without_extensions_knows_loops_by_the_standard_messages_alone() -> None:
    desk = desk_with("[knows]\nextended = false\n", loops=[loop(1, 1, 2, extended=True)])
    assert desk.say(ask(), ask(extended=True)) == []
    desk.say(loop(1, 3, 4))
    assert desk.say(ask(), ask(extended=True)) == [loop(1, 3, 4)]


def test_a_sample_whose_loop_was_moved_far_out_can_still_be_asked_for() -> None:
    # the standard header has 21 bits for a loop point: the extended one has to tell it (HDR-14)
    desk = desk_with(loops=[loop(0, 1, 1 << 30, extended=True)])
    requester = desk.read(2)
    assert words_of(requester) == list(range(50))
    assert requester.collected.header is not None
    assert requester.collected.header.loop_end == 1 << 30


def test_a_sample_with_the_shortest_period_can_be_asked_for() -> None:
    # 1 ns is 1 GHz, which 28 bits of hertz do not hold: the standard header has to tell it
    desk = Desk()
    desk.send(sample_of(range(50), period_ns=2), 2)
    assert words_of(desk.read(2)) == list(range(50))


def test_a_sample_that_no_header_can_tell_of_does_not_bring_it_down() -> None:
    # 1 GHz and a loop point beyond 21 bits: no header has room for both
    desk = Desk()
    desk.say(oracle.header(sample_number=2, bits=16, period_ns=1, length=0))
    desk.say(loop(0, 1, 1 << 30, extended=True))
    (said,) = desk.say(oracle.dump_request(sample_number=2))
    assert said[3:7] == b"\x05\x05\x02\x00"
    assert oracle.from_n7(said[21:26]) == 1
    assert oracle.from_n7(said[26:31]) == 1 << 30


# names


def test_a_name_is_kept_cut_to_the_display_and_told() -> None:
    desk = desk_with("[slots]\nname_length = 8\n")
    assert desk.say(oracle.sample_name(sample_number=2, name=b"ship's bell")) == []
    assert desk.say(oracle.sample_name_request(sample_number=2)) == [
        oracle.sample_name(sample_number=2, name=b"ship's b")
    ]


def test_a_language_tag_is_understood_and_not_kept() -> None:
    # NAM-01: 10 + tag + name bytes
    desk = desk_with()
    desk.say(oracle.sample_name(sample_number=2, name=b"gull", tag=b"en"))
    assert desk.say(oracle.sample_name_request(sample_number=2)) == [
        oracle.sample_name(sample_number=2, name=b"gull")
    ]


def test_a_sample_without_a_name_has_an_empty_one_and_an_empty_slot_says_nothing() -> None:
    desk = desk_with()
    assert desk.say(oracle.sample_name_request(sample_number=2)) == [
        oracle.sample_name(sample_number=2, name=b"")
    ]
    assert desk.say(oracle.sample_name_request(sample_number=3)) == []
    assert desk.say(oracle.sample_name_request(sample_number=12_000)) == []


def test_a_protected_sample_keeps_its_name() -> None:
    desk = desk_with()
    desk.unit.panel.protect(3, True, desk.now_ns)
    desk.say(oracle.sample_name(sample_number=2, name=b"gull"))
    assert desk.unit.slots[3].name == ""


@pytest.mark.parametrize(
    ("order", "written", "slot"),
    [
        ("low first", b"\x02\x00", 3),
        ("high first", b"\x00\x02", 3),
        ("low first", b"\x00\x02", None),  # number 256
        ("high first", b"\x01\x01", 130),  # the same either way
        ("low first", b"\x01\x01", 130),
    ],
)
def test_either_order_of_the_number_in_a_name_message(
    order: str, written: bytes, slot: int | None
) -> None:
    # CA-019 p. 4 shows 00 01 for sample 1; everywhere else the low group comes first (M1 p. 37)
    desk = Desk(f'[habits]\nname_number_order = "{order}"\n[slots]\ncount = 200\n')
    desk.send(sample_of(range(50)), 2)
    desk.send(sample_of(range(50)), 129)
    naming = b"\xf0\x7e\x00\x05\x03" + written + b"\x00\x04gull\xf7"
    asking = b"\xf0\x7e\x00\x05\x04" + written + b"\xf7"
    desk.say(naming)
    named = [each.number for each in desk.unit.slots if each.name == "gull"]
    assert named == ([] if slot is None else [slot])
    # NAM-03: the answer has the number as it was written in the request
    assert desk.say(asking) == ([] if slot is None else [naming])


def test_a_unit_that_knows_no_names_takes_none_and_tells_none() -> None:
    desk = desk_with("[knows]\nnames = false\n")
    desk.say(oracle.sample_name(sample_number=2, name=b"gull"))
    assert desk.unit.slots[3].name == ""
    assert desk.say(oracle.sample_name_request(sample_number=2)) == []


# identity


@pytest.mark.parametrize("called", [4, 127])
def test_who_it_is(called: int) -> None:
    # IDN-01, IDN-02 (M1 p. 40)
    desk = Desk(
        "device_id = 4\n[identity]\nmaker = [0, 1, 2]\nfamily = 300\nmember = 129\n"
        "revision = [9, 8, 7, 6]\n"
    )
    assert desk.say(oracle.identity_request(device_id=called)) == [
        oracle.identity_reply(
            device_id=4, maker=b"\x00\x01\x02", family=300, member=129, revision=b"\x09\x08\x07\x06"
        )
    ]


def test_a_unit_that_does_not_know_the_question_is_silent() -> None:
    assert Desk("[knows]\nidentity = false\n").say(oracle.identity_request()) == []


def test_the_reply_of_another_unit_is_nothing_to_it() -> None:
    foreign = oracle.identity_reply(maker=b"\x7d", family=1, member=1, revision=bytes(4))
    assert Desk().say(foreign) == []


# in the middle of a dump


def test_questions_in_the_middle_of_a_dump_are_answered_and_harm_nothing() -> None:
    desk = desk_with(loops=[loop(1, 10, 20)])
    words = list(range(80))
    header = oracle.header(sample_number=5, bits=16, period_ns=22676, length=80)
    first, second = oracle.packets(bits=16, words=words)
    desk.say(header, wait_ns=10_000_000)
    desk.say(first, wait_ns=10_000_000)
    assert desk.say(ask(1), wait_ns=10_000_000) == [loop(1, 10, 20)]
    assert len(desk.say(oracle.sample_name_request(sample_number=2), wait_ns=10_000_000)) == 1
    assert desk.say(second) == [oracle.handshake(kind="ACK", packet_number=1)]
    assert desk.words_in(6) == words


@pytest.mark.parametrize("name", ["old-curtain", "thunder-sheet"])
def test_a_unit_of_1986_answers_none_of_these(name: str) -> None:
    desk = Desk(load_profile(name))
    assert (
        desk.say(
            ask(),
            ask(extended=True),
            oracle.sample_name_request(sample_number=0),
            oracle.identity_request(device_id=0),
            oracle.extended_header(sample_number=0, bits=16, rate_integer=44100, length=10),
        )
        == []
    )
