"""What passed one way, piece by piece, with the instants at which each began and ended."""

from collections.abc import Iterator
from typing import NamedTuple

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.wire.constants import BYTE_NS
from dryload.emulator.wire.splitter import Piece, pieces_of


class Burst(NamedTuple):
    """Bytes that followed one another without a gap, the first of them from `start_ns` on."""

    start_ns: int
    data: bytes


class Passed(NamedTuple):
    """A piece of the stream with its times; nearly always it is one run."""

    piece: Piece
    runs: tuple[Burst, ...]
    end_ns: int
    """When its last byte was there."""

    @property
    def start_ns(self) -> int:
        """When its first byte began."""
        return self.runs[0].start_ns


class _PassageEnd(NamedTuple):
    """A passage and the place of its end in the stream of its direction."""

    stop: int
    end_ns: int

    def start_ns(self, offset: int) -> int:
        """Return when the byte at `offset` began."""
        return self.end_ns - (self.stop - offset) * BYTE_NS


def passed(capture: Capture, direction: Direction) -> Iterator[Passed]:
    """Yield the pieces that passed in one direction, in the order in which they begin.

    Parts that a driver delivered together overlap by their times: between them there is no gap.
    """
    stretches = iter(list(_stretches(capture, direction)))
    stretch = next(stretches, _PassageEnd(0, 0))
    for piece in pieces_of(capture.bytes_of(direction)):
        runs: list[Burst] = []
        at, stop = piece.offset, piece.offset + len(piece.raw)
        free_ns = None
        while at < stop:
            while stretch.stop <= at:
                stretch = next(stretches)
            until = min(stop, stretch.stop)
            data = piece.raw[at - piece.offset : until - piece.offset]
            start_ns = stretch.start_ns(at)
            if free_ns is not None and start_ns <= free_ns:
                runs[-1] = runs[-1]._replace(data=runs[-1].data + data)
            else:
                runs.append(Burst(start_ns, data))
            free_ns = stretch.start_ns(until)
            at = until
        assert free_ns is not None  # a piece has a byte
        yield Passed(piece, tuple(runs), free_ns)


def _stretches(capture: Capture, direction: Direction) -> Iterator[_PassageEnd]:
    stop = 0
    for passage in capture.passages:
        if passage.direction is direction and passage.data:
            stop += len(passage.data)
            yield _PassageEnd(stop, passage.end_ns)
