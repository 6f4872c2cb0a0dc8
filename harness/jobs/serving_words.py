"""Words for what became of a dump at a served unit."""

from typing import Final

from emulator.dump.events import EventKind
from emulator.unit.keeper import Receipt
from emulator.wire.messages import Header
from emulator.wire.prose import counted
from emulator.wire.sizes import packets_for
from harness.jobs.overheard import words_of

FAULTS: Final = {
    EventKind.FAULTY: ("faulty", "packet {} was not taken: its checksum or its form is wrong"),
    EventKind.JUMPED: ("jumped", "packet {} came with another number than was expected"),
    EventKind.REPEATED: ("repeated", "a packet came again after {} were stored"),
}
"""Event and text of what the unit did not take as it came, with a place for the packet."""


def packets_of(header: Header) -> int | None:
    """Return the packets that a header announces, None where its width is none (HDR-03)."""
    try:
        return packets_for(words_of(header), header.bits)
    except ValueError:
        return None


def told(receipt: Receipt) -> tuple[str, str]:
    """Return event and text of a dump that has ended."""
    what, changes = f"sample {receipt.sample_number}", "; ".join(receipt.changes)
    where = f"slot {receipt.slot} holds {counted(receipt.words, 'word')}"
    if not receipt.kept:
        return "refused" if receipt.whole else "incomplete", f"{what}: nothing kept, {changes}"
    if not receipt.whole:
        return "incomplete", f"{what} ended early: {where}; {changes}"
    if receipt.changes:
        return "loaded with changes", f"{what}: {where}; {changes}"
    return "loaded", f"{what}: {where}"


def late_words(missed: int, worst_ns: int, lost_bytes: int) -> str:
    """Return the text of how late this computer was."""
    text = f"this computer was late {counted(missed, 'time')}, at worst {worst_ns / 1e6:.1f} ms"
    if lost_bytes:
        text += f", and {counted(lost_bytes, 'byte')} were lost because more came than can be held"
    return text
