"""The keeper of the samples: what is taken, refused or held, and what the slot holds afterwards.

Packets come from the plain codec in `tests.oracle`; numbers in the reasons are worked out by hand.
"""

from collections.abc import Sequence
from fractions import Fraction

import pytest

from dryload.emulator.dump.sample import Loop
from dryload.emulator.dump.storage import Accept, Decision, Hold, Ignore, Refuse
from dryload.emulator.unit.keeper import Receipt
from dryload.emulator.wire.messages import Header
from tests import oracle
from tests.unit.rack import NOW, SMALL, Rack, extended, header, packet, rack

CONFIRMING = SMALL + '[panel]\nconfirm = "each dump"\n'
RAMP = list(range(-20, 21))  # 41 words: two packets of 16 bit words


def reason(decision: Decision) -> str:
    assert isinstance(decision, Refuse)
    return decision.reason


def receipt(unit: Rack) -> Receipt:
    assert unit.keeper.receipt is not None
    return unit.keeper.receipt


# what is stored


@pytest.mark.parametrize("bits", [8, 12, 14, 15, 16])
def test_the_words_are_those_that_were_sent_and_the_filler_is_gone(bits: int) -> None:
    unit = rack()
    assert unit.send(RAMP, bits=bits, number=1) == Accept()
    assert unit.words_in(2) == RAMP
    sample = unit.slots[2].sample
    assert sample is not None
    assert (sample.bits, sample.channels) == (bits, 1)
    assert unit.memory.used == 41
    assert receipt(unit) == Receipt(
        sample_number=1, slot=2, whole=True, kept=True, words=41, announced=41, changes=()
    )
    assert unit.panel.line == "slot 2: 41 words received"


def test_rate_and_loop_are_those_of_the_header() -> None:
    unit = rack()
    unit.send(RAMP, period_ns=20_833, loop_start=3, loop_end=30, loop_type=1)
    sample = unit.slots[1].sample
    assert sample is not None
    assert sample.rate == Fraction(1_000_000_000, 20_833)
    assert sample.sustain == Loop(start=3, end=30, loop_type=1)


def test_a_stereo_sample_is_stored_in_frames_with_its_exact_rate() -> None:
    unit = rack(SMALL + "[words]\nchannels = [1, 2]")
    made = extended(frames=20, channels=2, rate_hz=44_100, rate_fraction=1 << 27)
    assert unit.send_as(made, RAMP[:40]) == Accept()
    sample = unit.slots[1].sample
    assert sample is not None
    assert (sample.frames, sample.channels) == (20, 2)
    assert (receipt(unit).words, receipt(unit).announced) == (40, 40)
    assert sample.rate == Fraction(88_201, 2)  # half a hertz is 2**27 (CA-019 p. 2)
    assert unit.memory.used == 40


def test_a_header_without_words_makes_an_empty_sample() -> None:
    unit = rack()
    assert unit.send([]) == Accept()
    assert unit.words_in(1) == []
    assert unit.memory.used == 0


def test_the_name_of_the_slot_stays() -> None:
    unit = rack()
    unit.slots[1].rename("gulls")
    unit.send(RAMP)
    assert unit.slots[1].sample is not None
    assert unit.slots[1].sample.name == "gulls"
    assert unit.panel.line == "slot 1 (gulls): 41 words received"


def test_other_slots_are_never_touched() -> None:
    unit = rack()
    unit.send(RAMP, number=0)
    before = unit.slots[1].sample
    unit.send(RAMP[:10], number=1)
    unit.send(RAMP[:5], number=1)
    unit.send(RAMP[:5], number=2, packets=0)
    unit.keeper.abandon(NOW)
    assert unit.slots[1].sample is before


# what is refused


@pytest.mark.parametrize(
    ("text", "made", "expected"),
    [
        ("", header(number=4), "sample number 4 does not address a slot: the 4 slots have 0 to 3"),
        (
            "first_number = 1",
            header(number=0),
            "sample number 0 does not address a slot: the 4 slots ",
        ),
        ("protected = [2]", header(number=1), "slot 2 is protected: send the sample to another"),
        (
            "[words]\naccepts = [8, 12, 16]",
            header(bits=14),
            "14 significant bits and the unit take",
        ),
        ("[words]\naccepts = [8, 12, 16]", header(bits=14), "takes 8, 12 or 16: convert it first"),
        ("", header(bits=24), "the unit takes 8 to 16: convert it first"),
        ("[words]\naccepts = [12, 13, 14]", header(bits=8), "the unit takes 12 to 14: convert it"),
        ("[words]\naccepts = [12]", header(bits=8), "the unit takes 12: convert it first"),
        ("[words]\naccepts = [12, 13]", header(bits=8), "the unit takes 12 or 13: convert"),
        ("", header(bits=40), "the header says 40 significant bits, and the standard has 8 to 28"),
        ('[words]\nothers = "cut"', header(bits=7), "the header says 7 significant bits"),
        ("", extended(frames=5, channels=2), "2 channels and the unit takes 1: send each channel"),
        ("", extended(frames=5, channels=0), "0 channels, and a sample has at least 1 (EXT-05)"),
        (
            "[words]\nchannels = [2]",
            extended(frames=5, channels=1),
            "the sample has 1 channel and the unit takes 2",
        ),
        ("", header(period_ns=0), "the header gives no sample rate"),
        ("", extended(frames=5, channels=1, rate_hz=0), "the header gives no sample rate"),
        (
            "",
            header(length=101),
            "the sample needs 101 words of memory and the unit has 100 in all: shorten it or fit "
            "another bank",
        ),
    ],
)
def test_a_header_is_refused_with_what_is_wrong_how_much_and_what_to_do(
    text: str, made: Header, expected: str
) -> None:
    unit = rack(SMALL + text)
    decision = unit.keeper.begin(made, NOW)
    assert expected in reason(decision)
    assert unit.panel.line == f"refused: {reason(decision)}"
    assert not unit.keeper.is_busy
    assert unit.memory.used == 0
    assert unit.keeper.receipt is None


def test_another_bank_is_only_proposed_where_there_is_a_place_for_it() -> None:
    unit = rack(SMALL.replace("places = 3", "places = 1"))
    assert reason(unit.keeper.begin(header(length=101), NOW)).endswith("in all: shorten it")


@pytest.mark.parametrize(
    "made",
    [
        header(period_ns=1),
        extended(frames=5, channels=1, rate_hz=1),
        extended(frames=5, channels=1, rate_hz=0, rate_fraction=1),
    ],
)
def test_the_oddest_rate_is_a_rate(made: Header) -> None:
    assert rack().keeper.begin(made, NOW) == Accept()


def test_too_little_memory_says_how_much_and_what_would_do() -> None:
    unit = rack()
    unit.send(RAMP, number=0)
    assert reason(unit.send(list(range(60)), number=1)) == (
        "the sample needs 60 words of memory and 59 are free: delete a sample, "
        "or shorten this one by 1 word"
    )


def test_words_that_a_replaced_sample_gives_back_are_counted_in() -> None:
    unit = rack()
    unit.send(RAMP[:10], number=0)
    unit.send(RAMP, number=1)
    assert reason(unit.send(list(range(95)), number=0)) == (
        "the sample needs 95 words of memory and 59 are free, those of slot 1 counted in: delete a "
        "sample, or shorten this one by 36 words"
    )
    assert unit.words_in(1) == RAMP[:10]


def test_fragmented_memory_says_so() -> None:
    unit = rack()
    for number in range(4):
        unit.send(list(range(20)), number=number)
    unit.panel.delete(1, NOW)
    unit.panel.delete(3, NOW)
    assert reason(unit.send(list(range(50)), number=0)) == (
        "the sample needs 50 words of memory in one piece: 60 words are free in all, but the "
        "largest hole is 20; delete a sample between two holes, or initialise the memory and send "
        "everything again"
    )


def test_a_huge_header_is_refused_like_any_other() -> None:
    unit = rack(SMALL + "[words]\nchannels = [127]")
    made = extended(frames=34_359_738_367, channels=127)
    assert "needs 4,363,686,772,609 words" in reason(unit.keeper.begin(made, NOW))


def test_reasons_come_in_the_order_in_which_a_person_can_cure_them() -> None:
    unit = rack(CONFIRMING.replace("count = 4", "count = 4\nprotected = [2]"))
    unit.send(RAMP, number=0)
    worst = header(number=1, bits=40, length=1_000)
    assert isinstance(unit.keeper.begin(worst, NOW), Hold)
    unit.panel.confirm(NOW)
    assert "protected" in reason(unit.keeper.begin(worst, NOW))
    assert "does not address a slot" in reason(unit.keeper.begin(header(number=9, bits=40), NOW))
    assert "bits" in reason(unit.keeper.begin(header(bits=40, length=1_000), NOW))
    assert "needs 1,000 words" in reason(unit.keeper.begin(header(length=1_000), NOW))
    unit.send(RAMP, number=0)
    unit.panel.fit_banks([1, 2], NOW)
    assert "not initialised" in reason(unit.keeper.begin(worst, NOW))


# confirming


@pytest.mark.parametrize(
    ("unconfirmed", "kind"), [("wait", Hold), ("ignore", Ignore), ("cancel", Refuse)]
)
def test_until_a_dump_is_confirmed_the_next_is_not_taken(
    unconfirmed: str, kind: type[Decision]
) -> None:
    unit = rack(CONFIRMING + f'unconfirmed = "{unconfirmed}"')
    assert unit.send(RAMP, number=0) == Accept()
    decision = unit.send(RAMP, number=1)
    assert isinstance(decision, kind)
    assert not isinstance(decision, Accept)
    assert decision.reason.startswith("slot 1 has a new sample: confirm it at the front panel")
    assert unit.words_in(2) is None
    unit.panel.confirm(NOW)
    assert unit.send(RAMP, number=1) == Accept()


def test_a_header_that_waits_is_decided_about_once_the_dump_is_confirmed() -> None:
    unit = rack(CONFIRMING)
    assert unit.keeper.reconsider(NOW) is None
    unit.send(RAMP, number=0)
    assert isinstance(unit.send(RAMP, number=1), Hold)
    assert unit.panel.line.startswith("waiting: slot 1")
    assert isinstance(unit.keeper.reconsider(NOW), Hold)
    unit.panel.confirm(NOW)
    assert unit.keeper.reconsider(NOW) == Accept()
    assert unit.keeper.is_busy
    assert unit.keeper.held is None


def test_a_header_that_waits_may_turn_out_not_to_fit() -> None:
    unit = rack(CONFIRMING)
    unit.send(RAMP, number=0)
    unit.send(list(range(200)), number=1)
    unit.panel.confirm(NOW)
    assert "200 words" in reason(unit.keeper.reconsider(NOW) or Accept())


def test_somebody_at_the_switch_forgets_the_header_that_waits() -> None:
    unit = rack(CONFIRMING)
    unit.send(RAMP, number=0)
    unit.send(RAMP, number=1)
    unit.panel.power_off(NOW)
    assert unit.keeper.held is None


# what changes


@pytest.mark.parametrize(
    ("how", "bits", "words", "kept", "change"),
    [
        ("cut", 16, [-9, -8, 7, 8, 32_767], [-1, -1, 0, 0, 2_047], "cut to 12 bit: the low 4 bits"),
        ("round", 16, [-9, -8, 7, 8, 32_767], [-1, 0, 0, 1, 2_047], "rounded to 12 bit: the low 4"),
        ("round", 13, [-1, 1, 3], [0, 1, 2], "the low bit is gone"),
        (
            "cut",
            8,
            [-128, -1, 127],
            [-2_048, -16, 2_032],
            "8 bit words are kept as 12 bit; nothing",
        ),
    ],
)
def test_other_widths_are_converted_and_that_is_noted(
    how: str, bits: int, words: list[int], kept: list[int], change: str
) -> None:
    unit = rack(SMALL + f'[words]\naccepts = [12]\nothers = "{how}"\nothers_to = 12')
    assert unit.send(words, bits=bits) == Accept()
    assert unit.words_in(1) == kept
    assert unit.slots[1].sample is not None
    assert unit.slots[1].sample.bits == 12
    (told,) = receipt(unit).changes
    assert change in told


def test_an_accepted_width_is_kept_even_where_others_are_converted() -> None:
    unit = rack(SMALL + '[words]\naccepts = [8, 12]\nothers = "cut"\nothers_to = 12')
    unit.send(RAMP, bits=8)
    assert unit.words_in(1) == RAMP
    assert receipt(unit).changes == ()


@pytest.mark.parametrize(
    ("loop", "kept", "changes"),
    [
        ((3, 30, 0), Loop(start=3, end=29, loop_type=0), 1),
        ((0, 0, 0), Loop(start=0, end=0, loop_type=0), 0),
        ((3, 30, 127), Loop(start=3, end=30, loop_type=127), 0),
    ],
)
def test_a_unit_that_does_not_play_the_loop_end_has_a_shorter_loop(
    loop: tuple[int, int, int], kept: Loop, changes: int
) -> None:
    unit = rack(SMALL + '[habits]\nloop_end = "exclusive"')
    start, end, loop_type = loop
    unit.send(RAMP, loop_start=start, loop_end=end, loop_type=loop_type)
    assert unit.slots[1].sample is not None
    assert unit.slots[1].sample.sustain == kept
    assert len(receipt(unit).changes) == changes


def test_a_unit_that_keeps_the_filler_plays_it() -> None:
    unit = rack(SMALL + '[habits]\nfiller = "keep"')
    unit.send(RAMP)
    # Filler is 00, and a word of 00 is full-scale negative (M1 p. 39).
    assert unit.words_in(1) == RAMP + [-32_768] * 39
    assert unit.memory.used == 80
    assert receipt(unit).changes == (
        "39 words of filler after the last word became part of the sample",
    )


def test_filler_that_makes_no_whole_frame_needs_no_room() -> None:
    unit = rack(
        SMALL.replace("bank_words = 100", "bank_words = 39")
        + '[habits]\nfiller = "keep"\n[words]\nchannels = [3]'
    )
    assert unit.send_as(extended(frames=1, channels=3), [1, 2, 3]) == Accept()
    assert unit.memory.used == 39


def test_filler_of_a_stereo_sample_is_kept_in_whole_frames() -> None:
    unit = rack(SMALL + '[habits]\nfiller = "keep"\n[words]\nchannels = [3]')
    unit.send_as(extended(frames=1, channels=3), [1, 2, 3])
    assert len(unit.words_in(1) or []) == 39


# the end, early or not


@pytest.mark.parametrize("partial", ["keep", "drop"])
def test_a_dump_that_ends_early_is_kept_or_dropped(partial: str) -> None:
    unit = rack(SMALL + f'[habits]\npartial = "{partial}"')
    unit.send(RAMP, packets=1)
    assert unit.keeper.has_room()
    unit.keeper.abandon(NOW)
    got = receipt(unit)
    assert not got.whole
    if partial == "keep":
        assert unit.words_in(1) == RAMP[:40]
        assert unit.memory.used == 40
        assert (got.kept, got.words, got.changes) == (True, 40, ("40 of 41 words came",))
        assert unit.panel.line == "slot 1: 40 words kept"
    else:
        assert unit.words_in(1) is None
        assert unit.memory.used == 0
        assert (got.kept, got.words) == (False, 0)
        assert got.changes == ("the dump ended early, after 40 words",)
        assert unit.panel.line == "slot 1: nothing kept, the dump ended early, after 40 words"


def test_of_a_dump_without_packets_nothing_is_kept() -> None:
    unit = rack(SMALL + '[habits]\npartial = "keep"')
    unit.send(RAMP, packets=0)
    unit.keeper.abandon(NOW)
    assert unit.words_in(1) is None
    assert not receipt(unit).kept


def test_half_a_frame_is_not_kept() -> None:
    unit = rack(SMALL + '[habits]\npartial = "keep"\n[words]\nchannels = [3]')
    unit.send_as(extended(frames=20, channels=3), list(range(60)), packets=1)
    unit.keeper.abandon(NOW)
    assert unit.words_in(1) == list(range(39))
    assert unit.memory.used == 39


@pytest.mark.parametrize(
    ("replace", "while_running", "after_abandon", "used"),
    [("at once", None, None, 0), ("when whole", RAMP[:7], RAMP[:7], 7)],
)
def test_the_old_sample_of_a_slot_goes_at_once_or_when_the_new_one_is_whole(
    replace: str,
    while_running: Sequence[int] | None,
    after_abandon: Sequence[int] | None,
    used: int,
) -> None:
    unit = rack(SMALL + f'replace = "{replace}"')
    unit.send(RAMP[:7])
    unit.send(RAMP, packets=1)
    assert unit.words_in(1) == while_running
    unit.keeper.abandon(NOW)
    assert unit.words_in(1) == after_abandon
    assert unit.memory.used == used
    unit.send(RAMP)
    assert unit.words_in(1) == RAMP
    assert unit.memory.used == 41


def test_a_unit_that_waits_for_the_new_sample_needs_room_for_both() -> None:
    unit = rack(SMALL + 'replace = "when whole"')
    unit.send(list(range(60)))
    assert isinstance(unit.send(list(range(60))), Refuse)
    assert rack().send(list(range(60))) == Accept()


def test_a_unit_that_looks_at_its_memory_late_is_full_at_the_right_packet() -> None:
    unit = rack(SMALL.replace("bank_words = 100", 'bank_words = 100\nroom = "as it fills"'))
    words = list(range(130))  # packets of 40: two fit into 100 words, the third does not
    assert unit.keeper.begin(header(length=130), NOW) == Accept()
    stored = 0
    for body in oracle.packets(bits=16, words=words):
        if not unit.keeper.has_room():
            break
        unit.keeper.append(packet(body), NOW)
        stored += 1
    assert stored == 2
    unit.keeper.abandon(NOW)
    assert receipt(unit).changes == ("the dump ended because the memory was full, after 80 words",)
    assert isinstance(unit.send(words), Accept)


def test_the_last_packet_needs_room_for_its_words_only() -> None:
    unit = rack()
    unit.send(list(range(100)), packets=2)
    assert unit.keeper.has_room()
    unit.keeper.abandon(NOW)
    assert unit.send(list(range(100))) == Accept()
    assert unit.words_in(1) == list(range(100))


def test_even_a_unit_that_looks_late_refuses_when_nothing_is_free() -> None:
    unit = rack(SMALL.replace("bank_words = 100", 'bank_words = 100\nroom = "as it fills"'))
    unit.send(list(range(100)), number=0)
    assert "0 are free" in reason(unit.send([1], number=1))


@pytest.mark.parametrize("strict", [False, True])
@pytest.mark.parametrize(
    ("at", "value", "told"), [(2, 1, "WRD-05"), (119, 5, "PKT-08"), (0, 0, None)]
)
def test_a_strict_unit_throws_away_what_is_not_clean(
    at: int, value: int, told: str | None, strict: bool
) -> None:
    """16 bit words leave 5 bits of 21 unused (WRD-05); a word and filler share the packet."""
    unit = rack(SMALL + ('[habits]\nstray_data = "discard"' if strict else ""))
    data = bytearray(oracle.words_to_bytes([-32_768] * 3, 16).ljust(120, b"\0"))
    data[at] |= value
    unit.keeper.begin(header(length=3), NOW)
    unit.keeper.append(packet(oracle.packet(number=0, data=bytes(data))), NOW)
    unit.keeper.finish(NOW)
    if strict and told:
        assert unit.words_in(1) is None
        assert unit.memory.used == 0
        assert told in receipt(unit).changes[0]
        assert receipt(unit).whole
    else:
        assert unit.words_in(1) == [-32_768] * 3
        assert receipt(unit).changes == ()


def test_words_of_the_second_channel_are_no_filler() -> None:
    unit = rack(SMALL + '[words]\nchannels = [2]\n[habits]\nstray_data = "discard"')
    assert unit.send_as(extended(frames=10, channels=2), RAMP[:20]) == Accept()
    assert unit.words_in(1) == RAMP[:20]
    unit.keeper.begin(extended(frames=10, channels=2), NOW)
    data = oracle.words_to_bytes([0] * 20, 16).ljust(119, b"\0") + b"\1"
    unit.keeper.append(packet(oracle.packet(number=0, data=data)), NOW)
    unit.keeper.finish(NOW)
    assert not receipt(unit).kept


def test_calls_that_belong_to_no_dump_change_nothing() -> None:
    unit = rack()
    unit.send(RAMP)
    before = (unit.slots[1].sample, unit.memory.stretches(), unit.keeper.receipt, unit.panel.line)
    unit.keeper.append(packet(oracle.packet(number=0, data=bytes(120))), NOW)
    unit.keeper.finish(NOW)
    unit.keeper.abandon(NOW)
    assert not unit.keeper.has_room()
    after = (unit.slots[1].sample, unit.memory.stretches(), unit.keeper.receipt, unit.panel.line)
    assert after == before


def test_a_header_on_top_of_a_running_dump_ends_that_one() -> None:
    unit = rack()
    unit.send(RAMP, number=0, packets=1)
    unit.send(RAMP[:5], number=1)
    assert unit.words_in(1) is None
    assert unit.words_in(2) == RAMP[:5]
    assert unit.memory.used == 5
