"""The keeper beside a dict, and the keeper under whatever bytes can say.

The dict maps a slot to the words in it; the machine sends, breaks off, deletes, switches and fits
banks, and after every step slots and memory must be what the dict says.
"""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from dryload.emulator.dump.storage import Accept, Refuse
from dryload.emulator.unit.keeper import Keeper
from dryload.emulator.unit.memory import Memory
from dryload.emulator.unit.panel import FrontPanel
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.unit.slots import Slots
from dryload.emulator.wire.messages import DataPacket, DumpHeader, ExtendedHeader
from tests.unit.rack import NOW, Rack, rack

UNIT = """
[memory]
bank_words = 120
places = 2
fitted = [1]
contiguous = {contiguous}
room = "{room}"
battery = {battery}
faults = {faults}
[slots]
count = 4
protected = [4]
replace = "{replace}"
[habits]
partial = "{partial}"
"""
TRUTH = st.sampled_from(["true", "false"])
COUNT = st.integers(0, 110)
HEALTHY = '["bank 1 forgets after 999999 min without power"]'
"""Words lie in cells, and nothing ever happens to them."""


class RackBesideADict(RuleBasedStateMachine):
    """`held` maps a slot to the words that it should hold."""

    @initialize(
        contiguous=TRUTH,
        room=st.sampled_from(["at header", "as it fills"]),
        battery=TRUTH,
        replace=st.sampled_from(["at once", "when whole"]),
        partial=st.sampled_from(["drop", "keep"]),
        faults=st.sampled_from(["[]", HEALTHY]),
    )
    def build(self, **choices: str) -> None:
        self.choices = choices
        self.unit: Rack = rack(UNIT.format(**choices))
        self.held: dict[int, list[int]] = {}
        self.sent = 0

    def words(self, count: int) -> list[int]:
        """Words that no other dump has."""
        self.sent += 1
        return [(self.sent * 131 + at) % 30_000 for at in range(count)]

    def room_for(self, slot: int) -> int:
        """Words that a dump to this slot can get."""
        if self.choices["replace"] == "when whole":
            return self.unit.memory.room()
        return self.unit.memory.room(instead_of=self.unit.slots[slot].holding)

    def send(self, slot: int, words: list[int], packets: int | None) -> None:
        room, count = self.room_for(slot), len(words)
        late = self.choices["room"] == "as it fills"
        welcome = self.unit.memory.capacity > 0 and (count <= room or (late and room > 0))
        decision = self.unit.send(words, number=slot - 1, packets=packets)
        assert isinstance(decision, Accept if welcome else Refuse)
        if not welcome:
            return
        if self.choices["replace"] == "at once":
            self.held.pop(slot, None)
        got = stored = 0  # packets of 40 words; the last needs room for its words only (M1 p. 39)
        while got < count and stored != packets and min(got + 40, count) <= room:
            got, stored = min(got + 40, count), stored + 1
        if packets is None and got == count:
            self.held[slot] = words
            return
        self.unit.keeper.abandon(NOW)
        if got and self.choices["partial"] == "keep":
            self.held[slot] = words[:got]

    @rule(slot=st.integers(1, 3), count=COUNT)
    def send_whole(self, slot: int, count: int) -> None:
        self.send(slot, self.words(count), None)

    @rule(slot=st.integers(1, 3), count=COUNT, packets=st.integers(0, 3))
    def send_and_break_off(self, slot: int, count: int, packets: int) -> None:
        self.send(slot, self.words(count), packets)

    @rule(number=st.integers(3, 70))
    def send_where_nothing_may_go(self, number: int) -> None:
        assert isinstance(self.unit.send([1], number=number), Refuse)

    @rule(slot=st.integers(1, 4))
    def delete(self, slot: int) -> None:
        assert self.unit.panel.delete(slot, NOW) == (slot in self.held)
        self.held.pop(slot, None)

    @rule()
    def initialise(self) -> None:
        self.unit.panel.initialise(NOW)
        self.held.clear()

    @rule(places=st.sets(st.integers(1, 2)))
    def fit_banks(self, places: set[int]) -> None:
        if tuple(sorted(places)) != self.unit.memory.fitted:
            self.held.clear()
        self.unit.panel.fit_banks(places, NOW)

    @rule()
    def cut_the_power(self) -> None:
        self.unit.panel.power_off(NOW)
        self.unit.panel.power_on(NOW)
        if self.choices["battery"] == "false":
            self.held.clear()

    @invariant()
    def slots_hold_what_the_dict_says(self) -> None:
        for slot in self.unit.slots:
            assert self.unit.words_in(slot.number) == self.held.get(slot.number)

    @invariant()
    def memory_holds_the_samples_and_nothing_else(self) -> None:
        assert self.unit.memory.used == sum(len(words) for words in self.held.values())
        owners = {line.slot for line in self.unit.panel.memory_map()} - {None}
        assert owners == {slot for slot, words in self.held.items() if words}


RackBesideADict.TestCase.settings = settings(
    max_examples=100, stateful_step_count=30, deadline=None
)
TestRackBesideADict = RackBesideADict.TestCase


SEVEN = st.integers(0, 127)
POINT = st.integers(0, (1 << 21) - 1)
LONG = st.integers(0, (1 << 35) - 1)
HEADERS = st.builds(
    DumpHeader,
    device_id=SEVEN,
    sample_number=st.integers(0, 20) | st.integers(0, 16_383),
    bits=st.sampled_from([8, 12, 16, 24]) | SEVEN,
    period_ns=POINT,
    length=st.integers(0, 200) | POINT,
    loop_start=POINT,
    loop_end=POINT,
    loop_type=SEVEN,
) | st.builds(
    ExtendedHeader,
    device_id=SEVEN,
    sample_number=st.integers(0, 20) | st.integers(0, 16_383),
    bits=st.sampled_from([16, 24, 28]) | SEVEN,
    rate_hz=st.integers(0, (1 << 28) - 1),
    rate_fraction=st.integers(0, (1 << 28) - 1),
    length=st.integers(0, 200) | LONG,
    loop_start=LONG,
    loop_end=LONG,
    loop_type=SEVEN,
    channels=st.integers(0, 3) | SEVEN,
)
PACKETS = st.builds(
    DataPacket,
    device_id=SEVEN,
    packet_number=SEVEN,
    data=st.binary(min_size=120, max_size=120).map(lambda data: bytes(b & 0x7F for b in data)),
    checksum=SEVEN,
)


@pytest.mark.parametrize("name", profile_names())
@given(dumps=st.lists(st.tuples(HEADERS, st.lists(PACKETS, max_size=4), st.booleans()), max_size=6))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_no_header_and_no_packet_brings_a_unit_down(
    name: str, dumps: list[tuple[DumpHeader | ExtendedHeader, list[DataPacket], bool]]
) -> None:
    profile = load_profile(name)
    memory, slots = Memory(profile.memory), Slots(profile.slots)
    panel = FrontPanel(profile, memory, slots)
    keeper = Keeper(profile, memory, slots, panel)
    for header, packets, whole in dumps:
        decision = keeper.begin(header, NOW)
        assert isinstance(decision, Accept) or decision.reason
        assert keeper.is_busy == isinstance(decision, Accept)
        for packet in packets:
            if keeper.has_room():
                keeper.append(packet, NOW)
        (keeper.finish if whole else keeper.abandon)(NOW)
        assert memory.used == sum(slot.holding.words for slot in slots.used())
        panel.confirm(NOW)
    for slot in slots.used():
        assert slot.sample is not None
        assert len(slot.sample.words) <= slot.holding.words
