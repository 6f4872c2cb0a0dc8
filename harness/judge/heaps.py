"""Equal things gathered: told once, with their number and the place of the first.

What stands beside the packets of a dump comes in swarms: 5,000 handshakes of a recording of both
sides, a clock, noise.
"""

from dataclasses import dataclass, field

from harness.files.sections import Section
from harness.judge.finding import Place, Verdict
from harness.judge.notes import Notes


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What makes two findings equal; `many` has "{n}" where the number belongs."""

    clause: str
    one: str
    many: str
    verdict: Verdict | None = None
    expected: str = field(default="", compare=False)
    found: str = field(default="", compare=False)
    do: str = field(default="", compare=False)


@dataclass(slots=True)
class _Heap:
    place: Place
    count: int = 0


class Heaps:
    """What has been gathered in one section."""

    def __init__(self, notes: Notes, section: Section) -> None:
        self.notes = notes
        self.section = section
        self._heaps: dict[Kind, _Heap] = {}

    def is_inside(self, before: int) -> bool:
        """Return whether what has so many packets before it stands before the last packet."""
        return self.section.opening is not None and before < self.section.packets

    def add(self, kind: Kind, offset: int, count: int = 1) -> None:
        """Put `count` things on their heap; `offset` is where the first one stands."""
        self._heaps.setdefault(kind, _Heap(Place(byte=offset))).count += count

    def tell(self) -> None:
        """Add a finding for each heap."""
        for kind, heap in self._heaps.items():
            self.notes.add(
                kind.clause,
                kind.one if heap.count == 1 else kind.many.format(n=f"{heap.count:,}"),
                at=heap.place,
                expected=kind.expected,
                found=kind.found,
                do=kind.do,
                verdict=kind.verdict,
            )
