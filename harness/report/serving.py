"""Events of a served unit: one JSON object for each, or plain lines.

Every object has "event", "time_ns" (since serving began) and "message" (plain words).  The first
also has "schema".  The events and their other keys:

    ready              "profile", "port", "device_id", "samples", "image", "byte_ns"; it can be
                       reached from now on
    peer               "peer": who is connected by TCP, "" for nobody
    turned away        "turned_away": connections closed because somebody else was there
    header             "sample_number", "words", "bits", "channels", "slot", "packets": it begins
    progress           "sample_number", "packets" stored, "expected"; at most once a second
    loaded, loaded with changes, refused, incomplete
                       "sample_number", "slot", "words" kept, "announced", "kept", "changes"; a dump
                       that is refused by its header has the reason in its message alone
    faulty, jumped, repeated
                       "packet": counted from 0, never wrapping
    overrun, cancelled, not heard
                       bytes lost in the unit's input buffer; CANCEL from the sender; a header or a
                       request that the unit does not obey, with "device_id" and "sample_number"
    waiting, to confirm
                       "sample_number" of a header that has to wait; "slot" to be confirmed
    request answered, sent
                       "sample_number", "words"; "sample_number", "packets"
    action, mistake    "action": what was done at the panel, or why it was not
    image written      "bytes"
    image not written, set aside, capture ended
    late               "missed", "worst_ns", "lost_bytes": this computer, never the unit; at most
                       once a second
    end                "samples": what the unit holds, and "image"

Of each kind at most 20 are shown in a second; "left_out" is the number left out before this one.
"""

from typing import Final

from dryload.emulator.unit.slots import Slot
from dryload.emulator.wire.constants import BYTE_NS
from dryload.emulator.wire.prose import counted
from dryload.harness.jobs.front_panel import Note, View
from dryload.harness.report.document import Document, fields_of, written

SCHEMA: Final = "dryload/serve/1"
_SECOND_NS: Final = 1_000_000_000


def line_of(note: Note) -> str:
    """Return the JSON object of a note, on one line."""
    schema = {"schema": SCHEMA} if note.event == "ready" else {}
    known = {"event": note.event, "time_ns": note.time_ns, "message": note.text}
    return written({**schema, **known, **note.facts}, indent=None)


def plain_line(note: Note) -> str:
    """Return a note as a line for people."""
    tenths = note.time_ns * 10 // _SECOND_NS
    clock = f"{tenths // 600:3}:{tenths // 10 % 60:02}.{tenths % 10}"
    return f"{clock}  {note.text}"


def slot_document(slot: Slot) -> Document:
    """Return what a slot holds."""
    sample = slot.written
    assert sample is not None
    return {
        "slot": slot.number,
        "words": len(sample.words),
        **fields_of(slot, "sample_number", "name", "protected"),
        **fields_of(sample, "bits", "channels"),
    }


def ready(view: View, *, paced: bool) -> tuple[str, dict[str, object]]:
    """Return text and facts of the first event."""
    pace = "" if paced else ", not at the pace of a MIDI line"
    kept = _kept_where(view) if view.image else "without --image everything is lost at the end"
    return (
        f"{view.profile} is ready at {view.port}{pace}; it holds {_held(view)}; {kept}",
        {
            "profile": view.profile,
            "port": view.port,
            "device_id": view.device_id,
            "samples": [slot_document(slot) for slot in view.slots],
            "image": view.image or None,
            "byte_ns": BYTE_NS if paced else 0,
        },
    )


def end(view: View) -> tuple[str, dict[str, object]]:
    """Return text and facts of the last event."""
    where = _kept_where(view)
    if view.image_problem:
        where = f"its memory could not be written: {view.image_problem}"
    samples = [slot_document(slot) for slot in view.slots]
    text = f"{view.profile} holds {_held(view)}; {where}"
    return text, {"samples": samples, "image": view.image or None}


def _held(view: View) -> str:
    return counted(len(view.slots), "sample") if view.slots else "no samples"


def _kept_where(view: View) -> str:
    if view.image:
        return f"its memory is kept in {view.image}"
    return "everything is lost, because there is no --image" if view.slots else "nothing is kept"
