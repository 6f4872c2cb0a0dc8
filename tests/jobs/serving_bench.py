"""A unit that is served in the time of a clock that stands still."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dryload.emulator.dump.capture import Passage
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.possible import Profile
from dryload.harness.files.image_file import ImageFile
from dryload.harness.jobs.front_panel import Note
from dryload.harness.jobs.serve import Serving
from tests import oracle
from tests.ports.clockwork import MS, FakeClock, FakePort
from tests.unit.rack import profile_of

STEP_NS = 60 * MS
"""Between two messages: a packet takes 40.64 ms on the line (M1 pp. 1, 37)."""
SECOND_NS = 1_000 * MS


def messages_of(words: Sequence[int], number: int = 1, device_id: int = 0) -> list[bytes]:
    data = oracle.dump(
        bits=16, words=words, sample_number=number, period_ns=22_676, device_id=device_id
    )
    return [message for _, message in oracle.split(data)]


class Bench:
    """A unit that is served on a port whose bytes come when told to."""

    def __init__(
        self,
        profile: Profile | str = "",
        *,
        image: ImageFile | None = None,
        operator_ns: int | None = None,
        clock: FakeClock | None = None,
        byte_ns: int = 320_000,
    ) -> None:
        self.clock = clock or FakeClock()
        self.port = FakePort(self.clock)
        self.unit = RackUnit(profile_of(profile) if isinstance(profile, str) else profile)
        self.notes: list[Note] = []
        self.passages: list[Passage] = []
        if image is not None:
            image.load(self.unit)
        self.serving = Serving(
            self.port,
            self.unit,
            shown_port="fake",
            byte_ns=byte_ns,
            image=image,
            operator_ns=operator_ns,
            teller=self.notes.append,
            recorder=self.passages.append,
        )

    def come(self, messages: Sequence[bytes], *, at_ns: int = 0, step_ns: int = STEP_NS) -> int:
        """Have messages come one after another; return when all of them are dealt with."""
        for index, message in enumerate(messages):
            self.port.add(self.clock.time_ns + at_ns + index * step_ns, message)
        return self.clock.time_ns + at_ns + len(messages) * step_ns

    def run(self, until_ns: int, tick: Callable[[], None] | None = None) -> None:
        self.serving.run(lambda: self.clock.time_ns >= until_ns, tick)

    def take(self, words: Sequence[int], number: int = 1) -> None:
        self.run(self.come(messages_of(words, number)))

    def events(self) -> list[str]:
        return [note.event for note in self.notes]

    def only(self, event: str) -> Note:
        (note,) = [note for note in self.notes if note.event == event]
        return note

    def words_in(self, slot: int) -> list[int] | None:
        return words_in(self.unit, slot)


def words_in(unit: RackUnit, slot: int) -> list[int] | None:
    sample = unit.slots[slot].sample
    return None if sample is None else [int(word) for word in sample.words]
