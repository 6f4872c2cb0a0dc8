"""Which packet is which, after one kind of accident or several far apart (M1 p. 39)."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Struct

from dryload.harness.judge.numbers import align
from dryload.harness.judge.order import Alignment, Observed, OrderEvent, OrderFault

APART = 12  # packets between two accidents


class Tape(Struct, dict=True):
    """Packets as they stand in a stream: planned place and number, or None for a torn one."""

    planned: int
    packets: list[tuple[int, int] | None] = []
    expected: list[tuple[OrderFault, int, int]] = []
    wrecks: list[int] = []

    @classmethod
    def clean(cls, planned: int) -> Tape:
        return cls(planned, [(place, place % 128) for place in range(planned)])

    def at(self, place: int) -> int:
        return self.packets.index((place, place % 128))

    def wrong_number(self, place: int, by: int) -> None:
        self.packets[self.at(place)] = (place, (place + by) % 128)
        self.expected.append((OrderFault.WRONG_NUMBER, place, 1))

    def lose(self, place: int, count: int) -> None:
        del self.packets[self.at(place) : self.at(place) + count]
        self.expected.append((OrderFault.MISSING, place, count))

    def double(self, place: int) -> None:
        self.packets.insert(self.at(place), (place, place % 128))
        self.expected.append((OrderFault.REPEAT, place, 1))

    def swap(self, place: int) -> None:
        at = self.at(place)
        self.packets[at], self.packets[at + 1] = self.packets[at + 1], self.packets[at]
        self.expected.append((OrderFault.SWAPPED, place, 1))

    def tear(self, place: int) -> None:
        self.packets[self.at(place)] = None
        self.wrecks.append(place)

    def aligned(self, *, planned: bool = True) -> Alignment:
        whole = [packet for packet in self.packets if packet is not None]
        before, wrecks = 0, []
        for packet in self.packets:
            if packet is None:
                wrecks.append(before)
            before += packet is not None
        return align(
            Observed(
                numbers=np.array([number for _, number in whole], np.uint8),
                row=lambda index: repr(whole[index]).encode(),
                planned=self.planned if planned else None,
                wrecks=wrecks,
            )
        )

    def check(self, alignment: Alignment) -> None:
        whole = [packet for packet in self.packets if packet is not None]
        for index, (place, _) in enumerate(whole):
            assert alignment.place_of(index) == place
        assert [place for place, _ in alignment.wrecks] == sorted(self.wrecks)
        told = sorted((event.place, event.what.name, event.how_many) for event in alignment.events)
        assert told == sorted((place, what.name, count) for what, place, count in self.expected)


ACCIDENTS = ("wrong_number", "lose", "double", "swap", "tear")


@st.composite
def tapes(draw: st.DrawFn) -> Tape:
    """Return a long dump with accidents far from one another and from both ends."""
    chosen = draw(st.lists(st.sampled_from(ACCIDENTS), min_size=1, max_size=5))
    # A loss and a repeat make the count right again, and then the numbers may as well be wrong.
    if "lose" in chosen and "double" in chosen:
        chosen = [each for each in chosen if each != "double"]
    start = draw(st.integers(0, 300))
    tape = Tape.clean(start + APART * (len(chosen) + 2))
    for slot, accident in enumerate(chosen):
        place = start + APART * (slot + 1) + draw(st.integers(0, 2))
        if accident == "wrong_number":
            tape.wrong_number(place, draw(st.integers(1, 127)))
        elif accident == "lose":
            tape.lose(place, draw(st.integers(1, 5)))
        else:
            getattr(tape, accident)(place)
    return tape


@given(tapes())
def test_accidents_far_apart_are_each_named_and_nothing_else_is(tape: Tape) -> None:
    tape.check(tape.aligned())


@given(st.integers(0, 400))
def test_an_undamaged_dump_needs_no_places(planned: int) -> None:
    alignment = Tape.clean(planned).aligned()
    assert alignment == Alignment(places=None, stored=None, wrecks=(), reached=planned)


@given(st.integers(2, 400), st.data())
def test_the_end_may_be_missing(planned: int, data: st.DataObject) -> None:
    tape = Tape.clean(planned)
    there = data.draw(st.integers(1, planned - 1))
    tape.lose(there, planned - there)
    tape.check(tape.aligned())


@given(st.integers(2, 300), st.integers(1, 40))
def test_the_beginning_may_be_missing(planned: int, lost: int) -> None:
    tape = Tape.clean(planned + lost)
    tape.lose(0, lost)
    tape.check(tape.aligned())


@given(st.integers(1, 300), st.integers(1, 127))
def test_numbers_may_begin_elsewhere_without_a_packet_missing(planned: int, first: int) -> None:
    tape = Tape.clean(planned)
    tape.packets = [(place, (place + first) % 128) for place in range(planned)]
    tape.expected = [(OrderFault.JUMP if planned > 1 else OrderFault.WRONG_NUMBER, 0, 1)]
    tape.check(tape.aligned())


@given(st.integers(1, 4))
def test_a_counter_that_leaves_00_out_is_a_jump_and_no_loss(laps: int) -> None:
    tape = Tape.clean(100 + 127 * laps)
    # 00, 01 ... 7F, 01, 02 ...: the fault of the numbers, the packets are all there (M1 p. 39).
    tape.packets = [
        (place, place if place < 128 else (place - 1) % 127 + 1) for place in range(tape.planned)
    ]
    jumps = [place for place in range(128, tape.planned) if tape.packets[place] == (place, 1)]
    tape.expected = [(OrderFault.JUMP, place, 1) for place in jumps]
    tape.check(tape.aligned())


@given(st.integers(3, 200), st.data())
def test_a_stretch_that_stands_twice_is_named_packet_by_packet(
    planned: int, data: st.DataObject
) -> None:
    count = data.draw(st.integers(2, min(planned, 20)))
    first = data.draw(st.integers(0, planned - count))
    tape = Tape.clean(planned)
    again = tape.packets[first : first + count]
    tape.packets[first + count : first + count] = again
    tape.expected = [(OrderFault.REPEAT, place, 1) for place in range(first, first + count)]
    tape.check(tape.aligned())


@given(st.integers(1, 300), st.integers(0, 127))
def test_without_a_header_any_first_number_will_do(count: int, first: int) -> None:
    numbers = np.array([(first + index) % 128 for index in range(count)], np.uint8)
    alignment = align(Observed(numbers=numbers, row=lambda index: b"", headless=True))
    assert alignment.events == ()
    assert [alignment.place_of(index) for index in range(count)] == list(range(count))


def test_a_resend_with_the_right_checksum_is_the_one_that_is_decoded() -> None:
    numbers = np.array([0, 1, 1, 2], np.uint8)
    rows = [b"zero", b"one, spoiled", b"one", b"two"]
    alignment = align(
        Observed(numbers=numbers, row=rows.__getitem__, planned=3, sound=lambda at: at != 1)
    )
    assert alignment.stored is not None
    assert alignment.stored.tolist() == [0, 2, 3]
    assert alignment.events == (OrderEvent(OrderFault.REPEAT, 2, 1, same=False),)


def test_silence_under_a_neighbours_number_is_a_wrong_number_and_no_repeat() -> None:
    numbers = np.array([0, 1, 1, 3], np.uint8)  # the third should be 2; its bytes equal the second
    alignment = align(Observed(numbers=numbers, row=lambda at: bytes([numbers[at]]), planned=4))
    assert [(event.what, event.place) for event in alignment.events] == [
        (OrderFault.WRONG_NUMBER, 2)
    ]


@given(
    st.lists(st.integers(0, 127), max_size=300),
    st.none() | st.integers(0, 400),
    st.lists(st.integers(0, 300), max_size=5),
    st.booleans(),
)
def test_any_numbers_find_some_order(
    numbers: list[int], planned: int | None, wrecks: list[int], headless: bool
) -> None:
    alignment = align(
        Observed(
            numbers=np.array(numbers, np.uint8),
            row=lambda index: bytes([numbers[index]]),
            planned=planned,
            wrecks=sorted(min(wreck, len(numbers)) for wreck in wrecks),
            headless=headless,
        )
    )
    places = [alignment.place_of(index) for index in range(len(numbers))]
    assert all(place >= 0 for place in places)
    if alignment.stored is not None:
        stored = [places[index] for index in alignment.stored]
        assert stored == sorted(set(stored))
        assert planned is None or all(place < planned for place in stored)
    assert len(alignment.wrecks) == len(wrecks)
    for event in alignment.events:
        assert event.how_many > 0
        assert -1 <= event.packet < len(numbers)
