"""The memory image: whole or not at all."""

import copy
import hashlib
import json
from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from dryload.emulator.dump.sample import Loop, Sample
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import MAGIC, ImageError, image_of, restore
from dryload.emulator.unit.memory import Holding, Memory, Region
from dryload.emulator.unit.profile import load_profile
from dryload.emulator.unit.traits import MemoryTraits
from tests import oracle

PROFILE = load_profile()


def filled() -> RackUnit:
    """Return a unit with three samples, a hole between them, a name and loops."""
    unit = RackUnit(PROFILE)
    for number, words in ((1, 100), (2, 50), (7, 31)):
        holding = unit.memory.allocate(words)
        assert isinstance(holding, Holding)
        sample = Sample(
            words=np.arange(words, dtype=np.int16) - 40,
            bits=12 + number % 4,
            rate=Fraction(44_100_000, 1_001),
            sustain=Loop(start=3, end=20, loop_type=1),
            loops=((4, Loop(start=1, end=2, loop_type=0)),),
        )
        unit.slots[number].put(sample, holding)
    unit.memory.free(unit.slots[2].clear())
    unit.slots[7].rename("Ship's bell")
    unit.panel.protect(7, True, 0)
    unit.panel.protect(9, True, 0)  # an empty one
    unit.panel.set_device_id(9, 0)
    unit.panel.set_receive_filter(False, 0)
    return unit


def contents(unit: RackUnit) -> object:
    """Return all that a battery keeps, in plain values."""
    samples = [
        (
            slot.number,
            slot.name,
            slot.protected,
            slot.holding,
            slot.sample and slot.sample.words.tolist(),
        )
        for slot in unit.slots
    ]
    return (
        samples,
        [slot.loops() for slot in unit.slots],
        [slot.sample and (slot.sample.bits, slot.sample.rate) for slot in unit.slots],
        unit.memory.stretches(),
        unit.memory.fitted,
        unit.memory.initialised,
        unit.panel.device_id,
        unit.panel.receive_exclusive,
    )


def test_a_unit_comes_up_as_it_was() -> None:
    before = filled()
    after = RackUnit(PROFILE)

    restore(after, image_of(before))

    assert contents(after) == contents(before)


def test_a_unit_that_was_not_initialised_comes_up_like_that() -> None:
    before = RackUnit(PROFILE)
    before.panel.fit_banks([1], 0)
    after = RackUnit(PROFILE)

    restore(after, image_of(before))

    assert contents(after) == contents(before)
    assert not after.memory.initialised


IMAGE = image_of(filled())


@given(place=st.integers(0, len(IMAGE) - 1), bit=st.integers(0, 7))
def test_one_flipped_bit_anywhere_is_noticed_and_changes_nothing(place: int, bit: int) -> None:
    damaged = bytearray(IMAGE)
    damaged[place] ^= 1 << bit
    unit = RackUnit(PROFILE)
    before = contents(unit)

    with pytest.raises(ImageError, match="it is"):
        restore(unit, bytes(damaged))

    assert contents(unit) == before


# Whoever can write a file can write a right checksum as well.

START = len(MAGIC) + 8
BOOKS = START + int.from_bytes(IMAGE[len(MAGIC) : START], "big")
HEADER = json.loads(IMAGE[START:BOOKS])


def signed(header: bytes, words: bytes = IMAGE[BOOKS:-32]) -> bytes:
    content = MAGIC + len(header).to_bytes(8, "big") + header + words
    return content + hashlib.sha256(content).digest()


def places(value: object, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Yield where each value of a JSON document stands."""
    yield path
    inside: Iterable[tuple[str | int, object]] = ()
    if isinstance(value, dict):
        inside = value.items()
    elif isinstance(value, list):
        inside = enumerate(value)
    for key, each in inside:
        yield from places(each, (*path, key))


def forged(path: tuple[str | int, ...], value: object) -> bytes:
    """Return the image with another value in one place of its books."""
    books: Any = {"": copy.deepcopy(HEADER)}
    holder: Any = books
    key: str | int = ""
    for step in path:
        holder, key = holder[key], step
    holder[key] = value
    return signed(json.dumps(books[""]).encode())


def check_it_works(unit: RackUnit) -> None:
    """A unit that has come up can be asked for everything, and its memory kept again."""
    for slot in unit.slots:
        device, number = unit.panel.device_id, slot.sample_number
        for question in (
            oracle.dump_request(device_id=device, sample_number=number),
            oracle.loop_points_request(
                extended=True, device_id=device, sample_number=number, loop_number=0x3FFF
            ),
            oracle.sample_name_request(device_id=device, sample_number=number),
        ):
            unit.panel.receive_exclusive = True
            unit.receive_bytes(question, 0)
            while unit.bytes_to_send():
                pass
        unit.receive_bytes(oracle.handshake(device_id=device, kind="CANCEL"), 0)
    restore(RackUnit(PROFILE), image_of(unit))


def check_taken_whole_or_not_at_all(image: bytes) -> None:
    unit = RackUnit(PROFILE)
    before = contents(unit)
    try:
        restore(unit, image)
    except ImageError:
        assert contents(unit) == before
    else:
        check_it_works(unit)


ODD: st.SearchStrategy[object] = (
    st.none()
    | st.booleans()
    | st.integers(-3, 40)
    | st.sampled_from([127, 128, 16_383, 16_384, 1 << 21, 1 << 35, 1 << 63, 10**400, -(1 << 70)])
    | st.floats()
    | st.text(max_size=200)
    | st.lists(st.integers(-2, 3), max_size=4)
    | st.just({})
)


@given(path=st.sampled_from(sorted(places(HEADER), key=str)), value=ODD)
def test_a_forged_value_under_a_right_checksum_is_refused_or_works(
    path: tuple[str | int, ...], value: object
) -> None:
    check_taken_whole_or_not_at_all(forged(path, value))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("slots", 0, "sample", "rate"), [44_100, 0]),
        (("slots", 0, "sample", "rate"), [0, 1]),
        (("slots", 0, "slot"), -1),
        (("slots", 0, "slot"), 0),
        (("slots", 0, "slot"), 7),  # there already
        (("slots", 0, "sample", "bits"), 29),
        (("slots", 0, "sample", "bytes"), 1 << 40),
        (("awaiting_confirm",), 65),
        (("device_id",), 127),
        (("slots", 1, "sample", "sustain", 2), 128),
        (("slots", 1, "name"), "x" * 128),
        ((), []),
    ],
)
def test_a_forged_image_is_refused(path: tuple[str | int, ...], value: object) -> None:
    unit = RackUnit(PROFILE)
    before = contents(unit)
    with pytest.raises(ImageError, match=r"it is damaged|different memory or slots"):
        restore(unit, forged(path, value))
    assert contents(unit) == before


def test_books_that_are_nested_without_end_or_no_json_are_refused() -> None:
    for header in (b"[" * 200_000, b'{"slots":' * 5_000, b"\xff\xfe", b"", b"null", b"1" * 9_000):
        with pytest.raises(ImageError, match="it is damaged"):
            restore(RackUnit(PROFILE), signed(header))


def test_words_that_are_wider_than_the_books_say_are_refused() -> None:
    header = json.dumps(HEADER).encode()
    assert HEADER["slots"][0]["sample"]["bits"] == 13  # of the 16 bits that they are kept in
    words = bytearray(IMAGE[BOOKS:-32])
    restore(RackUnit(PROFILE), signed(header, bytes(words)))
    words[1] = 0x10  # 4096 in little-endian order: the highest of 13 bits is 4095
    with pytest.raises(ImageError, match="it is damaged"):
        restore(RackUnit(PROFILE), signed(header, bytes(words)))


@given(length=st.integers(0, len(IMAGE) - 1))
def test_an_image_cut_short_anywhere_is_noticed(length: int) -> None:
    with pytest.raises(ImageError):
        restore(RackUnit(PROFILE), IMAGE[:length])


@pytest.mark.parametrize("foreign", [b"", b"\xff\xd8\xff\xe0 a picture", MAGIC])
def test_what_is_no_image_is_refused(foreign: bytes) -> None:
    with pytest.raises(ImageError):
        restore(RackUnit(PROFILE), foreign + hashlib.sha256(foreign).digest())


def test_the_image_of_another_unit_is_refused() -> None:
    with pytest.raises(ImageError, match="belongs to the unit lantern-desk"):
        restore(RackUnit(load_profile("stage-door")), IMAGE)


@pytest.mark.parametrize(
    "other",
    [
        replace(PROFILE, memory=replace(PROFILE.memory, bank_words=4_096)),
        replace(PROFILE, memory=replace(PROFILE.memory, places=1, fitted=(1,))),
        replace(PROFILE, slots=replace(PROFILE.slots, count=3)),
    ],
    ids=["bank size", "places", "slots"],
)
def test_a_unit_of_the_same_name_with_another_memory_is_refused(other: object) -> None:
    with pytest.raises(ImageError, match="different memory or slots"):
        restore(RackUnit(other), IMAGE)  # type: ignore[arg-type]  # replace() of a Profile


@pytest.mark.parametrize(
    "regions",
    [
        [Region(0, 10), Region(9, 5)],
        [Region(90, 11)],
    ],
    ids=["overlapping", "beyond the end"],
)
def test_a_memory_refuses_what_cannot_be_and_stays_as_it_is(regions: list[Region]) -> None:
    memory = Memory(MemoryTraits(bank_words=100, places=1, fitted=(1,)))
    held = memory.allocate(7)
    before = memory.stretches()
    with pytest.raises(ValueError, match="overlap"):
        memory.restore(fitted=(1,), initialised=True, taken=[Holding(tuple(regions))])
    assert memory.stretches() == before
    assert isinstance(held, Holding)
