"""What each key of a profile means, as a sentence for each value.

Theory of operation.  `SENTENCES` maps a key ("section.field") to its sentences: a dictionary for a
closed list and for yes or no, a function for everything else.  The sentence "" is left out. Every
key of a profile is listed here; a test compares the keys with the sections.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from emulator.wire.prose import counted, listed

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
    "knows": "Messages it knows beside header, packets and handshakes",
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
        True: "It obeys what is sent to everybody (ID 127).",
        False: "It does not obey what is sent to everybody (ID 127).",
    },
    "identity.maker": lambda value: f"Maker ID {' '.join(f'{byte:02X}' for byte in value)}.",
    "identity.family": lambda value: f"Family {value}.",
    "identity.member": lambda value: f"Member {value}.",
    "identity.revision": lambda value: f"Revision {' '.join(str(byte) for byte in value)}.",
    "knows.requests": {True: "Dump requests.", False: "No dump requests: nothing is read back."},
    "knows.loops": {True: "Loop points.", False: "No loop points."},
    "knows.extended": {
        True: "The extended dump header and extended loop points.",
        False: "No extended dump header: nothing long, nothing in stereo.",
    },
    "knows.names": {True: "Sample names.", False: "No sample names."},
    "knows.identity": {True: "Identity requests.", False: "No identity requests."},
    "memory.bank_words": lambda value: f"A bank holds {counted(value, 'word')}.",
    "memory.places": lambda value: f"There is room for {counted(value, 'bank')}.",
    "memory.fitted": lambda value: f"Fitted: bank {listed(value, 'and')}.",
    "memory.block_words": lambda value: (
        "" if value == 1 else f"Memory is given out in blocks of {counted(value, 'word')}."
    ),
    "memory.contiguous": {
        True: "A sample needs its words in one piece.",
        False: "A sample may lie in several holes.",
    },
    "memory.room": {
        "at header": "Too long a sample is noticed from its header.",
        "as it fills": "Too long a sample is noticed when the memory is full.",
    },
    "memory.initialised": {
        True: "It arrives ready to take samples.",
        False: "It arrives with a memory that must be initialised first.",
    },
    "memory.battery": {
        True: "Samples survive a power cut.",
        False: "Samples are gone after a power cut.",
    },
    "slots.count": lambda value: f"{counted(value, 'slot')}.",
    "slots.first_number": lambda value: f"Sample number {value} goes to slot 1.",
    "slots.protected": lambda value: (
        f"Protected: slot {listed(value, 'and')}." if value else "None is protected."
    ),
    "slots.name_length": lambda value: (
        f"Names are cut at {counted(value, 'letter')}." if value else "It keeps no names."
    ),
    "slots.replace": {
        "at once": "The old sample of a slot goes when the new header is accepted.",
        "when whole": "The old sample of a slot goes when the new one is whole.",
    },
    "words.accepts": lambda value: f"It keeps words of {_widths(value)} significant bits.",
    "words.others": {
        "refuse": "Other widths are refused.",
        "cut": "Other widths are brought to its own: low bits are cut off.",
        "round": "Other widths are brought to its own: words are rounded.",
    },
    "words.others_to": lambda value: f"Other widths become {value} bits.",
    "words.channels": lambda value: f"Channels: {listed(value)}.",
    "input.buffer_bytes": lambda value: (
        f"Its input buffer holds {counted(value, 'byte')}; what does not fit is lost."
    ),
    "input.store_packet_ns": lambda value: f"It works on a packet for {_ms(value)}.",
    "input.store_header_ns": lambda value: f"It works on a header for {_ms(value)}.",
    "input.receive_exclusive": {
        True: "",
        False: "Its receive filter lets no System Exclusive in until somebody opens it.",
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
        "store": "Checksums are not looked at.",
    },
    "habits.header_in_dump": {
        "restart": "A header in the middle of a dump begins a new one.",
        "ignore": "A header in the middle of a dump gets no answer.",
        "cancel": "A header in the middle of a dump gets CANCEL, and the dump is over.",
    },
    "habits.header_ack_number": {
        "zero": "The answer to a header bears packet number 0.",
        "127": "The answer to a header bears packet number 127.",
        "last": "The answer to a header bears the number of the last packet to come.",
        "varying": "The answer to a header bears another packet number every time.",
    },
    "habits.packet_ack_number": {
        "packet": "The answer to a packet bears that packet's number.",
        "next": "The answer to a packet bears the number of the next one.",
        "zero": "The answer to a packet always bears number 0.",
    },
    "habits.reply_id": {
        "own": "Its answers bear its own device ID.",
        "received": "Its answers bear the device ID of the message that they answer.",
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
        f"A dump that is silent for {_ms(value)} is given up."
        if value
        else "A dump that falls silent is never given up."
    ),
    "habits.partial": {
        "drop": "A dump that ends early is dropped.",
        "keep": "What came of a dump that ends early is kept.",
    },
    "habits.filler": {
        "cut": "The filler behind the last word is cut off.",
        "keep": "The filler behind the last word becomes words of the sample.",
    },
    "habits.stray_data": {
        "ignore": "Stray bits below a word and a filler that is not 00 are passed over.",
        "discard": "A sample with stray bits below a word or a filler that is not 00 is not kept.",
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
        "low first": "Sample numbers in name messages go low byte first, as everywhere.",
        "high first": "Sample numbers in name messages go high byte first.",
    },
    "habits.echo": {True: "It copies its input to its output.", False: ""},
    "habits.active_sensing": {True: "Its output carries active sensing.", False: ""},
    "habits.clock_bpm": lambda value: (
        f"Its output carries a MIDI clock of {value} beats a minute." if value else ""
    ),
    "sending.header_nak": {
        "resend once": "A header that gets NAK is sent once more.",
        "abort": "A header that gets NAK ends the dump.",
    },
    "sending.wrong_ack": {
        "ignore": "An ACK with a wrong number is passed over.",
        "accept": "An ACK with a wrong number counts as the right one.",
        "cancel": "An ACK with a wrong number ends the dump.",
    },
    "sending.message_during_wait": {
        "abort": "A message other than a handshake during WAIT ends the dump.",
        "ignore": "A message other than a handshake during WAIT is passed over.",
    },
    "sending.after_silence": {
        "go on": "A packet that gets no answer is followed by the next.",
        "again": "Once packets were answered, one that gets no answer is sent again.",
        "stop": "A packet that gets no answer ends the dump.",
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
        else "It sends one packet again however often it fails."
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
