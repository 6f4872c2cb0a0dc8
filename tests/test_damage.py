"""The injector does what each kind says and nothing else; undamaged dumps are the control."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable

import pytest

from tests import damage, oracle

ROUNDS = 40
EXPECTED_KINDS = {
    "wrong_checksum",
    "flipped_data_bit",
    "wrong_packet_number",
    "missing_packet",
    "doubled_packet",
    "swapped_packets",
    "missing_last_packet",
    "lost_byte",
    "added_byte",
    "status_byte_in_data",
    "missing_f7",
    "other_device_id",
}


class Case:
    """One damaged dump beside its original, cut into planned packets where that is possible."""

    def __init__(self, kind: damage.Kind, seed: int) -> None:
        rng = random.Random(f"{kind.name}/{seed}")
        self.clean = damage.random_dump(rng, minimum_packets=kind.minimum_packets)
        self.header, self.before = damage.take_apart(self.clean.data)
        self.damaged = kind(self.clean.data, rng)
        assert self.damaged.packet is not None
        self.at = self.damaged.packet
        self.rest = self.damaged.data[len(self.header) :]

    def changed_packet(self, grown: int = 0) -> tuple[bytes, bytes]:
        """The one packet that changed, before and after; all others must be untouched."""
        start = self.at * 127
        end = start + 127 + grown
        assert self.rest[:start] == b"".join(self.before[: self.at])
        assert self.rest[end:] == b"".join(self.before[self.at + 1 :])
        return self.before[self.at], self.rest[start:end]

    def differing_offsets(self) -> list[int]:
        old, new = self.changed_packet()
        return [i for i in range(127) if old[i] != new[i]]


def cases(name: str) -> list[Case]:
    return [Case(damage.KINDS[name], seed) for seed in range(ROUNDS)]


def test_there_are_the_twelve_kinds() -> None:
    assert set(damage.KINDS) == EXPECTED_KINDS
    for name, kind in damage.KINDS.items():
        assert kind.name == name
        assert getattr(damage, name) is kind


@pytest.mark.parametrize("name", sorted(EXPECTED_KINDS))
def test_damage_is_refused_by_the_oracle_and_the_control_is_not(name: str) -> None:
    for case in cases(name):
        assert oracle.read_dump(case.clean.data).words == list(case.clean.words)
        with pytest.raises(ValueError):  # noqa: PT011 - which check catches it is no matter here
            oracle.read_dump(case.damaged.data)


@pytest.mark.parametrize("name", sorted(EXPECTED_KINDS))
def test_damage_names_itself_keeps_the_header_and_repeats_from_its_seed(name: str) -> None:
    for case in cases(name)[:5]:
        assert case.damaged.kind == name
        assert case.damaged.data.startswith(case.header)
        assert 0 <= case.at < case.clean.packets
    assert Case(damage.KINDS[name], 3).damaged == Case(damage.KINDS[name], 3).damaged


def test_wrong_checksum_changes_the_checksum_alone() -> None:
    for case in cases("wrong_checksum"):
        assert case.differing_offsets() == [125]
        assert case.changed_packet()[1][125] < 0x80


def test_flipped_data_bit_changes_one_low_bit_of_one_data_byte() -> None:
    for case in cases("flipped_data_bit"):
        (offset,) = case.differing_offsets()
        old, new = case.changed_packet()
        assert 5 <= offset <= 124
        assert (old[offset] ^ new[offset]).bit_count() == 1
        assert new[offset] < 0x80


@pytest.mark.parametrize(("name", "offset"), [("wrong_packet_number", 4), ("other_device_id", 2)])
def test_one_field_changes_and_the_checksum_fits(name: str, offset: int) -> None:
    for case in cases(name):
        assert case.differing_offsets() == [offset, 125]
        new = case.changed_packet()[1]
        assert new[125] == oracle.checksum(new)
        assert new[offset] < 0x80


def test_other_device_id_is_any_but_its_own_and_the_all_call() -> None:
    dump = oracle.dump(device_id=5, sample_number=1, bits=16, period_ns=20833, words=[1])
    seeds = range(3000)  # enough to draw each of 126 IDs
    found = {damage.other_device_id(dump, random.Random(seed)).data[21 + 2] for seed in seeds}
    assert found == set(range(0x7F)) - {5}


def planned(case: Case) -> list[int]:
    """The damaged dump as indices of planned packets, where packets are whole (all differ)."""
    pieces = [case.rest[at : at + 127] for at in range(0, len(case.rest), 127)]
    index = {raw: i for i, raw in enumerate(case.before)}
    assert len(index) == len(case.before)
    return [index[piece] for piece in pieces]


ORDERS: dict[str, Callable[[list[int], int], list[int]]] = {
    "missing_packet": lambda all_, at: all_[:at] + all_[at + 1 :],
    "doubled_packet": lambda all_, at: [*all_[:at], at, at, *all_[at + 1 :]],
    "swapped_packets": lambda all_, at: [*all_[:at], at + 1, at, *all_[at + 2 :]],
    "missing_last_packet": lambda all_, at: all_[:at],
}


@pytest.mark.parametrize("name", sorted(ORDERS))
def test_order_is_damaged_as_said(name: str) -> None:
    for case in cases(name):
        everything = list(range(len(case.before)))
        assert planned(case) == ORDERS[name](everything, case.at)


def test_missing_packet_is_never_the_last_and_missing_last_always_is() -> None:
    assert all(case.at < case.clean.packets - 1 for case in cases("missing_packet"))
    assert all(case.at == case.clean.packets - 1 for case in cases("missing_last_packet"))


def test_lost_byte_loses_one_byte_anywhere() -> None:
    for case in cases("lost_byte"):
        old, new = case.changed_packet(-1)
        assert any(old[:i] + old[i + 1 :] == new for i in range(127))


def test_lost_byte_reaches_the_frame_too() -> None:
    clean = damage.random_dump(random.Random(1)).data
    starts_or_ends = Counter(
        (raw[0] == 0xF0, raw[-1] == 0xF7)
        for raw in (
            damage.lost_byte(clean[: 21 + 127], random.Random(seed)).data[21:]
            for seed in range(1000)
        )
    )
    assert set(starts_or_ends) == {(True, True), (False, True), (True, False)}


def test_added_byte_adds_a_data_byte_inside() -> None:
    for case in cases("added_byte"):
        old, new = case.changed_packet(+1)
        inside = [i for i in range(1, 127) if new[:i] + new[i + 1 :] == old]
        assert inside
        assert new[inside[0]] < 0x80
        assert (new[0], new[-1]) == (0xF0, 0xF7)


def test_status_byte_replaces_one_data_byte() -> None:
    seen = set()
    for case in cases("status_byte_in_data"):
        (offset,) = case.differing_offsets()
        status = case.changed_packet()[1][offset]
        assert 5 <= offset <= 124
        assert 0x80 <= status <= 0xF7
        seen.add(status)
    assert {0xF0, 0xF7} < seen


def test_missing_f7_loses_the_end() -> None:
    for case in cases("missing_f7"):
        old, new = case.changed_packet(-1)
        assert new == old[:-1]


@pytest.mark.parametrize("name", sorted(EXPECTED_KINDS))
def test_too_few_packets_are_refused(name: str) -> None:
    kind = damage.KINDS[name]
    words = [1] * (kind.minimum_packets - 1)  # one word, or none: never more than one packet
    dump = oracle.dump(sample_number=1, bits=16, period_ns=20833, words=words)
    with pytest.raises(ValueError, match="needs"):
        kind(dump, random.Random(0))


def test_packet_index_never_wraps() -> None:
    words = list(range(140 * 40))
    dump = oracle.dump(sample_number=1, bits=16, period_ns=20833, words=words)
    found = {damage.wrong_checksum(dump, random.Random(seed)).packet for seed in range(300)}
    assert max(index for index in found if index is not None) > 127


def test_extended_dumps_are_damaged_too() -> None:
    dump = oracle.dump(
        extended=True, sample_number=1, bits=16, rate_integer=48000, words=[5] * 100, channels=2
    )
    for kind in damage.KINDS.values():
        damaged = kind(dump, random.Random(7))
        assert damaged.data.startswith(dump[:34])
        with pytest.raises(ValueError):  # noqa: PT011 - which check catches it is no matter here
            oracle.read_dump(damaged.data)


def test_random_dumps_are_clean_and_varied() -> None:
    dumps = [damage.random_dump(random.Random(seed)) for seed in range(300)]
    for dump in dumps:
        read = oracle.read_dump(dump.data)
        assert (read.words, read.bits) == (list(dump.words), dump.bits)
        assert (read.device_id, read.sample_number) == (dump.device_id, dump.sample_number)
        assert (read.period_ns, read.loop_type) == (dump.period_ns, dump.loop_type)
        assert read.loop_type == 0x7F or read.loop_start < read.loop_end < read.length
        assert (dump.device_id < 0x7F, dump.packets) == (True, (len(dump.data) - 21) // 127)
    in_last = [len(dump.words) % oracle.words_per_packet(dump.bits) for dump in dumps]
    assert {dump.bits for dump in dumps} == set(range(8, 29))
    assert {dump.loop_type for dump in dumps} == {0x00, 0x01, 0x7F}
    assert {0, 1} <= set(in_last)
    assert {1, 2, 12} <= {dump.packets for dump in dumps}
    assert any(dump.packets > 130 for dump in dumps)
    assert min(len(dump.words) for dump in dumps) == 1


def test_long_share_and_minimum_are_obeyed() -> None:
    seeds = range(50)
    short = [damage.random_dump(random.Random(seed), long_share=0) for seed in seeds]
    long = [damage.random_dump(random.Random(seed), long_share=1) for seed in range(3)]
    several = [damage.random_dump(random.Random(seed), minimum_packets=2) for seed in seeds]
    assert max(dump.packets for dump in short) <= 12
    assert min(dump.packets for dump in long) > 130
    assert min(dump.packets for dump in several) >= 2
