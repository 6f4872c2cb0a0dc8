"""Whether a unit still has, at the end of a replay, what it had when each dump was through.

Theory of operation.  What was read back after a dump is the truth of that moment.  Later dumps may
have taken its place, because a unit puts two sample numbers into one place of its own, or the unit
may have lost its memory.  An emulated unit's memory tells.  Any other unit is asked again for every
sample but the last one, and only as far as it takes: what comes under its number is compared with
what came before, header first, then packet by packet up to the first one in which it differs from
all that was sent later; there the unit is told to stop.
"""

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from emulator.dump.outgoing import sample_from
from emulator.dump.requester import Requester
from emulator.dump.sample import Sample, same_samples
from emulator.ports.port import PortError
from emulator.unit.board import RackUnit
from emulator.wire.constants import PACKET_NUMBERS
from emulator.wire.messages import Header
from emulator.wire.sizes import words_per_packet
from harness.jobs.line import PATIENCE_NS, Line, run_patiently
from harness.jobs.transfer import Transfer

_TRIES: Final = 3
_QUIET_NS: Final = 60_000_000  # longer than a packet
_PATIENCE_NS: Final = 1_000_000_000
_GONE: Final = "at the end of the replay the unit does not send it any more"
_OTHER: Final = "at the end of the replay the unit sends something else as this sample"

Still = Callable[[Transfer, Sequence[Transfer]], "str | None"]
"""Asked, of a transfer and all later ones, why the unit does not have it any more: "" if it has,
None where that can't be known."""


def in_memory(unit: RackUnit) -> Still:
    """Return what looks into an emulated unit."""

    def still(transfer: Transfer, later: Sequence[Transfer]) -> str | None:
        if transfer.slot is None or transfer.holds is None:
            return None
        sample = unit.slots[transfer.slot].sample
        if sample is None:
            return f"slot {transfer.slot} is empty at the end of the replay"
        same = same_samples(sample, transfer.holds)
        return "" if same else f"slot {transfer.slot} holds something else at the end of the replay"

    return still


def on_the_line(line: Line, wants_stop: Callable[[], bool]) -> Still:
    """Return what asks a unit over the line; it does not while the user wants to end."""
    asks = True

    def still(transfer: Transfer, later: Sequence[Transfer]) -> str | None:
        nonlocal asks
        if transfer.read is None:
            return None
        packets = _telling(transfer.read, [each.read or each.dump.sample for each in later])
        for _ in range(_TRIES):
            if not asks or wants_stop():
                break
            try:
                said = _looked(line, transfer, transfer.read, packets, wants_stop)
                asks = _falls_quiet(line)
            except PortError:
                asks, said = False, None
            if said is not None:
                return said
        return None

    return still


def _looked(
    line: Line,
    transfer: Transfer,
    read: Sample,
    packets: int,
    wants_stop: Callable[[], bool],
) -> str | None:
    """Ask for the first packets of a sample and say what is wrong with them; None: not known."""
    header = transfer.dump.header
    requester = Requester(
        device_id=header.device_id, sample_number=header.sample_number, enough=packets
    )
    collected = requester.collected
    line.connect(requester)
    requester.start(line.now_ns)
    run_patiently(
        line,
        lambda: requester.is_over,
        lambda: len(collected.packets),
        wants_stop=wants_stop,
        patience_ns=PATIENCE_NS,
    )
    if not requester.is_over:
        requester.stop(line.now_ns)
        line.run(lambda: True)
    came = [packet.packet_number for packet in collected.packets[:packets]]
    if collected.header is None:
        return None if wants_stop() else _GONE
    if not _is_header_of(collected.header, read):
        return _OTHER
    if came != [at % PACKET_NUMBERS for at in range(packets)]:
        return None  # torn on the way
    data = b"".join(packet.data for packet in collected.packets[:packets])
    words = sample_from(collected.header, np.frombuffer(data, np.uint8)).words
    return "" if np.array_equal(words, read.words[: len(words)]) else _OTHER


def _is_header_of(header: Header, read: Sample) -> bool:
    """Whether a header is the one with which a sample came before."""
    sample = sample_from(header, np.zeros(0, np.uint8))
    return header.length * max(header.channels, 1) == len(read.words) and (
        sample.bits,
        sample.rate,
        sample.channels,
    ) == (read.bits, read.rate, read.channels)


def _telling(read: Sample, others: Sequence[Sample]) -> int:
    """Return how many packets of a sample tell it from all others; one at least."""
    step = words_per_packet(read.bits)
    most = -(-len(read.words) // step)
    telling = 1
    for other in others:
        if other.bits == read.bits and len(other.words) == len(read.words):
            different = np.flatnonzero(other.words != read.words)
            if different.size:
                telling = max(telling, int(different[0]) // step + 1)
    return min(telling, most)


def _falls_quiet(line: Line) -> bool:
    """Whether a unit that was told to stop does; one that sends on can't be asked again."""
    until_ns = line.now_ns + _PATIENCE_NS
    while line.now_ns < until_ns:
        passed, now_ns = len(line.capture.passages), line.now_ns
        line.run(lambda: False, until_ns=now_ns + _QUIET_NS)
        if len(line.capture.passages) == passed:
            return True
    return False
