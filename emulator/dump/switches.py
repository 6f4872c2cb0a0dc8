"""The points that the standard leaves open, as named switches with a recommended default.

A profile of a unit sets those of the receiver; a report says of a finding that hangs on one of them
"open in the standard".  Values that change a transition name the table rows they replace in the
tables.
"""

from typing import Final, Literal

from msgspec import Struct


class SenderSwitches(Struct, frozen=True, kw_only=True):
    """How a sender acts where the standard is silent."""

    header_nak: Literal["resend once", "abort"] = "resend once"
    wrong_ack: Literal["ignore", "accept", "cancel"] = "ignore"
    message_during_wait: Literal["abort", "ignore"] = "abort"
    after_silence: Literal["go on", "again", "stop"] = "go on"
    """"again": a unit that has answered before is waited for longer, and what it does not answer
    goes out again; one that never answers is open loop as ever."""
    extended_silence: Literal["fall back", "go on"] = "fall back"
    sends_eof: bool = False
    resend_limit: int = 3
    """Times one packet may be rejected before the sender gives up; 0 means no limit (HSK-17)."""


class ReceiverSwitches(Struct, frozen=True, kw_only=True):
    """How a receiver acts where the standard is silent, and the habits units differ in."""

    number_jump: Literal["store", "nak", "cancel", "ignore"] = "store"
    repeated_packet: Literal["acknowledge", "store"] = "acknowledge"
    bad_form: Literal["nak", "ignore"] = "nak"
    bad_checksum: Literal["nak", "store"] = "nak"
    header_in_dump: Literal["restart", "ignore", "cancel"] = "restart"
    header_ack_number: Literal["zero", "127", "last", "varying"] = "zero"
    packet_ack_number: Literal["packet", "next", "zero"] = "packet"
    reply_id: Literal["own", "received"] = "own"
    final_ack: bool = True
    answers: bool = True
    """False: an open-loop unit that never sends a handshake."""
    wait_before_ack: bool = False
    nak_limit: int = 3
    """Times one packet may fail before CANCEL instead of NAK; 0 means no limit (HSK-17)."""
    idle_limit_ns: int = 2_000_000_000
    """Silence after which a dump that was begun counts as given up; 0 means never."""


QUESTIONS: Final[dict[str, tuple[str, str]]] = {
    "header_nak": ("HSK-07", "what a sender does when its header gets NAK"),
    "wrong_ack": ("HSK-02", "what a sender does with an ACK of a wrong packet number"),
    "message_during_wait": ("HSK-22", "which message counts as illegal during WAIT"),
    "after_silence": ("TIM-03", "whether a sender that had answers goes on without them"),
    "extended_silence": ("EXT-09", "what silence after an extended header means"),
    "sends_eof": ("HSK-18", "whether a sender of a sample dump sends EOF"),
    "resend_limit": ("HSK-17", "how often one packet is sent again"),
    "number_jump": ("HSK-16", "what a receiver does with an unexpected packet number"),
    "repeated_packet": ("HSK-15", "whether a repeated packet is stored twice"),
    "bad_form": ("FRM-05", "what a receiver answers to a message of wrong length"),
    "bad_checksum": ("HSK-06", "whether a bad checksum is noticed"),
    "header_in_dump": ("STA-03", "what a new header in the middle of a dump does"),
    "header_ack_number": ("HSK-04", "the packet number in the answer to a header"),
    "packet_ack_number": ("HSK-02", "the packet number in the answer to a packet"),
    "reply_id": ("DEV-03", "whose device ID a handshake carries"),
    "final_ack": ("HSK-13", "whether the last packet is answered"),
    "answers": ("TIM-02", "whether the unit answers at all"),
    "wait_before_ack": ("HSK-10", "whether the unit sends WAIT before each ACK"),
    "nak_limit": ("HSK-17", "after how many failures of one packet a receiver cancels"),
    "idle_limit_ns": ("STA-03", "how long a receiver waits for the next packet"),
}
"""Switch to (clause, question): what `profiles` and reports say of it."""
