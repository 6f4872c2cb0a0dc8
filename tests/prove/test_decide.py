"""What is said of faults in memories that no part of the product has made.

Long counts: `python -m tests.prove --runs 2000 --seed 5`.
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from dryload.harness.prove.decide import decide
from dryload.harness.prove.table import known_faults
from dryload.harness.prove.words import sample_of
from tests import oracle
from tests.prove.counting import compared, memory_of, one_pass, said_of
from tests.prove.plain_memory import LISTED, UNLISTED, PlainMemory, nothing

SIZE = 1 << 13
SEEDS = range(40, 46)
_KEPT_BACK = {"row": 41}
"""A seed whose row lies in front of the first word of the test."""


@pytest.mark.parametrize("name", sorted(LISTED))
def test_a_fault_is_named_in_whatever_arrangement(name: str) -> None:
    others = []
    for seed in SEEDS:
        memory = memory_of(seed, size=SIZE)
        made, faults = said_of(LISTED[name], memory)
        # Where nothing came back wrong, the fault lies in words that the unit keeps for itself.
        if faults and faults[0].kind not in made.answers:
            others.append((seed, memory.arrangement, faults))
        assert faults or name == "nothing" or seed == _KEPT_BACK.get(name), seed
    assert len(others) <= (name == "address_lines_joined"), others


@pytest.mark.parametrize("name", sorted(UNLISTED))
def test_a_fault_that_nobody_has_listed_is_found_and_hardly_ever_taken_for_another(
    name: str,
) -> None:
    said = [said_of(UNLISTED[name], memory_of(seed, size=SIZE))[1] for seed in SEEDS]

    assert all(said)
    assert sum(faults[0].kind == "unknown" for faults in said) >= len(SEEDS) - 1


@pytest.mark.parametrize("name", sorted({*LISTED} - {"nothing", "together", "cells", "noise"}))
def test_lines_distance_and_place_are_those_of_the_fault(name: str) -> None:
    for seed in SEEDS:
        memory = memory_of(seed, size=SIZE)
        made, faults = said_of(LISTED[name], memory)
        if faults and faults[0].kind == made.kind:
            told = compared(memory, made, faults[0])
            assert told
            assert all(told.values()), (seed, memory.arrangement, made, faults[0])


def test_a_chip_is_told_alone_though_not_all_of_its_lines_show_its_last_word() -> None:
    for seed in range(12):
        memory = PlainMemory("in a row", banks=2, size=SIZE, start=0, seed=seed)
        LISTED["chip"](memory)
        assert [each.kind for each in decide(one_pass(memory))] == ["chip"], seed


@pytest.mark.parametrize("name", sorted({*LISTED} - {"nothing", "cells", "noise", "row", "column"}))
def test_where_two_words_share_a_byte_one_fault_is_told_as_one(name: str) -> None:
    for seed in range(3):
        memory = PlainMemory("twelve bits", banks=2, size=SIZE, start=0, seed=seed)
        LISTED[name](memory)
        assert len(faults := decide(one_pass(memory))) == 1, (seed, faults)


def test_the_comparison_of_lines_distance_and_place_can_fail() -> None:
    for name, other in (
        ("data_line_stuck", {"lines": (99,)}),
        ("address_line", {"distance": 3}),
        ("row", {"first": 0, "last": 1}),
    ):
        memory = memory_of(40, size=SIZE)
        made, faults = said_of(LISTED[name], memory)
        assert all(compared(memory, made, faults[0]).values())
        assert not all(compared(memory, made, replace(faults[0], **other)).values()), name


def test_of_two_faults_one_is_named_first_and_nothing_is_called_right() -> None:
    pairs = [("data_line_stuck", "cells"), ("address_line", "cells"), ("chip", "cells")]
    named = 0
    for one, other in pairs:
        for seed in SEEDS:
            memory = memory_of(seed, size=SIZE)
            answers = LISTED[one](memory).answers | LISTED[other](memory).answers
            faults = decide(one_pass(memory))
            assert faults
            named += faults[0].kind in answers
    assert named >= 0.85 * len(pairs) * len(SEEDS)


def test_single_cells_are_told_by_their_words() -> None:
    memory = memory_of(3, size=SIZE)
    nothing(memory)
    seen = one_pass(memory)
    read = seen.read.copy()
    for word in (5, 700):
        read[word] ^= 1
    (fault,) = decide(replace(seen, read=read, again=read))

    assert (fault.kind, fault.examples, fault.words_wrong) == ("cells", (5, 700), 2)


def _on_the_line(
    *, is_even: bool, bad_checksums: int, is_mended: bool, next_at: int | None = None
) -> str:
    """What is said of one packet in which two bytes have changed by the same bit, or one has.

    The next sample begins at `next_at`, so that the rest of the packet is filler.
    """
    memory = memory_of(1, size=SIZE)
    while memory.bits != 16:
        memory = memory_of(int(memory.rng.integers(1 << 20)), size=SIZE)
    seen = one_pass(memory)
    at = 4_096 + 80  # the third packet of the second sample
    sent = sample_of(seen.written[at : at + 40], 16, 16).words.tolist()
    packet = bytearray(oracle.dump(bits=16, words=sent, sample_number=1, period_ns=1)[21:])
    packet[8] ^= 0x10
    if is_even:
        packet[50] ^= 0x10
    else:
        packet[-2] ^= 0x10  # its checksum, so that it is right again
    back = oracle.read_dump(
        oracle.dump(bits=16, words=sent, sample_number=1, period_ns=1)[:21] + bytes(packet)
    ).words
    read = seen.read.copy()
    read[at : at + 40] = np.array(back) + 32_768
    wrong = read != seen.written
    assert wrong.any()
    changed = replace(
        seen,
        starts=(0, 4_096) if next_at is None else (0, 4_096, next_at),
        read=read,
        again=read,
        tried=wrong,
        at_once=wrong & is_mended,
        mended=wrong & is_mended,
        bad_checksums=bad_checksums,
    )
    return decide(changed)[0].kind


def test_the_line_is_blamed_only_for_what_passes_a_checksum_and_is_right_when_written_again() -> (
    None
):
    assert _on_the_line(is_even=True, bad_checksums=3, is_mended=True) == "line"
    assert _on_the_line(is_even=True, bad_checksums=3, is_mended=False) == "cells"
    assert _on_the_line(is_even=True, bad_checksums=0, is_mended=True) == "disturbed"
    assert _on_the_line(is_even=False, bad_checksums=3, is_mended=True) == "disturbed"


def test_a_byte_in_the_last_packet_may_have_its_partner_in_the_filler() -> None:
    for words, kind in ((30, "line"), (40, "disturbed")):
        end = 4_096 + 80 + words
        said = _on_the_line(is_even=False, bad_checksums=3, is_mended=True, next_at=end)
        assert said == kind


def test_one_cell_is_never_the_line_for_no_checksum_lets_it_pass() -> None:
    memory = memory_of(1, size=SIZE)
    seen = one_pass(memory)
    read = seen.read.copy()
    read[100] ^= 4
    wrong = read != seen.written
    changed = replace(
        seen, read=read, again=read, tried=wrong, at_once=wrong, mended=wrong, bad_checksums=9
    )

    assert decide(changed)[0].kind == "disturbed"
    assert decide(replace(changed, mended=wrong & False))[0].kind == "fades"


def test_what_grows_from_one_reading_to_the_next_fades() -> None:
    memory = memory_of(2, size=SIZE)
    seen = one_pass(memory)
    read, again = seen.read.copy(), seen.read.copy()
    read[[5, 99]] ^= 1
    again[[5, 99, *range(1_000, 1_300, 17)]] ^= 1

    assert decide(replace(seen, read=read, again=again))[0].kind == "fades"


def test_every_kind_has_its_sentence() -> None:
    kinds = {
        kind
        for put in (*LISTED.values(), *UNLISTED.values())
        for kind in put(memory_of(1, size=SIZE)).answers
    }

    assert kinds <= set(known_faults())
    for known in known_faults().values():
        places = {"place": "x", "lines": "x", "level": "x", "distance": "x", "words": "x"}
        assert "{" not in known.sentence.format(**places)
        assert known.do
