"""A MIDI port of the operating system: an input and an output, polled.

Theory of operation.  The input keeps what arrives in a queue of its own until it is polled, and
says of each message how long after the one before it came.  Measured on every back end: a callback
in a busy process loses and doubles messages, a long queue that is polled does not.  A torn message
is joined by one binding of the library with what follows up to the next F7 (the splitter takes them
apart again), and never shown by the other.
"""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any, Final, Protocol

from dryload.emulator.ports.arrival_times import ArrivalTimes
from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.clock import Clock
from dryload.emulator.ports.hush import hushed
from dryload.emulator.ports.port import Abilities, Arrival, PortError, Truncated, closed
from dryload.emulator.wire.constants import END, START
from dryload.emulator.wire.splitter import split

_LONGEST: Final = {"jack": 16_379, "alsa": 5_572}
"""Longer messages vanished without an error (measured with the default buffers)."""
_WARNINGS: Final = (0, 1)  # kinds of errors of the library that are none
_CHECK_EVERY_NS: Final = 1_000_000_000
_CHECK_EVERY_BYTES: Final = 8_192  # half of what the library takes when nobody fetches it
_MOST: Final = 4_096  # messages taken in one look


class MidiInput(Protocol):
    """What is used of the library's input."""

    def get_message(self) -> tuple[Sequence[int], float] | None:
        """Return bytes and the seconds since the message before; None for nothing."""
        ...

    def close_port(self) -> None:
        """Close."""
        ...

    def delete(self) -> None:
        """Free everything."""
        ...


class MidiOutput(Protocol):
    """What is used of the library's output."""

    def set_error_callback(self, function: Callable[[Any, str, object], None]) -> None:
        """Have errors reported instead of raised: kind, text, something else."""
        ...

    def send_message(self, message: bytes) -> None:
        """Send; the library still raises several unrelated kinds of errors."""
        ...

    def close_port(self) -> None:
        """Close."""
        ...

    def delete(self) -> None:
        """Free everything."""
        ...


class MidiPort:
    """Hears `source` and sends to `sink`; `missing` says what of it has gone, "" for nothing."""

    def __init__(
        self,
        name: str,
        clock: Clock,
        source: MidiInput,
        sink: MidiOutput,
        *,
        system: str,
        truncated: Truncated,
        missing: Callable[[], str],
    ) -> None:
        self.name: Final = name
        self.clock: Final = clock
        self.system: Final = system
        """The library's name of the back end: alsa, jack, core, winmm."""
        self.abilities = Abilities(
            truncated=truncated,
            resolution_ns=2_000_000,
            holds_back=False,
            longest=_LONGEST.get(system),
        )
        self._source: Final = source
        self._sink: Final = sink
        self._missing: Final = missing
        now_ns = clock.now_ns()
        self._times: Final = ArrivalTimes(now_ns)
        self._checked_ns = now_ns
        self._sent_since = 0  # bytes since the last check
        self._is_closed = False
        self._errors: Final[list[str]] = []
        # The library keeps what it is given, so that must not lead back to this port.
        sink.set_error_callback(partial(_note_error, self._errors))

    def send(self, message: bytes) -> None:
        """Hand a message to the system; what is several messages or torn goes in parts."""
        if self._is_closed:
            raise closed(self.name)
        for part in _parts(message):
            self._send(part)

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> Sequence[Arrival]:
        """Return what has arrived; polls while it waits."""
        if self._is_closed:
            raise closed(self.name)
        begun_ns = self.clock.now_ns()
        until_ns = begun_ns + timeout_ns
        attention = attention or Attention(begun_ns)
        meant_ns = 0
        while True:
            arrivals = self._poll(meant_ns)
            now_ns = self.clock.now_ns()
            if arrivals:
                return arrivals
            if now_ns - self._checked_ns >= _CHECK_EVERY_NS:
                self._check(now_ns)
            if now_ns >= until_ns:
                return ()
            meant_ns = min(
                now_ns + attention.pause_ns(now_ns), until_ns, self._checked_ns + _CHECK_EVERY_NS
            )
            self.clock.sleep_ns(meant_ns - now_ns)

    def close(self) -> None:
        """Give both ports back."""
        if self._is_closed:
            return
        self._is_closed = True
        with hushed():
            for end in (self._source, self._sink):
                end.close_port()
                end.delete()

    def _poll(self, meant_ns: int) -> list[Arrival]:
        """Return what is there; the look was meant for `meant_ns`, 0 for any time."""
        arrivals: list[Arrival] = []
        while len(arrivals) < _MOST:
            looks_ns = self.clock.now_ns()
            if (found := self._source.get_message()) is None:
                self._times.empty(looks_ns)
                break
            data, gap_s = found
            gap_ns = round(gap_s * 1_000_000_000)
            arrival = self._times.arrived(bytes(data), gap_ns, self.clock.now_ns())
            arrivals.append(arrival._replace(looked_ns=meant_ns))
        return arrivals

    def _send(self, part: bytes) -> None:
        longest = self.abilities.longest
        if longest is not None and len(part) > longest:
            raise PortError(
                f"{self.name} loses messages of more than {longest:,} bytes, this one has "
                f"{len(part):,}: it was not sent.",
                "Use a tcp: target for such messages.",
            )
        self._sent_since += len(part)
        if self._sent_since > _CHECK_EVERY_BYTES:  # the library waits for ever where nobody fetches
            self._check(self.clock.now_ns())
        self._errors.clear()
        try:
            self._sink.send_message(part)
        except Exception as problem:
            self._errors.append(str(problem) or type(problem).__name__)
        if self._errors:
            raise PortError(
                f"{self.name} did not accept a message: {self._errors[-1]}.",
                "Check that the device is still connected.",
            )

    def _check(self, now_ns: int) -> None:
        """See whether everything is still there."""
        self._checked_ns = now_ns
        self._sent_since = 0
        if missing := self._missing():
            raise PortError(
                f"{self.name} has disappeared: {missing}.",
                "Connect or start it again, then start this transfer again.",
            )


def _note_error(errors: list[str], kind: Any, text: str, _: object) -> None:
    # Some drivers warn of a torn message: they keep it until the rest comes.
    if getattr(kind, "value", kind) not in _WARNINGS:  # a number, or a member of an Enum
        errors.append(text)


def _parts(message: bytes) -> Iterator[bytes]:
    """Cut a message into what the library takes at once; nearly always that is all of it."""
    if message[:1] == bytes([START]) and message[-1] == END and message[1:-1].isascii():
        yield message
        return
    for piece in split(message):
        if piece.raw[0] == START:
            yield piece.raw
        else:  # the library takes at most three bytes of anything else
            yield from (piece.raw[at : at + 3] for at in range(0, len(piece.raw), 3))
