"""The memory image of a unit: what its battery keeps, as bytes that can be checked.

Theory of operation.  An image is one piece: a first line that says what it is, a JSON header with
the books (banks, slots, who has which words), the words, and a SHA-256 over all that.  It is taken
whole or not at all, so a unit never comes up with half of one.  Reading and writing files is for
higher floors.
"""

import hashlib
import json
from fractions import Fraction
from typing import Any, Final

import numpy as np

from emulator.dump.sample import Loop, Sample
from emulator.unit.board import RackUnit
from emulator.unit.memory import Holding, Region
from emulator.unit.slots import Slot
from emulator.wire.words import word_dtype

MAGIC: Final = b"dryload memory image 1\n"
_Kept = tuple[int, str, bool, Sample | None, Holding]
_DIGEST_BYTES: Final = 32
_LENGTH_BYTES: Final = 8


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
        raise ImageError("it is no memory image of dryload")
    if hashlib.sha256(content).digest() != digest:
        raise ImageError("it is damaged: its checksum is wrong")
    try:
        header, kept = _read(content)
        _check_unit(unit, header)
        unit.memory.restore(
            fitted=tuple(header["fitted"]),
            initialised=header["initialised"],
            taken=[holding for *_, holding in kept],
        )
    except ImageError:
        raise
    except (ValueError, KeyError, TypeError) as problem:
        raise ImageError("it is damaged: its books make no sense") from problem
    for number, name, protected, sample, holding in kept:
        slot = unit.slots[number]
        slot.rename(name)
        slot.protected = protected
        if sample is not None:
            slot.put(sample, holding)
    unit.panel.device_id = header["device_id"]
    unit.panel.receive_exclusive = header["receive_exclusive"]
    unit.panel.awaiting_confirm = header["awaiting_confirm"]


def _read(content: bytes) -> tuple[dict[str, Any], list[_Kept]]:
    """Return the header and what each slot keeps."""
    start = len(MAGIC) + _LENGTH_BYTES
    size = int.from_bytes(content[len(MAGIC) : start], "big")
    header = json.loads(content[start : start + size])
    words = memoryview(content)[start + size :]
    kept = [
        (
            document["slot"],
            document["name"],
            document["protected"],
            None if document["sample"] is None else _sample(document["sample"], words),
            _holding(document),
        )
        for document in header["slots"]
    ]
    return header, kept


def _check_unit(unit: RackUnit, header: dict[str, Any]) -> None:
    if header["unit"] != unit.profile.unit.name:
        raise ImageError(f"it belongs to the unit {header['unit']}")
    traits = unit.memory.traits
    slots = [document["slot"] for document in header["slots"]]
    if (
        header["bank_words"] != traits.bank_words
        or max(header["fitted"], default=0) > traits.places
        or max(slots, default=0) > len(unit.slots)
    ):
        raise ImageError("it comes from a unit of this name with other memory or other slots")


def _is_kept(slot: Slot) -> bool:
    return bool(slot.sample or slot.name or slot.protected)


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


def _holding(document: dict[str, Any]) -> Holding:
    return Holding(tuple(Region(start, words) for start, words in document["regions"]))


def _sample(document: dict[str, Any], words: memoryview) -> Sample:
    dtype = word_dtype(document["bits"])
    data = words[document["start"] : document["start"] + document["bytes"]]
    return Sample(
        words=np.frombuffer(data, dtype.newbyteorder("<")).astype(dtype),
        bits=document["bits"],
        rate=Fraction(*document["rate"]),
        channels=document["channels"],
        sustain=_loop(document["sustain"]),
        loops=tuple((number, _loop(loop)) for number, loop in document["loops"]),
    )


def _loop(document: list[int]) -> Loop:
    start, end, loop_type = document
    return Loop(start=start, end=end, loop_type=loop_type)
