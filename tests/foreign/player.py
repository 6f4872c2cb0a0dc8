"""A foreign sender's side of a dump (M1 p. 39): header, then packet after packet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from tests.foreign import wire

HEADER_S: Final = 2.0  # M1 p. 39
PACKET_S: Final = 0.020  # M1 p. 39
BYTE_S: Final = 10 / 31_250  # M1 p. 1: ten bits a byte
_REJECTIONS: Final = 5  # of one packet, until it is given up: this sender's own limit


class Player:
    """Gives out one dump.

    `closed`: waits for an answer for `patience_s`.  `paced`: reckons that each message needs its
    time on a line of 31,250 baud; the limits count from its end.  With neither answer nor `closed`
    it goes on after 2 s and 20 ms, as the standard allows.
    """

    def __init__(
        self,
        header: bytes,
        packets: Sequence[bytes],
        *,
        deaf: bool = False,
        closed: bool = False,
        paced: bool = False,
        patience_s: float = 10.0,
    ) -> None:
        self._messages = [header, *packets]
        self._deaf, self._closed, self._paced = deaf, closed, paced
        self._patience_s = patience_s
        self._at = 0  # 0 is the header, n the packet before n
        self._again = 0
        self._due_s: float | None = None
        self._left_s = 0.0  # when our last message has left
        self.to_send: list[bytes] = []
        self.end = ""
        """"sent", or why not; "" while it goes on."""
        self.counts = dict.fromkeys(("ack", "nak", "wait", "cancel", "resent", "unanswered"), 0)

    def start(self, now_s: float) -> None:
        """Send the header."""
        self._send(now_s)

    @property
    def due_s(self) -> float | None:
        """When `tick` has something to do."""
        return None if self.end else self._due_s

    def tick(self, now_s: float) -> None:
        """Go on where no answer came in time."""
        if self.end or self._due_s is None or now_s < self._due_s:
            return
        self.counts["unanswered"] += 1
        if self._closed:
            self.end = f"no answer to {self._name()}"
        else:
            self._next(now_s)

    def take(self, raw: bytes, now_s: float) -> None:
        """Take a handshake."""
        kind, count = raw[3], raw[4]
        if self.end or self._deaf or kind == wire.EOF:
            return
        # The number in an answer to the header is not said anywhere: any will do.
        is_ours = self._at == 0 or count == (self._at - 1) & 0x7F
        if kind == wire.CANCEL:
            self.counts["cancel"] += 1
            self.end = f"cancelled at {self._name()}"
        elif kind == wire.WAIT:
            self.counts["wait"] += 1
            self._due_s = None  # no limit (M1 p. 39)
        elif kind == wire.ACK and is_ours:
            self.counts["ack"] += 1
            self._next(now_s)
        elif kind == wire.NAK and is_ours:
            self.counts["nak"] += 1
            self._again += 1
            if self._again > _REJECTIONS:
                self.end = f"{self._name()} was rejected again and again"
            else:
                self.counts["resent"] += 1
                self._send(now_s)

    def _next(self, now_s: float) -> None:
        self._at += 1
        self._again = 0
        if self._at == len(self._messages):
            self.end = "sent"
        else:
            self._send(now_s)

    def _send(self, now_s: float) -> None:
        message = self._messages[self._at]
        takes_s = len(message) * BYTE_S if self._paced else 0.0
        self._left_s = max(now_s, self._left_s) + takes_s
        limit_s = HEADER_S if self._at == 0 else PACKET_S
        self._due_s = self._left_s + (self._patience_s if self._closed else limit_s)
        self.to_send.append(message)

    def _name(self) -> str:
        return "the header" if self._at == 0 else f"packet {self._at - 1}"
