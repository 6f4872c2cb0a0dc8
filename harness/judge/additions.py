"""Loop points and names of a stream, and which dump each belongs to.

Theory of operation.  Loop points and names are messages of their own and say a sample number.  A
unit keeps them with the sample that has this number when they come: so each belongs to the last
dump of its number before it, and where there is none, to the first one after it.  The bytes of a
name's number have two orders (CA-019 p. 4): the other one counts where no dump has the number as
it stands.  Most dumps have neither, and a search for them costs little: nothing is decoded before
the dump is asked for that it belongs to.
"""

import re
from bisect import bisect_right
from collections.abc import Collection
from typing import Final, NamedTuple

from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import ExtendedLoopPoints, LoopPoints, SampleName
from dryload.emulator.wire.sevenbit import from_groups
from dryload.harness.files.scan import HEADER, Stream
from dryload.harness.files.sections import Section

Addition = LoopPoints | ExtendedLoopPoints | SampleName

_REALTIME: Final = bytes(range(0xF8, 0x100))  # FRM-03
_R: Final = rb"[\xf8-\xff]*"
_NAME: Final = 0x03  # CA-019 p. 4
_ADDITION: Final = re.compile(
    rb"\xf0" + _R + rb"\x7e" + _R + rb"[\x00-\x7f]" + _R + rb"\x05" + _R
    + rb"[\x01\x03\x06][\x00-\x7f\xf8-\xff]*+\xf7"
)  # fmt: skip
_NUMBERS: Final = {0x01: slice(4, 6), 0x05: slice(5, 7)}
"""Where the sample number stands in a header, by its sub-ID (M1 p. 37, CA-019 p. 2)."""
_ADDED_NUMBER: Final = slice(5, 7)  # M1 p. 38, CA-019 pp. 3 and 4

_Span = tuple[int, int]


class Added(NamedTuple):
    """One of these messages and where it stands in the stream."""

    offset: int
    message: Addition


class Additions:
    """All loop points and names of a stream, by the offset of the header they belong to."""

    def __init__(self, data: Stream) -> None:
        self._data = data
        self._own: dict[int, list[_Span]] = {}
        self._others: dict[int, list[_Span]] = {}
        self._is_sorted = False

    def of(self, section: Section) -> tuple[tuple[Added, ...], tuple[Added, ...]]:
        """Return what belongs to the dump of a section; and what stands behind its header and is of
        samples that have no dump here.  Both are in order."""
        is_all = section.size == len(self._data)
        if section.header is None or (is_all and not section.odd):
            return (), ()
        if not self._is_sorted:
            self._is_sorted = True
            if _ADDITION.search(self._data) is not None:
                self._sort()
        own, others = (each.get(section.offset, ()) for each in (self._own, self._others))
        return self._decoded(own), self._decoded(others)

    def _decoded(self, spans: Collection[_Span]) -> tuple[Added, ...]:
        if not spans:
            return ()
        found = ((start, decode(self._plain(start, stop))) for start, stop in spans)
        return tuple(
            Added(start, message) for start, message in found if isinstance(message, Addition)
        )

    def _plain(self, start: int, stop: int) -> bytes:
        return self._data[start:stop].translate(None, _REALTIME)

    def _sort(self) -> None:
        headers: dict[int, list[int]] = {}
        offsets = []
        for header in HEADER.finditer(self._data):
            body = self._plain(*header.span())
            groups = body[_NUMBERS[body[3]]]
            headers.setdefault(from_groups(groups), []).append(header.start())
            offsets.append(header.start())
        for found in _ADDITION.finditer(self._data):
            body = self._plain(*found.span())
            groups = body[_ADDED_NUMBER]
            if body[-1:] == groups[-1:]:
                continue  # too short to say a number
            mine = headers.get(from_groups(groups))
            if mine is None and body[4] == _NAME:
                mine = headers.get(from_groups(groups[::-1]))
            sorted_into = self._others if mine is None else self._own
            places = mine or offsets
            if places:
                at = max(bisect_right(places, found.start()) - 1, 0)
                sorted_into.setdefault(places[at], []).append(found.span())
