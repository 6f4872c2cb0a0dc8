"""The memory image of a unit: what its battery keeps, as bytes that can be checked.

Theory of operation.  An image is one piece: a first line that says what it is, a JSON header with
the books (banks, slots, who has which words), the words, and a SHA-256 over all that.  It is taken
whole or not at all, so a unit never comes up with half of one.  Reading and writing files is for
higher floors.
"""

import hashlib
import json
from fractions import Fraction
from typing import Annotated, Any, Final

import msgspec
import numpy as np
from msgspec import Meta

from dryload.emulator.dump.sample import Loop, Sample
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.memory import Holding, Region
from dryload.emulator.unit.slots import Slot
from dryload.emulator.wire.constants import (
    MAX_35_BIT,
    MAX_BITS,
    MAX_CHANNELS,
    MAX_NAME,
    MAX_SAMPLE_NUMBER,
    MIN_BITS,
)
from dryload.emulator.wire.words import word_dtype

MAGIC: Final = b"dryload memory image 1\n"
_DIGEST_BYTES: Final = 32
_LENGTH_BYTES: Final = 8

_Count = Annotated[int, Meta(ge=0, lt=1 << 62)]
_Positive = Annotated[int, Meta(ge=1, lt=1 << 62)]
_Frame = Annotated[int, Meta(ge=0, le=MAX_35_BIT)]  # EXT-03
_SevenBits = Annotated[int, Meta(ge=0, le=127)]
_LoopBooks = tuple[_Frame, _Frame, _SevenBits]


class _SampleBooks(msgspec.Struct, frozen=True):
    """What the header says of a sample: where its words are, and the rest."""

    start: _Count
    bytes: _Count
    bits: Annotated[int, Meta(ge=MIN_BITS, le=MAX_BITS)]
    rate: tuple[_Positive, _Positive]
    channels: Annotated[int, Meta(ge=1, le=MAX_CHANNELS)]
    sustain: _LoopBooks
    loops: list[tuple[Annotated[int, Meta(ge=1, lt=MAX_SAMPLE_NUMBER)], _LoopBooks]]


class _SlotBooks(msgspec.Struct, frozen=True):
    """What it says of a slot."""

    slot: _Positive
    name: Annotated[str, Meta(max_length=MAX_NAME)]
    protected: bool
    regions: list[tuple[_Count, _Positive]]
    sample: _SampleBooks | None

    @property
    def holding(self) -> Holding:
        return Holding(tuple(Region(start, words) for start, words in self.regions))


class _Books(msgspec.Struct, frozen=True):
    """The header: what the file says, whoever wrote it."""

    unit: str
    bank_words: int
    fitted: list[_Positive]
    initialised: bool
    device_id: Annotated[int, Meta(ge=0, le=126)]  # DEV-01
    receive_exclusive: bool
    awaiting_confirm: _Positive | None
    slots: list[_SlotBooks]


class ImageError(ValueError):
    """An image that can't be taken; the message says why, in plain words."""


def image_of(unit: RackUnit) -> bytes:
    """Return everything that the unit's battery keeps."""
    words: list[bytes] = []
    slots = [_slot_document(slot, words) for slot in unit.slots if _is_kept(slot)]
    header = json.dumps(
        {
            "unit": unit.profile.unit.name,
            "bank_words": unit.memory.traits.bank_words,
            "fitted": unit.memory.fitted,
            "initialised": unit.memory.initialised,
            "device_id": unit.panel.device_id,
            "receive_exclusive": unit.panel.receive_exclusive,
            "awaiting_confirm": unit.panel.awaiting_confirm,
            "slots": slots,
        }
    ).encode()
    content = b"".join((MAGIC, len(header).to_bytes(_LENGTH_BYTES, "big"), header, *words))
    return content + hashlib.sha256(content).digest()


def restore(unit: RackUnit, image: bytes) -> None:
    """Put what an image holds into a unit that has just been made.

    ImageError where the image is damaged, of another kind or of another unit; the unit is then as
    it was.
    """
    content, digest = image[:-_DIGEST_BYTES], image[-_DIGEST_BYTES:]
    if not content.startswith(MAGIC):
        raise ImageError("it is not a memory image of dryload")
    if hashlib.sha256(content).digest() != digest:
        raise ImageError("it is damaged: its checksum is wrong")
    try:
        books, words = _read(content)
        _check_unit(unit, books)
        samples = [
            None if one.sample is None else _sample(one.sample, words) for one in books.slots
        ]
        unit.memory.restore(
            fitted=books.fitted,
            initialised=books.initialised,
            taken=[one.holding for one in books.slots],
        )
    except ImageError:
        raise
    except (ValueError, RecursionError) as problem:
        raise ImageError("it is damaged: its contents are inconsistent") from problem
    for one, sample in zip(books.slots, samples, strict=True):
        slot = unit.slots[one.slot]
        slot.rename(one.name)
        slot.protected = one.protected
        if sample is not None:
            slot.put(sample, one.holding)
    unit.panel.device_id = books.device_id
    unit.panel.receive_exclusive = books.receive_exclusive
    unit.panel.awaiting_confirm = books.awaiting_confirm


def _read(content: bytes) -> tuple[_Books, memoryview]:
    """Return the header and the words; ValueError for a header that says what cannot be."""
    start = len(MAGIC) + _LENGTH_BYTES
    size = int.from_bytes(content[len(MAGIC) : start], "big")
    books = msgspec.json.decode(content[start : start + size], type=_Books)
    return books, memoryview(content)[start + size :]


def _check_unit(unit: RackUnit, books: _Books) -> None:
    if books.unit != unit.profile.unit.name:
        raise ImageError(f"it belongs to the unit {books.unit}")
    traits = unit.memory.traits
    slots = [one.slot for one in books.slots]
    if (
        books.bank_words != traits.bank_words
        or max(books.fitted, default=0) > traits.places
        or max((*slots, books.awaiting_confirm or 0), default=0) > len(unit.slots)
    ):
        raise ImageError("it comes from a unit of this name with different memory or slots")
    if len(set(slots)) < len(slots):
        raise ValueError("a slot is there twice")


def _is_kept(slot: Slot) -> bool:
    return bool(slot.written or slot.name or slot.protected)


def _slot_document(slot: Slot, words: list[bytes]) -> dict[str, Any]:
    sample = slot.sample
    return {
        "slot": slot.number,
        "name": slot.name,
        "protected": slot.protected,
        "regions": [[region.start, region.words] for region in slot.holding.regions],
        "sample": None if sample is None else _sample_document(sample, words),
    }


def _sample_document(sample: Sample, words: list[bytes]) -> dict[str, Any]:
    data = sample.words.astype(sample.words.dtype.newbyteorder("<")).tobytes()
    start = sum(len(each) for each in words)
    words.append(data)
    return {
        "start": start,
        "bytes": len(data),
        "bits": sample.bits,
        "rate": [sample.rate.numerator, sample.rate.denominator],
        "channels": sample.channels,
        "sustain": _loop_document(sample.sustain),
        "loops": [[number, _loop_document(loop)] for number, loop in sample.loops],
    }


def _loop_document(loop: Loop) -> list[int]:
    return [loop.start, loop.end, loop.loop_type]


def _sample(books: _SampleBooks, words: memoryview) -> Sample:
    """Return a sample; ValueError where its words are not there or are wider than it says."""
    dtype = word_dtype(books.bits)
    data = words[books.start : books.start + books.bytes]
    if len(data) < books.bytes:
        raise ValueError("words are missing")
    content = np.frombuffer(data, dtype.newbyteorder("<")).astype(dtype)
    top = 1 << (books.bits - 1)
    if content.size and not -top <= content.min() <= content.max() < top:
        raise ValueError(f"words are wider than {books.bits} bits")
    return Sample(
        words=content,
        bits=books.bits,
        rate=Fraction(*books.rate),
        channels=books.channels,
        sustain=_loop(books.sustain),
        loops=tuple((number, _loop(loop)) for number, loop in books.loops),
    )


def _loop(books: _LoopBooks) -> Loop:
    start, end, loop_type = books
    return Loop(start=start, end=end, loop_type=loop_type)
