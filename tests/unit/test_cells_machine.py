"""A unit with memory at fault beside a plain memory: dumps come, break off, go, and power fails.

Which words of the memory a dump gets is the memory's own affair (`test_keeper_machine.py`); what
becomes of them there is told by `plain_memory.py`, bit by bit.
"""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from dryload.emulator.unit.memory import NOTHING, Holding, NoRoom
from dryload.emulator.unit.memory_faults import layout_of, memory_fault
from tests.unit.plain_memory import PlainMemory, Shape
from tests.unit.rack import NOW, Rack, rack
from tests.unit.test_cells import MIN, plain_of

UNIT = """
[memory]
bank_words = 120
places = 2
fitted = [1, 2]
contiguous = {contiguous}
room = "{room}"
arrangement = "{arrangement}"
start_word = 7
faults = {faults}
[slots]
count = 4
replace = "{replace}"
[habits]
partial = "{partial}"
"""
FAULTS = (
    ["address line 5 of bank 1 stuck", "data line 3 of bank 2 loose"],
    ["bank 1 half the size", "40 slow cells, seed 2"],
    ["banks 1 and 2 together"],
    ["90 coupled cells", "bank 2 forgets after 2 min without power"],
    ["bank 2 missing, reads the last word", "data line 15 of bank 1 stuck low"],
    ["bank 1 forgets without power", "row 3 of bank 2 dead"],
)


class RackBesideAPlainMemory(RuleBasedStateMachine):
    """Everything that is written goes into both."""

    @initialize(
        contiguous=st.sampled_from(["true", "false"]),
        room=st.sampled_from(["at header", "as it fills"]),
        arrangement=st.sampled_from(["in a row", "in turns"]),
        replace=st.sampled_from(["at once", "when whole"]),
        partial=st.sampled_from(["drop", "keep"]),
        faults=st.sampled_from(FAULTS),
    )
    def build(self, faults: list[str], **choices: str) -> None:
        self.unit: Rack = rack(UNIT.format(faults=str(faults).replace("'", '"'), **choices))
        profile = self.unit.profile
        layout = layout_of(profile.memory, profile.words, 2)
        told = [each for text in faults for each in plain_of(memory_fault(text), layout)]
        shape = Shape(2, 120, choices["arrangement"], "words", 16, 7)
        self.plain = PlainMemory(shape, told)
        self.sent = 0
        self.taken: list[int] = []
        allocate = self.unit.memory.allocate

        def watched(words: int, *, instead_of: Holding = NOTHING) -> Holding | NoRoom:
            found = allocate(words, instead_of=instead_of)
            regions = found.regions if isinstance(found, Holding) else ()
            self.taken = [at for each in regions for at in range(each.start, each.end)]
            return found

        self.unit.memory.allocate = watched  # type: ignore[method-assign]

    @rule(slot=st.integers(1, 4), count=st.integers(1, 160), packets=st.none() | st.integers(0, 3))
    def send(self, slot: int, count: int, packets: int | None) -> None:
        self.sent += 1
        words = [(self.sent * 8_191 + at * 977) % 65_536 - 32_768 for at in range(count)]
        self.taken = []
        self.unit.send(words, number=slot - 1, packets=packets)
        stored = 0 if packets == 0 else self.stored(count, packets)
        for at, word in zip(self.taken, words[:stored], strict=False):
            self.plain.write(at, word & 0xFFFF, NOW)
        self.unit.keeper.abandon(NOW)

    def stored(self, count: int, packets: int | None) -> int:
        """Words of a dump that found room, packet by packet (40 words of 16 bits, M1 p. 39)."""
        got = 0
        for _ in range(packets or 9):
            if min(got + 40, count) > len(self.taken):
                break
            got = min(got + 40, count)
        return got

    @rule(slot=st.integers(1, 4))
    def delete(self, slot: int) -> None:
        self.unit.panel.delete(slot, NOW)

    @rule()
    def initialise(self) -> None:
        self.unit.panel.initialise(NOW)

    @rule(minutes=st.integers(0, 3))
    def cut_the_power(self, minutes: int) -> None:
        self.unit.panel.power_off(NOW)
        self.unit.panel.power_on(NOW + minutes * MIN)
        self.plain.be_off(minutes * MIN)

    @rule()
    def read_anew(self) -> None:
        assert self.unit.memory.cells is not None
        self.unit.memory.cells.begin_reading()

    @invariant()
    def slots_hold_what_the_plain_memory_says(self) -> None:
        for slot in self.unit.slots:
            words = self.unit.words_in(slot.number) or []
            places = [at for each in slot.holding.regions for at in range(each.start, each.end)]
            for word, bits in zip(words, self.plain.read(places[: len(words)]), strict=True):
                assert all(bit in (word >> n & 1, None) for n, bit in enumerate(bits))


RackBesideAPlainMemory.TestCase.settings = settings(
    max_examples=30, stateful_step_count=20, deadline=None
)
TestRackBesideAPlainMemory = RackBesideAPlainMemory.TestCase
