"""Memory at fault in whole rehearsals: what is sent back and kept, and what stays as it was."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import image_of, restore
from dryload.emulator.unit.possible import Profile, ProfileError
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.unit.schema import parse_profile
from dryload.harness.faults.catalogue import Fault, faults, situations
from dryload.harness.faults.reading import NotUnderstood, read_all, read_words
from dryload.harness.jobs.afterwards import in_memory
from dryload.harness.jobs.image_keeper import _are_same, _books_of
from dryload.harness.jobs.listen import held_after
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from tests.faults.test_catalogue import BESIDE, ELSEWHERE, WORDS
from tests.jobs.bench import dump, in_slot, unit, words
from tests.unit.rack import profile_of

HEALTHY = "bank 1 forgets after 999999 min without power"
"""Words lie in cells, and nothing ever happens to them."""
AT_FAULT = [fault for fault in faults() if fault.memory]
ARRANGED = (
    *({"arrangement": "in turns"}, {"arrangement": "side by side"}, {"cells": "bytes"}),
    *({"start_word": 1_000}, {"cells": "bytes", "arrangement": "in turns"}),
)


def rehearsed(*texts: str, profile: Profile | None = None) -> tuple[Rehearsal, Transfer]:
    """A dump of ten packets, sent and read back."""
    asked = read_all(texts)
    made = Rehearsal(
        asked.unit(profile or unit()),
        settings=asked.settings(Settings()),
        disturbances=asked.placed,
    )
    transfer = made.play(dump(WORDS))
    made.finish()
    return made, transfer


def with_faults(profile: Profile, *texts: str) -> Profile:
    return replace(profile, memory=replace(profile.memory, faults=texts))


# Healthy


@pytest.mark.parametrize("name", profile_names())
def test_in_healthy_cells_every_unit_does_what_it_did(name: str) -> None:
    profile = load_profile(name)
    bits = profile.words.accepts[-1]
    channels = profile.words.channels[-1]
    extended = bits > 16 or channels > 1
    number = profile.slots.first_number + 4
    more = {"channels": channels} if extended else {}
    sent = dump(
        words(362, bits),
        number=number,
        device_id=profile.unit.device_id,
        bits=bits,
        extended=extended,
        **more,
    )

    def run(made: Profile) -> object:
        rehearsal = Rehearsal(made)
        if not rehearsal.unit.memory.initialised:
            rehearsal.unit.panel.initialise(0)
        transfers = [rehearsal.play(sent), rehearsal.play(sent)]
        rehearsal.finish()
        told = [(each.outcome, each.verified, each.reason, each.receipt) for each in transfers]
        image = image_of(rehearsal.unit)
        return rehearsal.line.capture.passages, told, image, in_slot(rehearsal, 5)

    assert run(with_faults(profile, HEALTHY)) == run(profile)


@pytest.mark.parametrize("traits", ARRANGED, ids=str)
def test_how_words_lie_makes_no_difference_without_a_fault(traits: dict[str, object]) -> None:
    plain, _ = rehearsed()
    healthy, transfer = rehearsed(profile=with_faults(unit(memory=traits), HEALTHY))
    assert transfer.verified is True
    assert healthy.line.capture.passages == plain.line.capture.passages


def test_a_unit_without_a_fault_has_no_cells() -> None:
    assert all(RackUnit(load_profile(name)).memory.cells is None for name in profile_names())


# At fault

UNREAD = {"bank forgets": "power that fails as the sample is asked for leaves it unread"}


@pytest.mark.parametrize("fault", AT_FAULT, ids=lambda fault: fault.name)
def test_every_fault_shows_when_a_dump_is_read_back(fault: Fault) -> None:
    texts = ELSEWHERE.get(fault.name, fault.example), *BESIDE.get(fault.name, ())
    made, transfer = rehearsed(*texts)
    assert transfer.ending.packet == 9  # all ten were sent, and taken for good
    assert transfer.verified is (None if fault.name in UNREAD else False)
    assert in_slot(made, 2) != WORDS
    assert made.struck == ([] if fault.name not in UNREAD else made.struck)


@pytest.mark.parametrize("fault", AT_FAULT, ids=lambda fault: fault.name)
def test_a_profile_and_disturb_have_the_same_words(fault: Fault) -> None:
    texts = ELSEWHERE.get(fault.name, fault.example), *BESIDE.get(fault.name, ())
    asked, _ = rehearsed(*texts)
    habits = read_all([each for each in texts[1:] if each.startswith("habit")])
    written, _ = rehearsed(
        *(each for each in texts[1:] if not each.startswith("habit")),
        profile=with_faults(habits.unit(unit()), texts[0]),
    )
    assert asked.line.capture.passages == written.line.capture.passages


def test_faults_add_up_with_those_of_the_profile() -> None:
    asked = read_all(["data line 3 of bank 1 stuck low", "the data line 4 of bank 1 loose, seed 9"])
    made = asked.unit(with_faults(unit(), HEALTHY))
    assert made.memory.faults == (
        HEALTHY,
        "data line 3 of bank 1 stuck low",
        "data line 4 of bank 1 loose, seed 9",
    )


def test_a_stuck_data_line_is_that_bit_of_every_word() -> None:
    made, _ = rehearsed("data line 9 of bank 1 stuck high")
    assert in_slot(made, 2) == [word | 1 << 9 for word in WORDS]
    made, _ = rehearsed("data line 15 of bank 1 stuck low")  # the top one, which is the sign
    assert in_slot(made, 2) == [word & 0x7FFF for word in WORDS]


def test_a_narrow_sample_stands_in_the_upper_bits() -> None:
    content = words(100, 8)
    for said, bit in (("15 of bank 1 stuck high", 7), ("8 of bank 1 stuck high", 0)):
        made = Rehearsal(with_faults(unit(), f"data line {said}"))
        made.play(dump(content, bits=8))
        raw = [word & 0xFF | 1 << bit for word in content]
        assert in_slot(made, 2) == [word - (256 if word > 127 else 0) for word in raw]
    made = Rehearsal(with_faults(unit(), "data line 7 of bank 1 stuck high"))
    assert made.play(dump(content, bits=8)).verified is True


def test_a_later_dump_spoils_an_earlier_one_whose_cells_it_takes() -> None:
    """Words 1,024 apart are the same memory; the first dump was read back and was right."""
    made = Rehearsal(with_faults(unit(), "address line 10 of bank 1 stuck"))
    first = made.play(dump(words(1_000)))
    second = made.play(dump(words(500, factor=77), number=2))
    assert (first.verified, second.verified) == (True, True)
    told = in_memory(made.unit)(first, [second])
    assert told == "slot 2 holds something else at the end of the replay"
    held = in_slot(made, 2)
    # The second lies in words 1,000 to 1,499: its first 24 in no other's, the rest in 0 to 475.
    assert held == words(500, factor=77)[24:] + words(1_000)[476:]
    assert in_memory(made.unit)(second, []) == ""


def test_a_dump_that_is_dropped_has_spoiled_what_it_reached() -> None:
    made = Rehearsal(with_faults(unit(), "address line 10 of bank 1 stuck"))
    made.play(dump(words(1_000)))
    later = dump(words(500, factor=77), number=2)
    made.unit.keeper.begin(later.header, 1)
    made.unit.keeper.extend(later.outgoing.packets[:3])
    made.unit.keeper.abandon(2)
    assert made.unit.slots[3].sample is None
    held = in_slot(made, 2)
    assert held == words(120, factor=77)[24:] + words(1_000)[96:]


def test_loose_contacts_give_something_else_with_every_reading() -> None:
    made, transfer = rehearsed("data line 3 of bank 1 loose")
    first = transfer.read
    again = made.glance(dump(WORDS), packets=10)
    assert first is not None
    assert again is not None
    assert again.sample is not None
    differing = first.words ^ again.sample.words
    assert {*differing.tolist()} == {0, 8}


def test_what_leaks_has_leaked_when_its_time_has_come() -> None:
    made = Rehearsal(with_faults(unit(), "900 leaky cells after 2 s, among the first 361 words"))
    made.line.advance(10_000_000_000)
    assert made.play(dump(WORDS)).verified is True
    made.line.advance(1_900_000_000)
    held = in_slot(made, 2)
    assert held is not None
    assert sum(a != b for a, b in zip(held, WORDS, strict=True)) > 100
    assert all((a & 0xFFFF) | (b & 0xFFFF) == b & 0xFFFF for a, b in zip(held, WORDS, strict=True))


def test_what_leaks_is_the_same_however_a_rehearsal_gets_on() -> None:
    at_fault = with_faults(unit(), "900 leaky cells after 4 s, among the first 3000 words")
    runs = []
    for leaps in (True, False):
        made = Rehearsal(at_fault, leaps=leaps)
        transfer = made.play(dump(words(6_000)))  # 6.4 s, and as long on its way back
        assert transfer.verified is False
        runs.append((made.line.capture.passages, in_slot(made, 2)))
    assert runs[0] == runs[1]


def test_a_bank_forgets_without_power_for_its_time_and_not_before() -> None:
    made, _ = rehearsed("bank 1 forgets after 3 min without power")
    panel, line = made.unit.panel, made.line
    for minutes, keeps in ((2, True), (3, False)):
        panel.power_off(line.now_ns)
        line.advance(minutes * 30_000_000_000)
        panel.power_off(line.now_ns)  # once more, which changes nothing
        line.advance(minutes * 30_000_000_000)
        panel.power_on(line.now_ns)
        assert (in_slot(made, 2) == WORDS) is keeps


def test_what_is_heard_is_what_is_in_the_memory() -> None:
    at_fault = with_faults(unit(), "data line 14 of bank 1 stuck high")
    held = held_after(Rehearsal(at_fault), dump(WORDS))
    assert held.words.tolist() == [word | 1 << 14 for word in WORDS]


STILL = [fault for fault in AT_FAULT if fault.name not in ("data line loose", "noise in reads")]


@pytest.mark.parametrize("fault", STILL, ids=lambda fault: fault.name)
def test_an_image_keeps_what_is_read_and_comes_up_with_it(fault: Fault) -> None:
    made, _ = rehearsed(ELSEWHERE.get(fault.name, fault.example), *BESIDE.get(fault.name, ()))
    unit_before = made.unit
    after = RackUnit(unit_before.profile)
    restore(after, image_of(unit_before))
    held = after.slots[2].sample
    assert held is not None
    assert held.words.tolist() == in_slot(made, 2)
    assert image_of(after) == image_of(unit_before)


def test_an_image_is_written_anew_only_where_something_is_read_otherwise() -> None:
    made, _ = rehearsed("data line 3 of bank 1 loose")
    books = _books_of(made.unit)
    assert _are_same(made.unit, books)
    assert image_of(books) == image_of(made.unit)
    made.glance(dump(WORDS), packets=2)
    assert not _are_same(made.unit, books)
    made, _ = rehearsed("data line 3 of bank 1 stuck high")
    books = _books_of(made.unit)
    made.glance(dump(WORDS), packets=2)
    assert _are_same(made.unit, books)


def test_a_bank_that_is_taken_out_takes_its_faults_along() -> None:
    made = Rehearsal(with_faults(unit(), "banks 1 and 2 together", "bank 2 missing"))
    for banks in ([1], [1, 2]):
        made.unit.panel.fit_banks(banks, made.line.now_ns)
        made.unit.panel.initialise(made.line.now_ns)
        assert made.play(dump(WORDS)).verified is True
    made.unit.panel.fit_banks([], made.line.now_ns)
    assert made.play(dump(WORDS)).outcome is Outcome.REFUSED


def test_campaigns_draw_nothing_of_the_memory() -> None:
    assert [fault.name for fault in AT_FAULT if fault.campaign] == []
    of_memory = {
        each.name
        for each in situations()
        if any(read_words(said).fault.memory for said in each.faults)
    }
    assert of_memory == {each.name for each in situations() if not each.campaign}
    assert len(of_memory) == 5


def test_a_seed_behind_a_situation_draws_other_cells() -> None:
    texts = "tired cell", "tired cell, seed 4"
    plain, seeded = ([each.said for each in read_all([text]).asked] for text in texts)
    assert seeded == [f"{each}, seed 4" for each in plain]


# What cannot be


@pytest.mark.parametrize(
    ("memory", "told"),
    [
        ('faults = ["bank 3 missing"]', "bank 3 is not one of the 2 that are of use"),
        ('faults = ["data line 16 of bank 1 loose"]', "has data lines 0 to 15, not 16"),
        ('faults = ["address line 20 of bank 1 stuck"]', "has address lines 0 to 19, not 20"),
        ('faults = ["chip 5 of bank 1 dead"]', "the bank has chips 1 to 4, not 5"),
        ('faults = ["row 1024 of bank 1 dead"]', "the bank has rows 0 to 1,023, not 1,024"),
        ('faults = ["column 1024 of bank 1 dead"]', "has columns 0 to 1,023, not 1,024"),
        ('faults = ["chip 1 of bank 1 ded"]', 'did you mean "chip N of bank N dead"?'),
        ("faults = [3]", "memory.faults must be a list in which each is a text in quotes"),
        ('cells = "twelve bits"', 'memory.cells is "twelve bits", and words.accepts has 16'),
        ('arrangement = "side by side"\ncells = "bytes"', 'memory.cells must be "words" where'),
        (
            'arrangement = "side by side"\nplaces = 12\n[words]\naccepts = [8]',
            "memory.places must be at most 8 side by side, one for each bit of a word, not 12",
        ),
        (
            'arrangement = "side by side"\nfaults = ["banks 1 and 2 together"]',
            "banks that lie side by side always answer together",
        ),
        ("start_word = 1048576", "memory.start_word must be less than memory.bank_words"),
        ("block_words = 64\nstart_word = 32", "memory.start_word must be a multiple of"),
    ],
)
def test_a_profile_says_what_no_memory_is(memory: str, told: str) -> None:
    with pytest.raises(ProfileError) as caught:
        parse_profile(f'[unit]\nname = "bench"\n[memory]\n{memory}\n', "bench.toml")
    assert told in str(caught.value)
    assert str(caught.value).startswith("bench.toml: memory.")


def test_what_the_unit_keeps_is_not_for_samples() -> None:
    made = RackUnit(profile_of("[memory]\nbank_words = 1000\nfitted = [1, 2]\nstart_word = 300\n"))
    assert made.memory.capacity == made.memory.largest_free == 1_700
    assert made.memory.edges == (0, 700, 1_700)


def test_a_memory_fault_lasts_and_has_no_place() -> None:
    with pytest.raises(NotUnderstood, match="lasts from beginning to end"):
        read_words("bank 1 missing in packet 3")
    assert read_words("8 bad cells with seed 5").fault.name == "bad cells"
