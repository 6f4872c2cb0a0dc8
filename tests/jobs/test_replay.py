"""Replay: every outcome with every kind of unit, and whether it can be trusted."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec import Struct

from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.harness.jobs.outcome import Outcome
from dryload.harness.jobs.timing import Wait
from dryload.harness.judge.finding import Answerable, Verdict
from tests import oracle
from tests.jobs.bench import (
    FROM,
    SECOND,
    SMALL,
    TO,
    clauses,
    dump,
    in_slot,
    of,
    rehearsal,
    said,
    unit,
    words,
)

LOADED, CHANGED, REFUSED, INCOMPLETE, UNCONFIRMED, NOT_KEPT = Outcome


# Every shipped profile


class Shipped(Struct, frozen=True, kw_only=True):
    """What becomes of 120 or 121 words on a shipped unit; `number` is one it knows."""

    outcome: Outcome = LOADED
    verified: bool | None = True
    number: int = 3
    slot: int = 4
    bits: int = 16
    count: int = 121
    visits: int = 0


SHIPPED = {
    "call-board": Shipped(),
    "double-bill": Shipped(bits=24),
    "lantern-desk": Shipped(),
    "leaky-roof": Shipped(count=120),  # keeps filler: none is needed for 120 words
    "narrow-wings": Shipped(),
    "old-curtain": Shipped(),
    "prompt-box": Shipped(bits=12, slot=3),
    "property-chest": Shipped(number=103),
    "rattling-cart": Shipped(),
    "slow-pulley": Shipped(),
    "stage-door": Shipped(visits=1),
    "thunder-sheet": Shipped(outcome=UNCONFIRMED, verified=None),
}


def test_every_shipped_profile_has_its_row() -> None:
    assert set(SHIPPED) == set(profile_names())


@pytest.mark.parametrize("name", SHIPPED)
def test_a_suitable_dump_on_every_shipped_unit(name: str) -> None:
    row, profile = SHIPPED[name], load_profile(name)
    content = words(row.count, row.bits)
    rehearsed = rehearsal(profile)
    transfer = rehearsed.play(
        dump(content, number=row.number, bits=row.bits, device_id=profile.unit.device_id)
    )
    rehearsed.finish()
    assert (transfer.outcome, transfer.verified, transfer.slot) == (
        row.outcome,
        row.verified,
        row.slot,
    )
    assert in_slot(rehearsed, row.slot) == content
    assert transfer.is_well
    planned = oracle.packet_count(row.count, row.bits)
    # what a unit does not answer goes out once more where it is the last packet (HSK-13)
    again = 0 if profile.habits.final_ack or not profile.habits.answers else 1
    assert (transfer.sent, transfer.resent) == (planned, again)
    assert transfer.comparison is not None
    assert (transfer.comparison.compared, transfer.comparison.different) == (row.count, 0)
    assert rehearsed.visits == row.visits
    assert transfer.memory
    assert not transfer.stopped


@pytest.mark.parametrize("name", [name for name in SHIPPED if name != "thunder-sheet"])
def test_reading_back_asks_for_the_sample_and_nothing_else(name: str) -> None:
    row, profile = SHIPPED[name], load_profile(name)
    sent = dump(
        words(row.count, row.bits),
        number=row.number,
        bits=row.bits,
        device_id=profile.unit.device_id,
    )
    rehearsed = rehearsal(profile)
    rehearsed.play(sent)
    own = profile.unit.device_id
    request = oracle.dump_request(device_id=own, sample_number=row.number)
    messages = said(rehearsed, TO)
    after = messages[messages.index(request) + 1 :]
    assert messages.count(request) == 1
    assert {message[3] for message in after} == {0x7F}  # nothing but ACKs (M1 p. 36)


# Loaded with changes


def rounded(word: int, drop: int, bits: int) -> int:
    """To the nearest, halves upwards, never beyond full scale."""
    return min((word + (1 << (drop - 1))) // (1 << drop), (1 << (bits - 1)) - 1)


def test_a_unit_that_rounds_holds_the_nearest_words_and_says_so() -> None:
    content = [*words(119), 32_767, -32_768]
    rehearsed = rehearsal(unit("prompt-box"))
    transfer = rehearsed.play(dump(content))
    assert (transfer.outcome, transfer.verified, transfer.slot) == (CHANGED, False, 1)
    assert in_slot(rehearsed, 1) == [rounded(word, 4, 12) for word in content]
    assert "12 bits" in transfer.reason
    assert "rounded" in transfer.reason
    assert not transfer.is_well
    assert [finding.verdict for finding in transfer.findings] == [Verdict.NOTED]
    compared = transfer.comparison
    assert compared is not None
    changed = [rounded(word, 4, 12) * 16 != word for word in content]
    assert (compared.compared, compared.different) == (121, sum(changed))


def test_a_unit_that_cuts_holds_the_upper_bits() -> None:
    content = words(81, 21)
    rehearsed = rehearsal(unit("double-bill"))
    transfer = rehearsed.play(dump(content, bits=21, device_id=16))
    assert (transfer.outcome, transfer.verified) == (CHANGED, False)
    assert in_slot(rehearsed, 2) == [word // 32 for word in content]
    assert "16 bits" in transfer.reason


def test_filler_that_is_kept_is_a_change_and_nothing_is_missing() -> None:
    rehearsed = rehearsal(unit("leaky-roof"))
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified) == (CHANGED, False)
    assert "39 words" in transfer.reason  # 4 packets hold 160 (M1 p. 39)
    assert "WRD-13" in clauses(transfer)


def test_a_loop_that_the_unit_ends_one_word_sooner_is_a_change() -> None:
    looped = dump(loop_start=10, loop_end=100, loop_type=0)
    transfer = rehearsal(unit("old-curtain")).play(looped)
    assert (transfer.outcome, transfer.verified) == (CHANGED, False)
    assert transfer.reason == (
        "the words are the same; the loop is forward, 10 to 99 and not forward, 10 to 100"
    )
    assert "HDR-08" in clauses(transfer)
    (finding,) = [each for each in transfer.findings if each.clause == "HDR-08"]
    assert finding.answerable is Answerable.UNIT


def test_a_name_that_the_unit_cuts_is_a_change() -> None:
    name = oracle.sample_name(sample_number=1, name=b"Thunder above")
    transfer = rehearsal(unit("prompt-box")).play(dump(words(60, 12), name, bits=12))
    assert (transfer.outcome, transfer.verified) == (CHANGED, False)
    assert transfer.reason == ("the words are the same; the name is Thunder  and not Thunder above")


def test_only_what_counts_is_told_beside_a_change() -> None:
    # 44,100 Hz comes back as the nearest period (HDR-05, M1 p. 37): that alone is no change
    name = oracle.sample_name(sample_number=1, name=b"Thunder above the stage")
    transfer = rehearsal().play(dump(None, name, extended=True))
    assert transfer.reason == (
        "the words are the same; the name is Thunder above th and not Thunder above the stage"
    )
    assert clauses(transfer) == ["HDR-05", "NAM-02"]
    plain = rehearsal().play(dump(extended=True))
    assert (plain.outcome, plain.verified) == (LOADED, True)


def test_the_width_is_told_with_the_words_and_not_again() -> None:
    name = oracle.sample_name(sample_number=1, name=b"Thunder above")
    transfer = rehearsal(unit("prompt-box")).play(dump(None, name))
    assert transfer.reason.endswith("; the name is Thunder  and not Thunder above")
    assert "significant" not in transfer.reason
    assert clauses(transfer) == ["WRD-12", "NAM-02"]


def test_loops_beyond_21_bits_are_asked_for_by_the_extended_request() -> None:
    # 2,097,151 is the last word that the standard message can say (M1 p. 38, CA-019 p. 3)
    loops = [
        oracle.loop_points(
            extended=True, sample_number=1, loop_number=number, loop_type=0, loop_end=end
        )
        for number, end in ((1, 50), (2, 2_097_152))
    ]
    rehearsed = rehearsal()
    transfer = rehearsed.play(dump(None, *loops))
    assert (transfer.outcome, transfer.verified, transfer.findings) == (LOADED, True, ())
    asked = oracle.loop_points_request(extended=True, sample_number=1, loop_number=16_383)
    assert asked in said(rehearsed, TO)
    near = rehearsal()
    near.play(dump(None, loops[0]))
    assert asked not in said(near, TO)


def test_loops_and_a_name_come_back_and_are_verified() -> None:
    more = [
        oracle.loop_points(
            sample_number=1, loop_number=number, loop_type=1, loop_start=number, loop_end=99
        )
        for number in (1, 2, 7)
    ]
    name = oracle.sample_name(sample_number=1, name=b"Gulls")
    rehearsed = rehearsal()
    transfer = rehearsed.play(dump(None, *more, name, loop_end=120, loop_type=0))
    assert (transfer.outcome, transfer.verified, transfer.findings) == (LOADED, True, ())
    sample = rehearsed.unit.slots[2].sample
    assert sample is not None
    assert ([number for number, _ in sample.loops], sample.name) == ([1, 2, 7], "Gulls")


def test_a_unit_that_tells_no_loops_and_no_name_is_noted_and_not_blamed() -> None:
    more = oracle.loop_points(sample_number=1, loop_number=1, loop_end=9)
    name = oracle.sample_name(sample_number=1, name=b"Gulls")
    transfer = rehearsal(unit("old-curtain")).play(dump(None, more, name))
    assert (transfer.outcome, transfer.verified) == (LOADED, True)
    asked = [each for each in transfer.findings if each.clause in ("LOP-05", "NAM-03")]
    assert [(each.clause, each.verdict) for each in asked] == [
        ("LOP-05", Verdict.NOTED),
        ("NAM-03", Verdict.NOTED),
    ]


# Refused

REFUSALS: dict[str, tuple[Profile, dict[str, Any], tuple[str, ...]]] = {
    "full": (unit(memory=SMALL), {}, ("121 words", "100")),
    "width": (unit(), {"bits": 24}, ("24 significant bits", "convert it first")),
    "protected": (unit("call-board", unit={"device_id": 0}), {}, ("slot 2 is protected",)),
    "not initialised": (
        unit(memory={"initialised": False}),
        {},
        ("not initialised", "front panel"),
    ),
    "unknown number": (unit(), {"number": 64}, ("sample number 64", "0 to 63")),
    "channels": (
        unit(),
        {"content": words(120), "extended": True, "channels": 2},
        ("2 channels", "takes 1"),
    ),
    "no rate": (unit(), {"content": [1], "period_ns": 0}, ("no sample rate",)),
}


@pytest.mark.parametrize("why", REFUSALS)
def test_a_refusal_has_its_reason_and_leaves_nothing(why: str) -> None:
    profile, fields, telling = REFUSALS[why]
    if "period_ns" in fields:
        sent = of(oracle.dump(bits=16, words=fields["content"], sample_number=1, period_ns=0))
    else:
        sent = dump(fields.pop("content", None) if "content" in fields else None, **fields)
    rehearsed = rehearsal(profile)
    transfer = rehearsed.play(sent)
    assert (transfer.outcome, transfer.verified, transfer.slot) == (REFUSED, None, None)
    assert all(part in transfer.reason for part in telling), transfer.reason
    assert (transfer.sent, transfer.resent, transfer.comparison) == (0, 0, None)
    assert clauses(transfer) == ["HSK-12"]
    assert not transfer.is_well
    assert rehearsed.unit.slots.used() == ()
    # the header and its CANCEL are all that was said; nothing is asked for (HSK-11, M1 p. 36)
    assert len(said(rehearsed, TO)) == 1
    assert [message[3] for message in said(rehearsed, FROM)] == [0x7D]
    assert dict(transfer.times.waits) == {Wait.HEADER: 5_000_000}


@pytest.mark.parametrize("bits", [0, 7, 29, 127])
def test_a_width_that_does_not_exist_is_refused(bits: int) -> None:
    data = bytearray(oracle.dump(bits=16, words=words(9), sample_number=1, period_ns=22_676))
    data[6] = bits
    transfer = rehearsal().play(of(bytes(data)))
    assert transfer.outcome is REFUSED
    assert f"{bits} significant bits" in transfer.reason
    assert "HDR-03" in transfer.reason


def test_a_unit_that_acknowledges_everything_and_throws_it_away() -> None:
    # stray bits below the 12 significant ones (WRD-05): 11 of 14 are left for the unit to mind
    packet = oracle.packet(number=0, data=b"\x40\x03" + b"\x40\x00" * 9)
    header = oracle.header(sample_number=103, bits=12, period_ns=22_676, length=10)
    rehearsed = rehearsal(unit("property-chest"))
    transfer = rehearsed.play(of(header + packet))
    assert (transfer.outcome, transfer.verified, transfer.slot) == (REFUSED, None, None)
    assert transfer.reason == (
        "the unit answered every packet and kept nothing: bits below the significant ones are "
        "set (WRD-05), which the unit refuses"
    )
    assert transfer.unread == "the unit did not answer the request for the sample"
    assert not transfer.is_well
    assert transfer.sent == 1


# Incomplete


@pytest.mark.parametrize(("partial", "kept"), [("drop", None), ("keep", 80)])
def test_a_memory_that_is_full_when_it_is_full(partial: str, kept: int | None) -> None:
    # 100 words hold two packets of 40, and the third does not fit (HSK-12, M1 p. 39)
    profile = unit(memory={**SMALL, "room": "as it fills"}, habits={"partial": partial})
    rehearsed = rehearsal(profile)
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified) == (INCOMPLETE, None)
    assert transfer.reason == "the unit cancelled the dump at packet 2: its memory is full"
    assert (transfer.sent, transfer.resent) == (3, 0)
    assert transfer.slot == (None if kept is None else 2)
    assert in_slot(rehearsed, 2) == (None if kept is None else words(121)[:kept])
    compared = transfer.comparison
    assert (None if compared is None else compared.compared) == kept
    assert said(rehearsed, FROM)[-1] == oracle.handshake(kind="CANCEL", packet_number=2)


def test_a_unit_that_cancels_on_a_number_jump() -> None:
    header, *packets = [raw for _, raw in oracle.split(oracle.dump(**_plain(words(200))))]
    profile = unit("call-board", unit={"device_id": 0}, slots={"protected": ()})
    transfer = rehearsal(profile).play(of(header + packets[0] + b"".join(packets[2:])))
    assert (transfer.outcome, transfer.sent) == (INCOMPLETE, 2)
    assert transfer.reason == (
        "the unit cancelled the dump at packet 1, because another packet number was due"
    )


def test_a_wrong_checksum_is_rejected_until_the_unit_cancels() -> None:
    data = bytearray(oracle.dump(**_plain(words(121))))
    data[21 + 127 + 125] ^= 1
    transfer = rehearsal().play(of(bytes(data)))
    # two NAKs and then CANCEL: three failures of one packet (M1 p. 44, File Dump)
    assert transfer.reason == "the unit rejected packet 1 twice and then cancelled the dump"
    assert (transfer.outcome, transfer.sent, transfer.resent) == (INCOMPLETE, 2, 2)
    assert "HSK-06" in clauses(transfer)


def _plain(content: list[int]) -> dict[str, Any]:
    return {"bits": 16, "words": content, "sample_number": 1, "period_ns": 22_676}


@pytest.mark.parametrize("idle_ns", [2 * SECOND, 0])
def test_a_header_that_calls_for_more_than_the_file_has(idle_ns: int) -> None:
    data = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=2_097_151)
    data += b"".join(oracle.packets(bits=16, words=words(120)))
    rehearsed = rehearsal(unit(habits={"idle_limit_ns": idle_ns}))
    transfer = rehearsed.play(of(data))
    assert (transfer.outcome, transfer.verified, transfer.slot) == (INCOMPLETE, None, None)
    if idle_ns:
        assert transfer.reason == (
            "the unit took 3 of 52,429 packets and gave up waiting for the rest"
        )
    else:
        assert transfer.reason == "the header calls for 52,429 packets and the file has 3"
    assert transfer.sent == 3


def test_a_part_that_is_kept_and_comes_back_is_still_a_part() -> None:
    data = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=200)
    data += b"".join(oracle.packets(bits=16, words=words(120)))
    transfer = rehearsal(unit(habits={"partial": "keep"})).play(of(data))
    assert (transfer.outcome, transfer.verified) == (INCOMPLETE, True)
    assert transfer.reason == "the header calls for 5 packets and the file has 3"
    assert not transfer.is_well


def test_an_extended_header_that_the_unit_does_not_know() -> None:
    # no answer says that it may not know it (EXT-09); the file is played as it is, so no fallback
    rehearsed = rehearsal(unit("old-curtain"))
    transfer = rehearsed.play(dump(extended=True))
    assert (transfer.outcome, transfer.sent, transfer.verified) == (INCOMPLETE, 0, None)
    assert "extended header" in transfer.reason
    assert transfer.times.total_ns == 34 * 320_000 + 2 * SECOND
