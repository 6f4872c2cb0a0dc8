"""What each key of a profile means, as a sentence for each value.

Theory of operation.  `SENTENCES` maps a key ("section.field") to its sentences: a dictionary for a
closed list and for yes or no, a function for everything else.  The sentence "" is left out. Every
key of a profile is listed here; a test compares the keys with the sections.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from dryload.emulator.wire.prose import counted, listed

Sentence = Mapping[Any, str] | Callable[[Any], str]
_MS: Final = 1_000_000
_S: Final = 1_000_000_000


def _ms(ns: int) -> str:
    return f"{ns / _S:g} s" if ns >= _S else f"{ns / _MS:g} ms"


def _widths(widths: Sequence[int]) -> str:
    ordered = sorted(widths)
    run = ordered == list(range(ordered[0], ordered[-1] + 1)) and len(ordered) > 2
    return f"{ordered[0]} to {ordered[-1]}" if run else listed(ordered, "and")


def _times(limit: int) -> str:
    return "one failure" if limit == 1 else f"{limit} failures"


TITLES: Final[Mapping[str, str]] = {
    "unit": "Address",
    "identity": "Identity",
    "knows": "Messages it supports besides header, packets and handshakes",
    "memory": "Memory",
    "slots": "Slots",
    "words": "Words",
    "input": "Input",
    "panel": "Front panel",
    "habits": "Habits as a receiver",
    "sending": "Habits as a sender",
}
"""What a section of a profile is called."""

SENTENCES: Final[Mapping[str, Sentence]] = {
    "unit.name": {},
    "unit.description": {},
    "unit.device_id": lambda value: f"Its device ID is {value}.",
    "unit.all_call": {
        True: "It accepts messages to all devices (ID 127).",
        False: "It ignores messages to all devices (ID 127).",
    },
    "identity.maker": lambda value: f"Maker ID {' '.join(f'{byte:02X}' for byte in value)}.",
    "identity.family": lambda value: f"Family {value}.",
    "identity.member": lambda value: f"Member {value}.",
    "identity.revision": lambda value: f"Revision {' '.join(str(byte) for byte in value)}.",
    "knows.requests": {
        True: "Dump requests.",
        False: "No dump requests: nothing can be read back.",
    },
    "knows.loops": {True: "Loop points.", False: "No loop points."},
    "knows.extended": {
        True: "The extended dump header and extended loop points.",
        False: "No extended dump header: no long samples and no stereo.",
    },
    "knows.names": {True: "Sample names.", False: "No sample names."},
    "knows.identity": {True: "Identity requests.", False: "No identity requests."},
    "memory.bank_words": lambda value: f"A bank holds {counted(value, 'word')}.",
    "memory.places": lambda value: f"It has room for {counted(value, 'bank')}.",
    "memory.fitted": lambda value: f"Fitted: bank {listed(value, 'and')}.",
    "memory.block_words": lambda value: (
        "" if value == 1 else f"Memory is allocated in blocks of {counted(value, 'word')}."
    ),
    "memory.contiguous": {
        True: "A sample must lie in one piece.",
        False: "A sample may be split over several holes.",
    },
    "memory.room": {
        "at header": "A sample that is too long is detected from its header.",
        "as it fills": "A sample that is too long is detected when the memory is full.",
    },
    "memory.initialised": {
        True: "Its memory is ready to take samples.",
        False: "Its memory must be initialised first.",
    },
    "memory.battery": {
        True: "Samples survive a power cut.",
        False: "Samples are lost in a power cut.",
    },
    "memory.start_word": lambda value: (
        f"The unit keeps {counted(value, 'word')} of it for itself." if value else ""
    ),
    "memory.arrangement": {
        "in a row": "Its banks follow one another.",
        "in turns": "Each word lies in another bank than the one before it.",
        "side by side": "Each bank holds a piece of every word.",
    },
    "memory.cells": {
        "words": "A bank holds a word at each address.",
        "bytes": "A bank holds words byte by byte.",
        "twelve bits": "A bank holds two words of 12 bits in three bytes.",
    },
    "memory.faults": lambda value: f"At fault: {'; '.join(value)}." if value else "",
    "slots.count": lambda value: f"{counted(value, 'slot')}.",
    "slots.first_number": lambda value: f"Sample number {value} goes to slot 1.",
    "slots.protected": lambda value: (
        f"Protected: slot {listed(value, 'and')}." if value else "None is protected."
    ),
    "slots.name_length": lambda value: (
        f"Names are cut after {counted(value, 'letter')}." if value else "It keeps no names."
    ),
    "slots.replace": {
        "at once": "The old sample in a slot is deleted when the new header is accepted.",
        "when whole": "The old sample in a slot is deleted when the new one is complete.",
    },
    "words.accepts": lambda value: f"It keeps words of {_widths(value)} significant bits.",
    "words.others": {
        "refuse": "Other widths are refused.",
        "cut": "Other widths are converted by cutting off low bits.",
        "round": "Other widths are converted by rounding.",
    },
    "words.others_to": lambda value: f"Other widths become {value} bits.",
    "words.channels": lambda value: f"Channels: {listed(value)}.",
    "input.buffer_bytes": lambda value: (
        f"Its input buffer holds {counted(value, 'byte')}; what does not fit is lost."
    ),
    "input.store_packet_ns": lambda value: f"It takes {_ms(value)} to store a packet.",
    "input.store_header_ns": lambda value: f"It takes {_ms(value)} to process a header.",
    "input.receive_exclusive": {
        True: "",
        False: "Its receive filter blocks System Exclusive until somebody opens it.",
    },
    "input.drop_every_byte": lambda value: f"It loses every {value:,}th byte." if value else "",
    "panel.confirm": {
        "never": "Nothing has to be confirmed.",
        "each dump": "Each dump has to be confirmed at the front panel.",
    },
    "panel.unconfirmed": {
        "wait": "Until the last dump is confirmed, the next header gets WAIT.",
        "ignore": "Until the last dump is confirmed, the next header gets no answer.",
        "cancel": "Until the last dump is confirmed, the next header gets CANCEL.",
    },
    "habits.number_jump": {
        "store": "A packet with an unexpected number is stored and acknowledged.",
        "nak": "A packet with an unexpected number gets NAK.",
        "cancel": "A packet with an unexpected number gets CANCEL, and the dump is over.",
        "ignore": "A packet with an unexpected number gets no answer.",
    },
    "habits.repeated_packet": {
        "acknowledge": "A packet that comes again is acknowledged and not stored twice.",
        "store": "A packet that comes again is stored a second time.",
    },
    "habits.bad_form": {
        "nak": "A packet of wrong length gets NAK.",
        "ignore": "A packet of wrong length gets no answer.",
    },
    "habits.bad_checksum": {
        "nak": "A packet with a wrong checksum gets NAK.",
        "store": "Checksums are ignored.",
    },
    "habits.header_in_dump": {
        "restart": "A header in the middle of a dump begins a new one.",
        "ignore": "A header in the middle of a dump gets no answer.",
        "cancel": "A header in the middle of a dump gets CANCEL, and the dump is over.",
    },
    "habits.header_ack_number": {
        "zero": "The answer to a header carries packet number 0.",
        "127": "The answer to a header carries packet number 127.",
        "last": "The answer to a header carries the number of the last packet that arrived.",
        "varying": "The answer to a header carries another packet number every time.",
    },
    "habits.packet_ack_number": {
        "packet": "The answer to a packet carries that packet's number.",
        "next": "The answer to a packet carries the number of the next one.",
        "zero": "The answer to a packet always carries number 0.",
    },
    "habits.reply_id": {
        "own": "Its answers carry its own device ID.",
        "received": "Its answers carry the device ID of the message they answer.",
    },
    "habits.final_ack": {
        True: "The last packet is answered like any other.",
        False: "The last packet gets no answer.",
    },
    "habits.answers": {
        True: "It answers: closed loop.",
        False: "It never answers: open loop.",
    },
    "habits.wait_before_ack": {
        True: "It sends WAIT before every ACK.",
        False: "It sends no WAIT before an ACK.",
    },
    "habits.nak_limit": lambda value: (
        f"After {_times(value)} of one packet it sends CANCEL instead of NAK."
        if value
        else "It sends NAK however often one packet fails."
    ),
    "habits.idle_limit_ns": lambda value: (
        f"A dump that stops for {_ms(value)} is given up."
        if value
        else "A dump that stops is never given up."
    ),
    "habits.partial": {
        "drop": "A dump that ends early is discarded.",
        "keep": "The received part of a dump that ends early is kept.",
    },
    "habits.filler": {
        "cut": "The filler after the last word is cut off.",
        "keep": "The filler after the last word becomes words of the sample.",
    },
    "habits.stray_data": {
        "ignore": "Stray bits below a word and a filler that is not 00 are ignored.",
        "discard": "A sample with stray bits below a word or a filler that is not 00 is discarded.",
    },
    "habits.loop_end": {
        "inclusive": "The word at the loop end is played.",
        "exclusive": "The word at the loop end is not played.",
    },
    "habits.protected_request": {
        "ignore": "A request for a protected sample gets no answer.",
        "cancel": "A request for a protected sample gets CANCEL.",
        "answer": "A request for a protected sample is answered.",
    },
    "habits.empty_request": {
        "ignore": "A request for an empty slot gets no answer.",
        "cancel": "A request for an empty slot gets CANCEL.",
    },
    "habits.name_number_order": {
        "low first": "Sample numbers in name messages have the low byte first, as everywhere.",
        "high first": "Sample numbers in name messages have the high byte first.",
    },
    "habits.echo": {True: "It copies its input to its output.", False: ""},
    "habits.active_sensing": {True: "Its output carries active sensing.", False: ""},
    "habits.clock_bpm": lambda value: (
        f"Its output carries a MIDI clock of {value} beats a minute." if value else ""
    ),
    "sending.header_nak": {
        "resend once": "A header that gets NAK is sent once again.",
        "abort": "A header that gets NAK ends the dump.",
    },
    "sending.wrong_ack": {
        "ignore": "An ACK with a wrong number is ignored.",
        "accept": "An ACK with a wrong number counts as the right one.",
        "cancel": "An ACK with a wrong number ends the dump.",
    },
    "sending.message_during_wait": {
        "abort": "A message other than a handshake during WAIT ends the dump.",
        "ignore": "A message other than a handshake during WAIT is ignored.",
    },
    "sending.after_silence": {
        "go on": "A packet without an answer is followed by the next.",
        "again": "If earlier packets were answered, a packet without an answer is sent again.",
        "stop": "A packet without an answer ends the dump.",
    },
    "sending.extended_silence": {
        "fall back": "An extended header without an answer is followed by a standard one.",
        "go on": "An extended header without an answer is followed by the packets.",
    },
    "sending.sends_eof": {
        True: "It sends EOF after the last packet.",
        False: "It sends no EOF.",
    },
    "sending.resend_limit": lambda value: (
        f"After {_times(value)} of one packet it gives up."
        if value
        else "It sends a packet again however often it fails."
    ),
}

OPEN: Final[Mapping[str, str]] = {
    "habits.partial": "STA-03",
    "habits.loop_end": "HDR-09",
    "habits.protected_request": "REQ-03",
    "habits.empty_request": "REQ-03",
    "habits.name_number_order": "NAM-03",
}
"""The clauses of open points that are not switches of the sender or the receiver."""


def sentence(key: str, value: Any) -> str:
    """Return what a key's value means, "" where it is not worth saying."""
    said = SENTENCES[key]
    if callable(said):
        return said(value)
    return said.get(value, "")
